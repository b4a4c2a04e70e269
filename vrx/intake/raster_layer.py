"""Any raster (elevation, imagery, conductivity map) -> a layer on the field's grid."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
from pyproj.exceptions import ProjError

from vrx.errors import InputError
from vrx.geo import WGS84, field_crs, parse_crs, transform_points
from vrx.intake._blocks import LITTLE_COVERED, covered_share, field_cells
from vrx.intake._crs import same_system
from vrx.intake._files import require_file, require_size
from vrx.intake._fills import NoData, require_no_fill, unmeasured, zero_background
from vrx.model import Field, Finding, FloatArray, Grid, LayerGrid, note, warn

DRIVERS = ("GTiff", "AAIGrid", "HFA", "ENVI", "EHdr", "netCDF", "JP2OpenJPEG", "PNG", "JPEG",
           "GPKG", "SRTMHGT")
"""Formats that hold their own pixels; a virtual raster could name any other file."""
MOST_PIXELS = 40_000_000
"""Pixels over the field beyond which a raster is refused; about 1 GB while it is read."""
MOST_BLOCK = 100_000_000
"""Pixels of one packed piece beyond which a raster is refused."""
COARSE_CELLS = 3.0
"""Pixels wider than so many cells are noted: the layer says less than the grid seems to."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Window:
    """The pixels over the field: values with NaN for no data, and where they lie."""

    values: FloatArray
    transform: Any
    crs: pyproj.CRS
    pixel_m: float
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ask:
    """What the user says of the band."""

    band: int
    classes: bool
    no_data: NoData


def read_raster_layer(
    *, path: Path, field: Field, grid: Grid, name: str, unit: str, band: int = 1,
    crs: str | None = None, classes: bool = False, no_data: NoData = None,
) -> LayerGrid:
    """One band of a raster on the field's grid, in the stated unit.

    Pixels finer than a cell are averaged over it (by area), coarser ones interpolated (bilinear);
    with `classes` the nearest pixel counts. No-data, masked and non-finite pixels are never
    averaged in. A scale and offset that the file states are applied. `crs` is for files that state
    none. `no_data` is a pixel value (before the scale) that means nothing was measured, beside what
    the file states; "none" says that every pixel was measured. `count` is 1 where a cell has a
    value.

    Raises:
        InputError: no such file or band, not a raster, no CRS or two that differ, turned or
            without a place, more than 40 million pixels over the field, no value in the field, or
            values such as -9999 that no instrument gives and that are not stated as no data.
    """
    path = Path(path)
    if not unit.strip():
        raise InputError("its unit is not stated", code="layer-unit-missing", where=path.name,
                         hint='state it, for example "m", "mS/m" or "index"')
    from rasterio.errors import RasterioError

    window = _read_window(path, stated=crs, field=field, grid=grid, ask=_Ask(
        band=band, classes=classes, no_data=no_data))
    try:
        values, how = _onto_grid(window, grid, field, classes=classes)
    except RasterioError as err:
        raise InputError(f"cannot be brought onto the field's grid: {err}",
                         code="raster-unreadable", where=path.name,
                         hint="save it as GeoTIFF in a common system, such as UTM") from err
    inside = field_cells(field, grid)
    share = covered_share(values, inside)
    if share == 0:
        raise InputError("holds no value in the field (no data only)", code="layer-no-values",
                         where=path.name, hint="check the band and the no-data value")
    say = note if share >= LITTLE_COVERED else warn
    findings = [*window.findings, *_pixel_notes(window, grid, path.name), say(
        "layer-covered", path.name, f"{100 * share:.1f} % of the field has a value; pixels of "
        f"about {window.pixel_m:.3g} m, cells of {grid.cell_m:g} m", value=f"{share:.4f}",
        done=how)]
    return LayerGrid(
        name=name, kind="raster", unit=unit, source=f"{path.name}, band {band}", grid=grid,
        values=values, count=np.isfinite(values).astype(np.int64), covered_share=share,
        findings=tuple(findings))


def _read_window(
    path: Path, *, ask: _Ask, stated: str | None, field: Field, grid: Grid
) -> _Window:
    with opened_raster(path) as source:
        return _window_of(source, file=path.name, ask=ask, stated=stated, field=field, grid=grid)


@contextmanager
def opened_raster(path: Path) -> Iterator[Any]:
    """The file as an open raster. `InputError` where it is missing or no raster that is read."""
    from rasterio import Env
    from rasterio.errors import NotGeoreferencedWarning, RasterioError
    from rasterio.io import DatasetReader

    require_file(path)
    require_size(path)
    if path.is_dir():
        raise InputError("is a folder, not a raster", code="raster-unreadable", where=path.name,
                         hint="give the file itself")
    if path.suffix.lower() == ".zip":
        raise InputError("is a zip", code="raster-unreadable", where=path.name,
                         hint="unpack the raster beside the plan and name it")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            # rasterio.open takes one driver only; without an Env none is registered.
            with Env(), DatasetReader(str(path), driver=list(DRIVERS)) as source:
                yield source
    except (RasterioError, UnicodeError) as err:
        # UnicodeError: names of systems and units in the file, or a path, that are no UTF-8.
        said = str(err).replace(str(path), path.name)
        raise InputError(f"cannot be read as a raster: {said}", code="raster-unreadable",
                         where=path.name, hint="save it as GeoTIFF") from err


