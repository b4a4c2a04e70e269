"""Hold wanted rates within label, season and machine, and say what that changed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.errors import PlanInfeasible
from vrx.model import BoolArray, Finding, FloatArray, warn
from vrx.products.requests import Checked

TINY = 1e-9
"""Rates and needs below this are rounding noise of the computer, and count as 0."""


def limit(
    one: Checked,
    wanted: FloatArray,
    *,
    zone_names: Sequence[str],
    area_ac: FloatArray,
    step: float,
    season_left: FloatArray | None,
    s_left: FloatArray | None,
    ceilings: Sequence[tuple[str, FloatArray]] = (),
) -> tuple[FloatArray, list[Finding]]:
    """Rates (zones,) that keep every limit, and one finding per limit that changed pounds.

    `season_left` is what the label's season maximum leaves, in units per acre; `s_left` is lb S/ac
    that the S ceiling leaves; `ceilings` are (words, units per acre) that other ceilings of the
    user leave. A wanted 0 stays 0. Flat and fixed passes keep one rate: the tightest
    zone holds for all. Where a ceiling leaves less than the machine's least, the pass is off.
    """
    request = one.request
    what = _Telling(one, zone_names, area_ac)
    planned = wanted.copy()
    caps: list[tuple[str, str, FloatArray]] = []
    if request.label_most is not None:
        caps.append(("pass-label-limit", f"the label's {request.label_most:g} {one.material.unit}",
                     np.full_like(wanted, request.label_most)))
    if request.most is not None:
        caps.append(("pass-above-most", f"the machine's most, {request.most:g} {one.material.unit}",
                     np.full_like(wanted, request.most)))
    if season_left is not None:
        caps.append(("pass-season-label", "what the label's season maximum leaves", season_left))
    s_per_unit = one.material.nutrient_lb_per_unit("S")
    if s_left is not None and s_per_unit > 0:
        caps.append(("pass-s-ceiling", "what the S ceiling leaves", s_left / s_per_unit))
    caps += [("pass-ceiling", words, most) for words, most in ceilings]
    room = np.full_like(wanted, np.inf)
    for code, words, cap in caps:
        by_zone = request.kind == "variable" or request.zone_rates is not None
        top = cap if by_zone else np.full_like(cap, cap.min(initial=np.inf))
        room = np.minimum(room, top)
        lower = np.minimum(planned, top)
        what.changed(code, f"above {words}", planned, lower)
        planned = lower
    planned[planned < TINY] = 0.0
    _require_a_rate(one, step)
    if request.least:
        planned = _least(one, planned, room=room, step=step, what=what)
    return planned, what.findings


def _require_a_rate(one: Checked, step: float) -> None:
    """Raise `PlanInfeasible` for a machine that can set no rate but 0: all would end as off."""
    most = one.request.most
    if most is not None and step > most + TINY:
        raise PlanInfeasible(
            f"its first step, {step:g}, is above its most, {most:g} {one.material.unit}",
            code="pass-limits", where=one.where, hint="correct most or step of the machine",
        )


def _least(
    one: Checked, planned: FloatArray, *, room: FloatArray, step: float, what: _Telling
) -> FloatArray:
    request = one.request
    least = request.least or 0.0
    # The least rate that the machine can set: its first step at or above the least.
    on_step = float(np.ceil(least / step - TINY) * step)
    if request.most is not None and on_step > request.most + TINY:
        raise PlanInfeasible(
            f"no step of {step:g} lies between least {least:g} and most {request.most:g}"
            f" {one.material.unit}", code="pass-limits", where=one.where,
            hint="correct least, most or step of the machine",
        )
    low = (planned > 0) & (planned < on_step - TINY)
    up = {"nearest": planned >= on_step / 2, "raise": np.ones_like(low),
          "off": np.zeros_like(low)}[request.below_least] & (room >= on_step - TINY)
    new = np.where(low, np.where(up, on_step, 0.0), planned)
    at = f"{least:g} {one.material.unit}" + (
        "" if abs(on_step - least) < TINY else f" ({on_step:g} on its steps)")
    what.changed("pass-below-least", f"below the machine's least, {at}", planned, new)
    return new


class _Telling:
    """Gathers one finding per limit, with zones, rates, and totals before and after."""

    def __init__(self, one: Checked, zone_names: Sequence[str], area_ac: FloatArray) -> None:
        self.one = one
        self.zone_names = zone_names
        self.area_ac = area_ac
        self.findings: list[Finding] = []

    def changed(self, code: str, why: str, before: FloatArray, after: FloatArray) -> None:
        hit: BoolArray = np.abs(before - after) > TINY
        if not hit.any():
            return
        area, unit = self.area_ac, self.one.unit
        there = [f"{float(rates[hit] @ area[hit]):,.0f}" for rates in (before, after)]
        whole = [f"{float(rates @ area):,.0f}" for rates in (before, after)]
        self.findings.append(warn(
            code, self.one.where,
            f"{zone_list(self.zone_names, hit, before)} {why}: {there[0]} {unit} -> {there[1]}"
            f" {unit} there, whole pass {whole[0]} {unit} -> {whole[1]} {unit}",
            value=f"{float((after - before) @ area):.6g} {unit}",
            done=self._done(before[hit], after[hit]),
            todo="look whether another pass, material or machine should carry the difference",
        ))

    def _done(self, before: FloatArray, after: FloatArray) -> str:
        """In words what happened: shut off, raised, lowered."""
        off, up = int((after == 0).sum()), int((after > before).sum())
        down = len(after) - off - up
        parts = [f"{words} in {count} zone{'s' if count > 1 else ''}" for words, count in
                 (("off", off), ("raised to the least", up), ("lowered to the limit", down))
                 if count]
        return ", ".join(parts)


def zone_list(zone_names: Sequence[str], hit: BoolArray, rates: FloatArray, most: int = 6) -> str:
    """"zones A (37), B (412) and 3 more": those hit with their rates."""
    at = np.flatnonzero(hit)
    named = ", ".join(f"{zone_names[i]} ({rates[i]:.4g})" for i in at[:most])
    more = f" and {len(at) - most} more" if len(at) > most else ""
    return f"zone{'s' if len(at) > 1 else ''} {named}{more}"
