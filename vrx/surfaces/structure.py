"""Is there structure at all, and is there a trend? Tested against chance, never assumed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack, solve_triangular
from scipy.spatial import cKDTree
from scipy.spatial.distance import pdist, squareform

from vrx.errors import ComputeError
from vrx.model import FloatArray
from vrx.surfaces.covariance import correlation
from vrx.surfaces.kriging import checked_samples, kriging_system
from vrx.surfaces.likelihood import trend_basis
from vrx.surfaces.reml import VariogramFit, fit_reml
from vrx.surfaces.variogram import diagonal_m

SHUFFLES = 399
CHANCE = 0.07
"""Share of shufflings that may show as much structure; the level of the test."""
TEST_RANGES = 5
TEST_SHARES = (0.25, 0.5, 0.8)
MOST_EXACT = 400
"""The most samples whose likelihood is averaged; more take their neighbours alone."""
NEIGHBOURS = 8
SEED = 15450


@dataclass(frozen=True, slots=True, kw_only=True)
class StructureTest:
    """Whether near samples are more alike than chance makes them.

    `p_value`: share of `shuffles` random exchanges of the values (the data counted in) that show as
    much structure or more; `shown` where it is at most `limit`.
    """

    p_value: float
    shuffles: int
    limit: float
    shown: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendTest:
    """A linear trend of the mean against a constant mean, both with an exponential variogram.

    By maximum likelihood: `likelihood_ratio` is 2 * (log likelihood with - without the trend),
    `aicc_gain` the fall of the corrected Akaike criterion (positive: the trend is worth its two
    coefficients). `slope_per_100m` is the rise in the unit of the values in the direction
    `direction_deg` (compass) of the steepest rise. `left_over` fits what the trend leaves by REML.
    """

    likelihood_ratio: float
    aicc_gain: float
    limit: float
    shown: bool
    slope_per_100m: float
    direction_deg: float
    left_over: VariogramFit


def _settled(
    places: FloatArray, values: FloatArray, drift: FloatArray | None
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Samples in an order that neither their rows nor the frame of the map decide."""
    centre = np.hypot(*(places - places.mean(axis=0)).T)
    order = np.lexsort((centre, values))
    return places[order], values[order], None if drift is None else drift[order]


def _shuffled(values: FloatArray, basis: FloatArray, shuffles: int) -> FloatArray:
    """The values and their shufflings, trend taken out, each of length 1; (n, 1 + shuffles)."""
    rest = values - basis @ (basis.T @ values)
    random = np.random.default_rng(SEED)
    all_ = np.column_stack([rest, *(random.permutation(rest) for _ in range(shuffles))])
    all_ -= basis @ (basis.T @ all_)
    return np.asarray(all_ / np.sqrt((all_ * all_).sum(axis=0)))


def _mean_likelihood(
    places: FloatArray, shuffled: FloatArray, basis: FloatArray
) -> FloatArray:
    """Log of the likelihood against pure nugget, averaged over 5 ranges x 3 shares; (columns,)."""
    n, p = basis.shape
    distance = squareform(pdist(places))
    gap = float(np.median(np.where(distance > 0.0, distance, np.inf).min(axis=1)))
    right = np.column_stack([basis, shuffled])
    found = []
    for range_m in np.geomspace(gap, max(diagonal_m(places) / 4.0, 1.5 * gap), TEST_RANGES):
        shape = correlation(model="exponential", distance_m=distance, range_m=float(range_m))
        for share in TEST_SHARES:
            mixed = (1.0 - share) * shape
            np.fill_diagonal(mixed, 1.0)
            lower, info = lapack.dpotrf(mixed, lower=True, clean=True)
            if info != 0:
                continue
            white = solve_triangular(lower, right, lower=True, check_finite=False)
            frame, triangle = np.linalg.qr(white[:, :p])
            rest = white[:, p:] - frame @ (frame.T @ white[:, p:])
            log_det = np.log(np.diagonal(lower)).sum() + np.log(np.abs(np.diag(triangle))).sum()
            found.append(-0.5 * (n - p) * np.log((rest * rest).sum(axis=0)) - log_det)
    likelihood = np.array(found)
    top = likelihood.max(axis=0)
    return np.asarray(top + np.log(np.exp(likelihood - top).mean(axis=0)))


