"""What is left to apply as a prescription of its own, for a second trip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from vrx import applied, geo, prescription, products, units, zones
from vrx.errors import ComputeError
from vrx.model import (
    AppliedCells,
    AppliedGround,
    Field,
    Finding,
    FloatArray,
    Material,
    Prescription,
    Price,
    Zones,
    note,
    warn,
)
from vrx.plan import Plan

_DONE, _SHORT = "done", "short"
_LEAST_SHORT = 0.05
_LEAST_NARROW_M = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondPass:
    """Zones cut along the ground that is short, and their rates; None where nothing is left."""

    zones: Zones | None
    prescription: Prescription | None
    left_by_zone: FloatArray
    findings: tuple[Finding, ...]


def second_pass(
    *, field: Field, made: Zones, target: FloatArray, ground: AppliedGround, cells: AppliedCells,
    request: products.PassRequest, material: Material, plan: Plan, tolerance_pct: float,
    least_ac: float, swath_m: float,
) -> SecondPass:
    """The second trip: run's zones parted where ground is short, rates in the machine's steps.

    `left_by_zone` (zones of the run,) are lb or gal that the trip brings to each. Ground that is
    short on less than `least_ac` in one piece, or narrower than a swath, is told and left out.
    `request` is the pass as first planned.
    """
    where = f"pass {request.pass_id}, second"
    nothing = np.zeros(len(made.zones))
    short = _short(cells)
    limit = max(tolerance_pct / 100.0, _LEAST_SHORT)
    if not (short > limit).any():
        return SecondPass(zones=None, prescription=None, left_by_zone=nothing, findings=(note(
            "applied-nothing-left", where, "no ground is short beyond the tolerance"),))
    try:
        parted, owner = _parted(field, made, cells, short, limit=limit, plan=plan,
                                least_ac=least_ac, swath_m=swath_m)
    except ComputeError as err:
        return SecondPass(zones=None, prescription=None, left_by_zone=nothing, findings=(warn(
            "applied-second-failed", where, f"no zones can be cut along it: {err.message}",
            todo="go over the short ground by hand, see the map"),))
    again = applied.compare_applied(
        ground=ground, zones=parted, target_rate=target[owner], tolerance_pct=tolerance_pct)
    left = applied.left_rates(zones=again.zones, tolerance_pct=tolerance_pct)
    # Ground that is done as a whole gets no second trip for specks in it.
    done = np.array([zone.label.endswith(_DONE) for zone in parted.zones])
    left = np.where(done, 0.0, left)
    findings = [*_told_small(cells, short > limit, left, parted,
                             least_ac=least_ac, where=where)]
    if not left.any():
        return SecondPass(zones=None, prescription=None, left_by_zone=nothing,
                          findings=(*findings, note("applied-nothing-left", where,
                                                    "no ground is short beyond the tolerance")))
    made_of = _prescribed(request, material, parted, left, plan=plan)
    total = made_of.passes[0].rates * np.array(made_of.zone_area_ac)
    by_zone = np.asarray(
        np.bincount(owner, weights=total, minlength=len(made.zones)), dtype=np.float64)
    findings += [*made_of.findings, *made_of.passes[0].findings]
    findings.append(warn(
        "applied-second-check", where, f"{total.sum():,.0f} {material.unit.removesuffix('/ac')} "
        "are left by the log", done="written as a prescription of its own",
        todo="look at the ground first: a log that lost its position looks like skipped ground; "
        "both trips together stay under the label"))
    return SecondPass(zones=parted, prescription=made_of, left_by_zone=by_zone,
                      findings=tuple(dict.fromkeys(findings)))


def _short(cells: AppliedCells) -> FloatArray:
    """Share of the target that is missing (rows, columns), 0 to 1; 0 outside."""
    target = np.nan_to_num(cells.target_rate)
    missing = np.clip(target - np.nan_to_num(cells.applied_rate), 0.0, None)
    return np.divide(missing, target, out=np.zeros_like(target), where=target > 0)


def _parted(
    field: Field, made: Zones, cells: AppliedCells, short: FloatArray, *, limit: float, plan: Plan,
    least_ac: float, swath_m: float,
) -> tuple[Zones, np.ndarray]:
    """Zones of the run crossed with short and done ground; which zone each lies in."""
    boundary = shapely.union_all([zone.polygon for zone in made.zones])
    boundary = shapely.MultiPolygon(
        [one for one in shapely.get_parts(boundary) if isinstance(one, shapely.Polygon)])
    told = plan.zones
    # One swath is worth a trip; a strip in cells comes out a little narrower than it is.
    narrow = max(0.8 * swath_m, _LEAST_NARROW_M)
    classes = zones.zones_from_classes(
        boundary=boundary, crs_centre=field.crs_centre, grid=cells.grid, layers=[zones.ClassLayer(
            analyte="short", label="ground", values=short,
            breaks=(limit,), class_labels=(_DONE, _SHORT))],
        smallest_ac=least_ac, narrowest_m=narrow, most_zones=200, driving_deg=told.driving_deg)
    kept = replace(made, zones=tuple(
        replace(zone, label=f"zone {zone.letter}") for zone in made.zones))
    crossed = zones.cross_zones(
        kept, classes, boundary=boundary, crs_centre=field.crs_centre,
        rules=zones.MachineRules(smallest_ac=min(least_ac, 0.1), narrowest_m=0.0, most_zones=1000,
                                 driving_deg=told.driving_deg, smooth_m=0.0, simplify_m=None))
    shapes = [np.array([zone.polygon for zone in one.zones] + [None], dtype=object)[:-1]
              for one in (crossed, made)]
    shared = geo.shared_areas(*shapes)
    table = np.zeros((len(crossed.zones), len(made.zones)))
    table[shared.small, shared.large] = shared.area
    return crossed, table.argmax(axis=1)


def _told_small(
    cells: AppliedCells, short: np.ndarray, left: FloatArray, parted: Zones, *, least_ac: float,
    where: str,
) -> list[Finding]:
    """Short ground that lies in no zone of the second trip."""
    cell_ac = cells.grid.cell_m**2 / units.ACRE_M2
    east, north = np.meshgrid(cells.grid.easting_m, cells.grid.northing_m)
    points = shapely.points(east[short], north[short])
    going = [zone.polygon for zone, rate in zip(parted.zones, left.tolist(), strict=True) if rate]
    within = np.zeros(len(points), dtype=bool)
    if going:
        within[shapely.STRtree(points).query(going, predicate="intersects")[1]] = True
    out_ac = float((~within).sum()) * cell_ac
    if out_ac < cell_ac:
        return []
    return [note("applied-short-small", where,
                 f"{out_ac:.2f} ac are short in pieces too small or too narrow for a second trip",
                 value=f"{out_ac:.6g} ac", done="left as they are",
                 todo=f"lower least_ac ({least_ac:g}) if they matter")]


def _prescribed(
    request: products.PassRequest, material: Material, parted: Zones, left: FloatArray, *,
    plan: Plan,
) -> Prescription:
    ids = [zone.zone_id for zone in parted.zones]
    area = np.array([zone.area_ac for zone in parted.zones])
    names = [zone.letter for zone in parted.zones]
    asked = replace(
        request, number=1, kind="fixed", serves="", fixed_rate=None, share_of_need="what is left",
        zone_rates=tuple(left.tolist()), treated_ac=None, treated_is_prescription=True,
        wetted_ac=None, label_most_season=None, material=material.id, density_lb_per_gal=None)
    plans = products.plan_passes(
        zone_ids=ids, zone_area_ac=area, needs={}, requests=[asked],
        materials={material.id: material}, s_most_lb_per_ac=None, crop_truth=None,
        zone_names=names)
    return prescription.prescribe(
        zone_ids=ids, zone_area_ac=area, plans=plans, needs={}, s_most_lb_per_ac=None,
        zone_names=names, prices=[
            Price(material=name, usd=one.usd, per=one.per, as_of=str(one.as_of))
            for name, one in plan.prices.items() if name in (material.id, request.material)])
