"""A PNG writer for classed rasters: one byte a pixel, a palette, one colour transparent.

Follows the W3C recommendation "Portable Network Graphics (PNG) Specification (Second Edition)":
sections 5.2 (signature), 5.3 (chunk layout), 11.2 (IHDR, PLTE, IDAT, IEND), 11.3.2.1 (tRNS) and
9.2 (filter type 0).
"""

from __future__ import annotations

import base64
import struct
import zlib
from collections.abc import Sequence

import numpy as np

from vrx.model import IntArray

_SIGNATURE = b"\x89PNG\r\n\x1a\n"


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def classed_png(classes: IntArray, colours: Sequence[str], *, enlarge: int = 1) -> bytes:
    """A palette PNG of a class raster.

    `classes` is (rows, columns), north up, -1 for "nothing here" (transparent), else the index of
    a colour "#rrggbb" (at most 255). Every cell becomes `enlarge` x `enlarge` pixels, so that a
    viewer that smooths pictures still shows sharp cells. Raises ValueError on a class without a
    colour.
    """
    if classes.size and (classes.max() >= len(colours) or classes.min() < -1 or len(colours) > 255):
        raise ValueError(f"classes {classes.min()} to {classes.max()} for {len(colours)} colours")
    pixels = np.kron(classes + 1, np.ones((enlarge, enlarge), dtype=np.int64)).astype(np.uint8)
    rows, columns = pixels.shape
    lines = np.zeros((rows, columns + 1), dtype=np.uint8)  # filter byte 0 before each line
    lines[:, 1:] = pixels
    palette = bytes.fromhex("ffffff" + "".join(c.lstrip("#") for c in colours))
    return b"".join(
        [
            _SIGNATURE,
            _chunk(b"IHDR", struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)),
            _chunk(b"PLTE", palette),
            _chunk(b"tRNS", b"\x00"),
            _chunk(b"IDAT", zlib.compress(lines.tobytes(), 9)),
            _chunk(b"IEND", b""),
        ]
    )


def data_uri(png: bytes) -> str:
    """The picture as a `data:` address, so that the page needs no second file."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
