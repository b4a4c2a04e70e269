"""Rasters of rates and maps: valid, in place, whole, and their sums near the prescription's."""

from __future__ import annotations

from pathlib import Path

import export_builders as make
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from rasterio.features import rasterize
from rasterio.io import MemoryFile

from vrx.errors import ExportError
from vrx.export import ExportSet, build_set, geotiff, write_formats
from vrx.export.rasters import rate_rasters
from vrx.units import ACRE_M2


def written(meant: ExportSet, folder: Path) -> dict[str, Path]:
    paths = [p for kind, p in write_formats(meant=meant, formats=["geotiff"], folder=folder)
             if kind == "geotiff"]
    return {path.stem: path for path in paths}


@pytest.fixture(scope="module")
def meant() -> ExportSet:
    return make.full_set(make.strips(4, side=1600.0))


@pytest.fixture(scope="module")
def paths(meant: ExportSet, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return written(meant, tmp_path_factory.mktemp("tiff"))


def test_every_file_is_a_valid_cloud_optimised_geotiff(paths: dict[str, Path]) -> None:
    # rio-cogeo checks the layout of OGC 21-026.
    from rio_cogeo import cog_validate

    assert sorted(paths) == [
        "map_k_ppm", "map_so4s_ppm", "rate_P1_KCL_LB", "rate_P2_KTS_GAL", "zones"]
    for path in paths.values():
        valid, errors, warnings = cog_validate(path, strict=True, quiet=True)
        assert (valid, errors, warnings) == (True, [], [])


def test_a_rate_raster_says_what_it_holds(meant: ExportSet, paths: dict[str, Path]) -> None:
    with rasterio.open(paths["rate_P1_KCL_LB"]) as source:
        assert source.nodata == -9999
        assert source.units == ("lb/ac",)
        assert source.descriptions == ("P1_KCL_LB",)
        tags = source.tags()
        assert tags["MATERIAL"] == "muriate of potash 0-0-60"
        assert tags["FIELD"] == "Strips"
        assert tags["RATE_OUTSIDE"] == "0"
        values = source.read(1, masked=True)
        rates = set(np.asarray(meant.prescription.passes[0].rates, dtype="f4").tolist())
        assert set(np.unique(values.compressed()).tolist()) == rates
        # Nearest overviews hold no rate that nobody prescribed.
        assert source.overviews(1)
        for level in range(len(source.overviews(1))):
            with rasterio.open(paths["rate_P1_KCL_LB"], overview_level=level) as small:
                assert set(np.unique(small.read(1, masked=True).compressed()).tolist()) <= rates


def test_a_map_holds_value_and_standard_error(meant: ExportSet, paths: dict[str, Path]) -> None:
    with rasterio.open(paths["map_k_ppm"]) as source:
        assert source.descriptions == ("k_ppm", "k_ppm_se")
        assert source.units == ("ppm", "ppm")
        assert source.tags()["TITLE"] == "soil-test K, ppm K"
        values, errors = source.read(masked=True)
    surface = meant.surfaces[0]
    held = ~np.ma.getmaskarray(values)
    assert (held == ~np.ma.getmaskarray(errors)).all()
    assert (values.data[held] == surface.values.astype("f4")[held]).all()
    assert (errors.data[held] == surface.standard_error.astype("f4")[held]).all()


def test_cells_lie_where_their_zones_lie_on_the_earth(
    meant: ExportSet, paths: dict[str, Path]
) -> None:
    # From the file's own words to degrees by PROJ, and there against the exported polygons.
    with rasterio.open(paths["rate_P1_KCL_LB"]) as source:
        move = pyproj.Transformer.from_crs(
            pyproj.CRS.from_wkt(source.crs.to_wkt()), 4326, always_xy=True)
        cells = source.read(1)
        rng = np.random.default_rng(1)
        for row, column in zip(rng.integers(0, cells.shape[0], 300),
                               rng.integers(0, cells.shape[1], 300), strict=True):
            point = shapely.Point(move.transform(*source.xy(row, column)))
            held = [k for k, one in enumerate(meant.layer.polygons) if one.contains(point)]
            expected = meant.prescription.passes[0].rates[held[0]] if held else -9999
            assert cells[row, column] == np.float32(expected)


@pytest.mark.parametrize("shapes", [
    make.strips(7, side=400.0), make.checks(9, 11, side=700.0),
    make.cut(shapely.Point(300, 300).buffer(300), make.strips(5, side=600.0, hole=False)),
], ids=["strips and a hole", "squares", "circle"])
def test_sums_over_cells_are_the_prescription_within_the_cells_on_borders(
    shapes: list[shapely.Geometry], tmp_path: Path
) -> None:
    meant = make.full_set(shapes, maps=False)
    path = written(meant, tmp_path)["rate_P1_KCL_LB"]
    rates = meant.prescription.passes[0].rates
    with rasterio.open(path) as source:
        cells = source.read(1, masked=True)
        cell_ac = source.res[0] * source.res[1] / ACRE_M2
        border = 0.0
        for zone, rate in zip(meant.zones.zones, rates, strict=True):
            touched = rasterize([(zone.polygon.boundary, 1)], out_shape=cells.shape,
                                transform=source.transform, all_touched=True)
            border += float(rate) * float(touched.sum()) * cell_ac
        tags = source.tags()
    total = float(cells.sum(dtype="f8")) * cell_ac
    meant_total = sum(float(r) * z.area_ac for r, z in zip(rates, meant.zones.zones, strict=True))
    assert abs(total - meant_total) <= border
    # Cells lie on either side of a border alike: what stays is far less than the bound.
    assert abs(total / meant_total - 1) < 0.02
    assert float(tags["TOTAL_BY_CELLS"]) == pytest.approx(total, rel=1e-6)
    assert float(tags["TOTAL_PRESCRIBED"]) == pytest.approx(meant_total, rel=1e-9)


def test_cells_are_halved_until_every_zone_has_one(tmp_path: Path) -> None:
    thin = make.cut(shapely.box(0, 0, 100, 100), [
        shapely.box(0, 0, 50.2, 100), shapely.box(50.2, 0, 51.7, 100),
        shapely.box(51.7, 0, 100, 100)])
    path = written(make.full_set(thin, maps=False, rates=[10, 20, 30]), tmp_path)["rate_P1_KCL_LB"]
    with rasterio.open(path) as source:
        assert source.res == (2.5, 2.5)
        assert set(np.unique(source.read(1, masked=True).compressed())) == {10, 20, 30}


def test_a_zone_that_no_raster_can_show_is_an_error(tmp_path: Path) -> None:
    hair = make.cut(shapely.box(0, 0, 3000, 3000), [
        shapely.box(0, 0, 1501.01, 3000), shapely.box(1501.01, 0, 1501.02, 3000),
        shapely.box(1501.02, 0, 3000, 3000)])
    with pytest.raises(ExportError, match="miss zone B") as caught:
        written(make.full_set(hair, maps=False), tmp_path)
    assert caught.value.code == "export-raster-zone"
    assert list(tmp_path.iterdir()) == []


def test_words_that_a_tag_cannot_hold_are_made_plain(tmp_path: Path) -> None:
    meant = make.full_set(name="Größe <&> \"9\"\n\x07 weit")
    with rasterio.open(written(meant, tmp_path)["map_k_ppm"]) as source:
        assert source.tags()["FIELD"] == 'Größe <&> "9" \ufffd weit'


def test_a_map_of_an_analyte_without_a_name_of_its_own(tmp_path: Path) -> None:
    plain = make.full_set()
    field = plain.field
    odd = make.surface_of(field, analyte="Magnésie (eau)", unit="mg/L")
    meant = build_set(field=field, zones=plain.zones, prescription=plain.prescription,
                      surfaces=[odd])
    with rasterio.open(written(meant, tmp_path)["map_magn_sie__eau"]) as source:
        assert source.tags()["ANALYTE"] == "Magnésie (eau)"
        assert source.units == ("mg/L", "mg/L")


@pytest.mark.parametrize("wrong", [
    {"nodata": -1.0}, {"units": ["gal/ac"]}, {"turned": True}, {"moved": True}, {"rate": 81.0},
    {"crs": "EPSG:32616"},
])
def test_a_raster_that_reads_back_otherwise_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: dict[str, object]
) -> None:
    meant = make.full_set(maps=False)

    def bad(one, wkt: str) -> bytes:  # type: ignore[no-untyped-def]
        values = one.bands[0].values.copy()
        if "turned" in wrong:
            values = values[::-1]
        if "rate" in wrong:
            values[values == 120] = wrong["rate"]
        transform = geotiff.affine(one.grid)
        if "moved" in wrong:
            transform = transform @ transform.translation(1, 0)
        with MemoryFile() as memory:
            with memory.open(
                driver="COG", width=one.grid.columns, height=one.grid.rows, count=1,
                dtype="float32", nodata=wrong.get("nodata", -9999.0), crs=wrong.get("crs", wkt),
                transform=transform, compress="DEFLATE", predictor=3,
            ) as target:
                target.write(values, 1)
                target.units = wrong.get("units", ["lb/ac"])
                target.descriptions = [one.bands[0].description]
                target.update_tags(**one.tags)
            return bytes(memory.read())

    monkeypatch.setattr(geotiff, "_made", bad)
    with pytest.raises(ExportError) as caught:
        write_formats(meant=meant, formats=["geotiff"], folder=tmp_path)
    assert caught.value.code == "export-differs"
    assert list(tmp_path.iterdir()) == []


