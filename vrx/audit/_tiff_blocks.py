"""Blocks of a TIFF unpacked and undone, from the published layouts; no code of the writers.

TIFF 6.0 (Adobe, 1992): PackBits section 9, LZW section 13, differencing section 14; Deflate and the
floating-point predictor: Adobe Photoshop TIFF Technical Notes 2 and 3. From memory of these; the
tests hold every way against GDAL.
"""

from __future__ import annotations

import zlib

import numpy as np
import numpy.typing as npt

PLAIN, LZW, DEFLATE, DEFLATE_OLD, PACKBITS = 1, 5, 8, 32946, 32773
WAYS = frozenset({PLAIN, LZW, DEFLATE, DEFLATE_OLD, PACKBITS})
PREDICTORS = frozenset({1, 2, 3})
_CLEAR, _END, _MOST_BITS = 256, 257, 12
Block = npt.NDArray[np.generic]


def unpacked(raw: bytes, way: int, size: int) -> bytes:
    """`size` bytes of a block, never more. Raises `ValueError` for a block that holds fewer."""
    if way == PLAIN:
        data = raw
    elif way in (DEFLATE, DEFLATE_OLD):
        try:
            data = zlib.decompressobj().decompress(raw, size)
        except zlib.error as err:
            raise ValueError(f"a block cannot be unpacked: {err}") from err
    else:
        data = _lzw(raw, size) if way == LZW else _packbits(raw, size)
    if len(data) < size:
        raise ValueError(f"a block holds {len(data):,} bytes of {size:,}")
    return data[:size]


def _packbits(raw: bytes, size: int) -> bytes:
    out = bytearray()
    at = 0
    while at < len(raw) and len(out) < size:
        head = raw[at]
        if head < 128:
            out += raw[at + 1 : at + 2 + head]
            at += 2 + head
        else:
            if head > 128:
                out += raw[at + 1 : at + 2] * (257 - head)
            at += 1 if head == 128 else 2
    return bytes(out)


def _lzw(raw: bytes, size: int) -> bytes:
    """Codes of 9 to 12 bits, highest bit first; the width grows one code early."""
    table = [bytes((k,)) for k in range(256)] + [b"", b""]
    out: list[bytes] = []
    held = bits = made = at = 0
    width, last = 9, b""
    while made < size:
        while bits < width:
            if at >= len(raw):
                return b"".join(out)
            held = (held << 8 | raw[at]) & 0xFFFFFFF
            at, bits = at + 1, bits + 8
        bits -= width
        code = held >> bits & (1 << width) - 1
        if code == _END:
            break
        if code == _CLEAR:
            del table[258:]
            width, last = 9, b""
            continue
        if code < len(table):
            entry = table[code]
        elif code == len(table) and last:
            entry = last + last[:1]
        else:
            raise ValueError("a block names a string that it has not told")
        if last and len(table) < 1 << _MOST_BITS:
            table.append(last + entry[:1])
        if len(table) + 1 >= 1 << width and width < _MOST_BITS:
            width += 1
        out.append(entry)
        made += len(entry)
        last = entry
    return b"".join(out)


def numbers(
    raw: bytes, *, rows: int, columns: int, samples: int, kind: np.dtype[np.generic],
    predictor: int,
) -> Block:
    """A block's values (rows, columns, samples); `kind` carries the file's byte order."""
    if predictor == 3:
        return _floating(raw, rows, columns, samples, kind)
    block = np.frombuffer(raw, dtype=kind).reshape(rows, columns, samples)
    if predictor == 2:
        # Sums wrap round within the width of a value, as the differences did.
        whole = block.astype(kind.newbyteorder("="))
        bits = whole.view(f"u{kind.itemsize}")
        return np.cumsum(bits, axis=1, dtype=bits.dtype).view(whole.dtype)
    return block


def _floating(
    raw: bytes, rows: int, columns: int, samples: int, kind: np.dtype[np.generic]
) -> Block:
    """Each row holds the highest bytes of all its values, then the next ones, as differences."""
    size = kind.itemsize
    steps = np.frombuffer(raw, dtype=np.uint8).reshape(rows, columns * size, samples)
    flat = np.cumsum(steps, axis=1, dtype=np.uint8).reshape(rows, size, columns * samples)
    whole = np.ascontiguousarray(np.moveaxis(flat, 1, 2))
    return whole.view(kind.newbyteorder(">")).reshape(rows, columns, samples)
