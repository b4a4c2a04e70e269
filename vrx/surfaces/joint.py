"""How the kriging errors of many places hang together: what a further sample would tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import blas
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from vrx.errors import ComputeError
from vrx.model import FloatArray, Surface
from vrx.surfaces.covariance import covariance, stretched
from vrx.surfaces.kriging import KrigingSystem, checked_targets, kriging_system
from vrx.surfaces.samples import prepare
from vrx.surfaces.study import trend_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorModel:
    """How a kriged map errs; make it with `error_model`.

    `noise` is the variance of a new sample about the truth of its place: the nugget. Variances are
    raised as those of the map are. Where a layer that guides the map has no value, its value at the
    nearest place that has one stands in.
    """

    system: KrigingSystem
    surface: Surface
    samples: FloatArray

    @property
    def noise(self) -> float:
        """Variance of a new sample about the true value of its place."""
        return self.system.variogram.nugget * self.surface.variance_factor

    def covariance(self, first: FloatArray, second: FloatArray) -> FloatArray:
        """Covariances (m, n) of the errors at `first` (m, 2) and `second` (n, 2), metres."""
        return self.surface.variance_factor * kriging_covariance(
            system=self.system, first=first, second=second, first_drift=self._columns(first),
            second_drift=self._columns(second),
        )

    def variance(self, places: FloatArray) -> FloatArray:
        """Variances (n,) of the errors at `places` (n, 2)."""
        return self.surface.variance_factor * kriging_area_variance(
            system=self.system, places=places, drift=self._columns(places))

    def _columns(self, places: FloatArray) -> FloatArray | None:
        if not self.surface.drift:
            return None
        layers = self.surface.drift_on_grid
        if layers is None:
            return trend_of(self.samples, places)
        grid = self.surface.grid
        row = np.clip((grid.north_m - places[:, 1]) // grid.cell_m, 0, grid.rows - 1)
        column = np.clip((places[:, 0] - grid.west_m) // grid.cell_m, 0, grid.columns - 1)
        found = layers[row.astype(np.int64), column.astype(np.int64)]
        gap = ~np.isfinite(found).all(axis=1)
        if gap.any():
            whole = np.argwhere(np.isfinite(layers).all(axis=2))
            centres = np.column_stack([grid.easting_m[whole[:, 1]], grid.northing_m[whole[:, 0]]])
            _, near = cKDTree(centres).query(places[gap])
            found[gap] = layers[whole[near, 0], whole[near, 1]]
        return found


def error_model(*, surface: Surface, places: FloatArray) -> ErrorModel:
    """The error model of a map that `map_analyte` kriged from samples at `places` (n, 2) metres.

    Errors depend on places and variogram, not on readings; results known only as bounds count as
    measured. Raises `ComputeError` for a map without a variogram.
    """
    if surface.variogram is None:
        raise ComputeError(
            f"the map of {surface.analyte} by {surface.method} has no variogram",
            code="surface-zone-variogram", where=surface.analyte, hint="give a kriged map",
        )
    places = np.asarray(places, dtype=np.float64)
    samples = prepare(
        analyte=surface.analyte, unit=surface.unit, places=places, values=np.zeros(len(places)),
        beside=surface.drift_at_samples,
    )
    at, drift = samples.places, None
    if surface.drift and surface.drift_on_grid is None:
        drift = trend_of(at, at)
    elif surface.drift:
        known = np.isfinite(samples.beside).all(axis=1)
        at, drift = at[known], samples.beside[known]
    system = kriging_system(
        places=at, values=np.zeros(len(at)), variogram=surface.variogram, drift=drift,
        drift_names=surface.drift,
    )
    return ErrorModel(system=system, surface=surface, samples=samples.places)


def kriging_covariance(
    *,
    system: KrigingSystem,
    first: FloatArray,
    second: FloatArray,
    first_drift: FloatArray | None = None,
    second_drift: FloatArray | None = None,
) -> FloatArray:
    """Covariances of the kriging errors at `first` (m, 2) and `second` (n, 2), metres; (m, n).

    Of the structured part: the nugget enters the sample matrix only, so a place stands for the
    small area around it (as in block kriging), and the diagonal of two equal sets is the variance
    of that area's mean. `first_drift` (m, p) and `second_drift` (n, p) hold the system's columns.
    With the trend's f and lack l(a) = f(a) - F' K^-1 k(a) it is C(a, b) - k(a)' K^-1 k(b) +
    l(a)' (F' K^-1 F)^-1 l(b). Source: Chiles and Delfiner, Geostatistics (2nd ed. 2012), sections
    3.4 and 3.6 (from memory).
    """
    white_first, lack_first = _whitened(system, first, first_drift)
    white_second, lack_second = _whitened(system, second, second_drift)
    variogram = system.variogram
    found = covariance(
        variogram=variogram,
        distance_m=cdist(_stretched(system, first), _stretched(system, second)),
    )
    found -= white_first.T @ white_second
    found += lack_first.T @ lack_second
    return np.asarray(found)


def kriging_area_variance(
    *, system: KrigingSystem, places: FloatArray, drift: FloatArray | None = None
) -> FloatArray:
    """Diagonal of `kriging_covariance` of `places` (n, 2) with themselves; (n,), never below 0."""
    white, lack = _whitened(system, places, drift)
    found = system.variogram.partial_sill - np.einsum("ij,ij->j", white, white)
    found += np.einsum("ij,ij->j", lack, lack)
    return np.asarray(np.maximum(found, 0.0))


def _stretched(system: KrigingSystem, places: FloatArray) -> FloatArray:
    return stretched(
        variogram=system.variogram, places=checked_targets(places), origin=system.origin
    )


def _whitened(
    system: KrigingSystem, places: FloatArray, drift: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """L^-1 k (n, m) and the lack of the trend (p + 1, m) at m places."""
    basis = system.frame.basis(drift, len(places), "targets")
    to_sample = covariance(
        variogram=system.variogram,
        distance_m=cdist(system.places, _stretched(system, places)),
    )
    lack = (basis @ system.trend_root).T - system.duals[1:] @ to_sample
    return blas.dtrsm(1.0, system.lower, to_sample, lower=1), lack
