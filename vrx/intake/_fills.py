"""Pixels that were never measured: what the user states, values that only fill, 0 as background."""

from __future__ import annotations

from typing import Literal

import numpy as np

from vrx.errors import InputError
from vrx.model import Finding, FloatArray, note, warn

NoData = float | Literal["none"] | None

# Values that programs write where nothing was measured (common practice, no source); the last is
# the least 32-bit float. No instrument over a field gives them.
_FILLS = (-9999.0, -99999.0, -999999.0, -32768.0, -32767.0, -2147483648.0,
          float(np.finfo(np.float32).min))
_BEYOND = 1e30
# Our own choice: so small a share of zeros may well be measured.
_BACKGROUND_SHARE = 0.005


def fill_values(values: FloatArray) -> dict[float, int]:
    """Values in `values` that only fill, with their counts."""
    # Comparisons with NaN are false; a copy of all pixels would double the memory.
    low = values[((values <= -9999.0) | (values >= _BEYOND)) & np.isfinite(values)]
    # The last digits of a 32-bit fill are lost in some files.
    found, counts = np.unique(low, return_counts=True)
    return {
        float(value): int(count) for value, count in zip(found, counts, strict=True)
        if value in _FILLS or abs(value) >= _BEYOND
    }


def require_no_fill(values: FloatArray, file: str) -> None:
    """Raise `InputError` where pixels hold such a value: averaged in, it would spoil the layer."""
    found = fill_values(values)
    if found:
        value, count = next(iter(found.items()))
        raise InputError(
            f"{count:,} of {values.size:,} pixels over the field are {value:.9g}, a value that "
            "stands for no data, but the file does not say so", code="raster-fill-value",
            where=file, hint=f"add no_data = {value:.17g} to this [[layer]], or no_data = \"none\" "
            "if it was measured")


def unmeasured(values: FloatArray, file: str, no_data: NoData) -> list[Finding]:
    """Set the pixels of the user's no-data value to NaN, in place; what was done."""
    if no_data is None or no_data == "none":
        return []
    # 32-bit pixels come with their own rounding of the value.
    with np.errstate(over="ignore"):
        away = (values == no_data) | (values == float(np.float32(no_data)))
    values[away] = np.nan
    count = int(away.sum())
    if count:
        return [note("raster-no-data-stated", file, f"{count:,} of {values.size:,} pixels over "
                     f"the field are {no_data:g}, no data as you state", done="left out")]
    return [note("raster-no-data-unused", file, f"no pixel over the field is {no_data:g}, which "
                 "you state as no data", todo="check the value, if pixels without data are there")]


def zero_background(values: FloatArray, file: str) -> list[Finding]:
    """A warning where many pixels are exactly 0, apart from all others, and none is below."""
    known, zeros = np.count_nonzero(np.isfinite(values)), np.count_nonzero(values == 0)
    if zeros in (0, known) or zeros < _BACKGROUND_SHARE * known or np.nanmin(values) < 0:
        return []
    rest = values[values > 0]
    return [warn(
        "raster-zero-background", file, f"{zeros:,} of {known:,} pixels over the field are "
        f"exactly 0, all others {rest.min():g} to {rest.max():g}, and the file states no value for "
        "no data", done="taken as measured",
        todo='if 0 is only background, add no_data = 0 to this [[layer]]; if it was measured, '
        'no_data = "none"')]
