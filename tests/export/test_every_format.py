"""What holds for every format: nothing turned or moved, bytes that repeat, faults that leave none.

Sources of the readers: pyshp, fiona (a GDAL of its own), `json`, sqlite3 with GEOS, pyarrow with
GEOS, rasterio (a third GDAL); none of them wrote what it reads here but rasterio, which is why the
rasters are also read by `vrx.export.tiff` when they are written.
"""

from __future__ import annotations

import builtins
import importlib.util
import json
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import export_builders as make
import fiona
import numpy as np
import pyarrow.parquet
import pyproj
import pytest
import rasterio
import shapefile
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import shape

from vrx.errors import ExportError, MissingExtra
from vrx.export import FORMATS, ExportSet, frames, require_formats, write_formats
from vrx.export.geopackage_check import geometry_of

COLUMN = "P1_KCL_LB"
Rows = list[tuple[shapely.Geometry, float]]


def by_pyshp(name: str) -> Callable[[Path], Rows]:
    def read(folder: Path) -> Rows:
        with shapefile.Reader(str(folder / name)) as reader:
            return [(shape(one.shape.__geo_interface__), one.record[COLUMN])
                    for one in reader.iterShapeRecords()]
    return read


def by_fiona(name: str, **more: str) -> Callable[[Path], Rows]:
    def read(folder: Path) -> Rows:
        with fiona.open(folder / name, **more) as source:
            return [(shape(one["geometry"]), one["properties"][COLUMN]) for one in source]
    return read


def by_json(folder: Path) -> Rows:
    document = json.loads((folder / "prescription.geojson").read_text(encoding="utf-8"))
    return [(shape(one["geometry"]), one["properties"][COLUMN]) for one in document["features"]]


def by_sqlite(folder: Path) -> Rows:
    with closing(sqlite3.connect(folder / "field.gpkg")) as base:
        rows = base.execute("SELECT geom, P1_KCL_LB FROM prescription ORDER BY ZONE_ID").fetchall()
    return [(geometry_of(blob), rate) for blob, rate in rows]


def by_pyarrow(folder: Path) -> Rows:
    table = pyarrow.parquet.read_table(folder / "prescription.parquet").to_pydict()
    return list(zip(map(shapely.from_wkb, table["geometry"]), table[COLUMN], strict=True))


READERS = {
    "shapefile, pyshp": by_pyshp("shapefile/prescription.shp"),
    "shapefile, fiona": by_fiona("shapefile/prescription.shp"),
    "zip, pyshp": by_pyshp("prescription_shapefile.zip"),
    "geojson, json": by_json,
    "geojson, fiona": by_fiona("prescription.geojson"),
    "geopackage, sqlite3": by_sqlite,
    "geopackage, fiona": by_fiona("field.gpkg", layer="prescription"),
    "geoparquet, pyarrow": by_pyarrow,
}


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> tuple[ExportSet, Path]:
    """A field of 5 x 4 squares of which only the north-west one, zone 1, has a rate."""
    meant = make.full_set(make.checks(5, 4), rates=[300.0] + [0.0] * 19, labels=["Größe"] * 20)
    folder = tmp_path_factory.mktemp("marked")
    written = write_formats(meant=meant, formats=list(FORMATS), folder=folder)
    assert {kind for kind, _ in written} == {*FORMATS, "text"}
    return meant, folder


@pytest.mark.parametrize("reader", READERS)
def test_the_marked_corner_comes_back_in_its_corner(
    marked: tuple[ExportSet, Path], reader: str
) -> None:
    meant, folder = marked
    rows = READERS[reader](folder)
    (corner,) = [polygon for polygon, rate in rows if rate == 300.0]
    west, _, _, north = shapely.total_bounds([polygon for polygon, _ in rows])
    longitude, latitude = corner.centroid.coords[0]
    # The side is 800 m: 0.0097 degree west to east, 0.0072 north to south at 42 degrees north.
    assert 0 < longitude - west < 0.0015
    assert 0 < north - latitude < 0.001
    assert len(rows) == 20
    assert sum(rate for _, rate in rows) == 300.0
    for (polygon, _), exact in zip(rows, meant.layer.polygons, strict=True):
        assert shapely.hausdorff_distance(polygon, exact) < 1e-9