def _neighbours_alike(places: FloatArray, shuffled: FloatArray) -> FloatArray:
    """Sum of products of every sample with its 8 nearest (Moran's statistic); (columns,)."""
    _, near = cKDTree(places).query(places, k=NEIGHBOURS + 1)
    return np.asarray(
        sum((shuffled * shuffled[near[:, k]]).sum(axis=0) for k in range(1, NEIGHBOURS + 1))
    )


def structure_test(
    *, places: FloatArray, values: FloatArray, drift: FloatArray | None = None
) -> StructureTest:
    """Test a constant mean (or the drift) with pure nugget against any structure beside it.

    places (n, 2) metres, all different, n >= 5; values (n,) not all equal, else `ComputeError`
    (surface-constant); drift (n, p) or none. The statistic is the restricted likelihood of an
    exponential variogram against pure nugget, averaged over 5 ranges (median gap to a quarter of
    the diagonal) and 3 nugget shares: no test has more power on average over them. Above 400
    samples it is Moran's statistic over the 8 nearest. Its distribution by chance comes from 399
    seeded exchanges of the values (with a drift: of what it leaves), so the level holds whatever
    the layout and the values' distribution. Sources: Moran, Biometrika 37 (1950) 17-23; Freedman
    and Lane, J. Business and Economic Statistics 1 (1983) 292-298 (both from memory).
    """
    places, values, drift = _settled(*checked_samples(places, values), drift)
    basis = trend_basis(drift, len(values))
    rest = values - basis @ (basis.T @ values)
    if not np.abs(rest).max() > 1e-12 * np.abs(values).max():
        raise ComputeError(
            "all values are equal: no variogram", code="surface-constant",
            hint="a field without variation needs no map",
        )
    shuffled = _shuffled(values, basis, SHUFFLES)
    if len(values) <= MOST_EXACT:
        found = _mean_likelihood(places, shuffled, basis)
    else:
        found = _neighbours_alike(places, shuffled)
    # Equal but for rounding counts as reached: the test may err towards "not shown" only.
    slack = 1e-9 * max(1.0, abs(float(found[0])))
    reached = int(np.count_nonzero(found[1:] >= found[0] - slack))
    p_value = (1 + reached) / (SHUFFLES + 1)
    return StructureTest(
        p_value=p_value, shuffles=SHUFFLES, limit=CHANCE, shown=p_value <= CHANCE
    )


TREND_RATIO = 9.21
"""Likelihood ratio that shows a trend: the 1 % point of chi-square with 2 degrees of freedom."""


def _aicc(fit: VariogramFit, n: int, mean_terms: int) -> float:
    count = mean_terms + 3
    return -2.0 * fit.log_likelihood + 2.0 * count * n / max(n - count - 1, 1)


def trend_test(
    *, places: FloatArray, values: FloatArray, model: str = "exponential"
) -> TrendTest:
    """Test a constant mean against a mean linear in easting and northing.

    places (n, 2) metres not on one line, n >= 10; values (n,). Raises `ComputeError` where the
    trend cannot be told (surface-drift-collinear) or leaves nothing (surface-constant). A range far
    beyond the field and a trend look alike; the trend is `shown` only where the likelihood ratio
    passes its limit and the corrected Akaike criterion falls.
    """
    places, values = checked_samples(places, values)
    n, centre = len(values), places.mean(axis=0)
    drift = (places - centre) / 100.0
    constant = fit_reml(places=places, values=values, model=model, restricted=False)
    linear = fit_reml(places=places, values=values, model=model, drift=drift, restricted=False)
    ratio = max(2.0 * (linear.log_likelihood - constant.log_likelihood), 0.0)
    gain = _aicc(constant, n, 1) - _aicc(linear, n, 3)
    left_over = fit_reml(places=places, values=values, model=model, drift=drift)
    slope = _slope(places, values, drift, left_over)
    return TrendTest(
        likelihood_ratio=ratio, aicc_gain=gain, limit=TREND_RATIO,
        shown=ratio > TREND_RATIO and gain > 0.0, slope_per_100m=float(np.hypot(*slope)),
        direction_deg=math.degrees(math.atan2(slope[0], slope[1])) % 360.0, left_over=left_over,
    )


def _slope(
    places: FloatArray, values: FloatArray, drift: FloatArray, fit: VariogramFit
) -> FloatArray:
    """Generalised least-squares slopes per 100 m east and north."""
    system = kriging_system(places=places, values=values, variogram=fit.variogram, drift=drift)
    return np.asarray(system.coefficients[1:])