@contextmanager
def placing(file: str) -> Iterator[None]:
    """Faults of projections within become an `InputError`."""
    try:
        yield
    except ProjError as err:
        raise InputError(
            "its coordinate system has no place for the field, or its pixels none in the field's",
            code="crs-no-such-place", where=file,
            hint="check that field and layer belong together, and the layer's CRS and pixel size",
        ) from err


def raster_files(path: Path) -> tuple[Path, ...]:
    """The raster and the files beside it that reading it uses (world file, header, mask), sorted.

    Raises `InputError` as `read_raster_layer` does for a file that is missing or no raster.
    """
    path = Path(path)
    with opened_raster(path) as source:
        named = {Path(str(one)) for one in source.files}
    return tuple(sorted({path, *(one for one in named if one.is_file())}))


def _window_of(
    source: Any, *, file: str, ask: _Ask, stated: str | None, field: Field, grid: Grid
) -> _Window:
    band = ask.band
    if not 1 <= band <= source.count:
        raise InputError(f"has no band {band}", code="raster-band", where=file,
                         hint=f"bands: 1 to {source.count}")
    own = crs_of(source, file, stated)
    place = source.transform
    require_north_up(place, file)
    with placing(file):
        rows, columns = reach(source, own, field, grid, file)
        pixel_m = pixel_m_at(place, own, field)
    pixels = (rows[1] - rows[0]) * (columns[1] - columns[0])
    if pixels > MOST_PIXELS:
        raise InputError(
            f"{pixels:,} pixels of {pixel_m:.3g} m lie over the field; at most {MOST_PIXELS:,} are "
            "read", code="raster-too-large", where=file,
            hint=f"average it to pixels of {grid.cell_m / 4:g} m first")
    cut = ((rows[0], rows[1]), (columns[0], columns[1]))
    require_small_blocks(source, band, file)
    found = source.read(band, window=cut, masked=True)
    if np.iscomplexobj(found):
        raise InputError("holds complex numbers", code="raster-unreadable", where=file,
                         hint="save the band that you mean as plain numbers")
    values = np.where(np.ma.getmaskarray(found), np.nan, found.data.astype(np.float64))
    values[~np.isfinite(values)] = np.nan
    findings = unmeasured(values, file, ask.no_data)
    if ask.no_data is None:
        require_no_fill(values, file)
        if source.nodata is None and not ask.classes:
            findings += zero_background(values, file)
    scale, offset = float(source.scales[band - 1]), float(source.offsets[band - 1])
    if (scale, offset) != (1.0, 0.0):
        values = values * scale + offset
        findings.append(note("raster-scaled", file, f"the file states value = pixel x {scale:g} "
                             f"+ {offset:g}", done="applied"))
    if source.nodata is None and ask.no_data is None and np.isfinite(values).all():
        findings.append(note("raster-no-nodata", file, "states no value for no data",
                             done="every pixel is taken as measured"))
    return _Window(
        values=values, crs=own, pixel_m=pixel_m, findings=tuple(findings),
        transform=_north_up(place.c + columns[0] * place.a, place.f + rows[0] * place.e,
                            place.a, place.e))


def require_small_blocks(source: Any, band: int, file: str) -> None:
    """Raise `InputError` where one packed piece of the file alone would fill the memory."""
    rows, columns = source.block_shapes[band - 1]
    if rows * columns > MOST_BLOCK:
        raise InputError(
            f"is packed in pieces of {rows:,} x {columns:,} pixels, each to be unpacked whole",
            code="raster-too-large", where=file,
            hint="save it as a tiled GeoTIFF, or cut it to the field first")


def require_north_up(place: Any, file: str) -> None:
    """Raise `InputError` unless rows run east and columns south, by pixels of a true size."""
    whole = all(math.isfinite(one) for one in tuple(place)[:6])
    if not whole or place.b or place.d or place.a <= 0 or place.e >= 0:
        raise InputError("is turned, mirrored or has no place on the ground",
                         code="raster-turned", where=file, hint="warp it north up first")


def _north_up(west: float, north: float, right: float, down: float) -> Any:
    from rasterio import Affine

    return Affine(right, 0.0, west, 0.0, down, north)


