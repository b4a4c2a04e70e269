"""A reader of TIFF of the audit's own: image file directory, tags and cells, without GDAL.

Classic and BigTIFF, either byte order, strips or tiles, bands by pixel or by plane, whole or
floating numbers of 8 to 64 bits, plain, PackBits, LZW or Deflate, with or without a predictor. What
else a TIFF may be is a `NotReadError`. TIFF 6.0 (Adobe, 1992) sections 2, 7, 8, 15, and the BigTIFF
design of libtiff; from memory, held against GDAL by the tests.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vrx.audit import _tiff_blocks as blocks

COLUMNS, ROWS, BITS, PACKING, ORIENTATION = 256, 257, 258, 259, 274
SAMPLES, ROWS_PER_STRIP = 277, 278
_KIND, _STRIPS, _STRIP_BYTES, _PLANES, _PREDICTOR = 254, 273, 279, 284, 317
_TILE_COLUMNS, _TILE_ROWS, _TILES, _TILE_BYTES, _FORMAT = 322, 323, 324, 325, 339
_MASK = 4
_FORMATS = {1: "u", 2: "i", 3: "f"}
_TYPES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 11: "f", 12: "d", 16: "Q", 17: "q"}
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8,
          17: 8, 18: 8}
_MOST_IMAGES, _MOST_VALUES = 64, 4_000_000
MOST_CELLS = 16_000_000
Cells = npt.NDArray[np.generic]
Numbers = dict[int, tuple[float, ...]]


class NotReadError(ValueError):
    """A TIFF that may be whole, of a kind that this reader does not know."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Image:
    """The first image: `cells` (bands, rows, columns) as stored, tags by number."""

    cells: Cells
    numbers: Mapping[int, tuple[float, ...]]
    texts: Mapping[int, str]


def read(data: bytes) -> Image:
    """The first image of a TIFF. Raises `NotReadError`, `ValueError` for what is no whole TIFF."""
    try:
        return _read(data)
    except (struct.error, IndexError, KeyError, OverflowError, ZeroDivisionError) as err:
        raise ValueError(f"a tag is missing or leads out of the file ({err})") from err


def _read(data: bytes) -> Image:
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None or len(data) < 8:
        raise ValueError("it begins with no TIFF header")
    (version,) = struct.unpack_from(f"{order}H", data, 2)
    if version not in (42, 43):
        raise ValueError("it begins with no TIFF header")
    first: tuple[Numbers, dict[int, str]] | None = None
    for count, (numbers, texts) in enumerate(_directories(data, order, big=version == 43)):
        if count and int(numbers.get(_KIND, (0,))[0]) & _MASK:
            raise NotReadError("it holds a mask beside its cells")
        first = first or (numbers, texts)
    if first is None:
        raise ValueError("it holds no image")
    numbers, texts = first
    return Image(cells=_cells(data, numbers, order), numbers=numbers, texts=texts)


def _directories(
    data: bytes, order: str, *, big: bool
) -> Iterator[tuple[Numbers, dict[int, str]]]:
    offset, counted, width, entry = ("Q", "Q", 8, 20) if big else ("I", "H", 4, 12)
    (at,) = struct.unpack_from(f"{order}{offset}", data, 8 if big else 4)
    seen: set[int] = set()
    while at:
        if at in seen or len(seen) >= _MOST_IMAGES:
            raise ValueError("its images lead round in a circle")
        seen.add(at)
        (count,) = struct.unpack_from(f"{order}{counted}", data, at)
        if count > 65_535:
            raise ValueError(f"an image has {count:,} tags")
        start = at + struct.calcsize(f"={counted}")
        numbers: Numbers = {}
        texts: dict[int, str] = {}
        for k in range(count):
            tag, kind, length = struct.unpack_from(f"{order}HH{offset}", data, start + k * entry)
            size = _SIZES.get(kind, 1) * length
            place = start + k * entry + 4 + width
            if size > width:
                (place,) = struct.unpack_from(f"{order}{offset}", data, place)
            if length > _MOST_VALUES or place + size > len(data):
                raise ValueError(f"tag {tag} leads out of the file")
            if kind == 2:
                texts[tag] = data[place : place + size].rstrip(b"\0").decode("utf-8", "replace")
            elif kind in _TYPES:
                numbers[tag] = struct.unpack_from(f"{order}{length}{_TYPES[kind]}", data, place)
        yield numbers, texts
        (at,) = struct.unpack_from(f"{order}{offset}", data, start + count * entry)


