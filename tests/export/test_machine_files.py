"""Loading check, files of one product, fewer corners: read by other tools than wrote them.

Readers: pyshp, fiona (a GDAL of its own), `json`; areas by pyproj.Geod on the coordinates read.
dBASE and file names: ESRI Shapefile Technical Description (from memory) and the 8.3 names of FAT.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import export_builders as make
import fiona
import numpy as np
import pyproj
import pytest
import shapefile
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import shape

from vrx.errors import ExportError
from vrx.export import (
    FORMATS,
    ExportSet,
    PlannedFile,
    TaskDataOptions,
    load_checks,
    load_findings,
    plan_machine_files,
    write_formats,
    write_machine_files,
)
from vrx.export._reduce import Wanted, counted, reduced
from vrx.model import FITS, MAY_NOT, NOT_KNOWN, LoadCheck, MachineLimits

KCL, KTS = "pass-1", "pass-2"
NO_LIMIT = MachineLimits(
    unit="lb/ac", least=10, most=400, step=0.5, takes=tuple(FORMATS), most_polygons=math.inf,
    most_vertices=math.inf, most_vertices_polygon=math.inf, most_cells=math.inf,
    most_rates=math.inf, most_products=math.inf, most_name_characters=math.inf, narrowest_ft=30,
    holes=True, parts=True, other_crs=True, source="manual")
ACRE_M2 = 4046.8564224
GEOD = pyproj.Geod(ellps="WGS84")


def checks(meant: ExportSet, *, formats: Sequence[str] = ("shapefile",),
           files: Sequence[PlannedFile] = (), **limits: MachineLimits) -> list[LoadCheck]:
    named = {name.replace("_", "-"): one for name, one in limits.items()}
    return list(load_checks(meant, formats=formats, files=files, limits=named, driving_deg=0.0))


def test_nothing_stated_is_nothing_known() -> None:
    (one,) = checks(make.full_set(), pass_1=MachineLimits(unit="lb/ac"))
    assert one.verdict == NOT_KNOWN
    assert one.because == ()
    assert set(one.unknown) >= {"format", "polygons", "vertices", "different rates",
                                "products in the file", "rates of pass-1"}
    assert load_findings([one]) == ()


def test_all_stated_and_kept_will_load() -> None:
    for one in checks(make.full_set(), formats=list(FORMATS), pass_1=NO_LIMIT):
        assert (one.verdict, one.unknown) == (FITS, ()), one.file


@pytest.mark.parametrize(("change", "item"), [
    ({"takes": ("iso11783",)}, "format"),
    ({"most_polygons": 3}, "polygons"),
    ({"most_vertices": 40}, "vertices"),
    ({"most_vertices_polygon": 8}, "vertices of one polygon"),
    ({"most_rates": 3}, "different rates"),
    ({"most_products": 1}, "products in the file"),
    ({"most_name_characters": 8}, "characters of the file's name"),
    ({"holes": False}, "zones with holes"),
    ({"narrowest_ft": 400}, "least zone width across the driving direction"),
    ({"least": 125}, "rates of pass-1"),
    ({"most": 145}, "rates of pass-1"),
    ({"step": 7}, "rate steps of pass-1"),
])
def test_each_limit_that_is_broken_is_named(change: Mapping[str, object], item: str) -> None:
    meant = make.full_set()
    if item == "zones with holes":
        field = shapely.box(0, 0, 300, 300)
        inner = shapely.box(100, 100, 200, 200)
        meant = make.full_set([field.difference(inner), inner], rates=[120, 130])
    (one,) = checks(meant, pass_1=replace(NO_LIMIT, **change))
    assert one.verdict == MAY_NOT
    assert [because.partition(":")[0] for because in one.because] == [item]
    (found,) = load_findings([one])
    assert found.code == "load-may-not"
    assert found.severity.value == "warn"


def test_zones_in_parts_and_systems_beside_wgs84() -> None:
    parts = [shapely.MultiPolygon([shapely.box(0, 0, 90, 90), shapely.box(200, 0, 290, 90)]),
             shapely.box(90, 0, 200, 90)]
    (one,) = checks(make.full_set(parts, rates=[120, 130]), pass_1=replace(NO_LIMIT, parts=False))
    assert "zones in several parts" in one.because[0]
    (tiff, _) = checks(make.full_set(), formats=["geotiff"],
                       pass_1=replace(NO_LIMIT, other_crs=False),
                       pass_2=replace(NO_LIMIT, least=1, step=0.1))
    assert tiff.because[0].startswith("coordinate system: the field's own system")


def test_a_pass_with_a_file_that_may_load_is_no_warning() -> None:
    meant = make.full_set()
    takes = replace(NO_LIMIT, takes=("geojson",))
    made = checks(meant, formats=["shapefile", "geojson"], pass_1=takes)
    assert [one.verdict for one in made] == [MAY_NOT, FITS]
    assert load_findings(made) == ()


def test_what_the_check_counts_is_in_the_files(tmp_path: Path) -> None:
    meant = make.full_set(make.strips(7))
    write_formats(meant=meant, formats=["shapefile", "iso11783"], folder=tmp_path)
    shp, *tasks = checks(meant, formats=["shapefile", "iso11783"], pass_1=NO_LIMIT)
    told = {line.item: line.found for line in shp.lines}
    with shapefile.Reader(str(tmp_path / "shapefile" / "prescription.shp")) as reader:
        rows = list(reader.iterShapeRecords())
    assert told["vertices"] == str(sum(len(one.shape.points) for one in rows))
    assert told["vertices of one polygon"] == str(max(len(one.shape.points) for one in rows))
    assert told["polygons"] == str(len(rows))
    assert told["different rates"] == str(len({one.record["P1_KCL_LB"] for one in rows}))
    assert told["column names"] == ", ".join(rows[0].record.as_dict())
    (task,) = tasks
    text = (tmp_path / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")
    first = text[text.index("<TSK "):text.index("</TSK>")]
    told = {line.item: line.found for line in task.lines}
    assert told["zone codes"] == str(first.count("<TZN "))
    assert told["vertices"] == str(first.count("<PNT "))
    assert told["products in the file"] == "1"


def test_cells_of_a_grid_are_counted() -> None:
    meant = replace(make.full_set(), task_data=TaskDataOptions(form="grid type 2", one_task=True))
    (one,) = checks(meant, formats=["iso11783"], pass_1=replace(NO_LIMIT, most_cells=100))
    assert one.because[0].startswith("cells: ")
    assert "polygons" not in {line.item for line in one.lines}


def written(meant: ExportSet, folder: Path, *, one_product: bool = True,
            limits: Mapping[str, MachineLimits] | None = None) -> tuple[PlannedFile, ...]:
    files = plan_machine_files(
        meant, one_product=one_product,
        limits=limits or {one.pass_id: NO_LIMIT for one in meant.prescription.passes})
    write_machine_files(files, formats=["shapefile", "geojson"], folder=folder)
    return files


def test_one_product_a_file_with_names_that_old_terminals_read(tmp_path: Path) -> None:
    meant = make.full_set(name="Große Wiese 北 <\"&>", labels=["Größe"] * 4)
    files = written(meant, tmp_path)
    assert [one.told.name for one in files] == ["P1_KCL", "P2_KTS"]
    for path in tmp_path.rglob("*"):
        if path.suffix != ".geojson":
            assert re.fullmatch(r"[A-Za-z0-9_]{1,8}(\.[A-Za-z]{3})?", path.name), path.name
    for one, column in zip(files, ("P1_KCL_LB", "P2_KTS_GAL"), strict=True):
        home = tmp_path / one.told.folder
        with shapefile.Reader(str(home / f"{one.told.name}.shp")) as reader:
            names = [field[0] for field in reader.fields if field[0] != "DeletionFlag"]
            rates = [row.record[column] for row in reader.iterShapeRecords()]
        assert names == ["ZONE_ID", "ZONE", "AREA_AC", column]
        document = json.loads((home / f"{one.told.name}.geojson").read_text(encoding="utf-8"))
        assert [each["properties"][column] for each in document["features"]] == pytest.approx(
            rates, rel=1e-12)
        assert rates == pytest.approx(one.passes[0].rates.tolist(), rel=1e-12)
        note = (home / "NOTES.TXT").read_bytes()
        assert note.isascii()
        assert note.count(b"\n") == note.count(b"\r\n")
        text = note.decode()
        assert "Grosse Wiese ? <\"&>" in text
        assert one.passes[0].material.id in text
        assert f"Unit     {one.passes[0].material.unit}" in text
        assert "Outside the field       0" in text


def test_names_never_meet(tmp_path: Path) -> None:
    for most, wanted in ((None, ["P1_KCL", "P2_KTS"]), (2, ["P1", "P2"]), (1, ["P", "2"])):
        limits = {name: replace(NO_LIMIT, most_name_characters=most) for name in (KCL, KTS)}
        files = written(make.full_set(), tmp_path / str(most), limits=limits)
        assert [one.told.name for one in files] == wanted


def test_nothing_is_made_that_nobody_asked_for(tmp_path: Path) -> None:
    assert written(make.full_set(), tmp_path, one_product=False) == ()
    assert list(tmp_path.iterdir()) == []
    only = written(make.full_set(), tmp_path, limits={KTS: NO_LIMIT})
    assert [one.told.pass_ids for one in only] == [(KTS,)]


def bent(count: int, *, side: float = 600.0) -> list[shapely.Geometry]:
    """Strips with a round hole whose inner edges have a corner every few metres."""
    def bend(at: np.ndarray) -> np.ndarray:
        at = np.round(at, 6)
        inner = np.clip(np.sin(np.pi * at / side).prod(axis=1), 0, None)[:, None]
        return at + 5.0 * inner * np.sin(at[:, ::-1] / 23.0)

    return [shapely.transform(shapely.segmentize(one, 7.0), bend)
            for one in make.strips(count, side=side)]


def geodesic_ac(polygon: shapely.Geometry) -> float:
    return abs(GEOD.geometry_area_perimeter(polygon)[0]) / ACRE_M2


def read_fiona(path: Path) -> list[tuple[shapely.Geometry, dict[str, object]]]:
    with fiona.open(path) as source:
        return [(shape(one["geometry"]), dict(one["properties"])) for one in source]


def test_fewer_corners_keep_a_coverage_and_tell_what_moved(tmp_path: Path) -> None:
    meant = make.full_set(bent(5))
    limits = {KCL: replace(NO_LIMIT, reduce_within_ft=12, most_vertices=900)}
    (one,) = written(meant, tmp_path, one_product=False, limits=limits)
    cut = one.told.reduction
    assert cut is not None
    rows = read_fiona(tmp_path / one.told.folder / f"{one.told.name}.shp")
    read = [polygon for polygon, _ in rows]
    assert cut.vertices_after == sum(shapely.get_num_coordinates(polygon) for polygon in read)
    assert cut.vertices_after <= 900 < cut.vertices_before
    assert shapely.coverage_is_valid(np.array(read, dtype=object))
    assert cut.outline_kept
    assert cut.edge_ft <= 12
    # Acres that changed hands, from the coordinates in the files alone.
    moved = sum(geodesic_ac(shapely.symmetric_difference(old, new))
                for old, new in zip(meant.layer.polygons, read, strict=True)) / 2
    # Edges that are straight in the field bend in degrees: 1e-5 ac are 0.04 m2.
    assert cut.moved_ac == pytest.approx(moved, abs=1e-5)
    assert cut.outside_ac == 0
    for (polygon, row), zone in zip(rows, meant.zones.zones, strict=True):
        assert row["AREA_AC"] == pytest.approx(geodesic_ac(polygon), rel=1e-6)
        assert row["ZONE_ID"] == zone.zone_id
    ((_, unit, before, after),) = cut.totals
    assert unit == "lb"
    assert after == pytest.approx(
        sum(geodesic_ac(polygon) * row["P1_KCL_LB"] for polygon, row in rows), rel=1e-6)
    assert before == meant.prescription.passes[0].prescription_total
    (shp, *_) = checks(meant, formats=["shapefile"], files=[one], pass_1=limits[KCL])
    assert shp.because[0].startswith("vertices: ")
    own = checks(meant, formats=["shapefile"], files=[one], pass_1=limits[KCL])[1]
    assert own.verdict == FITS


def test_the_outline_gives_way_last_and_what_lies_beyond_is_told(tmp_path: Path) -> None:
    circle = [shapely.Point(0, 0).buffer(400, quad_segs=180)]
    limits = {KCL: replace(NO_LIMIT, reduce_within_ft=30, most_vertices=60)}
    (one,) = written(make.full_set(circle), tmp_path, one_product=False, limits=limits)
    cut = one.told.reduction
    assert cut is not None
    assert not cut.outline_kept
    assert cut.vertices_before == 721
    assert cut.vertices_after <= 60
    # Corners of a circle are left out: chords lie inside, nothing beyond the field.
    assert cut.outside_ac == pytest.approx(0, abs=1e-9)
    n = cut.vertices_after - 1
    lost = geodesic_ac(make.full_set(circle).layer.polygons[0]) - geodesic_ac(
        read_fiona(tmp_path / one.told.folder / f"{one.told.name}.shp")[0][0])
    assert cut.moved_ac == pytest.approx(lost, abs=1e-5)
    # A regular polygon of n corners loses 1 - sin(2 pi / n) / (2 pi / n) of its circle, the least
    # that n corners on the circle can lose.
    least = (1 - math.sin(2 * math.pi / n) / (2 * math.pi / n)) * math.pi * 400**2 / ACRE_M2
    assert least * 0.98 <= cut.moved_ac <= 3 * least


def test_limits_out_of_reach_are_told_by_the_check() -> None:
    meant = make.full_set(bent(6))
    limits = replace(NO_LIMIT, reduce_within_ft=0.5, most_vertices=12)
    files = plan_machine_files(meant, limits={KCL: limits}, one_product=False)
    assert files[0].told.reduction is None or files[0].told.reduction.edge_ft <= 0.5
    own = checks(meant, files=files, pass_1=limits)[1]
    assert own.verdict == MAY_NOT
    assert own.because[0].startswith("vertices: ")


def test_files_that_are_small_enough_keep_their_corners() -> None:
    limits = replace(NO_LIMIT, reduce_within_ft=10, most_vertices=100_000)
    (one,) = plan_machine_files(make.full_set(bent(4)), limits={KCL: limits}, one_product=False)
    assert one.told.reduction is None


@settings(max_examples=25, derandomize=True, deadline=None)
@given(count=st.integers(1, 9), within=st.floats(0.05, 20), most=st.integers(10, 900),
       side=st.floats(60, 1500))
def test_laws_of_leaving_corners_out(
    count: int, within: float, most: int, side: float
) -> None:
    given_ = bent(count, side=side)
    one = reduced(given_, Wanted(within_m=within, most=most))
    if counted(given_)[0] <= most:
        assert one is None
        return
    if one is None:
        return
    assert one.edge_m <= within
    assert shapely.coverage_is_valid(np.array(one.polygons, dtype=object))
    assert counted(one.polygons)[0] < counted(given_)[0]
    for old, new in zip(given_, one.polygons, strict=True):
        assert shapely.hausdorff_distance(
            shapely.boundary(old), shapely.boundary(new)) <= within * (1 + 1e-9)
    if one.outline_kept:
        assert shapely.union_all(one.polygons).symmetric_difference(
            shapely.union_all(given_)).area <= 1e-9 * side**2


def cut_fine(shapes: Sequence[shapely.Geometry], metres: float) -> list[shapely.Geometry]:
    """More corners; rounded, since an edge that two zones share is walked either way."""
    return [shapely.transform(shapely.segmentize(one, metres), lambda at: np.round(at, 6))
            for one in shapes]


def across_180() -> tuple[list[shapely.Geometry], tuple[float, float]]:
    return cut_fine([shapely.box(-400, k * 100, 400, k * 100 + 100) for k in range(-2, 2)], 9), (
        180.0, -17.0)


def in_parts() -> tuple[list[shapely.Geometry], tuple[float, float]]:
    field = shapely.MultiPolygon([shapely.Point(0, 0).buffer(150, quad_segs=60),
                                  shapely.Point(320, 0).buffer(150, quad_segs=60)])
    return make.cut(field, [shapely.box(-200, -200, 500, 0), shapely.box(-200, 0, 500, 200)]), (
        9.87, 52.4)


def one_zone() -> tuple[list[shapely.Geometry], tuple[float, float]]:
    return [shapely.Point(0, 0).buffer(390, quad_segs=64)], (-101.3, 33.9)


def two_hundred() -> tuple[list[shapely.Geometry], tuple[float, float]]:
    return cut_fine(make.checks(20, 10), 10), (-97.0, 41.2)


@pytest.mark.parametrize("awkward", [across_180, in_parts, one_zone, two_hundred])
def test_awkward_fields(awkward: object, tmp_path: Path) -> None:
    shapes, centre = awkward()  # type: ignore[operator]
    meant = make.full_set(shapes, centre=centre, name="Großer Ñandú", samples=False, maps=False)
    limits = {name: replace(NO_LIMIT, reduce_within_ft=8) for name in (KCL, KTS)}
    for one in written(meant, tmp_path, limits=limits):
        rows = read_fiona(tmp_path / one.told.folder / f"{one.told.name}.shp")
        assert len(rows) == len(shapes)
        before = sum(geodesic_ac(polygon) for polygon in meant.layer.polygons)
        after = sum(geodesic_ac(polygon) for polygon, _ in rows)
        cut = one.told.reduction
        assert cut is not None
        assert cut.vertices_after < cut.vertices_before
        assert abs(after - before) <= cut.moved_ac + 1e-6 * before
        assert [row[one.passes[0].column] for _, row in rows] == pytest.approx(
            one.passes[0].rates.tolist())


def test_the_same_files_have_the_same_bytes(tmp_path: Path) -> None:
    limits = {KCL: replace(NO_LIMIT, reduce_within_ft=12), KTS: NO_LIMIT}
    for name in "ab":
        written(make.full_set(bent(3)), tmp_path / name, limits=limits)
    for path in (tmp_path / "a").rglob("*"):
        if path.is_file():
            twin = tmp_path / "b" / path.relative_to(tmp_path / "a")
            assert path.read_bytes() == twin.read_bytes()


def test_a_file_that_reads_back_otherwise_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from vrx.export import frames

    good = frames.frame

    def bad(layer: object) -> object:
        made = good(layer)  # type: ignore[arg-type]
        made.iloc[0, 3] += 0.5
        return made

    monkeypatch.setattr(frames, "frame", bad)
    with pytest.raises(ExportError) as caught:
        written(make.full_set(), tmp_path)
    assert caught.value.code == "export-differs"
    assert list(tmp_path.iterdir()) == []
