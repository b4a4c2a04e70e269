"""How much surer a fitted variogram looks than it is: other variograms that fit as well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial.distance import pdist, squareform

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces.covariance import MODELS
from vrx.surfaces.kriging import kriging_system, point_krige
from vrx.surfaces.likelihood import NOT_DEFINITE, Likelihood, Shape
from vrx.surfaces.reml import START_RANGES, VariogramFit, range_bounds, variance_factor

MOST = 400
SHARES = (0.02, 0.15, 0.3, 0.5, 0.75, 0.95)
LEAST_WEIGHT = 0.005
NEAR_GAPS = 1.5


def _rivals(places: FloatArray, values: FloatArray) -> list[tuple[float, Variogram]]:
    """Variograms of 3 models x 9 ranges x 6 nugget shares with their share of the likelihood."""
    tried: list[tuple[float, Variogram]] = []
    for model in MODELS:
        likelihood = Likelihood(model=model, places=places, values=values)
        low, high = range_bounds(places, likelihood.distance)
        for range_m in np.geomspace(2.0 * low, high / 2.0, START_RANGES):
            structured = likelihood.structured(Shape(range_m=float(range_m), share=0.0))
            for share in SHARES:
                deviance, sill = likelihood.value(
                    Shape(range_m=float(range_m), share=share), structured
                )
                if deviance < NOT_DEFINITE:
                    tried.append((deviance, Variogram(
                        model=model, nugget=share * sill, partial_sill=(1.0 - share) * sill,
                        range_m=float(range_m),
                    )))
    if not tried:
        return []
    least = min(one[0] for one in tried)
    weights = np.exp(-0.5 * (np.array([one[0] for one in tried]) - least))
    weights /= weights.sum()
    return [(float(w), one[1]) for w, one in zip(weights, tried, strict=True) if w > LEAST_WEIGHT]


def _between(places: FloatArray) -> FloatArray:
    """Midpoints of near samples, where a map has most to guess; (m, 2)."""
    distance = squareform(pdist(places))
    gap = np.where(distance > 0.0, distance, np.inf).min(axis=1)
    near = np.triu(distance <= NEAR_GAPS * float(np.quantile(gap, 0.9)), 1)
    first, second = np.nonzero(near)
    return np.asarray((places[first] + places[second]) / 2.0)


def with_allowance(
    *, places: FloatArray, values: FloatArray, fit: VariogramFit
) -> VariogramFit:
    """The fit with its `variance_factor` raised where other variograms fit as well, else itself.

    places (n, 2) metres, values (n,), as fitted without a drift. Midway between near samples the
    kriging variance is averaged over rival variograms by their restricted likelihood (a flat prior
    over model, log range and nugget share), with the square by which their values differ from the
    fit's; the ratio to the fit's own variance, where above 1, multiplies the factor. It matters on
    regular grids, which hold no close pairs and so cannot tell nugget from short range. Above 400
    samples the fit is returned. Source: the principle of Handcock and Stein, Technometrics 35
    (1993) 403-410 (from memory); the grid of rivals is our own.
    """
    if len(values) > MOST or fit.method != "REML":
        return fit
    at = _between(places)
    try:
        own, variance = point_krige(
            system=kriging_system(places=places, values=values, variogram=fit.variogram),
            targets=at,
        )
        spread, total = np.zeros(len(at)), 0.0
        for weight, rival in _rivals(places, values):
            found, theirs = point_krige(
                system=kriging_system(places=places, values=values, variogram=rival), targets=at
            )
            spread += weight * (theirs + (found - own) ** 2)
            total += weight
    except ComputeError:
        return fit
    if not (total > 0.0 and len(at) and variance.mean() > 0.0):
        return fit
    ratio = float(spread.mean() / total / variance.mean())
    return replace(fit, variance_factor=variance_factor(n=len(values)) * max(ratio, 1.0))
