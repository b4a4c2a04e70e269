"""A field of nine zones and two passes over it, without a plan; run by `runpy`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pyproj
import shapely

from vrx import geo, zones
from vrx.model import Field, Material, PassPlan, Prescription, Zones
from vrx.model.by_hand import RateOverride
from vrx.prescription import RateLimits, prescribe_by_hand

CENTRE = (-119.3, 46.2)
M2_PER_ACRE = 4046.8564224
BACK = pyproj.Transformer.from_crs(
    f"+proj=laea +lon_0={CENTRE[0]} +lat_0={CENTRE[1]} +datum=WGS84 +units=m", "EPSG:4326",
    always_xy=True)
GEOD = pyproj.Geod(ellps="WGS84")
KCL = Material(
    id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0.0, p2o5_pct=0.0, k2o_pct=60.0,
    s_pct=0.0, mg_pct=0.0, cl_pct=45.2, density_lb_per_gal=None, s_form="", cautions=(),
    evidence="user", source="label")
KSUL = replace(KCL, id="potassium sulfate 0-0-50-17S", code="KSUL", k2o_pct=50.0, s_pct=17.0,
               cl_pct=0.0, s_form="sulfate")
STEPS = {"spring": 5.0, "late": 2.5}
MOST = {"spring": 600.0, "late": 400.0}


def nine() -> tuple[Field, Zones]:
    """Three by three zones of about 200 m with a wavy edge and a hole in the middle of the east."""
    outline = shapely.Polygon(
        [(-300, -300), (0, -310), (300, -300), (310, 0), (300, 300), (20, 315), (-300, 300)],
        [[(200, -20), (240, -20), (240, 25), (200, 25)]])
    parts = shapely.MultiPolygon([outline])
    field = Field(name="nine", crs_centre=CENTRE, boundary=parts,
                  area_ac=geo.area_ac(parts, CENTRE))
    cells = [shapely.box(east, north, east + 200, north + 200)
             for north in (-300, -100, 100) for east in (-300, -100, 100)]
    # What lies beyond the outer cells goes with them.
    wide = [cell.union(shapely.box(*[
        edge * (1.2 if abs(edge) == 300 else 1) for edge in cell.bounds])) for cell in cells]
    polygons = [cell.intersection(outline) for cell in wide]
    return field, zones.zones_from_polygons(
        boundary=parts, crs_centre=CENTRE, polygons=polygons,
        labels=[f"part {n}" for n in range(9)], narrowest_m=1.0, smallest_ac=0.01)


def geodesic_ac(polygon: shapely.Geometry) -> float:
    """Acres by pyproj alone: its own projection back to degrees, its own geodesic polygons."""
    total = 0.0
    for part in shapely.get_parts(polygon):
        for sign, ring in [(1, part.exterior), *((-1, hole) for hole in part.interiors)]:
            fine = shapely.segmentize(ring, 20.0)
            longitude, latitude = BACK.transform(*shapely.get_coordinates(fine).T)
            total += sign * abs(GEOD.polygon_area_perimeter(longitude, latitude)[0])
    return total / M2_PER_ACRE


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What `set_rate` reads of needs and rates: two passes by the place of a zone."""

    zones: Zones
    prescription: Prescription

    def by_hand(self, rates: Sequence[RateOverride]) -> Asked:
        return asked(self.zones, rates)


def asked(made: Zones, rates: Sequence[RateOverride] = ()) -> Asked:
    wanted = np.array([150.0 + 0.1 * zone.polygon.centroid.x for zone in made.zones])
    plans = [PassPlan(
        pass_id=name, number=number, timing="early spring, dormant", method="broadcast",
        material=material, serves="K2O", kind="variable", wanted=wanted, planned=wanted,
        step=STEPS[name], most=MOST[name], treated_ac=None)
        for number, (name, material) in enumerate((("spring", KCL), ("late", KSUL)), 1)]
    return Asked(zones=made, prescription=prescribe_by_hand(
        by_hand=rates, zone_ids=[zone.zone_id for zone in made.zones],
        zone_area_ac=np.array([zone.area_ac for zone in made.zones]), plans=plans,
        needs={"K2O": wanted * 0.6, "S": wanted * 0.1}, s_most_lb_per_ac=90.0,
        zone_names=[zone.letter for zone in made.zones],
        limits={name: RateLimits(least=20.0, most=MOST[name]) for name in MOST}))
