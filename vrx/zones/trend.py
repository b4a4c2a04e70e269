"""The trend of a soil test in each zone over the years: a straight line, with honest doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.special import stdtrit

from vrx.errors import ComputeError
from vrx.model import BUILT_UP, CANNOT_TELL, DRAWN_DOWN, HELD, FloatArray, IntArray

LEVEL = 0.90
SAME_PLACE_M = 10.0
"""A hand-held receiver finds a place again within about this (common practice, no source)."""
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
    *, year: FloatArray, value: FloatArray, zone: IntArray, zones: int,
    place: IntArray | None = None, level: float = LEVEL,
) -> Lines:
    """Least-squares lines of values (n,) on years (n,), one per zone, with one common noise.

    For each zone slope = Sxy / Sxx about its own means. The noise variance is the sum of squares
    about all lines (about the mean, where a zone has one year) over the samples less two (one) for
    each such zone; the interval is slope ± t(level, freedom) noise / sqrt(Sxx), the analysis of
    covariance with separate slopes (Snedecor and Cochran, Statistical Methods, from memory).

    With `place` (n,), the numbers of the places that were sampled, each place has its own level and
    the slope is that of its zone: Sxy and Sxx are taken about the means of places, so that what
    differs from place to place is no noise. A place of one year then says nothing.

    Raises `ComputeError` for values or years that are not finite or of different length.
    """
    year, value = np.asarray(year, dtype=np.float64), np.asarray(value, dtype=np.float64)
    level_of = zone if place is None else place
    alike = year.shape == value.shape == zone.shape == level_of.shape and year.ndim == 1
    if not alike or not (np.isfinite(year).all() and np.isfinite(value).all()):
        raise ComputeError(
            f"years have shape {year.shape}, values {value.shape}, zones {zone.shape}, or one is "
            "not finite", code="trend-samples", hint="give one finite year and value per sample",
        )
    slope, spread = np.full(zones, np.nan), np.zeros(zones)
    rest, freedom = 0.0, 0
    for k in np.unique(zone).tolist():
        mine = zone == k
        _, group, count = np.unique(level_of[mine], return_inverse=True, return_counts=True)
        x, y = (one - (np.bincount(group, weights=one) / count)[group]
                for one in (year[mine] - year[mine].mean(), value[mine] - value[mine].mean()))
        spread[k] = x @ x
        freedom += len(x) - len(count)
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


def resampled(
    *, places: FloatArray, year: FloatArray, zone: IntArray, within_m: float = SAME_PLACE_M
) -> IntArray | None:
    """Numbers (n,) of the places that were sampled again, or None where few were.

    Samples (n, 2) within `within_m` of each other (linked one to the next) and in one zone are one
    place. None unless at least half of all samples lie at places with two years or more, because
    the others would say nothing.
    """
    pairs = cKDTree(places).query_pairs(within_m, output_type="ndarray")
    pairs = pairs[zone[pairs[:, 0]] == zone[pairs[:, 1]]]
    n = len(places)
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, place = connected_components(links, directed=False)
    place = np.asarray(place, dtype=np.int64)
    seen = np.unique(np.column_stack([place, year]), axis=0)[:, 0]
    again = np.bincount(seen.astype(np.int64)) > 1
    return place if 2 * int(again[place].sum()) >= n else None


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
