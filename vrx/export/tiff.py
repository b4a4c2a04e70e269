"""A reader of TIFF files of our own, for reading back: no line of it is shared with GDAL.

It reads what our writers make and no more: little-endian classic TIFF, single precision, in strips
or tiles, plain, LZW or Deflate, with or without the floating-point predictor.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float32Array = npt.NDArray[np.float32]
Numbers = dict[int, tuple[float, ...]]

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 12: 8}
_KINDS = {1: "B", 3: "H", 4: "I", 12: "d"}
_PLAIN, _LZW, _DEFLATE = 1, 5, 8
_CLEAR, _END = 256, 257
_MOST_CODES = 4096 - 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tiff:
    """The first image of a file: `values` (rows, columns, bands) and its tags as they stand.

    `numbers` and `texts` are the tags by number. `images` counts the images of the file, overviews
    included.
    """

    values: Float32Array
    numbers: Mapping[int, tuple[float, ...]]
    texts: Mapping[int, str]
    images: int


def read(data: bytes) -> Tiff:
    """Read a TIFF. Raises `ValueError` for whatever is not as our writers make it."""
    try:
        return _read(data)
    except (struct.error, zlib.error, IndexError, KeyError) as err:
        raise ValueError(f"no whole TIFF: {type(err).__name__} {err}") from err


def _read(data: bytes) -> Tiff:
    if data[:4] != b"II*\x00":
        raise ValueError("no little-endian classic TIFF")
    (at,) = struct.unpack_from("<I", data, 4)
    numbers, texts, at = _directory(data, at)
    images = 1
    while at:
        *_, at = _directory(data, at)
        images += 1
    return Tiff(values=_pixels(data, numbers), numbers=numbers, texts=texts, images=images)


def _directory(data: bytes, at: int) -> tuple[Numbers, dict[int, str], int]:
    (count,) = struct.unpack_from("<H", data, at)
    numbers: Numbers = {}
    texts: dict[int, str] = {}
    for number in range(count):
        tag, kind, length = struct.unpack_from("<HHI", data, at + 2 + 12 * number)
        size = _SIZES[kind] * length
        place = at + 10 + 12 * number
        if size > 4:
            (place,) = struct.unpack_from("<I", data, place)
        raw = data[place : place + size]
        if kind == 2:
            texts[tag] = raw.rstrip(b"\x00").decode("utf-8")
        elif kind in _KINDS:
            numbers[tag] = struct.unpack(f"<{length}{_KINDS[kind]}", raw)
    (following,) = struct.unpack_from("<I", data, at + 2 + 12 * count)
    return numbers, texts, following


def _whole(tags: Numbers, tag: int, *default: int) -> int:
    return int((tags.get(tag, default) if default else tags[tag])[0])


def _pixels(data: bytes, tags: Numbers) -> Float32Array:
    columns, rows, bands = _whole(tags, 256), _whole(tags, 257), _whole(tags, 277, 1)
    if {*tags[258], *tags[339]} != {32, 3} or (bands > 1 and _whole(tags, 284, 1) != 1):
        raise ValueError("not single precision, or bands are not interleaved by pixel")
    tiled = 322 in tags
    wide, high = (
        (_whole(tags, 322), _whole(tags, 323)) if tiled else (columns, _whole(tags, 278, rows)))
    offsets, lengths = (tags[324], tags[325]) if tiled else (tags[273], tags[279])
    across = -(-columns // wide)
    full = np.empty((-(-rows // high) * high, across * wide, bands), dtype=np.float32)
    for number, (at, length) in enumerate(zip(offsets, lengths, strict=True)):
        raw = _unpacked(data[int(at) : int(at) + int(length)], _whole(tags, 259, _PLAIN))
        # The last strip of an image without tiles may be shorter.
        tall = high if tiled else min(high, rows - number * high)
        block = _numbers(raw, tall, wide, bands, _whole(tags, 317, 1))
        top, left = number // across * high, number % across * wide
        full[top : top + tall, left : left + wide] = block
    return full[:rows, :columns]


def _numbers(raw: bytes, rows: int, columns: int, bands: int, predictor: int) -> Float32Array:
    if len(raw) != rows * columns * bands * 4:
        raise ValueError("a block is cut short")
    if predictor == 1:
        return np.frombuffer(raw, dtype="<f4").reshape(rows, columns, bands).astype(np.float32)
    if predictor != 3:
        raise ValueError(f"predictor {predictor} is not one that we write")
    # Differences of bytes along a row, the highest bytes of all numbers first.
    bytes_ = np.frombuffer(raw, dtype=np.uint8).reshape(rows, -1, bands)
    summed = np.cumsum(bytes_, axis=1, dtype=np.uint8).reshape(rows, 4, columns * bands)
    turned = np.ascontiguousarray(summed.transpose(0, 2, 1))
    return turned.view(">f4").reshape(rows, columns, bands).astype(np.float32)


def _unpacked(raw: bytes, way: int) -> bytes:
    if way == _DEFLATE:
        return zlib.decompress(raw)
    if way == _LZW:
        return _lzw(raw)
    if way != _PLAIN:
        raise ValueError(f"compression {way} is not one that we write")
    return raw


def _widths() -> npt.NDArray[np.int64]:
    """Bits of the codes between two clearings: a table of 2^w - 1 entries widens the next code."""
    entries = 257 + np.arange(_MOST_CODES)
    wider = (entries[:, None] >= np.array([511, 1023, 2047])).sum(axis=1)
    return np.asarray(9 + wider, dtype=np.int64)


def _lzw(raw: bytes) -> bytes:
    """TIFF 6.0, section 13: codes of 9 to 12 bits, highest bit first, widened one code early.

    The table of strings is not built: entry 258 + k is what code k gave out since the last
    clearing, and one byte more, both of which lie in the output already.
    """
    data = np.frombuffer(raw + b"\x00\x00\x00", dtype=np.uint8).astype(np.int64)
    widths = _widths()
    ends = np.cumsum(widths)
    out = bytearray()
    at = 0
    while True:
        held = int(np.searchsorted(ends, 8 * len(raw) - at, side="right"))
        start = at + ends[:held] - widths[:held]
        byte, inside = start >> 3, start & 7
        window = data[byte] << 16 | data[byte + 1] << 8 | data[byte + 2]
        codes = window >> (24 - widths[:held] - inside) & (1 << widths[:held]) - 1
        stops = np.flatnonzero((codes == _CLEAR) | (codes == _END))
        if not stops.size:
            raise ValueError("a block has no end")
        last = int(stops[0])
        _give_out(codes[:last].tolist(), out)
        at += int(ends[last])
        if codes[last] == _END:
            return bytes(out)


def _give_out(codes: list[int], out: bytearray) -> None:
    starts: list[int] = []
    for code in codes:
        starts.append(len(out))
        if code < _CLEAR:
            out.append(code)
            continue
        earlier = code - _END - 1
        entry = out[starts[earlier] : starts[earlier + 1] + 1]
        out += entry
        if earlier + 2 == len(starts):
            # The string that the last code gave, and its own first byte.
            out.append(entry[0])
