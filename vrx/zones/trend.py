"""The trend of a soil test in each zone over the years: a straight line, with honest doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from vrx.errors import ComputeError
from vrx.model import BUILT_UP, CANNOT_TELL, DRAWN_DOWN, HELD, FloatArray, IntArray

LEVEL = 0.90
HELD_SHARE = 0.02
"""A zone is held where its slope surely stays within this share of its mean a year (our choice)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """A line per zone: `slope`, `low`, `high` (zones,) per year, NaN with fewer than two years.

    `noise` is the standard deviation about the lines, `freedom` its degrees; NaN and 0 where every
    line goes through its samples.
    """

    slope: FloatArray
    low: FloatArray
    high: FloatArray
    noise: float
    freedom: int


def zone_lines(
    *, year: FloatArray, value: FloatArray, zone: IntArray, zones: int, level: float = LEVEL
) -> Lines:
    """Least-squares lines of values (n,) on years (n,), one per zone, with one common noise.

    For each zone slope = Sxy / Sxx about its own means. The noise variance is the sum of squares
    about all lines (about the mean, where a zone has one year) over the samples less two (one) for
    each such zone; the interval is slope ± t(level, freedom) noise / sqrt(Sxx), the analysis of
    covariance with separate slopes (Snedecor and Cochran, Statistical Methods, from memory).

    Raises `ComputeError` for values or years that are not finite or of different length.
    """
    year, value = np.asarray(year, dtype=np.float64), np.asarray(value, dtype=np.float64)
    if not (year.shape == value.shape == zone.shape and year.ndim == 1) or not (
        np.isfinite(year).all() and np.isfinite(value).all()
    ):
        raise ComputeError(
            f"years have shape {year.shape}, values {value.shape}, zones {zone.shape}, or one is "
            "not finite", code="trend-samples", hint="give one finite year and value per sample",
        )
    slope, spread = np.full(zones, np.nan), np.zeros(zones)
    rest, freedom = 0.0, 0
    for k in np.unique(zone).tolist():
        x, y = year[zone == k], value[zone == k]
        x, y = x - x.mean(), y - y.mean()
        spread[k] = x @ x
        freedom += len(x) - 1
        if spread[k] > 0.0:
            slope[k] = x @ y / spread[k]
            freedom -= 1
            y = y - slope[k] * x
        rest += float(y @ y)
    if freedom < 1:
        empty = np.full(zones, np.nan)
        return Lines(slope=slope, low=empty, high=empty, noise=float("nan"), freedom=0)
    noise = float(np.sqrt(rest / freedom))
    factor = float(stdtrit(freedom, 0.5 + level / 2.0))
    reach = factor * noise / np.sqrt(np.where(spread > 0.0, spread, np.nan))
    return Lines(slope=slope, low=slope - reach, high=slope + reach, noise=noise, freedom=freedom)


def verdicts(lines: Lines, *, mean: FloatArray, held_share: float = HELD_SHARE) -> tuple[str, ...]:
    """In words, per zone; `mean` (zones,) is the zone's level, for what "held" may amount to.

    Held: the whole interval lies within `held_share` of the mean a year. Else built up or drawn
    down where the interval has no 0 in it, else nobody can tell.
    """
    said = []
    for low, high, level in zip(lines.low, lines.high, mean, strict=True):
        margin = held_share * abs(level)
        if not (np.isfinite(low) and np.isfinite(high)):
            said.append(CANNOT_TELL)
        elif -margin <= low and high <= margin:
            said.append(HELD)
        elif low > 0.0 or high < 0.0:
            said.append(BUILT_UP if low > 0.0 else DRAWN_DOWN)
        else:
            said.append(CANNOT_TELL)
    return tuple(said)


def means_by(
    groups: Sequence[tuple[FloatArray, IntArray]], zones: int
) -> tuple[IntArray, FloatArray]:
    """Counts and means (zones, groups) of the values (n,) in zones (n,) of each group."""
    count = np.zeros((zones, len(groups)), dtype=np.int64)
    mean = np.full((zones, len(groups)), np.nan)
    for j, (values, zone) in enumerate(groups):
        count[:, j] = np.bincount(zone, minlength=zones)
        total = np.bincount(zone, weights=values, minlength=zones)
        np.divide(total, count[:, j], out=mean[:, j], where=count[:, j] > 0)
    return count, mean
