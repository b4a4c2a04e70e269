"""Task data of ISO 11783-10 against the schemas, two open-source readers and worked values.

Schemas: version 4.3 (2018-06-04) as PyPI isoxml-writer 0.0.3 (MIT) carries them, by two validators
(lxml, xmlschema). Readers: PyPI isoxml 0.0.4 and npm isoxml 1.11.2 (both Apache-2.0).
"""

from __future__ import annotations

import base64
import math
import warnings
from functools import cache
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import shapely
import task_sets as make
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx import geo
from vrx.errors import ExportError
from vrx.export import task_data, write_formats
from vrx.export.task_options import CODES, POLYGONS, VALUES, FallbackRates, TaskDataOptions
from vrx.formats.task_check import judge_task_data
from vrx.intake import read_task_grids
from vrx.model import Finding, Severity

FORMS = (POLYGONS, CODES, VALUES)
TWO = [100.0, 80.0]


def parsed(path: Path) -> ET.Element:
    return ET.parse(path).getroot()  # noqa: S314 - our own file


def schema_folder() -> Path:
    spec = find_spec("isoxml_writer")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "ISOXML_schema"


@cache
def schemas():
    import xmlschema
    from lxml import etree

    path = str(schema_folder() / "ISO11783_TaskFile_V4-3.xsd")
    return xmlschema.XMLSchema(path), etree.XMLSchema(etree.parse(path))


def schema_faults(record: Path) -> list[str]:
    from lxml import etree

    ours, theirs = schemas()
    told = [str(one.reason) for one in ours.iter_errors(str(record))]
    theirs.validate(etree.parse(str(record)))
    return told + [str(one) for one in theirs.error_log]


def by_isoxml(home: Path):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from isoxml.util.isoxml_io import isoxml_from_path
    return isoxml_from_path(home)


def corner_set(form: str, *, passes=None, **more):
    return make.a_set(
        make.marked_corner(), passes or [make.one_pass(1, TWO)],
        options=TaskDataOptions(form=form, customer="A grower", farm="Home", **more))


@pytest.mark.parametrize("one_task", [False, True])
@pytest.mark.parametrize("form", FORMS)
def test_both_validators_find_no_fault(tmp_path: Path, form: str, one_task: bool) -> None:
    passes = [make.one_pass(1, [100, 80]), make.one_pass(2, [10, 12.5], of=make.THIOSULFATE),
              make.one_pass(3, [50, 0], of=make.GYPSUM)]
    home = make.written(corner_set(form, passes=passes, one_task=one_task), tmp_path)
    assert schema_faults(home / "TASKDATA.XML") == []
    assert judge_task_data(home) == ()
    root = parsed(home / "TASKDATA.XML")
    assert len(root.findall("TSK")) == (1 if one_task else 3)
    names = sorted(path.name for path in home.iterdir())
    grids = 0 if form == POLYGONS else (1 if one_task else 3)
    assert names == [*(f"GRD0000{k + 1}.bin" for k in range(grids)), "TASKDATA.XML"]


def test_the_record_names_grower_farm_field_product_and_unit(tmp_path: Path) -> None:
    meant = corner_set(POLYGONS, passes=[make.one_pass(1, TWO, step=5.0)])
    root = parsed(make.written(meant, tmp_path) / "TASKDATA.XML")
    assert (root.get("VersionMajor"), root.get("VersionMinor")) == ("4", "3")
    assert root.find("CTR").attrib == {"A": "CTR1", "B": "A grower"}
    assert root.find("FRM").attrib == {"A": "FRM1", "B": "Home", "I": "CTR1"}
    # 400 by 300 m in an equal-area projection: 120,000 m2 by definition.
    assert root.find("PFD").get("D") == "120000"
    assert root.find("PDT").attrib == {"A": "PDT1", "B": "muriate of potash 0-0-60"}
    # Scale of lb/ac from mg/m2 by NIST SP 811: 4046.8564224 / 453592.37 = 0.00892179...
    assert root.find("VPN").attrib == {
        "A": "VPN1", "B": "0", "C": "0.008921791", "D": "0", "E": "lb/ac"}
    task = root.find("TSK")
    assert (task.get("B"), task.get("G")) == ("P1 pass-1 North forty", "1")
    assert [task.get(key) for key in "CDEHIJ"] == ["CTR1", "FRM1", "PFD1", "0", "0", "0"]


