"""Samples that differ from what their neighbours say, and what they move in the map."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vrx.errors import ComputeError
from vrx.model import BoolArray, Finding, FloatArray, note
from vrx.surfaces.fitting import fit_variogram
from vrx.surfaces.judging import left_out
from vrx.surfaces.kriging import kriging_system, point_krige
from vrx.surfaces.reml import VariogramFit
from vrx.surfaces.samples import listed, outlier_limit

MOST_TARGETS = 2000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutlierRefit:
    """The variogram without doubtful samples, and what they move in the map.

    `index` (k,) of the samples whose leave-one-out z (k,) is beyond `limit`; `without` is None
    where too few are left. `mean_with`, `mean_without`, `mean_change` and `greatest_change` are of
    the kriged map at the targets, in the unit of the values.
    """

    index: tuple[int, ...]
    z: tuple[float, ...]
    limit: float
    fit: VariogramFit
    without: VariogramFit | None
    mean_with: float | None = None
    mean_without: float | None = None
    mean_change: float | None = None
    greatest_change: float | None = None
    why_not: str = ""


def refit_without_outliers(
    *,
    places: FloatArray,
    values: FloatArray,
    fit: VariogramFit,
    targets: FloatArray,
    drift: FloatArray | None = None,
    target_drift: FloatArray | None = None,
    doubted: BoolArray | None = None,
) -> OutlierRefit | None:
    """Refit without the samples whose leave-one-out |z| is beyond 3.5, and krige both ways.

    targets (m, 2): places of the map, thinned to 2,000. Above 107 samples the limit is the normal
    deviate that good samples exceed once in 20 fields. `doubted` (n,) adds samples that are doubted
    for other reasons. None where no sample is doubtful. The caller's map keeps them all.
    """
    _, z = left_out(places, values, fit.variogram, drift)
    limit = outlier_limit(len(values))
    doubtful = np.abs(z) > limit
    if doubted is not None:
        doubtful |= doubted
    far = [int(i) for i in np.argsort(-np.abs(z)) if doubtful[i]]
    if not far:
        return None
    told = {
        "index": tuple(far), "z": tuple(float(z[i]) for i in far), "limit": limit, "fit": fit,
    }
    rest = np.setdiff1d(np.arange(len(values)), far)
    step = max(1, -(-len(targets) // MOST_TARGETS))
    at, at_drift = targets[::step], None if target_drift is None else target_drift[::step]
    part = None if drift is None else drift[rest]
    try:
        without = fit_variogram(places=places[rest], values=values[rest], drift=part)
        maps = [
            point_krige(
                system=kriging_system(
                    places=places[rows], values=values[rows], variogram=one.variogram,
                    drift=None if drift is None else drift[rows],
                ),
                targets=at, drift=at_drift,
            )[0]
            for rows, one in ((np.arange(len(values)), fit), (rest, without))
        ]
    except ComputeError as err:
        return OutlierRefit(**told, without=None, why_not=err.message)  # type: ignore[arg-type]
    change = np.abs(maps[1] - maps[0])
    return OutlierRefit(
        **told, without=without, mean_with=float(maps[0].mean()),  # type: ignore[arg-type]
        mean_without=float(maps[1].mean()), mean_change=float(change.mean()),
        greatest_change=float(change.max()),
    )


def outlier_refit_finding(
    *, refit: OutlierRefit, analyte: str, unit: str, names: tuple[str, ...], values: FloatArray
) -> Finding:
    """Names the doubtful samples and says what the map would be without them."""
    told = [f"{names[i]} ({values[i]:g}; z {z:.1f})"
            for i, z in zip(refit.index, refit.z, strict=True)]
    text = (
        f"without what stands apart ({len(refit.index)} of {len(values)} samples: {listed(told)})"
    )
    if refit.without is None:
        text += f" no variogram can be fitted: {refit.why_not}"
    else:
        one, other = refit.fit.variogram, refit.without.variogram
        text += (
            f" the sill is {other.nugget + other.partial_sill:.4g} instead of "
            f"{one.nugget + one.partial_sill:.4g} ({unit})², the practical range "
            f"{other.practical_range_m:.0f} m instead of {one.practical_range_m:.0f} m, the mean "
            f"of the map {refit.mean_without:.4g} instead of {refit.mean_with:.4g} {unit}; its "
            f"values change by {refit.mean_change:.3g} {unit} on average, "
            f"{refit.greatest_change:.3g} at most"
        )
    return note(
        "surface-outlier-refit", analyte, text, value=f"{len(refit.index)}",
        done="kept: the map is drawn with them", todo="check them against the lab report",
    )
