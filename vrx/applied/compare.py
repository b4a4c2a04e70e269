"""Logged ground over zones: amounts, ground once, repeated and skipped, within tolerance or not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from vrx import geo
from vrx.errors import ComputeError
from vrx.model import AppliedGround, AppliedZones, FloatArray, IntArray, Zones
from vrx.units import ACRE_M2

_SAME = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Compared:
    """The zones, and product (lb or gal) and ground of the log beyond them all."""

    zones: AppliedZones
    logged: float
    outside: float
    outside_ac: float


def compare_applied(
    *, ground: AppliedGround, zones: Zones, target_rate: FloatArray, tolerance_pct: float
) -> Compared:
    """What `ground` put on each zone, against `target_rate` (zones,) in its unit.

    A polygon's product is rate x area, shared out by area. Ground under several polygons is parted
    into faces, each with the sum of its rates, and judged by that sum. Polygons of rate 0 bring
    nothing, so their ground is skipped ground. Acres are those of the zones: planar shares of a
    zone are scaled to its geodesic acres (by parts in a million). Raises `ComputeError` where
    targets do not fit.
    """
    target = np.asarray(target_rate, dtype=np.float64)
    many = len(zones.zones)
    if target.shape != (many,) or not np.isfinite(target).all() or (target < 0).any():
        raise ComputeError(f"targets are no {many} rates of 0 or more", code="applied-target",
                           hint="take them from the run's own record")
    if not 0 <= tolerance_pct < 100:
        raise ComputeError(f"a tolerance of {tolerance_pct:g} % is none", code="applied-tolerance",
                           hint="state percent of the target rate, from 0 to below 100")
    brings = ground.rate > 0
    polygons, rate = ground.polygons[brings], ground.rate[brings]
    large = np.empty(many, dtype=object)
    large[:] = [zone.polygon for zone in zones.zones]
    area_ac = np.array([zone.area_ac for zone in zones.zones])
    planar = np.array([zone.polygon.area for zone in zones.zones])
    shared = geo.shared_areas(polygons, large)
    again = geo.repeated_ground(polygons)
    faces = geo.shared_areas(again.polygons, large)
    face_rate = np.bincount(again.face, weights=rate[again.member], minlength=len(again.polygons))
    single = np.maximum(shared.area - _under_faces(shared, again, faces, many), 0.0)

    def by_zone(zone: IntArray, value: FloatArray) -> FloatArray:
        """Sums of what counts square metres, in acres."""
        summed = np.bincount(zone, weights=value, minlength=many)
        return np.asarray(summed * (area_ac / planar), dtype=np.float64)

    zone_of = np.concatenate([shared.large, faces.large])
    area = np.concatenate([single, faces.area])
    got = np.concatenate([rate[shared.small], face_rate[faces.small]])
    slack = target[zone_of] * (tolerance_pct / 100.0 + _SAME)
    over, under = got > target[zone_of] + slack, got < target[zone_of] - slack
    once_ac, repeated_ac = by_zone(shared.large, single), by_zone(faces.large, faces.area)
    # Specks that two edges leave must not make more ground than there is.
    once_ac = np.minimum(once_ac, np.maximum(area_ac - repeated_ac, 0.0))
    applied = by_zone(shared.large, rate[shared.small] * shared.area)
    over_ac, under_ac = (by_zone(zone_of, area * which) for which in (over, under))
    inside_m2 = np.bincount(shared.small, weights=shared.area, minlength=len(polygons))
    beyond = np.maximum(shapely.area(polygons) - inside_m2, 0.0)
    logged = float(applied.sum() + (rate * beyond).sum() / ACRE_M2)
    return Compared(
        zones=AppliedZones(
            zone_ids=tuple(zone.zone_id for zone in zones.zones),
            letters=tuple(zone.letter for zone in zones.zones), area_ac=area_ac,
            target_rate=target, applied=applied, once_ac=once_ac, repeated_ac=repeated_ac,
            skipped_ac=area_ac - once_ac - repeated_ac,
            within_ac=np.maximum(once_ac + repeated_ac - over_ac - under_ac, 0.0), over_ac=over_ac,
            under_ac=under_ac),
        logged=logged, outside=float((rate * beyond).sum() / ACRE_M2),
        outside_ac=float(beyond.sum() / ACRE_M2))


def _under_faces(
    shared: geo.SharedAreas, again: geo.Repeated, faces: geo.SharedAreas, many: int
) -> FloatArray:
    """Of each (polygon, zone) pair of `shared`, the area that faces under the polygon take."""
    order = np.argsort(again.face, kind="stable")
    member = again.member[order]
    count = np.bincount(again.face, minlength=len(again.polygons))
    first = np.cumsum(count) - count
    # Every (face, zone) pair, once for each polygon over the face.
    times = count[faces.small]
    pair = np.repeat(np.arange(len(faces.small)), times)
    within = np.arange(int(times.sum())) - np.repeat(np.cumsum(times) - times, times)
    key = member[first[faces.small[pair]] + within] * many + faces.large[pair]
    known = shared.small * many + shared.large
    by_key = np.argsort(known, kind="stable")
    at = np.searchsorted(known[by_key], key)
    at = np.minimum(at, max(len(known) - 1, 0))
    hit = known[by_key][at] == key if len(known) else np.zeros(0, dtype=bool)
    taken = np.bincount(by_key[at[hit]], weights=faces.area[pair[hit]], minlength=len(known))
    return np.asarray(taken, dtype=np.float64)