def crs_of(source: Any, file: str, stated: str | None) -> pyproj.CRS:
    """The raster's own CRS or the one the user states. `InputError` if neither or both differ."""
    own = None if source.crs is None else parse_crs(source.crs.to_wkt(), where=file)
    said = parse_crs(stated, where=file) if stated else None
    if own is not None and said is not None and not same_system(own, said):
        raise InputError(f"the file says {own.name}, the plan says {said.name}",
                         code="crs-conflict", where=file,
                         hint="take the CRS out of the plan, or mend the file's own")
    found = own or said
    if found is None:
        raise InputError("states no coordinate system", code="crs-missing", where=file,
                         hint="give the CRS (for example EPSG:32615)")
    if not (found.is_geographic or found.is_projected):
        raise InputError(f"{found.name} is neither geographic nor projected", code="crs-kind",
                         where=file, hint="give the CRS (for example EPSG:32615)")
    return found


def reach(
    source: Any, own: pyproj.CRS, field: Field, grid: Grid, file: str
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Rows and columns (from, to) of the pixels over the grid and two pixels beyond."""
    east = np.linspace(grid.west_m, grid.west_m + grid.columns * grid.cell_m, 33)
    north = np.linspace(grid.north_m - grid.rows * grid.cell_m, grid.north_m, 33)
    mesh = np.meshgrid(east, north)
    x, y = transform_points(mesh[0].ravel(), mesh[1].ravel(), source=field_crs(field.crs_centre),
                            target=own)
    place = source.transform
    left, right = (float(x.min()) - place.c) / place.a, (float(x.max()) - place.c) / place.a
    top, bottom = (float(y.max()) - place.f) / place.e, (float(y.min()) - place.f) / place.e
    if not all(math.isfinite(one) for one in (left, right, top, bottom)):
        raise InputError(
            f"its pixels of {place.a:g} x {-place.e:g} cannot be counted over the field",
            code="raster-turned", where=file, hint="look at the file's pixel size and place")
    rows = (max(0, math.floor(top) - 2), min(source.height, math.ceil(bottom) + 2))
    columns = (max(0, math.floor(left) - 2), min(source.width, math.ceil(right) + 2))
    if rows[0] >= rows[1] or columns[0] >= columns[1]:
        bounds = source.bounds
        raise InputError(
            f"does not reach the field: it spans {bounds.left:.9g} to {bounds.right:.9g} and "
            f"{bounds.bottom:.9g} to {bounds.top:.9g} ({own.name}), the field {x.min():.9g} to "
            f"{x.max():.9g} and {y.min():.9g} to {y.max():.9g}", code="layer-outside-field",
            where=file, hint="check that field and layer belong together, and the layer's CRS")
    return rows, columns


def pixel_m_at(place: Any, own: pyproj.CRS, field: Field) -> float:
    """The longer side of a pixel at the field, metres."""
    lon, lat = field.crs_centre
    x, y = transform_points(np.array([lon]), np.array([lat]), source=WGS84, target=own)
    corner_x = np.array([x[0], x[0] + place.a, x[0]])
    corner_y = np.array([y[0], y[0], y[0] + place.e])
    east, north = transform_points(corner_x, corner_y, source=own,
                                   target=field_crs(field.crs_centre))
    sides = np.hypot(east[1:] - east[0], north[1:] - north[0])
    return float(sides.max())


def _onto_grid(
    window: _Window, grid: Grid, field: Field, *, classes: bool
) -> tuple[FloatArray, str]:
    from rasterio.warp import Resampling, reproject

    if classes:
        method, how = Resampling.nearest, "the nearest pixel of each cell"
    elif window.pixel_m < grid.cell_m:
        method, how = Resampling.average, "pixels averaged over each cell"
    else:
        method, how = Resampling.bilinear, "interpolated between pixels (bilinear)"
    out = np.full(grid.shape, np.nan)
    reproject(
        window.values, out, src_transform=window.transform, src_crs=window.crs.to_wkt(),
        src_nodata=np.nan,
        dst_transform=_north_up(grid.west_m, grid.north_m, grid.cell_m, -grid.cell_m),
        dst_crs=field_crs(field.crs_centre).to_wkt(), dst_nodata=np.nan, resampling=method,
        init_dest_nodata=True)
    return out, how


def _pixel_notes(window: _Window, grid: Grid, file: str) -> list[Finding]:
    if window.pixel_m > COARSE_CELLS * grid.cell_m:
        return [note("raster-coarse", file, f"pixels of about {window.pixel_m:.3g} m are much "
                     f"wider than the cells of {grid.cell_m:g} m",
                     done="interpolated; detail below the pixel is not real")]
    if window.pixel_m * 20 < grid.cell_m:
        return [note("raster-fine", file, f"about {(grid.cell_m / window.pixel_m) ** 2:.0f} pixels "
                     "lie in each cell", done="averaged")]
    return []
