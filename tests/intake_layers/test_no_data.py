"""Pixels that were never measured: stated by the user, written as -9999, 0 as background."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import rasterio

from vrx.errors import InputError
from vrx.geo import transform_points
from vrx.intake import peek_raster, raster_files, raster_layer, read_raster_layer
from vrx.model import Field, Grid

UTM = "EPSG:32615"


def raster(path: Path, values: np.ndarray, make: SimpleNamespace, **more: Any) -> Path:
    """`values` as 10 m pixels with the field's centre in their middle."""
    x, y = transform_points(np.zeros(1), np.zeros(1), source=make.crs, target=UTM)
    rows, columns = values.shape
    with rasterio.open(path, "w", **{
            "driver": "GTiff", "dtype": values.dtype, "count": 1, "height": rows,
            "width": columns, "crs": UTM,
            "transform": rasterio.Affine(10.0, 0, x[0] - 5.0 * columns, 0, -10.0,
                                         y[0] + 5.0 * rows), **more}) as target:
        target.write(values, 1)
    return path


def read(path: Path, field: Field, grid: Grid, **more: Any) -> Any:
    return read_raster_layer(path=path, field=field, grid=grid, name="x", unit="m", **more)


def half(value: float, kind: str = "float32") -> np.ndarray:
    """250 east of the middle, `value` west of it."""
    values = np.full((60, 60), 250.0)
    values[:, :30] = value
    return values.astype(kind)


@pytest.mark.parametrize(("fill", "kind"), [
    (-9999.0, "float32"), (-9999.0, "int16"), (-32768.0, "int16"), (-99999.0, "float64"),
    (float(np.finfo(np.float32).min), "float32"), (1e38, "float32"), (-1.7e308, "float64")])
def test_a_fill_value_that_the_file_does_not_state_stops(
    *, make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, fill: float, kind: str
) -> None:
    path = raster(tmp_path / "dem.tif", half(fill, kind), make)
    with pytest.raises(InputError, match="no data") as caught:
        read(path, field, grid)
    assert caught.value.code == "raster-fill-value"
    # What the hint says is what mends it.
    told = float(caught.value.hint.split("no_data = ")[1].split()[0])
    layer = read(path, field, grid, no_data=told)
    have = layer.values[np.isfinite(layer.values)]
    assert np.allclose(have, 250)
    assert 0.45 < layer.covered_share < 0.55
    assert "raster-no-data-stated" in [f.code for f in layer.findings]
    # The same file, stating it itself, needs nothing.
    stated = raster(tmp_path / "ok.tif", half(fill, kind), make, nodata=fill)
    assert np.nanmin(read(stated, field, grid).values) == pytest.approx(250)


def test_the_user_may_say_that_every_pixel_was_measured(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "deep.tif", half(-9999.0), make)
    layer = read(path, field, grid, no_data="none")
    assert np.nanmin(layer.values) == pytest.approx(-9999)
    assert layer.covered_share == 1.0


