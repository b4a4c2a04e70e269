"""Prescriptions come back: our own files of every format, and other people's, with their faults."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import applied_export_sets as make
import geopandas
import numpy as np
import pytest
import rasterio
import shapely

from vrx.errors import InputError, VrxError
from vrx.export import ExportSet, TaskDataOptions, write_formats
from vrx.geo import shared_areas, to_lonlat
from vrx.intake import rates_for_zones, read_polygons, read_prescription
from vrx.intake.prescription import FilePrescription
from vrx.model import Field

DRY, LIQUID = "P1_KCL_LB", "P2_KTS_GAL"
POLYGONS = {
    "shapefile": ("shapefile/prescription.shp", None),
    "zip": ("prescription_shapefile.zip", None),
    "geojson": ("prescription.geojson", None),
    "geopackage": ("field.gpkg", "prescription"),
    "geoparquet": ("prescription.parquet", None),
}


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[ExportSet, Path]:
    """Four strips with a hole: 120, 130, 140 and 150.5 lb/ac, so that every one is marked."""
    meant = make.full_set(rates=[120.0, 130.0, 140.0, 150.5])
    folder = tmp_path_factory.mktemp("files")
    write_formats(meant=meant, folder=folder, formats=[
        "shapefile", "geojson", "geopackage", "geoparquet", "geotiff"])
    return meant, folder


def pairs(read: FilePrescription, column: str) -> list[tuple[str, float]]:
    return sorted(zip(read.labels, read.rates[column].tolist(), strict=True))


@pytest.mark.parametrize("kind", POLYGONS)
def test_our_own_polygons_come_back_without_loss(
    kind: str, written: tuple[ExportSet, Path]
) -> None:
    meant, folder = written
    name, layer = POLYGONS[kind]
    for column, k, unit in ((DRY, 0, "lb/ac"), (LIQUID, 1, "gal/ac")):
        read = read_prescription(path=folder / name, field=meant.field, columns=[column], unit=unit,
                                 layer=layer, label_column="ZONE")
        want = meant.prescription.passes[k].rates.tolist()
        assert [name for name, _ in pairs(read, column)] == ["A", "B", "C", "D"]
        # A liquid's 51 x 0.1 has a last bit that 15 decimals of a shapefile drop.
        assert [rate for _, rate in pairs(read, column)] == pytest.approx(want, rel=1e-15)
    for shape, zone in zip(read.polygons, meant.zones.zones, strict=True):
        # 9 decimals of a degree are 0.1 mm; PROJ's own way there and back is 0.7 mm.
        assert shapely.hausdorff_distance(shape.normalize(), zone.polygon.normalize()) < 1e-3
        assert shape.area == pytest.approx(zone.polygon.area, rel=1e-5)
        assert len(shapely.get_coordinates(shape)) == len(shapely.get_coordinates(zone.polygon))


def by_area(read: FilePrescription, column: str, meant: ExportSet) -> None:
    """Every zone is found where it was, by the rate of its ground."""
    shapes = np.array([zone.polygon for zone in meant.zones.zones], dtype=object)
    own = np.empty(len(read.polygons), dtype=object)
    own[:] = read.polygons
    found = shared_areas(own, shapes)
    want = meant.prescription.passes[0].rates
    for k, shape in enumerate(shapes):
        here = found.large == k
        right = np.isclose(read.rates[column][found.small[here]], want[k], rtol=2e-6)
        assert found.area[here][right].sum() >= 0.93 * shape.area
        assert found.area[here].sum() == pytest.approx(shape.area, rel=1e-9)


def test_a_raster_of_rates_comes_back_within_its_cells(written: tuple[ExportSet, Path]) -> None:
    meant, folder = written
    (path,) = [one for one in (folder / "geotiff").glob("rate_*.tif") if DRY in one.name]
    read = read_prescription(path=path, field=meant.field, columns=["RATE"], unit="lb/ac")
    by_area(read, "RATE", meant)
    assert sorted(set(read.rates["RATE"].tolist())) == [120, 130, 140, 150.5]
    assert "prescription-from-cells" in {one.code for one in read.findings}


EQUAL = [120.0, 120.0, 130.0, 120.0]


def zone_areas(read: FilePrescription, meant: ExportSet) -> dict[str, tuple[float, float]]:
    """Square metres of each zone (by letter): as it came back within the field, and as it was."""
    own = {zone.letter: zone.polygon for zone in meant.zones.zones}
    field = meant.field.boundary
    return {label: (shape.intersection(field).area, own[label].area)
            for label, shape in zip(read.labels, read.polygons, strict=True)}


@pytest.fixture
def equal(tmp_path: Path) -> tuple[ExportSet, Path]:
    """Strips A, B and D of one rate, A and B side by side."""
    meant = make.full_set(rates=EQUAL, samples=False)
    write_formats(meant=meant, folder=tmp_path, formats=["geotiff"])
    return meant, tmp_path / "geotiff"


def test_neighbours_of_one_rate_come_back_by_the_raster_of_zones(
    equal: tuple[ExportSet, Path]
) -> None:
    meant, folder = equal
    for column, k, unit in ((DRY, 0, "lb/ac"), (LIQUID, 1, "gal/ac")):
        read = read_prescription(path=folder / f"rate_{column}.tif", field=meant.field,
                                 columns=["RATE"], unit=unit)
        assert read.labels == ("A", "B", "C", "D")
        want = meant.prescription.passes[k].rates.tolist()
        assert read.rates["RATE"].tolist() == pytest.approx(want, rel=1e-6)
        codes = {one.code for one in read.findings}
        assert "prescription-from-cells" in codes
        assert "prescription-zones-merged" not in codes
    # Half a cell along each border at most; rasterio names the cell.
    with rasterio.open(folder / "zones.tif") as source:
        cell = source.res[0]
        assert source.descriptions == ("ZONE_ID",)
        assert set(np.unique(source.read(1, masked=True).compressed())) == {1, 2, 3, 4}
    for label, (got, was) in zone_areas(read, meant).items():
        zone = next(one for one in meant.zones.zones if one.letter == label)
        assert abs(got - was) <= zone.polygon.length * cell * 0.71
        assert got == pytest.approx(was, rel=0.05)


def test_without_the_raster_of_zones_a_finding_names_what_is_merged(
    equal: tuple[ExportSet, Path]
) -> None:
    meant, folder = equal
    (folder / "zones.tif").unlink()
    read = read_prescription(path=folder / f"rate_{DRY}.tif", field=meant.field, columns=["RATE"],
                             unit="lb/ac")
    assert len(read.polygons) == 3
    (told,) = [one for one in read.findings if one.code == "prescription-zones-merged"]
    acres = sum(zone.area_ac for zone, rate in zip(meant.zones.zones, EQUAL, strict=True)
                if rate == 120.0)
    assert f"A, B, D ({acres:.2f} ac at 120) as 2" in told.what


def test_the_raster_of_zones_itself_is_no_rate(equal: tuple[ExportSet, Path]) -> None:
    meant, folder = equal
    with pytest.raises(InputError) as caught:
        read_prescription(path=folder / "zones.tif", field=meant.field, columns=["RATE"],
                          unit="lb/ac")
    assert caught.value.code == "prescription-column-unknown"
    polygons, labels, _ = read_polygons(path=folder / "zones.tif", field=meant.field)
    assert labels == ("A", "B", "C", "D")
    assert len(polygons) == 4


@pytest.mark.parametrize("how", ["moved", "another field", "rates", "cut short"])
def test_a_raster_of_other_zones_beside_it_is_left_aside(
    how: str, equal: tuple[ExportSet, Path]
) -> None:
    meant, folder = equal
    path = folder / "zones.tif"
    if how == "cut short":
        path.write_bytes(path.read_bytes()[:200])
    elif how == "rates":
        path.write_bytes((folder / f"rate_{DRY}.tif").read_bytes())
    else:
        with rasterio.open(path) as source:
            profile, cells = source.profile, source.read()
        place = profile["transform"]
        if how == "moved":
            place = rasterio.Affine(place.a, 0, place.c + place.a, 0, place.e, place.f)
        else:
            cells[:, cells.shape[1] // 2 :] = -9999
        kept = {name: profile[name] for name in ("width", "height", "count", "dtype", "crs",
                                                 "nodata")}
        with rasterio.open(path, "w", driver="GTiff", transform=place, **kept) as target:
            target.write(cells)
            target.descriptions = ["ZONE_ID"]
    read = read_prescription(path=folder / f"rate_{DRY}.tif", field=meant.field, columns=["RATE"],
                             unit="lb/ac")
    assert {"prescription-zones-beside", "prescription-zones-merged"} <= {
        one.code for one in read.findings}
    assert len(read.polygons) == 3


def test_what_a_stranger_writes_outside_the_field_does_not_creep_in(
    written: tuple[ExportSet, Path], tmp_path: Path
) -> None:
    meant, folder = written
    with rasterio.open(folder / "geotiff" / f"rate_{DRY}.tif") as source:
        profile, cells = source.profile, source.read()
    cells[cells == -9999] = 0.0
    path = tmp_path / "theirs.tif"
    kept = {name: profile[name] for name in ("width", "height", "count", "dtype", "crs",
                                             "transform")}
    with rasterio.open(path, "w", driver="GTiff", **kept) as target:
        target.write(cells)
    read = read_prescription(path=path, field=meant.field, columns=["RATE"], unit="lb/ac")
    assert sorted(set(read.rates["RATE"].tolist())) == [120, 130, 140, 150.5]
    by_area(read, "RATE", meant)
    covered = shapely.union_all(read.polygons).intersection(meant.field.boundary).area
    assert covered == pytest.approx(meant.field.boundary.area, rel=1e-9)


def test_numbers_that_are_to_be_multiplied_are_refused(
    equal: tuple[ExportSet, Path]
) -> None:
    meant, folder = equal
    path = folder / f"rate_{DRY}.tif"
    with rasterio.open(path) as source:
        profile, cells = source.profile, source.read()
    kept = {name: profile[name] for name in ("width", "height", "count", "dtype", "crs",
                                             "transform")}
    with rasterio.open(path, "w", driver="GTiff", **kept) as target:
        target.write(cells)
        target.scales = [0.1]
    with pytest.raises(InputError, match="multiplied by"):
        read_prescription(path=path, field=meant.field, columns=["RATE"], unit="lb/ac")


def test_a_grid_of_codes_keeps_neighbours_of_one_rate_apart(tmp_path: Path) -> None:
    meant = make.full_set(rates=EQUAL, maps=False, samples=False)
    known = TaskDataOptions(form="grid type 1", passes=("pass-1",), cell_m=4.0)
    write_formats(meant=replace(meant, task_data=known), formats=["iso11783"], folder=tmp_path)
    with pytest.raises(InputError) as caught:
        read_prescription(path=tmp_path, field=meant.field, columns=["?"], unit="lb/ac")
    column = next(one for one in caught.value.hint.split(": ")[1].split(", ")
                  if one.startswith("0006"))
    read = read_prescription(path=tmp_path, field=meant.field, columns=[column], unit="lb/ac")
    # Ground outside the field, which a grid cannot leave out, is no zone of it.
    assert len(read.polygons) == 4
    assert sorted(read.rates[column].tolist()) == pytest.approx(sorted(EQUAL), abs=0.005)


@pytest.mark.parametrize("form", ["polygons", "grid type 1", "grid type 2"])
def test_task_data_come_back(form: str, tmp_path: Path) -> None:
    meant = make.full_set(rates=[120.0, 130.0, 140.0, 150.5], maps=False, samples=False)
    known = TaskDataOptions(form=form, passes=("pass-1",), cell_m=4.0)
    write_formats(meant=replace(meant, task_data=known), formats=["iso11783"], folder=tmp_path)
    for path in (tmp_path, tmp_path / "TASKDATA"):
        with pytest.raises(InputError) as caught:
            read_prescription(path=path, field=meant.field, columns=["?"], unit="lb/ac")
        assert caught.value.code == "prescription-column-unknown"
        column = next(one for one in caught.value.hint.split(": ")[1].split(", ")
                      if one.startswith("0006"))
        read = read_prescription(path=path, field=meant.field, columns=[column], unit="lb/ac")
        if form == "polygons":
            # Whole mg/m2: 0.009 lb/ac.
            assert sorted(read.rates[column].tolist()) == pytest.approx(
                [120, 130, 140, 150.5], abs=0.005)
        close = {round(rate * 2) / 2 for rate in read.rates[column].tolist()} - {0.0}
        assert close == {120, 130, 140, 150.5}


def a_file(tmp_path: Path, field: Field, shapes: list[shapely.Geometry], rates: list[object],
           name: str = "theirs.geojson", **more: list[object]) -> Path:
    features = [
        {"type": "Feature", "properties": {"Menge": rate, **{k: v[n] for k, v in more.items()}},
         "geometry": shapely.geometry.mapping(to_lonlat(shape, field.crs_centre))}
        for n, (shape, rate) in enumerate(zip(shapes, rates, strict=True))]
    path = tmp_path / name
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


@pytest.mark.parametrize(("rate", "said"), [
    (None, "no rate"), (-1.0, "-1.0"), ("120", "'120'"), (True, "True"), (float("inf"), "no rate"),
    (float("nan"), "")])
def test_a_rate_that_is_none_stops_with_polygon_and_column(
    rate: object, said: str, tmp_path: Path
) -> None:
    meant = make.full_set(maps=False, samples=False)
    path = a_file(tmp_path, meant.field, [zone.polygon for zone in meant.zones.zones],
                  [rate, 1.0, 2.0, 3.0])
    with pytest.raises(VrxError) as caught:
        read_prescription(path=path, field=meant.field, columns=["Menge"], unit="lb/ac")
    assert said in str(caught.value)


def test_units_and_columns_are_never_guessed(tmp_path: Path) -> None:
    meant = make.full_set(maps=False, samples=False)
    path = a_file(tmp_path, meant.field, [zone.polygon for zone in meant.zones.zones],
                  [1.0, 1.0, 2.0, 3.0], name="düngung.geojson")
    for column, unit, code in (("menge", "lb/ac", "prescription-column-unknown"),
                               ("Menge", "lb", "prescription-unit")):
        with pytest.raises(InputError) as caught:
            read_prescription(path=path, field=meant.field, columns=[column], unit=unit)
        assert caught.value.code == code


def test_a_zone_of_several_rates_stops_and_edges_are_told(tmp_path: Path) -> None:
    meant = make.full_set(maps=False, samples=False)
    shapes = [zone.polygon for zone in meant.zones.zones]
    read = read_prescription(path=a_file(tmp_path, meant.field, shapes, [10.0, 20.0, 30.0, 40.0]),
                             field=meant.field, columns=["Menge"], unit="lb/ac")
    own = np.empty(4, dtype=object)
    own[:] = read.polygons

    def matched(zones: list[shapely.Geometry]) -> list[float]:
        target = np.empty(len(zones), dtype=object)
        target[:] = zones
        shared = shared_areas(own, target)
        rates, _ = rates_for_zones(
            read=read, column="Menge", zones=zones, names=[str(k) for k in range(len(zones))],
            shared=(shared.small, shared.large, shared.area), least_share=0.999)
        return rates.tolist()

    assert matched(shapes) == [10, 20, 30, 40]
    with pytest.raises(InputError, match="no one rate in the file: 10 on 5"):
        matched([shapely.union_all(shapes[:2])])
    with pytest.raises(InputError) as caught:
        matched([shapely.transform(shapes[0], lambda at: at + 5000)])
    assert caught.value.code == "prescription-bare"


def test_a_file_of_another_program_and_system(tmp_path: Path) -> None:
    meant = make.full_set(maps=False, samples=False)
    frame = geopandas.GeoDataFrame(
        {"Rate": [10.0, 20.0, 30.0, 40.0]}, crs=4326,
        geometry=[to_lonlat(zone.polygon, meant.field.crs_centre) for zone in meant.zones.zones])
    for name in ("a.parquet", "a.gpkg", "a.shp"):
        moved = frame.to_crs(32616)
        moved.to_parquet(tmp_path / name) if name.endswith("t") else moved.to_file(tmp_path / name)
        read = read_prescription(path=tmp_path / name, field=meant.field, columns=["Rate"],
                                 unit="lb/ac")
        assert read.rates["Rate"].tolist() == [10, 20, 30, 40]
        for shape, zone in zip(read.polygons, meant.zones.zones, strict=True):
            assert shape.symmetric_difference(zone.polygon).area < 0.02 * zone.polygon.length


@pytest.mark.parametrize("data", [b"", b"PAR1", b"PAR1" + b"\0" * 40 + b"PAR1"])
def test_a_broken_columnar_file_is_an_error_of_ours(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    path.write_bytes(data)
    meant = make.full_set(maps=False, samples=False)
    with pytest.raises(InputError):
        read_prescription(path=path, field=meant.field, columns=["a"], unit="lb/ac")