# DDI values worked by hand from 0.01 mm3/m2 and 1 mg/m2 (ISO 11783-11), the international acre, the
# US gallon of 231 in3 and the pound of 0.45359237 kg (NIST SP 811).
@pytest.mark.parametrize(("rate", "liquid", "raw"), [
    (3, True, 280619), (5, True, 467698), (10, True, 935396), (12.5, True, 1169245),
    (15, True, 1403093), (20, True, 1870791), (1, False, 112), (10, False, 1121), (50, False, 5604),
    (80, False, 8967), (100, False, 11209), (150, False, 16813), (250, False, 28021),
])
def test_worked_values_of_the_dictionary_stand_in_the_file(
    tmp_path: Path, rate: float, liquid: bool, raw: int
) -> None:
    of = make.THIOSULFATE if liquid else make.POTASH
    meant = corner_set(POLYGONS, passes=[make.one_pass(1, [rate, 0], of=of)])
    root = parsed(make.written(meant, tmp_path) / "TASKDATA.XML")
    values = [(v.get("A"), v.get("B")) for v in root.findall("TSK/TZN/PDV")]
    assert values == [("0001" if liquid else "0006", str(n)) for n in (0, raw, 0)]


def test_polygons_are_read_by_an_open_library_as_they_were_meant(tmp_path: Path) -> None:
    from isoxml.converter.shapely_geom import ShapelyConverterV4

    hole = shapely.box(-100, -60, -40, 0)
    corner, rest = make.marked_corner()
    meant = make.a_set([corner, rest.difference(hole)], [make.one_pass(1, TWO)])
    data, _ = by_isoxml(make.written(meant, tmp_path))
    convert = ShapelyConverterV4()
    field = convert.to_shapely_polygon(data.partfields[0].polygons[0])
    zones = [convert.to_shapely_polygon(zone.polygons[0])
             for zone in data.tasks[0].treatment_zones if zone.polygons]
    for read, want in zip([field, *zones], [*shapely.get_parts(meant.boundary),
                                            *meant.layer.polygons], strict=True):
        assert shapely.equals_exact(shapely.normalize(read), shapely.normalize(want),
                                    tolerance=1e-9)
    assert len(field.interiors) == 1
    assert shapely.coverage_is_valid(zones)
    # The marked corner is in the north-east, by its own acres.
    assert zones[0].bounds[2:] == field.bounds[2:]
    assert geo.lonlat_area_m2(zones[0]) == pytest.approx(80 * 60, rel=1e-6)
    assert [z.process_data_variables[0].process_data_value
            for z in data.tasks[0].treatment_zones] == [0, 11209, 8967]


@pytest.mark.parametrize("form", [CODES, VALUES])
def test_the_marked_corner_lies_in_the_north_east_for_an_open_library(
    tmp_path: Path, form: str
) -> None:
    from isoxml.converter.np_grid import to_numpy_array

    home = make.written(corner_set(form, cell_m=10.0), tmp_path)
    data, files = by_isoxml(home)
    task = data.tasks[0]
    grid = task.grids[0]
    cells = to_numpy_array(files[grid.filename], grid)
    raw = {zone.code: zone.process_data_variables[0].process_data_value
           for zone in task.treatment_zones}
    if form == CODES:
        cells = np.vectorize(raw.get)(cells)
    # Row 0 is the south, column 0 the west: the marked corner is at the END of both.
    marked = np.argwhere(cells == 11209)
    assert marked.min(axis=0) == pytest.approx([24, 32], abs=1)
    assert marked.max(axis=0) == pytest.approx([29, 39], abs=1)
    assert len(marked) == pytest.approx(48, abs=3)
    # Its middle is where the zone is, by the grid's own corner and steps.
    middle = shapely.centroid(geo.to_lonlat(make.marked_corner()[0], make.CENTRE))
    row, column = marked.mean(axis=0) + 0.5
    north = float(grid.minimum_north_position) + row * float(grid.cell_north_size)
    east = float(grid.minimum_east_position) + column * float(grid.cell_east_size)
    assert (east, north) == pytest.approx((middle.x, middle.y), abs=6e-5)