def test_ordinary_low_values_are_no_fill(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    layer = read(raster(tmp_path / "sea.tif", half(-10911.5), make), field, grid)
    assert np.nanmin(layer.values) == pytest.approx(-10911.5)


@pytest.mark.parametrize("odd", [np.nan, np.inf, -np.inf])
def test_pixels_that_are_no_numbers_are_never_averaged_in(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, odd: float
) -> None:
    for name, more in (("a.tif", {}), ("b.tif", {"nodata": np.nan}), ("c.tif", {"nodata": -1.0})):
        layer = read(raster(tmp_path / name, half(odd), make, **more), field, grid)
        assert np.allclose(layer.values[np.isfinite(layer.values)], 250)
        assert 0.45 < layer.covered_share < 0.55


def test_zero_as_background_of_an_image_is_warned_of_until_the_user_says(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "image.tif", half(0, "uint8"), make)
    layer = read(path, field, grid)
    said = next(f for f in layer.findings if f.code == "raster-zero-background")
    assert (said.severity, layer.values.min()) == ("warn", 0.0)
    assert "no_data = 0" in said.todo
    assert layer.covered_share == 1.0
    gone = read(path, field, grid, no_data=0.0)
    assert np.allclose(gone.values[np.isfinite(gone.values)], 250)
    kept = read(path, field, grid, no_data="none")
    assert "raster-zero-background" not in [f.code for f in kept.findings]
    # A few zeros, zeros among values on both sides, and classes are no background.
    few = half(250, "uint8")
    few[25:27, 25:27] = 0
    for name, values, more in (
        ("few.tif", few, {}), ("both.tif", np.where(half(0) == 0, 0, half(0))
                               .astype("float32") - np.eye(60, dtype="float32"), {}),
        ("classes.tif", half(0, "uint8"), {"classes": True}),
    ):
        found = read(raster(tmp_path / name, values, make), field, grid, **more).findings
        assert "raster-zero-background" not in [f.code for f in found], name


def test_a_no_data_value_that_no_pixel_has_is_told(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "dem.tif", half(249.0), make)
    assert "raster-no-data-unused" in [
        f.code for f in read(path, field, grid, no_data=-1.0).findings]
    # A value beyond 32 bits meets no pixel and no overflow.
    assert read(path, field, grid, no_data=1e300).covered_share == 1.0
    # 0.1 in 32 bits is not 0.1 in 64.
    tenth = read(raster(tmp_path / "tenth.tif", half(0.1), make), field, grid, no_data=0.1)
    assert np.nanmin(tenth.values) == pytest.approx(250)


def test_no_data_is_a_pixel_value_before_the_files_scale(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "scaled.tif", half(0, "uint8"), make)
    with rasterio.open(path, "r+") as target:
        target.scales, target.offsets = (0.01,), (200.0,)
    layer = read(path, field, grid, no_data=0.0)
    assert np.allclose(layer.values[np.isfinite(layer.values)], 202.5)


def test_a_new_process_reads_a_raster_without_help(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    # The library registers its drivers only when asked; other tests of this process have asked.
    path = raster(tmp_path / "dem.tif", half(249.0), make)
    code = ("import sys, pathlib; from vrx.intake import raster_files; "
            "print(raster_files(pathlib.Path(sys.argv[1]))[0].name)")
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stdout.strip()) == (0, "dem.tif"), done.stderr


def test_files_beside_a_raster_belong_to_it(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    path = raster(tmp_path / "dem.tif", half(249.0), make)
    assert raster_files(path) == (path,)
    (tmp_path / "dem.tif.aux.xml").write_text(
        '<PAMDataset><PAMRasterBand band="1"><NoDataValue>249</NoDataValue></PAMRasterBand>'
        "</PAMDataset>")
    (tmp_path / "dem.txt").write_text("notes")
    assert [one.name for one in raster_files(path)] == ["dem.tif", "dem.tif.aux.xml"]
    assert np.nanmin(read(path, field, grid).values) == pytest.approx(250)
    with pytest.raises(InputError) as caught:
        raster_files(tmp_path / "den.tif")
    assert caught.value.code == "file-missing"


def test_a_zip_is_told_to_be_unpacked(field: Field, grid: Grid, tmp_path: Path) -> None:
    path = tmp_path / "dem.zip"
    path.write_bytes(b"PK\x05\x06" + bytes(18))
    with pytest.raises(InputError, match="zip") as caught:
        read(path, field, grid)
    assert "unpack" in caught.value.hint


@pytest.mark.parametrize("packing", [None, "deflate", "jpeg"])
def test_a_damaged_raster_gives_a_layer_or_a_reason(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, packing: str | None
) -> None:
    values = (np.arange(3600) % 250 + 1).reshape(60, 60).astype("uint8")
    path = raster(tmp_path / "dem.tif", values, make,
                  **({} if packing is None else {"compress": packing}))
    good, rng = path.read_bytes(), np.random.default_rng(5)
    for turn in range(120):
        data = bytearray(good[: rng.integers(1, len(good))] if turn % 4 == 0 else good)
        for _ in range(int(rng.integers(1, 6))):
            data[rng.integers(0, min(len(data), 900 if turn % 2 else len(data)))] = rng.integers(
                0, 256)
        path.write_bytes(data)
        for reader in (lambda: read(path, field, grid), lambda: peek_raster(path, field=field),
                       lambda: raster_files(path)):
            # Any other error fails the test.
            with contextlib.suppress(InputError):
                reader()


@pytest.mark.parametrize("size", [1e-320, 1e308, np.nan])
def test_a_pixel_size_that_is_none_stops(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path, size: float
) -> None:
    path = raster(tmp_path / "dem.tif", half(249.0), make)
    with rasterio.open(path, "r+") as target:
        place = target.transform
        target.transform = rasterio.Affine(size, 0, place.c, 0, -10.0, place.f)
    with pytest.raises(InputError) as caught:
        read(path, field, grid)
    assert caught.value.code in {"raster-turned", "layer-outside-field", "layer-no-values",
                                 "crs-no-such-place"}


def test_a_system_that_has_no_place_for_the_field_stops(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path
) -> None:
    # A gnomonic map of the other side of the earth.
    path = raster(tmp_path / "dem.tif", half(249.0), make, crs=(
        "+proj=gnom +lat_0=-41 +lon_0=86 +datum=WGS84 +units=m"))
    with pytest.raises(InputError) as caught:
        read(path, field, grid)
    assert caught.value.code in {"crs-no-such-place", "layer-outside-field"}
    assert [f.code for f in peek_raster(path, field=field).findings] == [caught.value.code]


def test_pieces_that_must_be_unpacked_whole_are_refused(
    make: SimpleNamespace, field: Field, grid: Grid, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = raster(tmp_path / "dem.tif", half(249.0), make, blockysize=60)
    monkeypatch.setattr(raster_layer, "MOST_BLOCK", 1000)
    with pytest.raises(InputError, match="x 60 pixels, each") as caught:
        read(path, field, grid)
    assert caught.value.code == "raster-too-large"
    assert "raster-too-large" in [f.code for f in peek_raster(path, field=field).findings]
