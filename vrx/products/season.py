"""Turn the needs of a season into exact rates per pass, with S and K2O counted together.

Order of work, which is also the order of rights; who comes last gives way first:

1. Fixed passes, by number. What they bring is credited to both needs.
2. Passes that serve K2O, by number. Their shares are shares of the K2O need that the fixed passes
   leave; "what is left" takes all that the passes before it leave, limits included.
3. Passes that serve S, by number, likewise, of the S need that is left after the S of the fixed
   passes and of the K products. It never falls below 0. The K2O that these passes bring comes on
   top of the K2O need and is reported.

Label, season and machine limits and the S ceiling are applied to each pass when its turn comes.
Elemental S counts against the S ceiling, but never towards this season's need.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from vrx.errors import ComputeError, PlanError
from vrx.model import CropTruth, Finding, FloatArray, Material, PassPlan
from vrx.products import telling
from vrx.products.ceilings import NO_CEILINGS, SeasonCeilings
from vrx.products.limiting import TINY, limit
from vrx.products.limits import Limits, load_limits
from vrx.products.requests import NUTRIENTS, WHAT_IS_LEFT, Checked, PassRequest, check_requests


def plan_passes(
    *,
    zone_ids: Sequence[int],
    zone_area_ac: FloatArray,
    needs: Mapping[str, FloatArray],
    requests: Sequence[PassRequest],
    materials: Mapping[str, Material],
    s_most_lb_per_ac: float | None,
    crop_truth: CropTruth | None = None,
    k2o_split_lb_per_ac: float | None = None,
    most_lb_per_ac: Mapping[str, float] = NO_CEILINGS,
    zone_names: Sequence[str] = (),
) -> tuple[PassPlan, ...]:
    """Exact rates (zones,) of every pass, by number, with findings; see the module for the order.

    `needs` holds lb/ac of "K2O" and "S" per zone in the order of `zone_ids`; `zone_area_ac` are
    acres. `s_most_lb_per_ac` is the user's S ceiling for the season, None for none.
    `k2o_split_lb_per_ac` replaces the rule of thumb above which a pass should be split;
    `most_lb_per_ac` are the user's ceilings of the season for "K2O", "N", "Cl", none where absent.
    `zone_names` are what findings call the zones (the ids where none are given). Findings of the
    whole season hang on the last pass.

    Raises `PlanError` (one for everything wrong in the requests), `PlanInfeasible` (limits that
    contradict each other), `ComputeError` (needs or acres that are no numbers).
    """
    names = tuple(zone_names) or tuple(str(zone) for zone in zone_ids)
    if len(names) != len(zone_ids):
        raise ComputeError(f"{len(names)} names for {len(zone_ids)} zones", code="pass-shape",
                           hint="one name per zone, in the order of the zones, or none")
    area = per_zone(zone_area_ac, zone_ids, "acres", above=0.0)
    need = {name: per_zone(needs[name], zone_ids, f"need of {name}") if name in needs
            else np.zeros_like(area) for name in NUTRIENTS}
    unknown = sorted(set(needs) - set(NUTRIENTS))
    if unknown:
        raise PlanError(f"needs of {', '.join(unknown)} cannot be served", code="pass-need-unknown",
                        hint="K2O and S only; K is not K2O: multiply K by 1.2046")
    if s_most_lb_per_ac is not None and not s_most_lb_per_ac >= 0:
        raise PlanError(f"the S ceiling is {s_most_lb_per_ac:g} lb/ac", code="pass-value",
                        hint="give a number of 0 or more, or none")
    limits = load_limits()
    checked = check_requests(requests, materials=materials, needs=needs)
    season = Season(zone_names=names, area=area, need=need, s_most=s_most_lb_per_ac,
                     most=most_lb_per_ac,
                     known=tuple(name for name in NUTRIENTS if name in needs))
    made: dict[int, PassPlan] = {}
    for group in _groups(checked):
        # Shares refer to what the groups before left, so it is taken once for the whole group.
        base = {name: season.left(name) for name in NUTRIENTS}
        for one in group:
            made[one.request.number] = season.plan(one, base, limits, crop_truth)
    plans = [made[number] for number in sorted(made)]
    split = limits.k2o_per_pass.value if k2o_split_lb_per_ac is None else k2o_split_lb_per_ac
    return telling.with_season(
        plans, checked=checked, zone_names=names, area=area, needs=need, limits=limits,
        k2o_split=split, s_most=s_most_lb_per_ac,
    )


def _groups(checked: Sequence[Checked]) -> tuple[list[Checked], ...]:
    fixed = [one for one in checked if one.request.kind == "fixed"]
    rest = [one for one in checked if one.request.kind != "fixed"]
    return (fixed, *([one for one in rest if one.serves == name] for name in NUTRIENTS))


class Season:
    """What the passes planned so far have brought, per zone."""

    def __init__(
        self, *, zone_names: Sequence[str], area: FloatArray, need: Mapping[str, FloatArray],
        s_most: float | None, known: Sequence[str], most: Mapping[str, float],
    ) -> None:
        self.zone_names = zone_names
        self.area = area
        self.need = need
        self.known = {name: need[name] for name in known}
        self.s_most = s_most
        # What serves the crop this season: all K2O, and the S that is not elemental.
        self.serving = {name: np.zeros_like(area) for name in NUTRIENTS}
        self.all_s = np.zeros_like(area)
        self.used: dict[str, FloatArray] = {}
        self.ceilings = SeasonCeilings(most, zones=len(area))

    def left(self, nutrient: str) -> FloatArray:
        """Need less what is brought, lb/ac, never below 0."""
        left = np.maximum(self.need[nutrient] - self.serving[nutrient], 0.0)
        left[left < TINY] = 0.0
        return left

    def plan(
        self, one: Checked, base: Mapping[str, FloatArray], limits: Limits,
        crop_truth: CropTruth | None,
    ) -> PassPlan:
        """Plan one pass and book what it brings."""
        request, material = one.request, one.material
        left = self.left(one.serves)
        findings: list[Finding] = []
        if telling.is_late_s(one):
            wanted = np.zeros_like(self.area)
            findings.append(telling.late_s(one))
        else:
            wanted = self._wanted(one, base[one.serves], left)
        step, assumed = step_or_assumed(one, limits)
        findings += assumed
        planned, held = limit(
            one, wanted, zone_names=self.zone_names, area_ac=self.area, step=step,
            season_left=self._season_left(one), s_left=self._s_left(),
            ceilings=self.ceilings.caps(material, step),
        )
        self.ceilings.book(material, planned, step)
        findings += held
        findings += telling.about_need(one, need=self.known, left_before=left, planned=planned,
                                       zone_names=self.zone_names, area=self.area)
        findings += telling.about_material(one, planned=planned, area=self.area,
                                           limits=limits, crop_truth=crop_truth)
        self._book(material, planned)
        tops = [top for top in (request.label_most, request.most) if top is not None]
        return PassPlan(
            pass_id=request.pass_id, number=request.number, timing=request.timing,
            method=request.method, material=material, serves=one.serves, kind=request.kind,
            wanted=wanted, planned=planned, step=step, most=min(tops) if tops else None,
            season_most=request.label_most_season, treated_ac=request.treated_ac,
            wetted_ac=None if request.wetted_ac is None else np.array(request.wetted_ac),
            findings=tuple(findings),
        )

    def _wanted(self, one: Checked, base: FloatArray, left: FloatArray) -> FloatArray:
        request = one.request
        if request.zone_rates is not None:
            return per_zone(np.array(request.zone_rates), range(len(self.area)), one.where)
        if request.fixed_rate is not None:
            return np.full_like(self.area, request.fixed_rate)
        share = request.share_of_need
        target = left if share == WHAT_IS_LEFT else np.minimum(float(share) * base, left)
        if request.kind == "flat":
            total = float(self.area.sum())
            mean = float(target @ self.area) / total if total > 0 else 0.0
            target = np.full_like(self.area, mean)
        return np.asarray(target / one.brings, dtype=np.float64)

    def _season_left(self, one: Checked) -> FloatArray | None:
        most = one.request.label_most_season
        if most is None:
            return None
        used = self.used.get(one.material.id, np.zeros_like(self.area))
        return np.maximum(most - used, 0.0)

    def _s_left(self) -> FloatArray | None:
        if self.s_most is None:
            return None
        return np.maximum(self.s_most - self.all_s, 0.0)

    def _book(self, material: Material, planned: FloatArray) -> None:
        s = planned * material.nutrient_lb_per_unit("S")
        self.all_s = self.all_s + s
        if material.s_form != "elemental":
            self.serving["S"] = self.serving["S"] + s
        self.serving["K2O"] = self.serving["K2O"] + planned * material.nutrient_lb_per_unit("K2O")
        self.used[material.id] = self.used.get(material.id, np.zeros_like(self.area)) + planned


def step_or_assumed(one: Checked, limits: Limits) -> tuple[float, list[Finding]]:
    """The machine's step, or the one assumed for the material's form with the note that says so."""
    if one.request.step is not None:
        return one.request.step, []
    rule = limits.liquid_step if one.material.form == "liquid" else limits.dry_step
    return rule.value, [telling.step_assumed(one, rule)]


def per_zone(
    values: FloatArray, zone_ids: Sequence[int], name: str, above: float | None = None
) -> FloatArray:
    """(zones,) finite numbers of 0 or more, or above `above`; raises `ComputeError` otherwise."""
    array = np.array(values, dtype=np.float64)
    if array.shape != (len(zone_ids),):
        raise ComputeError(f"{name}: {array.shape} values for {len(zone_ids)} zones",
                           code="pass-shape", hint="one value per zone, in the order of the zones")
    bad = ~np.isfinite(array) | (array < 0) | ((array <= above) if above is not None else False)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        raise ComputeError(f"{name} is {array[at]:g}", code="pass-value",
                           where=f"zone {zone_ids[at]}",
                           hint="leave out zones without acres; a need is 0 or more")
    return array