def test_without_maps_a_large_field_takes_larger_cells() -> None:
    meant = make.full_set(make.strips(2, side=20_000.0, hole=False), maps=False)
    one, *_ = rate_rasters(meant)
    assert one.grid.cell_m == 20.0
    assert one.grid.rows * one.grid.columns <= 4_000_000


def in_parts(small_m: float) -> list[shapely.Geometry]:
    """Two zones; of the first a square of its own, with its centre off those of cells of 5 m."""
    island = shapely.box(250.5, 100.5, 250.5 + small_m, 100.5 + small_m)
    west = shapely.box(0, 0, 100, 200)
    return [shapely.MultiPolygon([west, island]),
            shapely.box(100, 0, 400, 200).difference(island)]


def test_a_part_smaller_than_a_cell_is_told_with_its_zone_and_acres(tmp_path: Path) -> None:
    meant = make.full_set(in_parts(1.5), maps=False, rates=[90, 10])
    (told,) = geotiff.findings(meant)
    # 2.25 m2 over 4046.8564224 m2, the international acre.
    assert told.code == "raster-part-without-cell"
    assert "zone A (1 part, 0.0006 ac)" in told.what
    assert "5 m" in told.what
    assert told.value == f"{2.25 / ACRE_M2:.4f} ac"
    # What is told is so: rasterio's own mask of the part finds no cell of the other rate there.
    path = written(meant, tmp_path)["rate_P1_KCL_LB"]
    with rasterio.open(path) as source:
        cells = source.read(1)
        row, column = np.nonzero(cells == 90)
        east, _ = rasterio.transform.xy(source.transform, row, column)
    assert max(east) < 100


def test_a_part_with_a_cell_and_zones_of_one_part_are_no_finding() -> None:
    assert geotiff.findings(make.full_set(in_parts(5.0), maps=False)) == ()
    assert geotiff.findings(make.full_set(make.strips(7), maps=False)) == ()
    # The cells are those of the maps: 20 m wide they miss what 5 m show.
    (told,) = geotiff.findings(make.full_set(in_parts(5.0), cell_m=20.0))
    assert "zone A (1 part, 0.0062 ac)" in told.what
    assert "20 m" in told.what


def test_what_no_raster_can_show_is_left_to_the_writer() -> None:
    hair = make.cut(shapely.box(0, 0, 3000, 3000), [
        shapely.MultiPolygon([shapely.box(0, 0, 1501.01, 3000),
                              shapely.box(1501.02, 0, 2000, 3000)]),
        shapely.box(1501.01, 0, 1501.02, 3000), shapely.box(2000, 0, 3000, 3000)])
    assert geotiff.findings(make.full_set(hair, maps=False)) == ()