def test_the_marked_corner_of_a_raster(marked: tuple[ExportSet, Path]) -> None:
    meant, folder = marked
    with rasterio.open(folder / "geotiff" / f"rate_{COLUMN}.tif") as source:
        rows, columns = np.nonzero(source.read(1) == 300)
        move = pyproj.Transformer.from_crs(source.crs.to_wkt(), 4326, always_xy=True)
        places = [move.transform(*source.xy(r, c)) for r, c in zip(rows, columns, strict=True)]
        area_m2 = len(rows) * source.res[0] * source.res[1]
    assert all(meant.layer.polygons[0].contains(shapely.Point(one)) for one in places)
    assert area_m2 == 200 * 160


def test_the_marked_corner_of_a_map_in_a_geopackage(tmp_path: Path) -> None:
    meant = make.full_set(make.checks(2, 2))
    (surface, _) = meant.surfaces
    values = np.zeros(surface.grid.shape)
    values[2, 3] = 999.0
    marked = make.build_set(
        field=meant.field, zones=meant.zones, prescription=meant.prescription,
        surfaces=[make.surface_of(meant.field)])
    object.__setattr__(marked.surfaces[0], "values", values)
    write_formats(meant=marked, formats=["geopackage", "geotiff"], folder=tmp_path)
    grid = surface.grid
    place = (grid.easting_m[3], grid.northing_m[2])
    for name in (f"GPKG:{tmp_path / 'field.gpkg'}:MAP_K_PPM", tmp_path / "geotiff/map_k_ppm.tif"):
        with rasterio.open(name) as source:
            (row,), (column,) = np.nonzero(source.read(1) == 999)
            assert source.xy(row, column) == pytest.approx(place)


steps = st.lists(st.integers(0, 4000), min_size=12, max_size=12)