@pytest.mark.parametrize("form", FORMS)
def test_another_library_decodes_zones_and_cells_without_a_warning(
    tmp_path: Path, form: str
) -> None:
    passes = [make.one_pass(1, TWO), make.one_pass(2, [10, 0], of=make.THIOSULFATE)]
    home = make.written(corner_set(form, passes=passes, one_task=True, cell_m=10.0), tmp_path / "o")
    told = make.by_npm(home, tmp_path)
    assert told["warnings"] == []
    assert (told["fields"][0]["name"], told["fields"][0]["area"]) == ("North forty", 120000)
    task = told["tasks"][0]
    assert task["fallbacks"] == [0, 0, 0]
    assert [(v["ddi"], v["unit"], v["product"]) for v in task["zones"][1]["values"]] == [
        ("0006", "lb/ac", "muriate of potash 0-0-60"),
        ("0001", "gal/ac", "potassium thiosulfate 0-0-25-17S")]
    if form == POLYGONS:
        assert [[v["value"] for v in z["values"]] for z in task["zones"]] == [
            [0, 0], [11209, 935396], [8967, 0]]
        ring = np.array(task["zones"][1]["rings"][0][0]["points"])
        want = shapely.get_coordinates(
            corner_set(form).layer.polygons[0])
        assert np.abs(ring - want).max() <= 1e-9
        return
    grid = task["grid"]
    ours = read_task_grids(path=home)[0]
    data = base64.b64decode(grid["bytes"])
    if form == CODES:
        cells = np.frombuffer(data, dtype=np.uint8).reshape(grid["rows"], grid["columns"])
        assert (cells[-2, -2], cells[1, 1]) == (1, 2)
        raw = {z["code"]: [v["value"] for v in z["values"]] for z in task["zones"]}
        assert np.array_equal(np.vectorize(lambda c: raw[c][0])(cells)[::-1], ours.raw[0])
        return
    # Type 2 as polygons: the cells of 100 lb/ac and 10 gal/ac lie over the marked corner.
    marked = [f for f in grid["features"] if f["values"] == {"v0": 11209, "v1": 935396}]
    found = shapely.union_all([shapely.box(*f["corner"], *f["opposite"]) for f in marked])
    want = geo.to_lonlat(make.marked_corner()[0], make.CENTRE)
    both = shapely.intersection(found, want).area / shapely.union(found, want).area
    assert both > 0.85
    assert (ours.raw[0] == 11209).sum() == len(marked)


@pytest.mark.parametrize("form", [CODES, VALUES])
def test_two_dry_products_in_one_task_keep_their_names(tmp_path: Path, form: str) -> None:
    # Both are DDI 0006; only the product tells them apart.
    passes = [make.one_pass(1, TWO), make.one_pass(2, [50, 30], of=make.GYPSUM)]
    (grid,) = read_task_grids(
        path=make.written(corner_set(form, passes=passes, one_task=True), tmp_path))
    assert grid.ddis == ("0006", "0006")
    assert grid.products == ("muriate of potash 0-0-60", "gypsum 0-0-0-18S")
    for number, corner in ((0, 100), (1, 50)):
        assert grid.rates("lb/ac", number=number)[2, -3] == pytest.approx(corner, abs=0.005)


