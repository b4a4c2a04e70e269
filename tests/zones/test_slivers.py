"""Parts of drawn zones that are too thin to be ground."""

import numpy as np
import pytest
import shapely

from vrx import geo, zones
from vrx.units import ACRE_M2

CENTRE = (-98.4, 41.2)


def _zones(polygons, labels):
    field = shapely.MultiPolygon(list(shapely.get_parts(shapely.union_all(polygons))))
    return field, zones.zones_from_polygons(
        boundary=field, crs_centre=CENTRE, polygons=polygons, labels=labels)


def _least_width_m(made):
    return min(2 * part.area / part.length
               for one in made.zones for part in shapely.get_parts(one.polygon))


def test_a_sliver_apart_from_its_zone_goes_to_the_zone_beside_it():
    # The sliver of "west" lies in the far edge of "east": 40 m x 0.1 m, and touches "east" alone.
    sliver = shapely.box(200, 10, 200.1, 50)
    west = shapely.MultiPolygon([shapely.box(0, 0, 100, 100), sliver])
    east = shapely.box(100, 0, 200, 100)
    field, made = _zones([west, east], ["west", "east"])
    assert [one.code for one in made.findings] == ["zones-sliver-given"]
    assert made.findings[0].severity == "note"
    assert "'west'" in made.findings[0].what
    assert float(made.findings[0].value) == pytest.approx(4 / ACRE_M2, abs=1e-6)
    by_label = {one.label: one.polygon for one in made.zones}
    assert by_label["east"].area == pytest.approx(10_004, abs=1e-6)
    assert by_label["west"].area == pytest.approx(10_000, abs=1e-6)
    assert not geo.coverage_trouble([one.polygon for one in made.zones], field)
    assert _least_width_m(made) > 0.5


def test_it_goes_where_it_touches_longest_and_wide_parts_stay():
    # A strip of "a" between "b" (30 m of its edge) and "c" (10 m), and a part 2 m wide that stays.
    strip, yard = shapely.box(100, 0, 100.2, 40), shapely.box(0, -2, 40, 0)
    first = shapely.MultiPolygon([shapely.box(-200, 0, -100, 40), strip, yard])
    parts = [first, shapely.box(0, 0, 100, 40), shapely.box(100.2, 0, 200, 30),
             shapely.box(100.2, 30, 200, 40), shapely.box(-100, 0, 0, 40)]
    _, made = _zones(parts, ["a", "b", "c", "d", "e"])
    area = {one.label: one.polygon.area for one in made.zones}
    assert area["b"] == pytest.approx(4000 + 8, abs=1e-6)
    assert area["a"] == pytest.approx(4000 + 80, abs=1e-6)
    assert len(shapely.get_parts(next(z.polygon for z in made.zones if z.label == "a"))) == 2


def test_a_sliver_that_touches_no_zone_stays_and_is_warned_of():
    # Otherwise a run would end well and its own audit would refuse the files it wrote.
    alone = shapely.MultiPolygon([shapely.box(0, 0, 100, 100), shapely.box(150, 0, 150.3, 80)])
    _, made = _zones([alone], ["all"])
    assert [one.code for one in made.findings] == ["zones-sliver-kept"]
    assert made.findings[0].severity == "warn"
    assert made.findings[0].where == "zone A"
    assert _least_width_m(made) < 0.5


def test_zones_without_slivers_are_the_same_objects_corner_by_corner():
    seeds = np.random.default_rng(4).uniform(0, 500, (30, 2))
    page = shapely.box(0, 0, 500, 500)
    cells = list(shapely.get_parts(shapely.intersection(
        shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(seeds), extend_to=page)),
        page)))
    field = shapely.MultiPolygon([page])
    made = zones.zones_from_polygons(
        boundary=field, crs_centre=CENTRE, polygons=cells, labels=[str(k) for k in range(30)])
    assert not any("sliver-" in one.code for one in made.findings)