@settings(max_examples=12, derandomize=True, deadline=None)
@given(
    counts=steps, step=st.sampled_from([0.1, 0.25, 0.5, 1.0, 5.0, 12.5]),
    columns=st.sampled_from([1, 2, 3, 4]),
    centre=st.sampled_from([(-85.5, 42.1), (0.0, 0.0), (151.2, -33.4), (-121.03, 64.9)]),
    words=st.tuples(st.text(max_size=12), st.text(min_size=1, max_size=30)),
)
def test_any_rates_come_back_from_every_format(
    tmp_path_factory: pytest.TempPathFactory, *, counts: list[int], step: float, columns: int,
    centre: tuple[float, float], words: tuple[str, str],
) -> None:
    label, name = words
    shapes = make.checks(12 // columns, columns, side=360.0)
    meant = make.full_set(
        shapes, centre=centre, rates=[n * step for n in counts], step=step, name=name,
        labels=[label] * 12, maps=False)
    folder = tmp_path_factory.mktemp("any")
    write_formats(meant=meant, formats=list(FORMATS), folder=folder)
    rates = meant.prescription.passes[0].rates.tolist()
    for kind, read in READERS.items():
        rows = read(folder)
        # 24 digits of text in dBASE and 15 significant digits in GeoJSON; the others keep bits.
        assert [rate for _, rate in rows] == pytest.approx(rates, rel=1e-14, abs=0), kind
        for (polygon, _), exact in zip(rows, meant.layer.polygons, strict=True):
            assert np.abs(np.array(polygon.bounds) - exact.bounds).max() < 1e-9, kind
    with rasterio.open(folder / "geotiff" / f"rate_{COLUMN}.tif") as source:
        # Single precision: 24 bits.
        found = np.unique(source.read(1, masked=True).compressed())
    assert found.tolist() == np.unique(np.array(rates, dtype="f4")).tolist()


def test_the_same_set_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_formats(meant=make.full_set(), formats=list(FORMATS), folder=tmp_path / name)
    files = sorted(p for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert len(files) > 12
    for path in files:
        assert path.read_bytes() == (tmp_path / "b" / path.relative_to(tmp_path / "a")).read_bytes()


def awkward_hole() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    return make.strips(6, side=500.0), make.CENTRE


def several_parts() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    field = shapely.MultiPolygon([shapely.box(0, 0, 200, 300), shapely.box(260, 40, 400, 300)])
    return make.cut(field, [shapely.box(-1, -1, 401, 150), shapely.box(-1, 150, 401, 301)]), (
        9.87, 52.4)


def across_180() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    return [shapely.box(-400, k * 100, 400, k * 100 + 100) for k in range(-2, 2)], (180.0, -17.0)


def one_zone() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    return [shapely.Point(0, 0).buffer(390, quad_segs=64)], (-101.3, 33.9)


def two_hundred() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    return make.checks(20, 10), (-97.0, 41.2)


def three_hundred() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    return make.checks(20, 15, side=1200.0), (-97.0, 41.2)


def tiny() -> tuple[Sequence[shapely.Geometry], tuple[float, float]]:
    return [shapely.box(0, 0, 3, 4), shapely.box(3, 0, 6, 4)], (24.9, 60.2)


@pytest.mark.parametrize("awkward", [
    awkward_hole, several_parts, across_180, one_zone, two_hundred, three_hundred, tiny])
def test_awkward_fields_come_back_from_every_format(
    awkward: Callable[[], tuple[Sequence[shapely.Geometry], tuple[float, float]]], tmp_path: Path
) -> None:
    shapes, centre = awkward()
    meant = make.full_set(shapes, centre=centre, name="Große Wiese / 北 field",
                          labels=["Grünland äöü"] * len(shapes))
    folder = tmp_path / "Größe # %20 'x'"
    write_formats(meant=meant, formats=list(FORMATS), folder=folder)
    for kind, read in READERS.items():
        rows = read(folder)
        assert len(rows) == len(shapes)
        for (polygon, rate), exact, wanted in zip(
                rows, meant.layer.polygons, meant.prescription.passes[0].rates, strict=True):
            assert rate == wanted, kind
            assert shapely.hausdorff_distance(polygon, exact) < 1e-9, kind
            rings = [len(shapely.get_rings(shapely.get_parts(one))) for one in (polygon, exact)]
            assert rings[0] == rings[1], kind
    with rasterio.open(folder / "geotiff" / f"rate_{COLUMN}.tif") as source:
        cell_ac = source.res[0] * source.res[1] / 4046.8564224
        cells = int((source.read_masks(1) > 0).sum())
        perimeter = sum(zone.polygon.length for zone in meant.zones.zones)
    assert abs(cells * cell_ac - meant.field.area_ac) <= perimeter * source.res[0] / 4046.8564224


@pytest.mark.parametrize(("kind", "limit"), [
    *((kind, limit) for kind in FORMATS for limit in (600, 9_000)),
    ("geopackage", 230_000),  # its rasters
])
def test_a_full_disk_is_an_error_and_leaves_nothing(
    tmp_path: Path, kind: str, limit: int
) -> None:
    # RLIMIT_FSIZE makes every write past the limit fail as a full disk does.
    code = (
        "import resource, runpy, signal, sys\nfrom pathlib import Path\n"
        "from vrx.errors import ExportError\nfrom vrx.export import write_formats\n"
        f"make = runpy.run_path({str(Path(__file__).with_name('builders.py'))!r})\n"
        "meant = make['full_set'](make['strips'](300, side=8000.0), cell_m=20.0)\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))\n"
        "try:\n"
        f"    write_formats(meant=meant, formats=[{kind!r}], folder=Path(sys.argv[1]))\n"
        "except ExportError as err:\n    print('ExportError', err.code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-B", "-c", code, str(tmp_path / "out")], capture_output=True, text=True,
        check=False)
    assert "ExportError export-" in done.stdout, done.stderr[-2000:]
    assert not list((tmp_path / "out").rglob("*"))


@pytest.mark.parametrize("kind", list(FORMATS))
def test_a_folder_that_gdal_cannot_spell(kind: str, tmp_path: Path) -> None:
    folder = tmp_path / "a!b"
    for _, path in write_formats(meant=make.full_set(), formats=[kind], folder=folder):
        assert path.stat().st_size


@pytest.fixture
def without_pyarrow(monkeypatch: pytest.MonkeyPatch) -> None:
    found = importlib.util.find_spec
    imported = builtins.__import__

    def absent(name: str, *args: object, **more: object) -> object:
        if name.partition(".")[0] == "pyarrow":
            raise ModuleNotFoundError(name)
        return imported(name, *args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(builtins, "__import__", absent)
    monkeypatch.setattr(
        "vrx.export.write.find_spec", lambda name: None if name == "pyarrow" else found(name))


def test_a_format_that_is_not_installed_says_how_to_get_it(
    tmp_path: Path, without_pyarrow: None
) -> None:
    meant = make.full_set(maps=False)
    with pytest.raises(MissingExtra, match=r"pip install 'vrx\[parquet\]'") as caught:
        write_formats(meant=meant, formats=["geojson", "geoparquet"], folder=tmp_path / "out")
    assert caught.value.code == "export-extra"
    assert not (tmp_path / "out").exists()
    require_formats([name for name in FORMATS if name != "geoparquet"])
    rest = [name for name in FORMATS if name != "geoparquet"]
    write_formats(meant=meant, formats=rest, folder=tmp_path / "out")


def test_geoparquet_says_what_the_standard_asks_for(tmp_path: Path) -> None:
    # GeoParquet 1.1 (opengeospatial/geoparquet): file metadata "geo".
    write_formats(meant=make.full_set(), formats=["geoparquet"], folder=tmp_path)
    told = json.loads(
        pyarrow.parquet.read_schema(tmp_path / "prescription.parquet").metadata[b"geo"])
    assert told["version"] == "1.1.0"
    assert told["primary_column"] == "geometry"
    column = told["columns"]["geometry"]
    assert column["encoding"] == "WKB"
    assert set(column["geometry_types"]) <= {"Polygon", "MultiPolygon"}
    assert column["crs"]["id"] == {"authority": "EPSG", "code": 4326}


@pytest.mark.parametrize("damage", ["rate", "place", "cut", "system"])
def test_a_parquet_file_that_reads_back_otherwise_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, damage: str
) -> None:
    import geopandas

    good = geopandas.GeoDataFrame.to_parquet

    def bad(self: geopandas.GeoDataFrame, path: Path, **more: object) -> None:
        made = self.copy()
        if damage == "rate":
            made.loc[1, COLUMN] += 0.5
        if damage == "place":
            made.geometry = made.geometry.translate(1e-7)
        if damage == "system":
            made = made.set_crs(4269, allow_override=True)
        good(made, path, **more)
        if damage == "cut":
            path.write_bytes(path.read_bytes()[:-9])

    monkeypatch.setattr(geopandas.GeoDataFrame, "to_parquet", bad)
    with pytest.raises(ExportError) as caught:
        write_formats(meant=make.full_set(), formats=["geoparquet"], folder=tmp_path)
    assert caught.value.code == "export-differs"
    assert list(tmp_path.iterdir()) == []


def test_a_format_that_fails_takes_all_others_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device", "somewhere")

    monkeypatch.setattr(frames, "frame", full)
    with pytest.raises(ExportError, match="No space left"):
        write_formats(meant=make.full_set(), formats=["geopackage", "geotiff", "geoparquet"],
                      folder=tmp_path)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("kind", list(FORMATS))
def test_a_format_ends_with_no_signal_or_file_left_open(kind: str, tmp_path: Path) -> None:
    before = set(Path("/proc/self/fd").iterdir()) if Path("/proc/self/fd").exists() else None
    if before is None:
        pytest.skip("no /proc here to see open files in")
    write_formats(meant=make.full_set(), formats=[kind], folder=tmp_path)
    held = [one.readlink() for one in Path("/proc/self/fd").iterdir()
            if one.is_symlink() and str(tmp_path) in str(one.readlink())]
    assert held == []
    assert signal.getsignal(signal.SIGINT) is not None
