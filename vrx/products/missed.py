"""If a pass is missed: what is left of which need, and which later pass could carry it.

A what-if on rates as they are, pass by pass; no rate is changed. Later passes are filled in their
order, each up to its room: the machine's most, the label's maximum for pass and season, the S
ceiling, and the split limit of K2O a pass. A pass with one rate is raised by one figure everywhere,
at most to the mean of what is left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vrx.model import (
    Carrier,
    Finding,
    FloatArray,
    MissedPass,
    PassRates,
    PassWindow,
    warn,
)
from vrx.products.requests import NUTRIENTS, PassRequest

_TINY = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceilings:
    """What all passes keep: lb S/ac of the season (None for none), lb K2O/ac of one pass."""

    s_lb_per_ac: float | None
    k2o_split_lb_per_ac: float


def if_missed(
    passes: Sequence[PassRates], *, requests: Sequence[PassRequest],
    needs: Mapping[str, FloatArray], area_ac: FloatArray, zone_names: Sequence[str],
    ceilings: Ceilings, windows: Sequence[PassWindow] = (),
) -> tuple[MissedPass, ...]:
    """One entry a pass and nutrient that would be short without it, by number.

    `needs` (lb/ac) and `area_ac` are arrays in the order of `zone_names`. A pass is later if its
    window closes later, or, without both windows, if its number is greater.
    """
    asked = {one.pass_id: one for one in requests}
    closes = {one.pass_id: one.closes for one in windows}
    found: list[MissedPass] = []
    for missed in sorted(passes, key=lambda one: one.number):
        season = _Season(passes, missed=missed, needs=needs, asked=asked, ceilings=ceilings,
                         area=area_ac)
        later = _later(missed, passes, closes)
        for nutrient in NUTRIENTS:
            if nutrient not in needs:
                continue
            extra_short = season.short(nutrient) - season.short_with(nutrient)
            extra_short[extra_short < _TINY] = 0.0
            if not (extra_short > 0).any():
                continue
            carriers = []
            left = extra_short
            for one in later:
                carried, bound = season.carry(one, nutrient, left)
                left = np.maximum(left - carried, 0.0)
                carriers.append(Carrier(pass_id=one.pass_id, number=one.number,
                                        lb=float(carried @ area_ac), bound=bound))
            found.append(MissedPass(
                pass_id=missed.pass_id, number=missed.number, nutrient=nutrient,
                short_lb=float(extra_short @ area_ac),
                short_lb_per_ac=tuple((name, float(lb)) for name, lb in
                                      zip(zone_names, extra_short, strict=True) if lb > 0),
                carriers=tuple(carriers), still_lb=float(left @ area_ac),
            ))
    return tuple(found)


def _later(
    missed: PassRates, passes: Sequence[PassRates], closes: Mapping[str, object]
) -> list[PassRates]:
    mine = closes.get(missed.pass_id)

    def is_later(one: PassRates) -> bool:
        other = closes.get(one.pass_id)
        if mine is not None and other is not None and mine != other:
            return bool(other > mine)  # type: ignore[operator]
        return one.number > missed.number

    rest = [one for one in passes if one.pass_id != missed.pass_id and is_later(one)]
    return sorted(rest, key=lambda one: one.number)


class _Season:
    """Rates without the missed pass, and what later passes are raised by."""

    def __init__(
        self, passes: Sequence[PassRates], *, missed: PassRates, needs: Mapping[str, FloatArray],
        asked: Mapping[str, PassRequest], ceilings: Ceilings, area: FloatArray,
    ) -> None:
        self.passes = [one for one in passes if one.pass_id != missed.pass_id]
        self.missed = missed
        self.rates = {one.pass_id: np.array(one.rates, dtype=np.float64) for one in self.passes}
        self.needs = needs
        self.asked = asked
        self.ceilings = ceilings
        self.area = area

    def brought(self, nutrient: str, *, serving: bool = True) -> FloatArray:
        """lb/ac of the passes that are left; `serving` leaves out elemental S."""
        total = np.zeros_like(self.area)
        for one in self.passes:
            if serving and nutrient == "S" and one.material.s_form == "elemental":
                continue
            total = total + self.rates[one.pass_id] * one.material.nutrient_lb_per_unit(nutrient)
        return total

    def short(self, nutrient: str) -> FloatArray:
        """What the need lacks without the missed pass."""
        return np.maximum(self.needs[nutrient] - self.brought(nutrient), 0.0)

    def short_with(self, nutrient: str) -> FloatArray:
        """What it lacks with it."""
        one, own = self.missed, np.zeros_like(self.area)
        if not (nutrient == "S" and one.material.s_form == "elemental"):
            own = one.rates * one.material.nutrient_lb_per_unit(nutrient)
        return np.maximum(self.needs[nutrient] - self.brought(nutrient) - own, 0.0)

    def carry(self, one: PassRates, nutrient: str, left: FloatArray) -> tuple[FloatArray, str]:
        """lb/ac of `left` that a pass takes over (booked), and what bound it; "" for nothing."""
        per = one.material.nutrient_lb_per_unit(nutrient)
        none = np.zeros_like(self.area)
        if per <= 0 or (nutrient == "S" and one.material.s_form == "elemental"):
            return none, f"{one.material.id} brings no {nutrient} for this season"
        rooms = self._rooms(one)
        room = np.minimum.reduce([top for _, top in rooms])
        wanted = left / per
        if one.kind != "variable":
            mean = float(wanted @ self.area) / float(self.area.sum())
            wanted = np.full_like(self.area, mean)
            room = np.full_like(self.area, float(room.min()))
        rate = self.rates[one.pass_id]
        more = np.minimum(wanted, np.maximum(room, 0.0))
        # The sum is what the machine sets, so it is rounded down, never the addition alone.
        new = np.floor((rate + more) / one.step + _TINY) * one.step
        least = self.asked[one.pass_id].least or 0.0
        new = np.where(new + _TINY < least, rate, np.maximum(new, rate))
        more = new - rate
        carried = np.minimum(more * per, left)
        hit = (left > _TINY) & (wanted > room + _TINY)
        bound = ""
        if hit.any():
            at = int(np.flatnonzero(hit)[0])
            bound = min(rooms, key=lambda pair: float(
                pair[1].min() if one.kind != "variable" else pair[1][at]))[0]
        elif (carried < left - _TINY).any():
            bound = "one rate for all" if one.kind != "variable" else "its steps"
        self.rates[one.pass_id] = new
        return carried, bound

    def _rooms(self, one: PassRates) -> list[tuple[str, FloatArray]]:
        request, material = self.asked[one.pass_id], one.material
        rate = self.rates[one.pass_id]
        rooms: list[tuple[str, FloatArray]] = [("", np.full_like(rate, np.inf))]
        if request.most is not None:
            rooms.append(("the machine's most", request.most - rate))
        if request.label_most is not None:
            rooms.append(("the label's maximum", request.label_most - rate))
        if request.label_most_season is not None:
            used = sum((self.rates[other.pass_id] for other in self.passes
                        if other.material.id == material.id), start=np.zeros_like(rate))
            rooms.append(("the label's season maximum", request.label_most_season - used))
        s, k2o = (material.nutrient_lb_per_unit(name) for name in ("S", "K2O"))
        if self.ceilings.s_lb_per_ac is not None and s > 0:
            rooms.append(("the S ceiling", (
                self.ceilings.s_lb_per_ac - self.brought("S", serving=False)) / s))
        if k2o > 0:
            rooms.append((f"{self.ceilings.k2o_split_lb_per_ac:g} lb K2O/ac a pass",
                          self.ceilings.k2o_split_lb_per_ac / k2o - rate))
        return rooms


def missed_findings(
    missed: Sequence[MissedPass], windows: Sequence[PassWindow]
) -> tuple[Finding, ...]:
    """A warning a nutrient for passes that miss their window as planned; the rest is only shown."""
    late = {one.pass_id for one in windows if one.closed or one.fits is False}
    return tuple(
        warn("calendar-if-missed", f"pass {one.pass_id}", missed_words(one),
             value=f"{one.short_lb:.6g} lb {one.nutrient}", done="rates are not changed",
             todo="raise the later passes that could carry it, or write down why less is enough")
        for one in missed if one.pass_id in late
    )


def missed_words(one: MissedPass) -> str:
    """What is left if the pass is missed, in one sentence."""
    rates = [lb for _, lb in one.short_lb_per_ac]
    span = f"{min(rates):,.0f} to {max(rates):,.0f}" if round(min(rates)) != round(
        max(rates)) else f"{max(rates):,.0f}"
    text = (f"if it is missed, {one.short_lb:,.0f} lb {one.nutrient} of the need are short"
            f" ({span} lb/ac in {len(rates)} zone{'s' if len(rates) > 1 else ''})")
    able = [f"{of.pass_id} could carry {of.lb:,.0f} lb" + (f" ({of.bound} binds)" if of.bound
            else "") for of in one.carriers if of.lb >= 0.5]
    if not one.carriers:
        return f"{text}; no pass comes later"
    if not able:
        why = "; ".join(f"{of.pass_id}: {of.bound or 'no room on its steps'}"
                        for of in one.carriers)
        return f"{text}; no later pass could carry it ({why})"
    rest = (f"; {one.still_lb:,.0f} lb would stay short" if one.still_lb >= 0.5 else
            "; nothing would stay short")
    return f"{text}; {', '.join(able)}{rest}"
