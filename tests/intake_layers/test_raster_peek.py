"""A first look at a raster: what the file says, what lies over the field, what may be no data."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
import rasterio
import rasterio.features
import shapely

from vrx.errors import InputError
from vrx.geo import transform_points
from vrx.intake import looks_like_raster, raster_peek
from vrx.intake import peek_raster as peek
from vrx.model import Field

UTM = "EPSG:32615"


def two_bands(path: Path, make: SimpleNamespace, *, crs: str | None = UTM, right: float = 10.0,
              shift: float = 0.0) -> Path:
    """A slope of elevation, and bytes with 0 in the west, as pixels of 10 m around the field."""
    x, y = transform_points(np.zeros(1), np.zeros(1), source=make.crs, target=UTM)
    place = rasterio.Affine(right, 0, x[0] - 300.0 + shift, 0, -10.0, y[0] + 300.0)
    slope = np.tile(np.arange(60.0), (60, 1))
    with rasterio.open(path, "w", driver="GTiff", dtype="int16", count=2, height=60, width=60,
                       crs=crs, transform=place) as target:
        target.write(slope.astype("int16"), 1)
        target.write(np.where(slope < 30, 0, 80).astype("int16"), 2)
        target.scales, target.offsets = (0.5, 1.0), (200.0, 0.0)
        target.units = ("metre", "")
        target.descriptions = ("height", None)
    return path


def test_facts_and_figures_of_the_pixels_in_the_field(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    path = two_bands(tmp_path / "two.tif", make)
    seen = peek(path, field=field)
    assert (seen.driver, seen.width, seen.height, seen.every) == ("GTiff", 60, 60, 1)
    assert seen.crs == "WGS 84 / UTM zone 15N"
    assert seen.pixel == (10.0, 10.0)
    assert seen.pixel_m == pytest.approx(10.0, rel=2e-3)
    assert seen.findings == ()
    height, image = seen.bands
    assert (height.description, height.unit, height.kind) == ("height", "metre", "int16")
    assert (height.scale, height.offset, height.no_data) == (0.5, 200.0, "")
    # By hand: the library's own mask of pixels whose centre lies in the field.
    to_utm = pyproj.Transformer.from_crs(make.crs, UTM, always_xy=True)
    boundary = shapely.transform(
        field.boundary, lambda at: np.column_stack(to_utm.transform(at[:, 0], at[:, 1])))
    with rasterio.open(path) as source:
        within = rasterio.features.geometry_mask(
            [boundary], out_shape=source.shape, transform=source.transform, invert=True)
        values = source.read(1)[within] * 0.5 + 200.0
    assert height.pixels == within.sum()
    assert (height.least, height.greatest) == (values.min(), values.max())
    assert height.mean == pytest.approx(values.mean())
    assert height.share == 1.0
    assert height.may_be_no_data == ()
    assert (image.may_be_no_data, image.least) == ((0.0,), 0.0)


def test_the_share_of_the_field_that_is_covered(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    # The field is 400 m wide; moved 300 m east the raster begins in its middle.
    seen = peek(two_bands(tmp_path / "east.tif", make, shift=300.0), field=field)
    assert seen.bands[0].share == pytest.approx(0.5, abs=0.02)


def test_what_would_stop_the_reading_is_told_with_the_facts(
    make: SimpleNamespace, field: Field, tmp_path: Path
) -> None:
    for name, more, code in (
        ("bare.tif", {"crs": None}, "crs-missing"),
        ("far.tif", {"shift": 9e4}, "layer-outside-field"),
        ("mirrored.tif", {"right": -10.0}, "raster-turned"),
    ):
        seen = peek(two_bands(tmp_path / name, make, **more), field=field)
        assert [f.code for f in seen.findings] == [code]
        assert len(seen.bands) == 2
        assert seen.bands[0].share is None
    bare = peek(tmp_path / "bare.tif", field=field, crs=UTM)
    assert (bare.findings, bare.bands[0].share) == ((), 1.0)
    with pytest.raises(InputError) as caught:
        peek(tmp_path / "none.tif", field=field)
    assert caught.value.code == "file-missing"


def test_without_a_field_the_file_alone_is_told(make: SimpleNamespace, tmp_path: Path) -> None:
    seen = peek(two_bands(tmp_path / "two.tif", make), field=None)
    assert seen.pixel_m is None
    assert [one.least for one in seen.bands] == [None, None]


def test_a_large_raster_is_looked_at_in_steps(
    make: SimpleNamespace, field: Field, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(raster_peek, "_LOOK_AT", 400)
    seen = peek(two_bands(tmp_path / "two.tif", make), field=field)
    assert seen.every > 1
    assert seen.bands[0].mean == pytest.approx(214.75, abs=0.5)
    assert seen.bands[0].share == 1.0


def test_a_file_is_taken_for_a_raster_by_its_name(tmp_path: Path) -> None:
    (tmp_path / "points.gpkg").write_bytes(b"")
    for name, raster in (("dem.tif", True), ("DEM.ASC", True), ("log.csv", False),
                         ("log.xlsx", False), ("header", True)):
        assert looks_like_raster(tmp_path / name) is raster, name
