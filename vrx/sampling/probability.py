"""The probability that the soil is below a critical value, and three words for people."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from scipy.special import ndtr

from vrx.errors import ComputeError
from vrx.model import (
    NOT_SURE,
    SAMPLE_HERE,
    SURE,
    BoolArray,
    FloatArray,
    Grid,
    IntArray,
    Knowledge,
)


def probability_below(
    *, mean: FloatArray, standard_error: FloatArray, critical: float
) -> FloatArray:
    """P(true value < critical) of a normal about `mean`; arrays of one shape, gives that shape.

    Where the standard error is 0 the value is known: 1 below the critical value, 0 on or above it.
    Raises `ComputeError` for what is not finite, and for a negative standard error.
    """
    bad = ~(np.isfinite(mean) & np.isfinite(standard_error)) | (standard_error < 0)
    if bad.any() or not np.isfinite(critical):
        raise ComputeError(
            f"{int(bad.sum())} of {bad.size} values or standard errors are not finite or negative "
            f"(critical value {critical:g})", code="sampling-probability",
            hint="give the map and its standard error as they were made",
        )
    known = standard_error == 0
    scaled = np.divide(
        critical - mean, standard_error, out=np.zeros_like(mean, dtype=np.float64), where=~known
    )
    return np.where(known, (mean < critical).astype(np.float64), ndtr(scaled))


def _class_of(values: FloatArray, critical: Sequence[float]) -> IntArray:
    return np.searchsorted(np.asarray(critical), values, side="right").astype(np.int64)


def probability_right(below: FloatArray, mean: FloatArray, critical: Sequence[float]) -> FloatArray:
    """Probability that a value lies in the class that `mean` lies in; `below` is (c, ...)."""
    ends = np.concatenate([np.zeros((1, *mean.shape)), below, np.ones((1, *mean.shape))])
    own = _class_of(mean, critical)[None]
    upper = np.take_along_axis(ends, own + 1, axis=0)[0]
    return np.asarray(upper - np.take_along_axis(ends, own, axis=0)[0])


def judge(
    *, analyte: str, unit: str, grid: Grid, mean: FloatArray, standard_error: FloatArray,
    critical: Sequence[float], inside: BoolArray, area_ac: float, zone_mean: FloatArray,
    zone_error: FloatArray, sure_from: float, gain: FloatArray | None, gain_from: float, basis: str,
) -> Knowledge:
    """How sure each cell's side of the critical values is, in probabilities and in words.

    mean, standard_error (rows, columns): the map and the standard error of the true soil test.
    critical (c,) rising. inside (rows, columns): the field's cells, which share out `area_ac`.
    zone_mean, zone_error (zones,): block mean and its standard error. gain (rows, columns): share
    of a cell's variance that one sample there would take away, None where no variogram tells; the
    third word then is not used. Raises `ComputeError`.
    """
    limits = tuple(float(one) for one in critical)
    if not limits or any(a >= b for a, b in pairwise(limits)):
        raise ComputeError(
            f"critical values {limits} do not rise", code="sampling-critical",
            hint="give at least one critical value, each above the one before",
        )
    if not 0.5 < sure_from < 1.0 or not 0.0 < gain_from < 1.0:
        raise ComputeError(
            f"limits of the words {sure_from:g} and {gain_from:g}", code="sampling-words",
            hint="sure_from lies between 0.5 and 1, gain_from between 0 and 1",
        )
    below = np.stack([
        probability_below(mean=mean, standard_error=standard_error, critical=one) for one in limits
    ])
    right = probability_right(below, mean, limits)
    word = np.where(right >= sure_from, SURE, NOT_SURE).astype(np.int64)
    if gain is not None:
        word[(word == NOT_SURE) & (gain >= gain_from)] = SAMPLE_HERE
    word[~inside] = -1
    counts = [int((word == one).sum()) for one in (SURE, NOT_SURE, SAMPLE_HERE)]
    each = area_ac / max(sum(counts), 1)
    return Knowledge(
        analyte=analyte, unit=unit, grid=grid, critical=limits, below=below, right=right, word=word,
        zone_below=np.stack([
            probability_below(mean=zone_mean, standard_error=zone_error, critical=one)
            for one in limits
        ]),
        acres=(counts[0] * each, counts[1] * each, counts[2] * each), sure_from=sure_from,
        third_word=gain is not None, basis=basis,
    )
