"""Our own reader of TIFF files against GDAL's writer (in rasterio), and against cut files."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.errors import NotGeoreferencedWarning
from rasterio.io import MemoryFile

from vrx.export import tiff

WAYS = (
    {"compress": "LZW"},
    {"compress": "LZW", "predictor": 3},
    {"compress": "LZW", "tiled": True, "blockxsize": 32, "blockysize": 16},
    {"compress": "DEFLATE", "predictor": 3, "tiled": True, "blockxsize": 64, "blockysize": 64},
    {"compress": "DEFLATE"},
    {},
)
KINDS = ("noise", "smooth", "classes", "one value")


def packed(values: np.ndarray, way: dict[str, object], **more: object) -> bytes:
    bands, rows, columns = values.shape
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with MemoryFile() as memory:
            with memory.open(
                driver="GTiff", width=columns, height=rows, count=bands, dtype=values.dtype,
                **{"interleave": "pixel", **way, **more},
            ) as target:
                target.write(values)
            return bytes(memory.read())


def picture(kind: str, shape: tuple[int, int, int], seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    values = {
        "noise": rng.normal(size=shape) * 1e3,
        "smooth": np.cumsum(rng.normal(size=shape), axis=2).round(2),
        "classes": rng.integers(1, 5, shape) * 40.0,
        "one value": np.full(shape, -9999.0),
    }[kind]
    return values.astype(np.float32)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    kind=st.sampled_from(KINDS), way=st.sampled_from(WAYS), rows=st.integers(1, 300),
    columns=st.integers(1, 300), bands=st.sampled_from([1, 2, 3]), seed=st.integers(0, 99),
)
def test_every_cell_comes_back_bit_by_bit(
    *, kind: str, way: dict[str, object], rows: int, columns: int, bands: int, seed: int
) -> None:
    values = picture(kind, (bands, rows, columns), seed)
    read = tiff.read(packed(values, way))
    assert read.values.tobytes() == np.moveaxis(values, 0, -1).tobytes()
    assert read.numbers[256] == (columns,)
    assert read.images == 1


def test_large_noise_clears_the_table_of_codes_many_times() -> None:
    values = picture("noise", (1, 700, 500), 3)
    assert np.array_equal(tiff.read(packed(values, {"compress": "LZW"})).values[:, :, 0], values[0])


@pytest.mark.parametrize("way", [WAYS[0], WAYS[3], WAYS[5]])
def test_a_file_cut_anywhere_is_a_value_error(way: dict[str, object]) -> None:
    whole = packed(picture("smooth", (1, 40, 50), 1), way)
    for length in [0, 3, 7, *range(8, len(whole) - 1, 97)]:
        with pytest.raises(ValueError, match=r"."):
            tiff.read(whole[:length])


@pytest.mark.parametrize(("dtype", "more"), [
    ("int16", {}), ("float64", {}), ("float32", {"interleave": "band"}),
    ("float32", {"compress": "PACKBITS"}), ("float32", {"compress": "DEFLATE", "predictor": 2}),
    ("float32", {"BIGTIFF": "YES"}), ("float32", {"ENDIANNESS": "BIG"}),
])
def test_what_our_writers_never_make_is_refused(dtype: str, more: dict[str, object]) -> None:
    values = np.arange(2 * 30 * 20, dtype=dtype).reshape(2, 30, 20)
    with pytest.raises(ValueError, match=r"."):
        tiff.read(packed(values, {}, **more))
