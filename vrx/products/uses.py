"""Where a material may not be used, against the pass that it is planned for."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.model import Finding, PassRates, stop, warn
from vrx.products import timings
from vrx.products.timings import parse_timing

_BARE = (timings.STUBBLE, timings.AFTER_LAST, timings.DORMANT, timings.BEFORE_SEEDING)


def use_findings(passes: Sequence[PassRates]) -> tuple[Finding, ...]:
    """Liquids that must not meet leaves or seed, planned where they would; rates of 0 are fine."""
    found: list[Finding] = []
    for one in passes:
        banned, timing = one.material.more.not_for, parse_timing(one.timing)
        if not one.rates.any():
            continue
        where = f"pass {one.pass_id}"
        if "leaves" in banned and timing.kind not in _BARE and one.method != "band":
            found.append(warn(
                "pass-on-leaves", where,
                f"{one.material.id} must not be sprayed on leaves, and {one.timing!r} names no"
                " stubble, no dormant crop", value=one.timing, done="rates are not changed",
                todo="put it on the stubble of a cutting, or inject it before regrowth"))
        if ("seed furrow" in banned and timing.kind == timings.BEFORE_SEEDING
                and one.method == "band"):
            found.append(stop(
                "pass-seed-furrow", where,
                f"{one.material.id} must never be in the seed furrow: it hinders germination",
                value=one.timing, todo="broadcast it, or choose another material"))
    return tuple(found)
