"""More samples than one system holds: drawn from all, by the variogram of some."""

from __future__ import annotations

import numpy as np

from vrx.model import FloatArray
from vrx.surfaces.kriged import Kriging
from vrx.surfaces.local import dense_krige
from vrx.surfaces.samples import MOST_SAMPLES, Samples, block_average

NEIGHBOURS = 32
"""On known fields 16 err by 0 to 3 % more (`scripts/bench/kriging.py dense`); 32 take 0.6 s."""


def krige_many(
    *,
    kriging: Kriging,
    many: Samples,
    beside: FloatArray | None,
    targets: FloatArray,
    drift: FloatArray | None,
    cell_m: float,
) -> tuple[FloatArray, FloatArray]:
    """Values and variances at `targets` (m, 2) from all samples, both (m,).

    beside (n, p) and drift (m, p) are the trend's columns at samples and targets. The trend has the
    coefficients of the fitted system; what it leaves is kriged from block means and the nearest of
    them. Samples without a value of the drift are left out of that.
    """
    places, values = many.places, many.values
    trend: FloatArray | float = 0.0
    if beside is not None and drift is not None:
        known = np.isfinite(beside).all(axis=1)
        slopes = kriging.system.coefficients[1:]
        places, values = places[known], values[known] - beside[known] @ slopes
        trend = drift @ slopes
    estimate, variance = dense_krige(
        places=places, values=values, variogram=kriging.fit.variogram, targets=targets,
        cell_m=cell_m, neighbours=NEIGHBOURS,
    )
    return estimate + trend, variance * kriging.fit.variance_factor


def block_means_of(many: Samples) -> tuple[FloatArray, FloatArray]:
    """Places (b, 2) and means (b,) of square blocks of all samples, b <= 3000."""
    places, means, _, _ = block_average(
        places=many.places, values=many.values, most=MOST_SAMPLES
    )
    return places, means
