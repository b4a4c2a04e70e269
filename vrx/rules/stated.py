"""What a guide leaves open and the plan has to stand for: extractant, depth, unit, groups, ratings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import RuleError
from vrx.model import IntArray, Severity, ZoneReading
from vrx.rules.names import advice, extractant

if TYPE_CHECKING:
    from vrx.rules.context import Context


def accept_extractant(ctx: Context, reading: ZoneReading) -> None:
    """RuleError unless the plan stands for its extractant, where the guide names none."""
    ours, accepted = extractant(reading.extractant), ctx.options.get("accept_extractant")
    if accepted is not None and ours and extractant(str(accepted)) == ours:
        ctx.tell(Severity.WARN, "rules-extractant-accepted",
                 f"the guide does not say its extractant; the soil test is {ours}",
                 done="taken as it is, as the plan asks", todo="ask who prints the guide")
        return
    raise RuleError(
        f"the soil test is {ours or 'without extractant'}, and the guide does not say which "
        "extractant its numbers belong to", code="rules-extractant", where=ctx.book.where,
        hint="choose a guide for your laboratory's method"
        + (f', or set accept_extractant = "{ours}" in the book\'s section of the plan if you stand '
           "for it" if ours else ""))


def accept_depth(ctx: Context, reading: ZoneReading) -> None:
    """RuleError unless the plan stands for its depth, where the guide names none."""
    top, bottom = reading.depth_in
    accepted = ctx.options.get("accept_depth_in")
    if accepted is not None and tuple(map(float, accepted)) == (float(top), float(bottom)):
        ctx.tell(Severity.WARN, "rules-depth-accepted",
                 f"the guide does not say its depth; the sample is from {top:g}-{bottom:g} in",
                 done="taken as it is, as the plan asks", todo="ask who prints the guide")
        return
    raise RuleError(
        f"the sample is from {top:g}-{bottom:g} in, and the guide does not say which depth its "
        "numbers belong to", code="rules-depth", where=ctx.book.where,
        hint=f"choose a guide for your depth, or set accept_depth_in = [{top:g}, {bottom:g}] in "
             "the book's section of the plan if you stand for it")


def units_per_ppm(ctx: Context) -> float:
    """How many of the guide's units 1 ppm is. RuleError where neither guide nor plan says it."""
    soil = ctx.book.data.soil
    if soil is None or soil.scale is None:
        return 1.0
    if soil.scale.per_ppm is not None:
        return float(soil.scale.per_ppm)
    own = ctx.options.get("soil_units_per_ppm")
    if own is None:
        raise RuleError(
            f"the guide reads {soil.unit}, and nothing says how many of it are 1 ppm",
            code="rules-unit", where=ctx.book.where,
            hint=f"set soil_units_per_ppm in the book's section of the plan ({soil.scale.locator})")
    return float(own)


def named(ctx: Context, option: str, names: Sequence[str]) -> IntArray | None:
    """The number of the name that the plan gives to each zone, None where it gives none.

    The option is one name for all, or a table from zone to name. RuleError where a zone is left
    out or unknown, and for a table on a surface whose zones are not known.
    """
    value = ctx.options.get(option)
    if value is None:
        return None
    if not isinstance(value, Mapping):
        return np.full(ctx.shape, list(names).index(value), dtype=np.int64)
    zones = ctx.zone_names if ctx.zone_ids else ctx.all_names
    if not zones:
        raise RuleError(f"{option} is given by zone, and a surface has no zones",
                        code="rules-by-zone", where=ctx.book.where,
                        hint=f"give {option} one value for the whole field")
    known = {name.casefold(): value[name] for name in value}
    missing = [z for z in zones if z.casefold() not in known]
    strangers = [z for z in value if z.casefold() not in [n.casefold() for n in zones]]
    if missing or strangers:
        said = [f"no value for zone {', '.join(missing)}"] if missing else []
        said += [f"no zone is called {', '.join(strangers)}"] if strangers else []
        raise RuleError(f"{option}: " + "; ".join(said), code="rules-by-zone",
                        where=ctx.book.where,
                        hint=f"the zones are {', '.join(zones)}; give every one a value")
    at = np.array([list(names).index(known[z.casefold()]) for z in zones], dtype=np.int64)
    return (at if ctx.zone_ids or ctx.of_zone is None else at[ctx.of_zone]).reshape(ctx.shape)


def required(ctx: Context, option: str, names: Sequence[str]) -> IntArray:
    """As `named`; RuleError where the plan does not choose."""
    found = named(ctx, option, names)
    if found is None:
        raise RuleError(f"{option} is not chosen", code="rules-option-missing",
                        where=ctx.book.where,
                        hint=f"set {option} in the book's section of the plan; "
                             + advice("", names))
    return found
