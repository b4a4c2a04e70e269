"""Rasters of known values come back on the field's grid, whatever their CRS and pixels."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pyproj
import pytest
import rasterio

from vrx.errors import InputError
from vrx.intake import raster_layer as module
from vrx.intake.raster_layer import read_raster_layer
from vrx.model import Field, Grid

UTM = "EPSG:32615"


def from_origin(west: float, north: float, right: float, down: float) -> rasterio.Affine:
    # rasterio's own multiplies in a way that its library for affine maps warns of.
    return rasterio.Affine(right, 0.0, west, 0.0, -down, north)


def plane(east: Any, north: Any) -> np.ndarray:
    """Elevation in metres on a slope, from field coordinates."""
    return np.asarray(250.0 + 0.05 * np.asarray(east) - 0.02 * np.asarray(north))


def raster(path: Path, make: SimpleNamespace, *, crs: str = UTM, pixel: float = 2.0,
           reach: float = 260.0, **more: Any) -> Path:
    """A plane over the field in any CRS; `more` goes to the profile, `edit` changes the array."""
    to_own = pyproj.Transformer.from_crs(make.crs, crs, always_xy=True)
    corners = to_own.transform([-reach, reach, reach, -reach], [-reach, -reach, reach, reach])
    west, east = min(corners[0]), max(corners[0])
    south, north = min(corners[1]), max(corners[1])
    columns, rows = int((east - west) / pixel) + 1, int((north - south) / pixel) + 1
    x, y = np.meshgrid(west + (np.arange(columns) + 0.5) * pixel,
                       north - (np.arange(rows) + 0.5) * pixel)
    values = plane(*to_own.transform(x, y, direction="INVERSE"))
    edit = more.pop("edit", None)
    mask = more.pop("mask", None)
    scales, offsets = more.pop("scales", None), more.pop("offsets", None)
    if edit is not None:
        values = edit(values)
    profile = {"driver": "GTiff", "dtype": "float64", "count": 1, "height": rows,
               "width": columns, "crs": crs, "transform": from_origin(west, north, pixel, pixel),
               **more}
    with rasterio.open(path, "w", **profile) as target:
        for band in range(1, profile["count"] + 1):
            target.write((values * band).astype(profile["dtype"]), band)
        if scales:
            target.scales, target.offsets = scales, offsets
        if mask is not None:
            target.write_mask(mask(rows, columns))
    return path


def read(path: Path, field: Field, grid: Grid, **more: Any) -> Any:
    return read_raster_layer(path=path, field=field, grid=grid, name="elevation", unit="m", **more)


def expected(grid: Grid) -> np.ndarray:
    return plane(*np.meshgrid(grid.easting_m, grid.northing_m))


@pytest.mark.parametrize(("crs", "pixel", "tolerance"), [
    (UTM, 2.0, 0.03), (UTM, 0.5, 0.01), (UTM, 15.0, 0.02), ("EPSG:4326", 2e-5, 0.03),
    ("EPSG:4326", 3e-4, 0.1), ("EPSG:32614", 2.0, 0.03), ("EPSG:3857", 2.0, 0.03),
    ("EPSG:2915", 6.0, 0.03)])
def test_a_slope_comes_back_from_any_crs(
    *, make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, crs: str, pixel: float,
    tolerance: float,
) -> None:
    path = raster(tmp_path / "dem.tif", make, crs=crs, pixel=pixel)
    layer = read(path, field, grid)
    assert np.abs(layer.values - expected(grid)).max() < tolerance
    assert layer.covered_share == 1.0
    assert (layer.kind, layer.unit, layer.name) == ("raster", "m", "elevation")
    assert layer.source == "dem.tif, band 1"
    assert (layer.count == 1).all()


def test_bands_and_pixel_sizes_are_told(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "dem.tif", make, pixel=40.0, count=2, reach=400.0)
    layer = read(path, field, grid, band=2)
    assert layer.values == pytest.approx(2 * expected(grid), abs=0.1)
    said = {f.code: f for f in layer.findings}
    assert "40" in said["raster-coarse"].what
    assert "raster-no-nodata" in said
    fine = read(raster(tmp_path / "fine.tif", make, pixel=0.4), field, grid)
    assert "raster-fine" in [f.code for f in fine.findings]
    with pytest.raises(InputError, match="no band 3") as caught:
        read(path, field, grid, band=3)
    assert caught.value.code == "raster-band"


@pytest.mark.parametrize("way", ["nodata", "mask", "nan"])
def test_no_data_is_never_averaged_in(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, way: str
) -> None:
    def holed(values: np.ndarray) -> np.ndarray:
        out = values.copy()
        out[:, : values.shape[1] // 2] = -9999.0 if way == "nodata" else np.nan
        return out

    def half(rows: int, columns: int) -> np.ndarray:
        valid = np.full((rows, columns), 255, dtype=np.uint8)
        valid[:, : columns // 2] = 0
        return valid

    more: dict[str, Any] = {
        "nodata": {"nodata": -9999.0, "edit": holed}, "mask": {"mask": half}, "nan": {
            "edit": holed}}[way]
    with rasterio.Env(GDAL_TIFF_INTERNAL_MASK=True):
        path = raster(tmp_path / "dem.tif", make, **more)
    layer = read(path, field, grid)
    have = np.isfinite(layer.values)
    assert 0.4 < layer.covered_share < 0.6
    # Half a cell's pixels may be missing at the edge: its mean then is that of the rest.
    assert np.abs(layer.values - expected(grid))[have].max() < 0.3
    said = next(f for f in layer.findings if f.code == "layer-covered")
    assert said.severity == "warn"


def test_integers_with_a_scale_are_brought_to_their_unit(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "dem.tif", make, dtype="int16", nodata=-32768, scales=(0.01,),
                  offsets=(200.0,), edit=lambda v: np.round((v - 200.0) * 100.0))
    layer = read(path, field, grid)
    assert layer.values == pytest.approx(expected(grid), abs=0.04)
    assert "raster-scaled" in [f.code for f in layer.findings]


def test_classes_keep_their_codes(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "units.tif", make, dtype="uint8", pixel=7.0,
                  edit=lambda v: np.where(v > 250.0, 7, 3))
    layer = read(path, field, grid, classes=True)
    assert set(np.unique(layer.values)) == {3.0, 7.0}
    # The sampler of another code path of the library, at the same places.
    to_utm = pyproj.Transformer.from_crs(make.crs, UTM, always_xy=True)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    with rasterio.open(path) as source:
        found = np.array(list(source.sample(
            zip(*to_utm.transform(east.ravel(), north.ravel()), strict=True)))).ravel()
    assert (found.reshape(grid.shape) == layer.values).mean() > 0.995


def test_what_cannot_be_placed_or_read_stops(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    good, bare = raster(tmp_path / "dem.tif", make), tmp_path / "bare.tif"
    with rasterio.open(good) as source, rasterio.open(
            bare, "w", **{**source.profile, "crs": None}) as target:
        target.write(source.read())
    far = raster(tmp_path / "far.tif", make)
    with rasterio.open(far, "r+") as target:
        target.transform = from_origin(300_000.0, 4_000_000.0, 2.0, 2.0)
    turned = raster(tmp_path / "turned.tif", make)
    with rasterio.open(turned, "r+") as target:
        target.transform = target.transform @ rasterio.Affine.rotation(10.0)
    empty = raster(tmp_path / "empty.tif", make, nodata=-1.0, edit=lambda v: v * 0 - 1.0)
    text = tmp_path / "text.tif"
    text.write_text("no raster")
    virtual = tmp_path / "virtual.vrt"
    virtual.write_text(
        '<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand dataType="Float64" band="1">'
        f"<SimpleSource><SourceFilename>{good}</SourceFilename><SourceBand>1</SourceBand>"
        "</SimpleSource></VRTRasterBand></VRTDataset>")
    for path, more, code in (
        (bare, {}, "crs-missing"), (good, {"crs": "EPSG:32614"}, "crs-conflict"),
        (far, {}, "layer-outside-field"), (turned, {}, "raster-turned"),
        (empty, {}, "layer-no-values"), (text, {}, "raster-unreadable"),
        (virtual, {}, "raster-unreadable"), (tmp_path / "den.tif", {}, "file-missing"),
        (good, {"crs": "EPSG:nothing"}, "crs-unknown"),
    ):
        with pytest.raises(InputError) as caught:
            read(path, field, grid, **more)
        assert caught.value.code == code, path.name
        assert caught.value.hint
    assert read(bare, field, grid, crs=UTM).values == pytest.approx(expected(grid), abs=0.03)
    assert read(good, field, grid, crs=UTM).covered_share == 1.0
    with pytest.raises(InputError) as caught:
        read_raster_layer(path=good, field=field, grid=grid, name="elevation", unit=" ")
    assert caught.value.code == "layer-unit-missing"
    monkeypatch.setattr(module, "MOST_PIXELS", 1000)
    with pytest.raises(InputError, match="at most 1,000") as caught:
        read(good, field, grid)
    assert caught.value.code == "raster-too-large"


def test_a_huge_raster_is_read_over_the_field_only(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    # 60,000 x 60,000 pixels would be 29 GB as floats; sparse on disk, written over the field only.
    inner = raster(tmp_path / "inner.tif", make)
    with rasterio.open(inner) as source:
        values, place = source.read(1), source.transform
    path = tmp_path / "huge.tif"
    shift = 30_000
    with rasterio.open(
        path, "w", driver="GTiff", dtype="float64", count=1, height=60_000, width=60_000,
        crs=UTM, tiled=True, sparse_ok=True, nodata=-9999.0, BIGTIFF="YES",
        transform=place @ rasterio.Affine.translation(-shift, -shift),
    ) as target:
        target.write(values, 1, window=rasterio.windows.Window(
            shift, shift, values.shape[1], values.shape[0]))
    assert read(path, field, grid).values == pytest.approx(expected(grid), abs=0.03)
