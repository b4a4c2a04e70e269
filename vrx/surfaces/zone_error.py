"""How sure the mean of a zone is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray, Surface
from vrx.surfaces.blocks import block_krige
from vrx.surfaces.kriging import kriging_system
from vrx.surfaces.samples import Samples, block_average, prepare

MOST_ZONE_POINTS = 150


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


def _kriged(surface: Surface, samples: Samples, zones: list[FloatArray]) -> FloatArray:
    if surface.variogram is None:
        raise ComputeError(
            "a kriged surface has no variogram", code="surface-zone-variogram",
            where=surface.analyte, hint="give the surface as map_analyte made it",
        )
    # Block variances do not depend on the values.
    system = kriging_system(
        places=samples.places, values=samples.values, variogram=surface.variogram
    )
    errors = np.empty(len(zones))
    for index, zone in enumerate(zones):
        if len(zone) > MOST_ZONE_POINTS:
            points, _, weights, _ = block_average(
                places=zone, values=np.zeros(len(zone)), most=MOST_ZONE_POINTS
            )
        else:
            points, weights = zone, np.ones(len(zone))
        errors[index] = np.sqrt(block_krige(system=system, points=points, weights=weights)[1])
    return errors


def zone_standard_errors(
    *, surface: Surface, places: FloatArray, zone_points: Sequence[FloatArray]
) -> FloatArray:
    """Standard error of each zone's mean, (zones,), in the surface's unit.

    places (n, 2): the samples that `map_analyte` got; zone_points: per zone the (m, 2) cell centres
    inside it, metres. By the surface's method:

    - kriging: block kriging with the fitted variogram over the zone's points, thinned to at most
      150 block centres weighted by their points;
    - field mean: the standard error of the mean, s / sqrt(n), the same for all zones (one sample:
      as large as the value, as `map_analyte` says);
    - inverse distance: the leave-one-out error itself, undivided. No zone's mean can have a larger
      root mean square error than its cells have on average (Cauchy-Schwarz), so this is on the
      safe side.

    Raises `ComputeError` for a zone without points and for points that are not finite.
    """
    zones = _checked(surface, zone_points)
    places = np.asarray(places, dtype=np.float64)
    samples = prepare(
        analyte=surface.analyte, unit=surface.unit, places=places, values=np.zeros(len(places))
    )
    if surface.method == "kriging":
        return _kriged(surface, samples, zones)
    cell_error = float(surface.standard_error.flat[0])
    if surface.method == "inverse distance" or len(samples) == 1:
        return np.full(len(zones), cell_error)
    # A cell's error is s sqrt(1 + 1/n), that of the mean s / sqrt(n).
    return np.full(len(zones), cell_error / np.sqrt(len(samples) + 1.0))