def _one(tags: Numbers, tag: int, default: int | None = None) -> int:
    if tag not in tags and default is not None:
        return default
    return int(tags[tag][0])


def _kind(tags: Numbers, samples: int, order: str) -> np.dtype[np.generic]:
    bits, formats = set(tags.get(BITS, (1,))), set(tags.get(_FORMAT, (1,)))
    if len(bits) != 1 or len(formats) != 1:
        raise NotReadError("its bands are of several kinds of number")
    size, kind = int(bits.pop()), _FORMATS.get(int(formats.pop()))
    if size not in (8, 16, 32, 64) or kind is None or (kind == "f" and size < 32):
        raise NotReadError(f"its numbers have {size} bits")
    if len(tags.get(BITS, ())) not in (1, samples):
        raise ValueError("it says not of every band how many bits it has")
    return np.dtype(f"{order}{kind}{size // 8}")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """How the cells lie in the file. `inside` bands stand in one block, `planes` follow."""

    rows: int
    columns: int
    samples: int
    wide: int
    high: int
    tiled: bool
    planes: int
    inside: int
    kind: np.dtype[np.generic]
    way: int
    predictor: int

    @property
    def across(self) -> int:
        return -(-self.columns // self.wide)

    @property
    def blocks(self) -> int:
        return self.across * -(-self.rows // self.high)


def _plan(tags: Numbers, order: str) -> _Plan:
    columns, rows, samples = _one(tags, COLUMNS), _one(tags, ROWS), _one(tags, SAMPLES, 1)
    if not (columns > 0 and rows > 0 and 0 < samples <= 1000):
        raise ValueError(f"it has {rows} rows and {columns} columns of {samples} bands")
    if rows * columns * samples > MOST_CELLS:
        raise ValueError(
            f"it has {rows * columns * samples:,} cells, at most {MOST_CELLS:,} are read")
    kind, way = _kind(tags, samples, order), _one(tags, PACKING, 1)
    predictor = _one(tags, _PREDICTOR, 1)
    if way not in blocks.WAYS or predictor not in blocks.PREDICTORS:
        raise NotReadError(f"it is packed in way {way} with predictor {predictor}")
    if predictor == 3 and kind.kind != "f":
        raise ValueError("a predictor of floating numbers stands on whole ones")
    apart, tiled = _one(tags, _PLANES, 1) == 2, _TILES in tags
    wide = _one(tags, _TILE_COLUMNS) if tiled else columns
    high = _one(tags, _TILE_ROWS) if tiled else min(_one(tags, ROWS_PER_STRIP, rows), rows)
    if not 0 < wide * high * (1 if apart else samples) <= MOST_CELLS:
        raise ValueError(f"its blocks have {high} rows and {wide} columns")
    return _Plan(rows=rows, columns=columns, samples=samples, wide=wide, high=high, tiled=tiled,
                 planes=samples if apart else 1, inside=1 if apart else samples, kind=kind,
                 way=way, predictor=predictor)


def _cells(data: bytes, tags: Numbers, order: str) -> Cells:
    plan = _plan(tags, order)
    starts, sizes = ((tags[_TILES], tags[_TILE_BYTES]) if plan.tiled
                     else (tags[_STRIPS], tags[_STRIP_BYTES]))
    if not len(starts) == len(sizes) == plan.blocks * plan.planes:
        raise ValueError(f"it names {len(starts)} blocks, {plan.blocks * plan.planes} are needed")
    full = np.zeros((plan.samples, plan.rows, plan.columns), dtype=plan.kind.newbyteorder("="))
    for number, (at, size) in enumerate(zip(starts, sizes, strict=True)):
        if size == 0:
            raise NotReadError("blocks without cells are left out")
        if at + size > len(data):
            raise ValueError(f"block {number + 1} leads out of the file")
        plane, place = divmod(number, plan.blocks)
        top, left = place // plan.across * plan.high, place % plan.across * plan.wide
        # The last strip of an image without tiles may be shorter.
        tall = plan.high if plan.tiled else min(plan.high, plan.rows - top)
        raw = blocks.unpacked(data[int(at) : int(at + size)], plan.way,
                              tall * plan.wide * plan.inside * plan.kind.itemsize)
        block = blocks.numbers(raw, rows=tall, columns=plan.wide, samples=plan.inside,
                               kind=plan.kind, predictor=plan.predictor)
        bottom, right = min(top + tall, plan.rows), min(left + plan.wide, plan.columns)
        full[plane * plan.inside : (plane + 1) * plan.inside, top:bottom, left:right] = (
            np.moveaxis(block[: bottom - top, : right - left], 2, 0))
    return full
