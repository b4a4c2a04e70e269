"""How sure the mean of a zone is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray, IntArray, Surface, Variogram
from vrx.surfaces.blocks import block_krige, cell_variance
from vrx.surfaces.kriging import KrigingSystem, kriging_system
from vrx.surfaces.samples import Samples, block_average, prepare
from vrx.surfaces.study import trend_of

MOST_ZONE_POINTS = 600
"""A zone's cells are gathered in blocks of this number at most: the cost grows with its square."""
_KRIGED = ("kriging", "kriging with trend", "kriging with drift")


def _checked(surface: Surface, zone_points: Sequence[FloatArray]) -> list[FloatArray]:
    zones = [np.asarray(points, dtype=np.float64) for points in zone_points]
    for number, points in enumerate(zones, start=1):
        if points.ndim != 2 or points.shape[1] != 2 or len(points) == 0:
            raise ComputeError(
                f"the points of zone {number} in order have shape {points.shape}",
                code="surface-zone-points", where=surface.analyte,
                hint="give at least one point per zone, shape (m, 2)",
            )
        if not np.isfinite(points).all():
            raise ComputeError(
                f"a point of zone {number} in order is not finite",
                code="surface-zone-points", where=surface.analyte, hint="give finite metres",
            )
    return zones


def _cells(surface: Surface, points: FloatArray) -> IntArray:
    """The grid's cells, as flat positions (m,), that points lie in or next to."""
    grid = surface.grid
    row = np.floor((grid.north_m - points[:, 1]) / grid.cell_m)
    column = np.floor((points[:, 0] - grid.west_m) / grid.cell_m)
    row, column = np.clip(row, 0, grid.rows - 1), np.clip(column, 0, grid.columns - 1)
    return np.asarray(row * grid.columns + column, dtype=np.int64)


def _system(surface: Surface, samples: Samples, variogram: Variogram) -> KrigingSystem:
    """The system of a kriged surface; block variances do not depend on the values."""
    places, drift = samples.places, None
    if surface.method == "kriging with trend":
        drift = trend_of(places, places)
    elif surface.method == "kriging with drift":
        known = np.isfinite(samples.beside).all(axis=1)
        places, drift = places[known], samples.beside[known]
    return kriging_system(
        places=places, values=np.zeros(len(places)), variogram=variogram, drift=drift,
        drift_names=surface.drift,
    )


def _block(
    surface: Surface, samples: Samples, system: KrigingSystem, zone: FloatArray,
    drift: FloatArray | None,
) -> float:
    """Variance of the mean over a zone's points, each of which stands for a cell or less."""
    side = surface.grid.cell_m
    weights = np.ones(len(zone))
    points = zone
    if len(zone) > MOST_ZONE_POINTS:
        points, _, weights, side = block_average(
            places=zone, values=np.zeros(len(zone)), most=MOST_ZONE_POINTS
        )
        if drift is not None:
            # A block's mean of the layer is that of its points.
            mean = drift.mean(axis=0)
            drift = np.broadcast_to(mean, (len(points), drift.shape[1]))
    if surface.method == "kriging with trend":
        drift = trend_of(samples.places, points)
    variance = block_krige(system=system, points=points, weights=weights, drift=drift)[1]
    # A point stands for its block: within that the covariance is less than at distance 0.
    share = weights / weights.sum()
    within = cell_variance(variogram=system.variogram, cell_m=side)
    fall = float(share @ share) * (system.variogram.partial_sill - within)
    return max(variance - fall, 0.0)


def _kriged(surface: Surface, samples: Samples, zones: list[FloatArray]) -> FloatArray:
    if surface.variogram is None:
        raise ComputeError(
            "a kriged surface has no variogram", code="surface-zone-variogram",
            where=surface.analyte, hint="give the surface as map_analyte made it",
        )
    system = _system(surface, samples, surface.variogram)
    errors = np.empty(len(zones))
    for index, zone in enumerate(zones):
        if surface.method != "kriging with drift" or surface.drift_on_grid is None:
            errors[index] = np.sqrt(_block(surface, samples, system, zone, None))
            continue
        cells = _cells(surface, zone)
        layers = surface.drift_on_grid.reshape(-1, len(surface.drift))[cells]
        known = np.isfinite(layers).all(axis=1)
        share = float(known.mean())
        own = 0.0
        if known.any():
            own = float(np.sqrt(_block(surface, samples, system, zone[known], layers[known])))
        # Where the layer has gaps: no mean is less sure than its cells are on average, and errors
        # of two parts add to no more than their sum.
        gaps = surface.standard_error.ravel()[cells[~known]]
        errors[index] = share * own + (1.0 - share) * (float(gaps.mean()) if len(gaps) else 0.0)
    return np.asarray(errors * np.sqrt(surface.variance_factor))


def _of_bounds(surface: Surface, zones: list[FloatArray]) -> FloatArray:
    """The part (zones,) from results known only as bounds: at most the cells' mean part."""
    if surface.bounds_error is None:
        return np.zeros(len(zones))
    flat = surface.bounds_error.ravel()
    return np.array([float(flat[_cells(surface, zone)].mean()) for zone in zones])


def zone_standard_errors(
    *, surface: Surface, places: FloatArray, zone_points: Sequence[FloatArray]
) -> FloatArray:
    """Standard error of each zone's mean, (zones,), in the surface's unit.

    places (n, 2): the samples that `map_analyte` got; zone_points: per zone the (m, 2) cell centres
    inside it, metres. By the surface's method:

    - kriging, with its trend or drift: block kriging with the fitted variogram over the zone's
      cells, gathered in at most 600 blocks; where a layer has gaps the mean error of those cells
      stands for their share; of more than 3,000 samples those drawn by lot for the variogram count,
      which is on the safe side;
    - field mean: the standard error of the mean, s / sqrt(n), the same for all zones (one sample:
      as large as the value, as `map_analyte` says);
    - others: the leave-one-out error itself, undivided. No zone's mean can have a larger
      root mean square error than its cells have on average (Cauchy-Schwarz), so this is on the
      safe side.

    What results known only as bounds add is added in quadrature, at most their mean over the cells.
    Raises `ComputeError` for a zone without points and for points that are not finite.
    """
    zones = _checked(surface, zone_points)
    places = np.asarray(places, dtype=np.float64)
    samples = prepare(
        analyte=surface.analyte, unit=surface.unit, places=places, values=np.zeros(len(places)),
        beside=surface.drift_at_samples,
    )
    bounds = _of_bounds(surface, zones)
    if surface.method in _KRIGED:
        return np.asarray(np.hypot(_kriged(surface, samples, zones), bounds))
    cell_error = float(surface.standard_error.flat[0])
    if surface.method != "field mean" or len(samples) == 1:
        return np.full(len(zones), cell_error)
    # A cell's error is s sqrt(1 + 1/n), that of the mean s / sqrt(n).
    own = np.sqrt(np.maximum(cell_error**2 - bounds**2, 0.0) / (len(samples) + 1.0))
    return np.asarray(np.hypot(own, bounds))