def test_the_minimal_example_of_the_notes_comes_out(tmp_path: Path) -> None:
    # 4 rows of 5 columns from 41.2, -96.5 (zones 1 to 3 from the south); bytes of the type-1 grid
    # written by PyPI isoxml: 01 01 01 01 01 02 02 02 02 02 03 03 03 03 03 then the outside.
    from vrx.export import _task_grid

    place = _task_grid.GridPlace(
        south_deg=41.2, west_deg=-96.5, north_deg_per_cell=0.0002, east_deg_per_cell=0.00025,
        rows=4, columns=5)
    rows = [shapely.box(-96.5, 41.2 + k * 0.0002, -96.49875, 41.2 + (k + 1) * 0.0002)
            for k in range(3)]
    cells = (_task_grid.burn(rows, place) + 1).astype(np.uint8)
    assert cells.tobytes().hex(" ") == (
        "01 01 01 01 01 02 02 02 02 02 03 03 03 03 03 00 00 00 00 00")
    # First cells of the type-2 example: 100 lb/ac and 10 gal/ac as c92b0000 e4450e00.
    passes = [make.one_pass(1, TWO), make.one_pass(2, [10, 0], of=make.THIOSULFATE)]
    home = make.written(corner_set(VALUES, passes=passes, one_task=True), tmp_path)
    root = parsed(home / "TASKDATA.XML")
    grid = root.find("TSK/GRD")
    data = (home / "GRD00001.bin").read_bytes()
    at = ((int(grid.get("F")) - 2) * int(grid.get("E")) + int(grid.get("E")) - 2) * 8
    assert data[at:at + 8].hex() == "c92b0000e4450e00"


def test_cells_are_regular_in_degrees_and_their_size_on_the_ground_is_right() -> None:
    # 10 m in degrees by pyproj.Geod (PROJ 9.5) at 30, 41.2 and 49 degrees north.
    from vrx.formats.task_data import metres_per_degree

    for latitude, north_deg, east_deg in ((30, 9.0210e-5, 1.0364e-4), (41.2, 9.0043e-5, 1.1922e-4),
                                          (49, 8.9920e-5, 1.3666e-4)):
        north, east = metres_per_degree(latitude)
        assert 10 / north == pytest.approx(north_deg, rel=1e-4)
        assert 10 / east == pytest.approx(east_deg, rel=1e-4)


@pytest.mark.parametrize("form", [CODES, VALUES])
def test_the_cells_add_up_to_the_zones(tmp_path: Path, form: str) -> None:
    meant = corner_set(form, cell_m=2.0)
    home = make.written(meant, tmp_path)
    grid = read_task_grids(path=home)[0]
    latitudes, _ = grid.centres_deg()
    from pyproj import Geod

    # Ground of a cell of each row by a general geodesy library.
    wide, high = grid.cell_east_deg, grid.cell_north_deg
    areas = [abs(Geod(ellps="WGS84").polygon_area_perimeter(
        [0, wide, wide, 0], [at - high / 2] * 2 + [at + high / 2] * 2)[0]) for at in latitudes]
    acres = np.array(areas)[:, None] / 4046.8564224
    total = float((grid.rates("lb/ac") * acres).sum())
    drawn = [one.area_ac for one in meant.zones.zones]
    assert total == pytest.approx(100 * drawn[0] + 80 * drawn[1], rel=0.01)


def test_rates_without_a_map_have_zones_of_their_own_and_are_told(tmp_path: Path) -> None:
    meant = corner_set(POLYGONS, fallbacks=(
        ("pass-1", FallbackRates(default=50.0, position_lost=80.0)),))
    root = parsed(make.written(meant, tmp_path) / "TASKDATA.XML")
    task = root.find("TSK")
    zones = {z.get("A"): (z.get("B"), z.find("PDV").get("B")) for z in task.findall("TZN")}
    assert zones[task.get("H")] == ("default", "5604")
    assert zones[task.get("I")] == ("position lost", "8967")
    assert zones[task.get("J")] == ("off", "0")
    told = [one for one in task_data.findings(meant) if one.code == "task-rate-without-map"]
    assert len(told) == 1
    assert "50 lb/ac where no zone applies, 80 lb/ac while the position is lost" in told[0].what


