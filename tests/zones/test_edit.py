"""Zones edited by hand, against GEOS set operations and areas computed by hand."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, assume, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from shapely import ops

from vrx import geo, zones
from vrx.errors import ComputeError, InputError, VrxError
from vrx.model import Field, Grid, Zone, Zones
from vrx.zones import ClassLayer

made = runpy.run_path(str(Path(__file__).with_name("fields.py")))
CENTRE = made["CENTRE"]


def field_of(boundary: shapely.Geometry) -> Field:
    parts = shapely.MultiPolygon(list(shapely.get_parts(boundary)))
    return Field(name="f", crs_centre=CENTRE, boundary=parts, area_ac=geo.area_ac(parts, CENTRE))


def plain(*polygons: shapely.Geometry) -> tuple[Field, Zones]:
    """Zones 1, 2, ... of the polygons as given, and their union as the field."""
    field = field_of(shapely.union_all(polygons))
    held = tuple(
        Zone(zone_id=n, letter="ABCDEFGH"[n - 1], polygon=polygon, label=f"class {n}",
             area_ac=geo.area_ac(polygon, CENTRE))
        for n, polygon in enumerate(polygons, start=1)
    )
    return field, Zones(zones=held, basis="test")


def quarters() -> tuple[Field, Zones]:
    """A and B in the north, C and D in the south; 100 m each, all meet at the origin."""
    return plain(
        shapely.box(-100, 0, 0, 100), shapely.box(0, 0, 100, 100),
        shapely.box(-100, -100, 0, 0), shapely.box(0, -100, 100, 0),
    )


def require(field: Field, after: Zones) -> None:
    polygons = np.array([zone.polygon for zone in after.zones], dtype=object)
    assert shapely.is_valid(polygons).all()
    # GEOS 3.14.1 takes a hole that touches its shell on the boundary for a fault.
    assert shapely.coverage_is_valid(polygons) or geo.edges_match(list(polygons), field.boundary)
    assert abs(shapely.area(polygons).sum() / field.boundary.area - 1) < 1e-9
    assert sum(z.area_ac for z in after.zones) == pytest.approx(field.area_ac, rel=1e-6)
    ids = [zone.zone_id for zone in after.zones]
    assert len(set(ids)) == len(ids)
    assert len({zone.letter for zone in after.zones}) == len(ids)


def by_id(after: Zones) -> dict[int, Zone]:
    return {zone.zone_id: zone for zone in after.zones}


def test_split_gives_the_pieces_of_geos_and_retires_the_id() -> None:
    field, before = quarters()
    line = shapely.LineString([(-130, 20), (-50, 60), (130, 80)])
    after = zones.split_zone(before, field=field, zone_id=1, line=line)
    require(field, after)
    expected = sorted(
        part.area for part in ops.split(before.zones[0].polygon, line).geoms)
    fresh = [zone for zone in after.zones if zone.zone_id > 4]
    assert sorted(zone.polygon.area for zone in fresh) == pytest.approx(expected, rel=1e-12)
    assert [zone.zone_id for zone in after.zones] == [5, 6, 2, 3, 4]
    assert [zone.letter for zone in after.zones] == ["A", "F", "B", "C", "D"]
    assert fresh[0].polygon.area > fresh[1].polygon.area
    assert fresh[1].label == "class 1"
    # The neighbour got the line's end as a corner; nobody else changed.
    assert by_id(after)[2] is not before.zones[1]
    assert by_id(after)[4] is before.zones[3]
    assert by_id(after)[2].polygon.equals(before.zones[1].polygon)


def test_ids_are_never_used_again() -> None:
    field, zoned = quarters()
    zoned = zones.merge_zones(zoned, field=field, zone_ids=[3, 4])
    assert [zone.zone_id for zone in zoned.zones] == [1, 2, 5]
    zoned = zones.merge_zones(zoned, field=field, zone_ids=[5, 1])
    zoned = zones.merge_zones(zoned, field=field, zone_ids=[6, 2])
    assert [zone.zone_id for zone in zoned.zones] == [7]
    assert zoned.zones[0].label == "class 1 and class 3 and class 4 and class 2"
    line = shapely.LineString([(0, -150), (0, 150)])
    zoned = zones.split_zone(zoned, field=field, zone_id=7, line=line)
    assert [zone.zone_id for zone in zoned.zones] == [8, 9]
    require(field, zoned)
    with pytest.raises(InputError, match="split, merged or emptied"):
        zones.rename_zone(zoned, zone_id=7, label="x")


def test_a_ring_cuts_out_an_island_and_it_can_be_merged_back() -> None:
    field, before = quarters()
    ring = shapely.LineString(shapely.Point(-50, 50).buffer(20).exterior.coords)
    after = zones.split_zone(before, field=field, zone_id=1, line=ring)
    require(field, after)
    assert by_id(after)[6].polygon.area == pytest.approx(shapely.Polygon(ring).area)
    assert len(by_id(after)[5].polygon.interiors) == 1
    back = zones.merge_zones(after, field=field, zone_ids=[5, 6])
    assert by_id(back)[7].polygon.equals(before.zones[0].polygon)


def test_split_of_parts_and_of_a_zone_in_the_shape_of_a_comb() -> None:
    comb = shapely.union_all([shapely.box(0, 0, 90, 20), *(
        shapely.box(left, 20, left + 20, 60) for left in (0, 35, 70))])
    field, before = plain(comb)
    line = shapely.LineString([(-10, 40), (100, 40)])
    after = zones.split_zone(before, field=field, zone_id=1, line=line)
    assert sorted(zone.polygon.area for zone in after.zones) == pytest.approx([400, 400, 400, 3000])
    two = shapely.MultiPolygon([shapely.box(0, 0, 50, 50), shapely.box(60, 0, 100, 50)])
    field, before = plain(two)
    # Between the parts: by side. Through the first only: the second stays with the larger piece.
    apart = zones.split_zone(before, field=field, zone_id=1,
                             line=shapely.LineString([(55, -9), (55, 60)]))
    assert [zone.polygon.area for zone in apart.zones] == pytest.approx([2500, 2000])
    through = zones.split_zone(before, field=field, zone_id=1,
                               line=shapely.LineString([(40, -9), (40, 60)]))
    assert [zone.polygon.area for zone in through.zones] == pytest.approx([4000, 500])


def test_line_that_stops_short_of_the_edge_is_carried_on() -> None:
    field, before = quarters()
    short = shapely.LineString([(-50, 0.6), (-50, 99.5)])
    after = zones.split_zone(before, field=field, zone_id=1, line=short)
    require(field, after)
    assert by_id(after)[5].polygon.area == pytest.approx(5000)
    with pytest.raises(InputError) as caught:
        zones.split_zone(before, field=field, zone_id=1, line=short, reach_m=0.1)
    assert caught.value.code == "edit-line-short"


def test_line_along_or_near_an_edge_makes_no_sliver() -> None:
    field, before = quarters()
    near = shapely.LineString([(-120, 50), (-50, 50), (-0.005, 40), (-0.006, -5)])
    after = zones.split_zone(before, field=field, zone_id=1, line=near)
    require(field, after)
    assert len(after.zones) == 5
    with pytest.raises(InputError) as caught:
        zones.split_zone(before, field=field, zone_id=1,
                         line=shapely.LineString([(-0.004, -5), (-0.004, 110)]))
    assert caught.value.code == "edit-line-misses"


def test_merge_needs_an_edge_unless_apart_is_meant() -> None:
    field, before = quarters()
    with pytest.raises(InputError) as caught:
        zones.merge_zones(before, field=field, zone_ids=[1, 4])
    assert caught.value.code == "edit-merge-apart"
    after = zones.merge_zones(before, field=field, zone_ids=[1, 4], apart=True)
    require(field, after)
    assert by_id(after)[5].polygon.geom_type == "MultiPolygon"


def test_moved_corner_moves_in_all_zones_that_share_it() -> None:
    field, before = quarters()
    after = zones.move_corner(before, field=field, corner=(0.3, -0.2), to=(30, 40))
    require(field, after)
    # By the shoelace formula, twice the area of a quadrilateral is |d1 x d2| of its diagonals.
    # A: (-100, 100) to (30, 40) across (-100, 0) to (0, 100), and so on around.
    areas = [zone.polygon.area for zone in after.zones]
    assert areas == pytest.approx([
        abs(130 * 100 - -60 * 100) / 2, abs(70 * -100 - 60 * 100) / 2,
        abs(130 * -100 - 140 * 100) / 2, abs(70 * 100 - -140 * 100) / 2,
    ])


@pytest.mark.parametrize("east", [2.2250738585072014e-308, -5e-324, 1e-12])
def test_a_move_by_less_than_a_nanometre_is_none(east: float) -> None:
    field, before = quarters()
    after = zones.move_corner(before, field=field, corner=(0, 0), to=(east, 0.0))
    assert after is before
    far = zones.move_corner(before, field=field, corner=(0, 0), to=(east, 40.0))
    corners = shapely.get_coordinates([zone.polygon for zone in far.zones])
    assert not ((corners != 0) & (np.abs(corners) < 1e-9)).any()


def test_corner_on_the_field_edge_goes_along_it_only() -> None:
    field, before = quarters()
    after = zones.move_corner(before, field=field, corner=(0, 100), to=(25, 130))
    require(field, after)
    assert after.zones[0].polygon.area == pytest.approx(10000 + 25 * 100 / 2)
    for corner, to, code in (
        ((0, 100), (150, 100), "edit-corner-edge"),
        ((100, 100), (90, 90), "edit-corner-field"),
        ((50, 50), (55, 50), "edit-corner-none"),
        ((0, 0), (150, 150), "edit-corner-flips"),
        ((0, 0), (np.nan, 0), "edit-corner-flips"),
    ):
        with pytest.raises(InputError) as caught:
            zones.move_corner(before, field=field, corner=corner, to=to)
        assert caught.value.code == code


def test_corner_that_turns_a_triangle_over_is_refused() -> None:
    field, before = plain(
        shapely.Polygon([(0, 0), (10, 0), (5, 5)]),
        shapely.Polygon([(0, 0), (5, 5), (10, 0), (10, 30), (0, 30)]),
    )
    with pytest.raises(InputError) as caught:
        zones.move_corner(before, field=field, corner=(5, 5), to=(5, -4))
    assert caught.value.code == "edit-corner-flips"


def test_redrawn_border_from_edge_to_edge() -> None:
    field, before = quarters()
    line = shapely.LineString([(-40, -10), (-40, 50), (20, 50), (20, 110)])
    after = zones.redraw_border(before, field=field, between=(1, 2), line=line)
    require(field, after)
    # A: 60 x 100 west of -40, and from -40 to 20 what lies north of 50.
    assert by_id(after)[1].polygon.area == pytest.approx(6000 + 60 * 50)
    assert by_id(after)[2].polygon.area == pytest.approx(20000 - 9000)
    assert [zone.zone_id for zone in after.zones] == [1, 2, 3, 4]


def test_redrawn_stretch_keeps_the_border_beyond_it() -> None:
    field, before = quarters()
    bite = shapely.LineString([(0, 20), (30, 20), (30, 60), (0, 60)])
    after = zones.redraw_border(before, field=field, between=(2, 1), line=bite)
    require(field, after)
    assert by_id(after)[1].polygon.area == pytest.approx(10000 + 30 * 40)
    # One end on the border, the other on the field's edge: the smaller change.
    half = shapely.LineString([(0, 80), (50, 80), (50, 110)])
    after = zones.redraw_border(before, field=field, between=(1, 2), line=half)
    assert by_id(after)[1].polygon.area == pytest.approx(10000 + 50 * 20)
    require(field, after)


def test_redrawn_ring_and_refusals() -> None:
    field, before = quarters()
    ring = shapely.LineString(shapely.box(-60, 40, -40, 60).exterior.coords)
    island = zones.split_zone(before, field=field, zone_id=1, line=ring)
    bump = shapely.LineString([(-40, 45), (-30, 45), (-30, 55), (-40, 55)])
    after = zones.redraw_border(island, field=field, between=(5, 6), line=bump)
    require(field, after)
    assert by_id(after)[6].polygon.area == pytest.approx(400 + 100)
    for between, line, code in (
        ((1, 4), [(-50, -50), (50, 50)], "edit-border-none"),
        ((1, 1), [(-50, -50), (50, 50)], "edit-border-none"),
        ((1, 2), [(-50, 50), (50, 50)], "edit-border-lost"),
        ((1, 9), [(-50, 50), (50, 50)], "edit-zone-unknown"),
    ):
        with pytest.raises(InputError) as caught:
            zones.redraw_border(before, field=field, between=between,
                                line=shapely.LineString(line))
        assert caught.value.code == code


def test_assigned_area_is_the_difference_of_geos() -> None:
    field, before = quarters()
    disc = shapely.Point(5, 8).buffer(60)
    after = zones.assign_area(before, field=field, zone_id=4, area=disc)
    require(field, after)
    for zone in before.zones[:3]:
        now = by_id(after)[zone.zone_id].polygon
        assert now.symmetric_difference(zone.polygon.difference(disc)).area < 1e-6
    assert by_id(after)[4].polygon.area == pytest.approx(
        before.zones[3].polygon.union(disc).area)
    again = zones.assign_area(after, field=field, zone_id=4, area=disc.buffer(-5))
    assert again is after


def test_emptied_zone_is_retired_and_parts_are_told() -> None:
    field, before = quarters()
    after = zones.assign_area(
        before, field=field, zone_id=1, area=shapely.box(-5, -5, 120, 120))
    require(field, after)
    assert [zone.zone_id for zone in after.zones] == [1, 3, 4]
    assert "zones-edit-emptied" in {one.code for one in after.findings}
    assert after.next_id == 5
    band = shapely.box(-120, 40, 120, 60)
    cut = zones.assign_area(before, field=field, zone_id=3, area=band)
    require(field, cut)
    assert [one.code for one in cut.findings] == ["zones-edit-parts"] * 3


def test_cells_are_given_by_their_outline() -> None:
    field, before = quarters()
    grid = Grid(west_m=-120, north_m=120, cell_m=10, rows=24, columns=24)
    cells = np.zeros(grid.shape, dtype=bool)
    cells[10:14, 9:13] = True
    after = zones.assign_cells(before, field=field, zone_id=2, grid=grid, cells=cells)
    require(field, after)
    # Rows 10..13 are 20 to -20 north, columns 9..12 are -30 to 10 east.
    assert by_id(after)[2].polygon.area == pytest.approx(10000 + 30 * 20 + 40 * 20)
    with pytest.raises(InputError, match="no cell"):
        zones.assign_cells(before, field=field, zone_id=2, grid=grid, cells=cells & False)
    with pytest.raises(InputError, match="rows and columns"):
        zones.assign_cells(before, field=field, zone_id=2, grid=grid, cells=cells[1:])


@pytest.mark.parametrize("line", [
    shapely.LineString(), shapely.LineString([(1, 1), (1, 1)]), shapely.Point(1, 1), None,
    shapely.LineString([(0, 0), (np.inf, 1)]), shapely.LineString([(0, 0), (1e-16, 0), (0, 1e-9)]),
])
def test_lines_that_are_none_are_refused(line: object) -> None:
    field, before = quarters()
    for edit in (
        lambda: zones.split_zone(before, field=field, zone_id=1, line=line),
        lambda: zones.redraw_border(before, field=field, between=(1, 2), line=line),
    ):
        with pytest.raises(InputError) as caught:
            edit()
        assert caught.value.code == "edit-line"


@pytest.mark.parametrize(("area", "code"), [
    (shapely.Polygon(), "edit-area"), (shapely.Point(0, 0), "edit-area"), (None, "edit-area"),
    (shapely.Polygon([(0, 0), (9, 9), (9, 0), (0, 9)]), "edit-area"),
    (shapely.box(300, 300, 310, 310), "edit-area-outside"),
    (shapely.box(100, -50, 110, 50), "edit-area-outside"),
])
def test_areas_that_are_none_are_refused(area: object, code: str) -> None:
    field, before = quarters()
    with pytest.raises(InputError) as caught:
        zones.assign_area(before, field=field, zone_id=1, area=area)
    assert caught.value.code == code


def test_renaming_keeps_letters_apart() -> None:
    _, before = quarters()
    after = zones.rename_zone(before, zone_id=2, label="hill", letter=" H ")
    assert (after.zones[1].label, after.zones[1].letter) == ("hill", "H")
    assert after.zones[0] is before.zones[0]
    for letter in ("a", "  "):
        with pytest.raises(InputError) as caught:
            zones.rename_zone(before, zone_id=2, letter=letter)
        assert caught.value.code == "edit-letter"


def test_zones_that_are_no_coverage_of_the_field_are_not_edited_on() -> None:
    field, before = quarters()
    with pytest.raises(ComputeError) as caught:
        zones.merge_zones(before, field=field_of(shapely.box(-100, -100, 101, 100)),
                          zone_ids=[1, 2])
    assert caught.value.code == "edit-failed"
    assert field.boundary.area == 40000


class Edits(RuleBasedStateMachine):
    """Any sequence of edits: always a true coverage, totals equal, ids never used again."""

    @initialize(kind=st.sampled_from(made["KINDS"]), seed=st.integers(0, 40))
    def start(self, kind: str, seed: int) -> None:
        boundary = made["random_field"](kind, seed)
        self.field = field_of(boundary)
        self.grid = geo.grid_over(boundary, cell_m=10.0)
        layer = ClassLayer(
            analyte="k", label="K", values=made["smooth"](self.grid.shape, seed),
            breaks=(110.0, 150.0), class_labels=("low", "middle", "high"),
        )
        self.zoned = zones.zones_from_classes(
            boundary=boundary, crs_centre=CENTRE, grid=self.grid, layers=[layer],
            smallest_ac=0.2, narrowest_m=5.0,
        )
        self.used = {zone.zone_id for zone in self.zoned.zones}

    def edited(self, edit: object, **more: object) -> None:
        try:
            after = edit(self.zoned, field=self.field, **more)
        except InputError:
            # A refusal leaves all as it was. That no true coverage can be made is none.
            return
        ids = {zone.zone_id for zone in after.zones}
        fresh = ids - {zone.zone_id for zone in self.zoned.zones}
        assert not fresh & self.used
        self.used |= ids
        self.zoned = after

    def zone(self, pick: float) -> Zone:
        return self.zoned.zones[int(pick * len(self.zoned.zones))]

    def place(self, east: float, north: float) -> np.ndarray:
        west, south, right, top = self.field.boundary.bounds
        return np.array([west + east * (right - west), south + north * (top - south)])

    unit = st.floats(0, 0.999)

    @rule(pick=unit, turn=unit, off=unit)
    def split(self, pick: float, turn: float, off: float) -> None:
        zone = self.zone(pick)
        middle = np.array(zone.polygon.representative_point().coords[0]) + 40 * (off - 0.5)
        step = 2000 * np.array([np.cos(np.pi * turn), np.sin(np.pi * turn)])
        line = shapely.LineString([middle - step, middle, middle + step])
        self.edited(zones.split_zone, zone_id=zone.zone_id, line=line)

    @rule(one=unit, two=unit, apart=st.booleans())
    def merge(self, one: float, two: float, apart: bool) -> None:
        ids = [self.zone(one).zone_id, self.zone(two).zone_id]
        self.edited(zones.merge_zones, zone_ids=ids, apart=apart)

    @rule(pick=unit, which=unit, east=st.floats(-9, 9), north=st.floats(-9, 9))
    def move(self, pick: float, which: float, east: float, north: float) -> None:
        corners = shapely.get_coordinates(self.zone(pick).polygon)
        corner = corners[int(which * len(corners))]
        self.edited(zones.move_corner, corner=tuple(corner),
                    to=(corner[0] + east, corner[1] + north))

    @rule(pick=unit, low=unit, high=unit, bend=st.floats(-25, 25))
    def redraw(self, pick: float, low: float, high: float, bend: float) -> None:
        polygons = [zone.polygon for zone in self.zoned.zones]
        pairs, _ = geo.shared_edges(polygons)
        assume(len(pairs) > 0)
        one, two = pairs[int(pick * len(pairs))]
        shared = shapely.line_merge(shapely.union_all(
            [part for part in shapely.get_parts(polygons[one].intersection(polygons[two]))
             if part.geom_type == "LineString"]))
        arc = shapely.get_parts(shared)[0]
        ends = [np.array(arc.interpolate(at, normalized=True).coords[0]) for at in (low, high)]
        line = shapely.LineString([ends[0], (ends[0] + ends[1]) / 2 + bend, ends[1]])
        ids = (self.zoned.zones[one].zone_id, self.zoned.zones[two].zone_id)
        self.edited(zones.redraw_border, between=ids, line=line)

    @rule(pick=unit, east=unit, north=unit, radius=st.floats(0.5, 60))
    def assign(self, pick: float, east: float, north: float, radius: float) -> None:
        area = shapely.Point(self.place(east, north)).buffer(radius, quad_segs=4)
        target, before = self.zone(pick), self.zoned
        self.edited(zones.assign_area, zone_id=target.zone_id, area=area)
        if self.zoned is not before:
            wanted = target.polygon.union(area.intersection(self.field.boundary)).area
            # Up to the slivers, each 2 cm wide at most.
            assert abs(by_id(self.zoned)[target.zone_id].polygon.area - wanted) < (
                0.05 * area.length)

    @rule(pick=unit, east=unit, north=unit, rows=st.integers(1, 6), columns=st.integers(1, 6))
    def cells(self, pick: float, east: float, north: float, rows: int, columns: int) -> None:
        chosen = np.zeros(self.grid.shape, dtype=bool)
        top, left = int(north * self.grid.rows), int(east * self.grid.columns)
        chosen[top:top + rows, left:left + columns] = True
        self.edited(zones.assign_cells, zone_id=self.zone(pick).zone_id, grid=self.grid,
                    cells=chosen)

    @invariant()
    def covers(self) -> None:
        if hasattr(self, "zoned"):
            require(self.field, self.zoned)


Edits.TestCase.settings = settings(
    max_examples=40, stateful_step_count=15, deadline=None, derandomize=True,
    suppress_health_check=list(HealthCheck),
)
TestAnySequenceOfEdits = Edits.TestCase


@pytest.mark.parametrize("kind", made["KINDS"])
def test_errors_are_of_the_tree(kind: str) -> None:
    """A line far away, on every kind of field: a clear refusal, never another exception."""
    boundary = made["random_field"](kind, 1)
    field = field_of(boundary)
    zoned = zones.zone_whole_field(boundary=boundary, crs_centre=CENTRE)
    with pytest.raises(VrxError) as caught:
        zones.split_zone(zoned, field=field, zone_id=1,
                         line=shapely.LineString([(9000, 9000), (9001, 9000)]))
    assert caught.value.code == "edit-line-misses"
