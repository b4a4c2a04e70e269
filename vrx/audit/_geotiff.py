"""GeoTIFF: cells, place, coordinate system and words of a raster, read without the writers' driver.

Tags and keys are those of OGC GeoTIFF 1.1 (19-008r4), sections 7.1 to 7.5, from memory and held
against GDAL by the tests; words and the value for "no data" stand in two tags of GDAL (42112,
42113). What the reader of `_tiff` does not know is read by rasterio's GDAL instead, and told.
"""

from __future__ import annotations

import html
import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from vrx.audit import _tiff
from vrx.audit._ledger import Ledger
from vrx.errors import InputError
from vrx.formats.xml_tree import xml_tree

_SCALE, _TIEPOINTS, _MATRIX, _KEYS, _DOUBLES = 33550, 33922, 34264, 34735, 34736
_WORDS, _NODATA = 42112, 42113
_MODEL, _POINTS, _GEOGRAPHIC, _PROJECTED, _METHOD, _METRES = 1024, 1025, 2048, 3072, 3075, 3076
_DATUM = 2050
_OWN, _EQUAL_AREA, _METRE, _WGS84_DATUM = 32767, 10, 9001, 6326
_EASTING, _NORTHING, _LONGITUDE, _LATITUDE = 3082, 3083, 3088, 3089
Place = tuple[float, float, float, float, float, float]
Key = tuple[str, int | None]
Held = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """A raster. `values` (bands, rows, columns) as stored, `held` (rows, columns) where there are
    data.

    A corner of row r, column c lies at east p0 + p1 c + p2 r, north p3 + p4 c + p5 r with `place` =
    p0 ... p5, in the units of the system `wkt` ("" where the file names none). `tags` are the words
    of the file; `units` and `names` those of the bands, "" where none stand.
    """

    values: npt.NDArray[np.generic]
    held: Held
    place: Place
    wkt: str
    units: tuple[str, ...]
    names: tuple[str, ...]
    tags: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.held.shape[0], self.held.shape[1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Raw:
    """What one of the two readers gives. `scales` are factor and offset of bands that have some."""

    values: npt.NDArray[np.generic]
    place: Place | None
    wkt: str
    nodata: str
    words: Mapping[Key, str]
    scales: Mapping[int, tuple[float, float]] = field(
        default_factory=lambda: MappingProxyType({}))


def read(data: bytes, name: str, ledger: Ledger) -> Cells | None:
    """The raster; None with a fault where it cannot be read, or lies nowhere."""
    raw: _Raw | None
    try:
        raw = _own(data, name, ledger)
    except _tiff.NotReadError as err:
        ledger.remark("raster-reader", name, f"{err}: read by GDAL, which many writers share")
        raw = _by_gdal(data)
        if raw is None:
            ledger.fault("unreadable", name, "is no raster that GDAL can open",
                         todo="export it again, packed by Deflate or LZW")
            return None
    except ValueError as err:
        ledger.fault("unreadable", name, f"is no whole TIFF: {err}", todo="copy or export it again")
        return None
    if not _lies(raw.place):
        ledger.fault("raster-place", name, "says not where its cells lie",
                     todo="export it again as GeoTIFF, with its place")
        return None
    if not raw.wkt:
        ledger.fault(
            "crs-missing", name, "states no coordinate system that is known: where the cells lie "
            "and their acres are not known", todo="export it again with its coordinate system")
        return None
    return _scaled(_cells(raw, name, ledger), raw, name, ledger)


def _lies(place: Place | None) -> bool:
    """Whether a place is one; rows and columns themselves are what GDAL takes for none."""
    return (place is not None and all(map(math.isfinite, place))
            and abs(place[1] * place[5] - place[2] * place[4]) > 0
            and (*place[:5], abs(place[5])) != (0.0, 1.0, 0.0, 0.0, 0.0, 1.0))


def _cells(raw: _Raw, name: str, ledger: Ledger) -> Cells:
    count = len(raw.values)
    values = raw.values
    said = _number(raw.nodata)
    empty = np.zeros(values.shape, dtype=bool)
    if values.dtype.kind == "f":
        unsaid = int(np.isnan(values).any(axis=0).sum())
        empty = np.isnan(values)
        if unsaid and not (said is not None and math.isnan(said)):
            ledger.doubt("raster-nan", name, f"{unsaid:,} cells hold NaN, which the file does not "
                         "declare as no data", todo="a machine may take them for any rate: export "
                         "with a value for no data")
    if said is not None and not math.isnan(said):
        with np.errstate(over="ignore"):
            empty |= values == (np.float32(said) if values.dtype == np.float32 else said)
    held = np.asarray(~empty.all(axis=0), dtype=bool)
    return Cells(
        values=values, held=held, place=raw.place or (0.0,) * 6, wkt=raw.wkt,
        units=tuple(raw.words.get(("UNITTYPE", k), "") for k in range(count)),
        names=tuple(raw.words.get(("DESCRIPTION", k), "") for k in range(count)),
        tags={key: text for (key, band), text in raw.words.items() if band is None})


def _scaled(cells: Cells, raw: _Raw, name: str, ledger: Ledger) -> Cells:
    if not raw.scales:
        return cells
    told = ", ".join(f"x {factor:g} + {offset:g}" for factor, offset in raw.scales.values())
    ledger.doubt("raster-scaled", name, f"its numbers are meant {told}", todo="a machine that does "
                 "not follow it applies the numbers as they stand: export the rates themselves")
    values = cells.values.astype(np.float64)
    for band, (factor, offset) in raw.scales.items():
        values[band] = values[band] * factor + offset
    return replace(cells, values=values)


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _own(data: bytes, name: str, ledger: Ledger) -> _Raw:
    image = _tiff.read(data)
    if int(image.numbers.get(_tiff.ORIENTATION, (1,))[0]) != 1:
        ledger.doubt("raster-turned", name, "a tag says that its rows and columns are to be turned "
                     "before they are shown; few readers do", todo="export it again, north up")
    keys = _keys(image)
    words = _words(image.texts.get(_WORDS, ""), name, ledger)
    wkt = _system(keys)
    if not wkt:
        other = _by_gdal(data)
        wkt = "" if other is None else other.wkt
    return _Raw(values=image.cells, place=_place(image, keys), wkt=wkt,
                nodata=image.texts.get(_NODATA, "").strip(), words=words,
                scales=_scales(words, len(image.cells)))


def _scales(words: Mapping[Key, str], count: int) -> dict[int, tuple[float, float]]:
    found = {}
    for band in range(count):
        factor = _number(words.get(("SCALE", band), "1"))
        offset = _number(words.get(("OFFSET", band), "0"))
        if (factor, offset) != (1.0, 0.0) and factor is not None and offset is not None:
            found[band] = (factor, offset)
    return found


def _keys(image: _tiff.Image) -> dict[int, float]:
    """GeoKeys that are one number, by their number."""
    told, doubles = image.numbers.get(_KEYS, ()), image.numbers.get(_DOUBLES, ())
    found: dict[int, float] = {}
    for k in range(4, len(told) - 3, 4):
        key, place, _, value = (int(one) for one in told[k : k + 4])
        if place == 0:
            found[key] = value
        elif place == _DOUBLES and value < len(doubles):
            found[key] = doubles[value]
    return found


def _place(image: _tiff.Image, keys: Mapping[int, float]) -> Place | None:
    matrix, scale = image.numbers.get(_MATRIX, ()), image.numbers.get(_SCALE, ())
    tie = image.numbers.get(_TIEPOINTS, ())
    if len(matrix) == 16:
        place: Place = (matrix[3], matrix[0], matrix[1], matrix[7], matrix[4], matrix[5])
    elif len(scale) >= 2 and len(tie) == 6:
        place = (tie[3] - tie[0] * scale[0], scale[0], 0.0,
                 tie[4] + tie[1] * scale[1], 0.0, -scale[1])
    else:
        return None
    if keys.get(_POINTS) == 2:  # the place is that of a cell's centre
        east, a, b, north, d, e = place
        place = (east - (a + b) / 2.0, a, b, north - (d + e) / 2.0, d, e)
    return place


def _system(keys: Mapping[int, float]) -> str:
    """WKT of the coordinate system, by fiona's own PROJ; "" where these keys do not tell it."""
    from fiona import Env
    from fiona.crs import CRS
    from fiona.errors import CRSError

    model = keys.get(_MODEL)
    code = int(keys.get(_PROJECTED if model == 1 else _GEOGRAPHIC, 0))
    if model not in (1, 2) or not code:
        return ""
    text = f"EPSG:{code}"
    if code == _OWN:
        if not (model == 1 and keys.get(_METHOD) == _EQUAL_AREA and keys.get(_METRES) == _METRE
                and keys.get(_DATUM) == _WGS84_DATUM
                and {_LONGITUDE, _LATITUDE} <= set(keys)):
            return ""
        text = (f"+proj=laea +lat_0={keys[_LATITUDE]!r} +lon_0={keys[_LONGITUDE]!r} "
                f"+x_0={keys.get(_EASTING, 0.0)!r} +y_0={keys.get(_NORTHING, 0.0)!r} "
                "+datum=WGS84 +units=m +no_defs")
    try:
        with Env():
            return str(CRS.from_user_input(text).to_wkt())
    except CRSError:
        return ""


def _words(text: str, name: str, ledger: Ledger) -> dict[Key, str]:
    """Words by name and band (from 0; None for the whole file)."""
    if not text.strip():
        return {}
    try:
        root = xml_tree(text.encode(), where=f"{name}, tag {_WORDS}")
    except InputError as err:
        ledger.doubt("raster-words", name, f"its words (units, names) are not read: {err.message}")
        return {}
    found: dict[Key, str] = {}
    for item in root.iter("Item"):
        sample = item.get("sample", "")
        # GDAL escapes twice, and undoes it twice.
        found[item.get("name", ""), int(sample) if sample.isdecimal() else None] = html.unescape(
            item.text or "")
    return found


def _by_gdal(data: bytes) -> _Raw | None:
    """All of it by rasterio, from memory: the user's path never meets GDAL."""
    from rasterio.errors import NotGeoreferencedWarning, RasterioError
    from rasterio.io import MemoryFile

    try:
        with (warnings.catch_warnings(action="ignore", category=NotGeoreferencedWarning),
              MemoryFile(data) as memory, memory.open(driver="GTiff") as source):
            if source.width * source.height * source.count > _tiff.MOST_CELLS:
                return None
            known = source.transform
            values = source.read(masked=True)
            nodata = source.nodata
            if nodata is None and np.ma.getmaskarray(values).any():  # a mask of its own
                values, nodata = np.ma.filled(values.astype(np.float64), np.nan), math.nan
            else:
                values = np.asarray(values.data)
            words: dict[Key, str] = {(key, None): text for key, text in source.tags().items()}
            for band in range(source.count):
                words["UNITTYPE", band] = source.units[band] or ""
                words["DESCRIPTION", band] = source.descriptions[band] or ""
            pairs = zip(source.scales, source.offsets, strict=True)
            return _Raw(
                values=values, wkt=source.crs.to_wkt() if source.crs else "", words=words,
                place=None if known.is_identity else (
                    known.c, known.a, known.b, known.f, known.d, known.e),
                nodata="" if nodata is None else repr(float(nodata)),
                scales={k: pair for k, pair in enumerate(pairs) if pair != (1.0, 0.0)})
    except (RasterioError, TypeError, ValueError, MemoryError):
        return None