@pytest.mark.parametrize("form", [CODES, VALUES])
def test_ground_outside_has_the_outside_rate_in_every_cell(tmp_path: Path, form: str) -> None:
    ring = shapely.Point(0, 0).buffer(100).difference(shapely.Point(0, 0).buffer(40))
    meant = make.a_set([ring], [make.one_pass(1, [100])], options=TaskDataOptions(
        form=form, fallbacks=(("pass-1", FallbackRates(outside=10.0)),)))
    rates = read_task_grids(path=make.written(meant, tmp_path))[0].rates("lb/ac")
    middle = rates.shape[0] // 2
    assert rates[middle, rates.shape[1] // 2] == pytest.approx(10, abs=0.005)  # in the hole
    assert rates[0, 0] == pytest.approx(10, abs=0.005)
    assert set(np.round(rates, 1).ravel()) == {10.0, 100.0}


def test_names_that_do_not_fit_are_cut_and_told(tmp_path: Path) -> None:
    long = "Ü" * 31 + "<&\">\n\x07 and more"
    meant = make.a_set([shapely.box(0, 0, 100, 100)], [make.one_pass(1, [5])], name=long)
    home = make.written(meant, tmp_path)
    assert schema_faults(home / "TASKDATA.XML") == []
    root = parsed(home / "TASKDATA.XML")
    assert root.find("PFD").get("C") == "Ü" * 31 + "<"
    assert len(root.find("TSK").get("B")) == 32
    codes = [one.code for one in task_data.findings(meant)]
    assert codes.count("task-name-cut") == 2  # field and task
    assert "task-unnamed" in codes


def test_two_materials_whose_names_are_cut_alike_stay_two(tmp_path: Path) -> None:
    same = "ammonium sulfate, very long name of "
    passes = [make.one_pass(1, [5], of=make.material(f"{same}one", "AMA")),
              make.one_pass(2, [6], of=make.material(f"{same}two", "AMB"))]
    meant = make.a_set([shapely.box(0, 0, 100, 100)], passes)
    root = parsed(make.written(meant, tmp_path) / "TASKDATA.XML")
    names = [one.get("B") for one in root.findall("PDT")]
    assert names == ["ammonium sulfate, very long name", "ammonium sulfate, very long #2"]


def test_a_rate_that_rounding_moves_beyond_its_step_is_told() -> None:
    # 0.25 lb/ac is 28.02 mg/m2 and stands as 28: 0.0002 lb/ac off; steps of 0.1 lb/ac, 0.3 is
    # 33.63 and stands as 34, 0.0033 off, more than a hundredth of the step.
    fine = make.a_set([shapely.box(0, 0, 100, 100)], [make.one_pass(1, [0.3], step=0.1)])
    told = next(one for one in task_data.findings(fine) if one.code == "task-rounding")
    assert told.severity is Severity.WARN
    assert float(told.value.split()[0]) == pytest.approx(34 / 112.085115619 - 0.3, rel=1e-2)
    coarse = corner_set(POLYGONS)
    told = next(one for one in task_data.findings(coarse) if one.code == "task-rounding")
    assert told.severity is Severity.NOTE


def test_the_same_set_gives_the_same_bytes(tmp_path: Path) -> None:
    for form in FORMS:
        one, two = (make.written(corner_set(form), tmp_path / f"{form} {k}") for k in "ab")
        assert {p.name: p.read_bytes() for p in one.iterdir()} == {
            p.name: p.read_bytes() for p in two.iterdir()}


def strips(count: int) -> list[shapely.Geometry]:
    return [shapely.box(10.0 * k, 0, 10.0 * (k + 1), 60) for k in range(count)]


def test_more_zones_than_codes(tmp_path: Path) -> None:
    # 255 codes, 0 to 254, one of them for the ground outside.
    fits = make.a_set(strips(254), [make.one_pass(1, range(1, 255), step=1)])
    root = parsed(make.written(fits, tmp_path / "fits") / "TASKDATA.XML")
    assert [int(z.get("A")) for z in root.findall("TSK/TZN")] == list(range(255))
    many = make.a_set(strips(300), [make.one_pass(1, range(1, 301), step=1)])
    for form in (POLYGONS, CODES):
        with pytest.raises(ExportError, match='form = "grid type 2"') as caught:
            make.written(make.with_options(many, TaskDataOptions(form=form)), tmp_path / form)
        assert caught.value.code == "task-too-many-zones"
        assert not (tmp_path / form / "TASKDATA").exists()
    # Left to itself the writer takes type 2, and says so.
    own = make.with_options(many, TaskDataOptions())
    home = make.written(own, tmp_path / "own")
    assert read_task_grids(path=home)[0].kind == 2
    told = next(one for one in task_data.findings(own) if one.code == "task-form-chosen")
    assert "300 polygons" in told.what
    # Type 2 holds any number, type 1 any number of zones with few rates.
    home = make.written(make.with_options(many, TaskDataOptions(form=VALUES)), tmp_path / "values")
    assert len(np.unique(read_task_grids(path=home)[0].raw)) >= 300
    few = make.a_set(strips(300), [make.one_pass(1, [k % 7 for k in range(300)], step=1)],
                     options=TaskDataOptions(form=CODES))
    home = make.written(few, tmp_path / "few")
    assert schema_faults(home / "TASKDATA.XML") == []
    rates = read_task_grids(path=home)[0].rates("lb/ac")
    assert sorted(set(np.round(rates, 0).ravel())) == [0, 1, 2, 3, 4, 5, 6]


def test_one_product_twice_in_one_task_is_refused(tmp_path: Path) -> None:
    passes = [make.one_pass(1, [5]), make.one_pass(2, [6])]
    meant = make.a_set([shapely.box(0, 0, 100, 100)], passes,
                       options=TaskDataOptions(one_task=True))
    with pytest.raises(ExportError, match="pass-1 and pass-2") as caught:
        make.written(meant, tmp_path)
    assert caught.value.code == "task-product-twice"
    own = make.with_options(meant, TaskDataOptions(passes=("pass-2",), one_task=True))
    root = parsed(make.written(own, tmp_path / "own") / "TASKDATA.XML")
    assert [z.find("PDV").get("B") for z in root.findall("TSK/TZN")] == ["0", "673"]


@pytest.mark.parametrize(("options", "code"), [
    (TaskDataOptions(form="raster"), "task-form"),
    (TaskDataOptions(passes=("stubble",)), "task-pass-unknown"),
    (TaskDataOptions(fallbacks=(("stubble", FallbackRates()),)), "task-pass-unknown"),
    (TaskDataOptions(form=CODES, cell_m=0.01), "task-grid-too-large"),
    (TaskDataOptions(form=VALUES, fallbacks=(("pass-1", FallbackRates(default=math.nan)),)),
     "task-rate"),
    (TaskDataOptions(fallbacks=(("pass-1", FallbackRates(outside=-1)),)), "task-rate"),
    (TaskDataOptions(fallbacks=(("pass-1", FallbackRates(outside=1e9)),)), "task-rate-range"),
])
def test_options_that_cannot_be_written_are_refused_and_nothing_stays(
    tmp_path: Path, options: TaskDataOptions, code: str
) -> None:
    meant = make.with_options(corner_set(POLYGONS), options)
    with pytest.raises(ExportError) as caught:
        make.written(meant, tmp_path)
    assert caught.value.code == code
    assert caught.value.hint
    assert list(tmp_path.iterdir()) == []


def test_a_field_smaller_than_a_cell_and_a_zone_without_one() -> None:
    tiny = make.a_set([shapely.box(0, 0, 2, 2)], [make.one_pass(1, [5])],
                      options=TaskDataOptions(form=CODES, cell_m=50))
    with pytest.raises(ExportError) as caught:
        task_data.findings(tiny)
    assert caught.value.code == "task-grid-empty"
    thin = make.a_set([shapely.box(0, 0, 300, 299), shapely.box(0, 299, 300, 300)],
                      [make.one_pass(1, [5, 9])], options=TaskDataOptions(form=VALUES, cell_m=20))
    told = {one.code: one for one in task_data.findings(thin)}
    assert "Z2" in told["task-zone-without-cell"].what


@pytest.mark.parametrize("form", [CODES, VALUES])
def test_a_part_of_a_zone_without_a_cell_is_told_with_its_acres(form: str) -> None:
    island = shapely.box(150.2, 50.2, 151.7, 51.7)
    shapes = [shapely.MultiPolygon([shapely.box(0, 0, 100, 200), island]),
              shapely.box(100, 0, 300, 200).difference(island)]

    def told(cell_m: float) -> dict[str, Finding]:
        meant = make.a_set(shapes, [make.one_pass(1, [5, 9])],
                           options=TaskDataOptions(form=form, cell_m=cell_m))
        return {one.code: one for one in task_data.findings(meant)}

    coarse = told(10)
    # 2.25 m2 over 4046.8564224 m2, the international acre.
    assert "zone Z1 (1 part, 0.0006 ac)" in coarse["task-part-without-cell"].what
    assert "task-zone-without-cell" not in coarse
    assert "task-part-without-cell" not in told(1)


@pytest.mark.parametrize("form", FORMS)
def test_awkward_fields_read_back_by_the_schemas_and_by_ourselves(
    tmp_path: Path, form: str
) -> None:
    island = shapely.Point(150, 150).buffer(30)
    holed = shapely.box(0, 0, 300, 300).difference(shapely.Point(150, 150).buffer(60))
    parts = shapely.MultiPolygon([shapely.box(400, 0, 450, 50), shapely.box(460, 0, 500, 300)])
    meant = make.a_set([holed, island, parts], [make.one_pass(1, [10, 20, 30])], name="Äcker ½",
                       letters=["Ä", "ß", "Ω"], options=TaskDataOptions(form=form))
    home = make.written(meant, tmp_path)
    assert schema_faults(home / "TASKDATA.XML") == []
    assert judge_task_data(home) == ()
    root = parsed(home / "TASKDATA.XML")
    assert len(root.findall("PFD/PLN")) == 4
    if form == POLYGONS:  # one polygon a zone: the zone of two parts has two codes of one rate
        assert [z.get("B") for z in root.findall("TSK/TZN")] == [
            "off", "Ä 10 lb/ac", "ß 20 lb/ac", "Ω 30 lb/ac", "Ω 30 lb/ac"]


@pytest.mark.parametrize("form", FORMS)
def test_a_field_across_longitude_180(tmp_path: Path, form: str) -> None:
    centre = (180.0, -17.0)
    meant = make.a_set(make.marked_corner(), [make.one_pass(1, TWO)], centre=centre,
                       options=TaskDataOptions(form=form, cell_m=10.0))
    home = make.written(meant, tmp_path)
    assert schema_faults(home / "TASKDATA.XML") == []
    root = parsed(home / "TASKDATA.XML")
    if form == POLYGONS:
        east = [float(one.get("D")) for one in root.findall("TSK/TZN/PLN/LSG/PNT")]
        assert min(east) < -179.99
        assert max(east) == 180.0
        return
    grid = read_task_grids(path=home)[0]
    assert grid.raw.shape[2] == pytest.approx(40, abs=1)
    rates = grid.rates("lb/ac")
    assert rates[2, -3] == pytest.approx(100, abs=0.005)
    assert rates[-3, 2] == pytest.approx(80, abs=0.005)


@pytest.mark.parametrize("form", FORMS)
def test_200_zones_of_a_mosaic(tmp_path: Path, form: str) -> None:
    rng = np.random.default_rng(1)
    points = shapely.MultiPoint(rng.uniform(0, 800, (200, 2)))
    field = shapely.box(0, 0, 800, 800)
    cells = shapely.get_parts(shapely.voronoi_polygons(points, extend_to=field))
    zones = [shapely.intersection(one, field) for one in cells]
    meant = make.a_set(zones, [make.one_pass(1, rng.integers(80, 300, 200), step=1)],
                       options=TaskDataOptions(form=form))
    home = make.written(meant, tmp_path)
    assert schema_faults(home / "TASKDATA.XML") == []
    assert judge_task_data(home) == ()


@settings(max_examples=25, derandomize=True, deadline=None)
@given(
    form=st.sampled_from(FORMS), step=st.sampled_from([0.25, 0.5, 1.0, 5.0]),
    steps=st.lists(st.integers(0, 400), min_size=2, max_size=6),
    liquid=st.booleans(), latitude=st.floats(-65, 65), longitude=st.floats(-180, 180),
    cell_m=st.sampled_from([5.0, 8.0, 13.7]), hole=st.booleans(),
)
def test_what_is_written_is_read_back_within_the_stated_resolution(  # noqa: PLR0917
    tmp_path_factory: pytest.TempPathFactory, form: str, step: float, steps: list[int],
    liquid: bool, latitude: float, longitude: float, cell_m: float, hole: bool,
) -> None:
    whole = shapely.box(-150, -90, 150, 90)
    if hole:
        whole = whole.difference(shapely.Point(17, 11).buffer(33))
    edges = np.linspace(-150, 150, len(steps) + 1)
    lines = [whole.boundary, *(shapely.LineString([(e, -90), (e, 90)]) for e in edges)]
    faces = [f for f in shapely.get_parts(shapely.polygonize([shapely.union_all(lines)]))
             if whole.contains(f.representative_point())]
    zones = [shapely.union_all([f for f in faces if west < f.representative_point().x < east])
             for west, east in pairwise(edges)]
    of = make.THIOSULFATE if liquid else make.POTASH
    one = make.one_pass(1, [n * step for n in steps], step=step, of=of)
    centre = (round(longitude, 2), round(latitude, 2))
    meant = make.a_set(zones, [one], centre=centre,
                       options=TaskDataOptions(form=form, cell_m=cell_m))
    home = make.written(meant, tmp_path_factory.mktemp("round"))
    unit, least = ("gal/ac", 1 / 93539.56229) if liquid else ("lb/ac", 1 / 112.085115619)
    root = parsed(home / "TASKDATA.XML")
    if form == POLYGONS:
        parts = [len(shapely.get_parts(zone)) for zone in meant.layer.polygons]
        read = [int(z.find("PDV").get("B")) * least for z in root.findall("TSK/TZN")][1:]
        assert read == pytest.approx(np.repeat(one.rates, parts), abs=0.51 * least)
        return
    grid = read_task_grids(path=home)[0]
    rates = grid.rates(unit)
    latitudes, longitudes = grid.centres_deg()
    for zone, rate in zip(zones, one.rates, strict=True):
        # A place deep in the zone, looked up in the file's own geometry.
        place = geo.to_lonlat(shapely.maximum_inscribed_circle(zone, tolerance=0.5), centre)
        lon, lat = shapely.get_coordinates(place)[0]
        row = int(np.abs(latitudes - lat).argmin())
        column = int(np.abs((longitudes - lon + 180) % 360 - 180).argmin())
        assert rates[row, column] == pytest.approx(rate, abs=0.51 * least)


def test_an_unwritable_record_leaves_nothing(tmp_path: Path, monkeypatch) -> None:
    good = Path.write_bytes

    def full(self: Path, data: bytes) -> int:
        if self.suffix == ".bin":
            raise OSError(28, "No space left on device", str(self))
        return good(self, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(ExportError, match="No space left") as caught:
        write_formats(meant=corner_set(VALUES), formats=["geojson", "iso11783"],
                      folder=tmp_path)
    assert caught.value.code == "export-write"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("form", FORMS)
def test_a_file_that_reads_back_otherwise_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    from vrx.export import _task_verify

    good = _task_verify.require_equal

    def damaged(tasks, home: Path, *, zones) -> None:
        path = home / ("TASKDATA.XML" if form == POLYGONS else "GRD00001.bin")
        data = path.read_bytes()
        if form == POLYGONS:
            path.write_bytes(data.replace(b'B="11209"', b'B="11208"'))
        else:
            path.write_bytes(data[::-1] if form == CODES else data[4:] + data[:4])
        assert path.read_bytes() != data
        good(tasks, home, zones=zones)

    monkeypatch.setattr(_task_verify, "require_equal", damaged)
    with pytest.raises(ExportError) as caught:
        make.written(corner_set(form), tmp_path)
    assert caught.value.code == "export-differs"
    assert list(tmp_path.iterdir()) == []


def test_a_flipped_raster_is_caught_by_places_not_by_the_rasteriser(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Were rows written north first, plan and file would agree with each other and both be wrong.
    from vrx.export import _task_grid

    good = _task_grid.burn
    monkeypatch.setattr(_task_grid, "burn", lambda *a: np.ascontiguousarray(good(*a)[::-1]))
    with pytest.raises(ExportError, match="its zone"):
        make.written(corner_set(VALUES), tmp_path)
