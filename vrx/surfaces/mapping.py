"""From samples to a soil-test map: method chosen by test, guarded, limited to what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches

import numpy as np

from vrx.errors import ComputeError
from vrx.model import (
    BoolArray,
    FloatArray,
    Grid,
    IntArray,
    MethodScore,
    Surface,
    Variogram,
    note,
    warn,
)
from vrx.surfaces.choice import choose, obey, remark
from vrx.surfaces.doubts import far_findings
from vrx.surfaces.judging import check_stated
from vrx.surfaces.kriged import Kriging
from vrx.surfaces.many import block_means_of, krige_many
from vrx.surfaces.remarks import refit_findings, stated_findings, variogram_words
from vrx.surfaces.samples import prepare
from vrx.surfaces.scoring import score
from vrx.surfaces.simple import inverse_distance, nearest_sample
from vrx.surfaces.spline import spline_at
from vrx.surfaces.study import FITTED, Study, study_samples, trend_of

METHODS = ("choose", "kriging", "kriging with trend", "kriging with drift", "inverse distance",
           "spline", "nearest sample", "field mean")


def _check_request(
    analyte: str, method: str, grid: Grid, drift: Mapping[str, FloatArray]
) -> None:
    if method not in METHODS:
        near = get_close_matches(method, METHODS, n=1, cutoff=0.0)[0]
        raise ComputeError(
            f"method {method!r} is not known", code="surface-method-unknown", where=analyte,
            hint=f'the nearest name is "{near}"; known are {", ".join(METHODS)}',
        )
    if grid.rows < 1 or grid.columns < 1 or not grid.cell_m > 0.0:
        raise ComputeError(
            f"the grid has {grid.rows} x {grid.columns} cells of {grid.cell_m} m",
            code="surface-grid-empty", where=analyte, hint="give a grid with cells",
        )
    if method == "kriging with drift" and not drift:
        raise ComputeError(
            "kriging with drift needs a layer", code="surface-drift-none", where=analyte,
            hint='name a [[layer]] in [surface]: drift = ["..."], or choose "kriging with trend"',
        )
    for name, layer in drift.items():
        if layer.shape != grid.shape:
            raise ComputeError(
                f"layer {name!r} has shape {layer.shape}, the grid {grid.shape}",
                code="surface-drift-shape", where=analyte, hint="put the layer on the map's grid",
            )


def _at_samples(
    places: FloatArray, grid: Grid, drift: Mapping[str, FloatArray],
    given: Mapping[str, FloatArray],
) -> FloatArray:
    """Layers at the samples, (n, p): as given, else of the cell that a sample lies in."""
    places = np.asarray(places, dtype=np.float64)
    n = len(places)
    if places.ndim != 2 or places.shape[1:] != (2,) or not np.isfinite(places).all():
        return np.full((n, len(drift)), np.nan)  # `prepare` tells what is wrong
    column = np.floor((places[:, 0] - grid.west_m) / grid.cell_m)
    row = np.floor((grid.north_m - places[:, 1]) / grid.cell_m)
    on = (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)
    found = np.full((n, len(drift)), np.nan)
    for j, (name, layer) in enumerate(drift.items()):
        if name in given:
            if np.shape(given[name]) != (n,):
                raise ComputeError(
                    f"layer {name!r} has {np.shape(given[name])} values at {n} samples",
                    code="surface-drift-shape", where=name, hint="give one value per sample",
                )
            found[:, j] = given[name]
        else:
            found[on, j] = layer[row[on].astype(np.int64), column[on].astype(np.int64)]
    # A drift column is a number or it is not known: infinite is not known.
    return np.where(np.isfinite(found), found, np.nan)


def _draw(
    study: Study, method: str, targets: FloatArray, layers: FloatArray, cell_m: float
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Values, standard errors and the part of those from bounds at `targets` (m, 2); all (m,)."""
    samples = study.samples
    kriging = study.kriging(method)
    if kriging is not None:
        values, variance, between = _krige(study, kriging, targets, layers, cell_m)
        return values, np.sqrt(variance), None if between is None else np.sqrt(between)
    if method == "field mean":
        return _draw_mean(study, len(targets))
    one = study.candidates[method]
    if one.spline is not None:
        values = spline_at(spline=one.spline, targets=targets)
    else:
        draw = inverse_distance if method == "inverse distance" else nearest_sample
        places, known = samples.places, study.values
        if samples.many is not None:
            places, known = block_means_of(samples.many)
        values = draw(places=places, values=known, targets=targets)
    return values, np.full(len(targets), one.rmse), None


def _at(
    study: Study, kriging: Kriging, targets: FloatArray, drift: FloatArray | None, cell_m: float
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Kriging from the samples; of too many to solve at once, from all by their neighbours."""
    many = study.samples.many
    if many is None:
        return kriging.at(targets, drift)
    beside = None
    if kriging.method == "kriging with trend":
        beside = trend_of(study.samples.places, many.places)
    elif kriging.method == "kriging with drift":
        beside = many.beside
    return *krige_many(
        kriging=kriging, many=many, beside=beside, targets=targets, drift=drift, cell_m=cell_m
    ), None


def _krige(
    study: Study, kriging: Kriging, targets: FloatArray, layers: FloatArray, cell_m: float
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    if kriging.fit.at_bound:
        study.findings.append(note(
            "surface-range-at-bound", study.samples.analyte,
            "the fitted range reached the longest allowed: values trend across the field",
            value=f"{kriging.fit.variogram.range_m:.0f} m",
        ))
    if kriging.method == "kriging":
        return _at(study, kriging, targets, None, cell_m)
    if kriging.method == "kriging with trend":
        return _at(study, kriging, targets, trend_of(study.samples.places, targets), cell_m)
    known = np.isfinite(layers).all(axis=1)
    values, variance = np.empty(len(targets)), np.empty(len(targets))
    between = None if study.bounds is None else np.zeros(len(targets))
    plain = study.kriging()
    for part, own, drift in ((known, kriging, layers[known]), (~known, plain, None)):
        if not part.any():
            continue
        if own is None:
            raise ComputeError(
                "kriging without the layer, where it has no value, cannot be done: "
                + study.barred["kriging"], code="surface-drift-gaps",
                where=study.samples.analyte, hint="fill the layer's gaps, or map without it",
            )
        values[part], variance[part], found = _at(
            study, own, targets[part], drift, cell_m
        )
        if between is not None and found is not None:
            between[part] = found
    return values, variance, between


def _draw_mean(study: Study, count: int) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    values = study.values if study.samples.many is None else study.samples.many.values
    n = len(values)
    if n == 1:
        # Nothing is known of the spread; finite and large rather than a false certainty.
        error = abs(float(values[0]))
        study.findings.append(warn(
            "surface-one-sample", study.samples.analyte,
            "the standard error cannot be known from one sample",
            done="assumed as large as the value itself", todo="take more samples",
        ))
        return np.full(count, values[0]), np.full(count, error), None
    variance = float(values.std(ddof=1)) ** 2
    between = None
    if study.bounds is not None:
        # Expected sample variance, and that of the mean, over what the bounds leave open.
        total, of_sum = float(np.trace(study.spread)), float(study.spread.sum())
        variance += max(total - of_sum / n, 0.0) / (n - 1)
        between = np.full(count, np.sqrt(of_sum) / n)
    error = float(np.sqrt(variance * (1.0 + 1.0 / n)))
    if between is not None:
        error = float(np.hypot(error, between[0]))
    return np.full(count, values.mean()), np.full(count, error), between


def _limit(study: Study, method: str, values: FloatArray) -> FloatArray:
    """Values within those measured; how many cells were limited becomes a finding."""
    known = study.values if study.samples.many is None else study.samples.many.values
    low, high = float(known.min()), float(known.max())
    slack = 1e-9 * max(abs(low), abs(high))
    limited = int(np.count_nonzero((values < low - slack) | (values > high + slack)))
    if limited:
        study.findings.append(note(
            "surface-limited", study.samples.analyte,
            f"{method} gave {values.min():.4g} to {values.max():.4g} {study.samples.unit}, beyond "
            f"the {low:g} to {high:g} measured, in {limited} of {len(values)} cells",
            value=str(limited), done=f"these cells limited to {low:g} to {high:g}",
        ))
    return np.clip(values, low, high)


def _tell_layers(study: Study, used: str, layers: FloatArray, inside: BoolArray) -> None:
    """Where the layers that guide the map have no value, or reach beyond those at the samples."""
    if used != "kriging with drift":
        return
    samples, field = study.samples, layers[inside]
    names = " and ".join(study.layers)
    known = np.isfinite(field).all(axis=1)
    off = int((~np.isfinite(samples.beside).all(axis=1)).sum())
    if off or not known.all():
        study.findings.append(warn(
            "surface-drift-gaps", samples.analyte,
            f"{names} has no value in {np.mean(~known):.0%} of the field and at {off} of "
            f"{len(samples)} samples", value=f"{np.mean(~known):.3f}",
            done="kriged there without it; the map may show its edge",
            todo="complete the layer, or take it out of [surface] drift",
        ))
    low, high = np.nanmin(samples.beside, axis=0), np.nanmax(samples.beside, axis=0)
    beyond = float(np.mean(((field < low) | (field > high)).any(axis=1)))
    if beyond > 0.0:
        study.findings.append(note(
            "surface-drift-beyond", samples.analyte,
            f"in {beyond:.0%} of the field {names} lies beyond its values at the samples",
            value=f"{beyond:.3f}", done="its effect was drawn on in a straight line there",
            todo="sample there" if beyond > 0.05 else "",
        ))


def _scores(study: Study, used: str, *, asked: bool) -> tuple[MethodScore, ...]:
    return tuple(
        score(study.candidates[m], study.mean, remark(study, m, used, asked=asked))
        for m in (*METHODS[:2], FITTED, *METHODS[2:]) if m in study.candidates
    )


def _left_out(study: Study, used: str) -> FloatArray | None:
    """Measured and predicted (n, 2), each sample from the others; without censored ones."""
    one = study.candidates.get(used)
    if one is None:
        return None
    known = np.ones(len(study.values), dtype=bool)
    if study.bounds is not None:
        # Their residual counts from a bound, so nothing measured stands against the prediction.
        known[study.bounds.index] = False
    measured = study.values[known]
    return np.column_stack([measured, measured - one.residual[known]])


def map_analyte(
    *,
    analyte: str,
    unit: str,
    places: FloatArray,
    values: FloatArray,
    grid: Grid,
    method: str = "choose",
    sample_id: tuple[str, ...] | None = None,
    drift: Mapping[str, FloatArray] | None = None,
    drift_at_samples: Mapping[str, FloatArray] | None = None,
    censored: IntArray | None = None,
    variogram: Variogram | None = None,
    inside: BoolArray | None = None,
) -> Surface:
    """Map one analyte over every cell of `grid`.

    places (n, 2) easting and northing in metres, values (n,) in `unit`, `sample_id` names for
    findings; `method` one of `METHODS`. `drift` are layers (rows, columns) on the grid that may
    guide kriging, NaN where they have no value; `drift_at_samples` (n,) their values at the samples
    (default: of the sample's cell). `censored` (n,) is -1 where a result lies below a limit and
    `values` holds half of it, 1 where above the limit in `values`. `variogram` takes the place of
    the fitted one. `inside` (rows, columns) are the cells of the field (default: all), for what
    findings say of its area.

    "choose" follows `vrx.surfaces.choice`; variograms are those of `fit_variogram`. The standard
    error is that of a new sample at the cell centre: from kriging variance (nugget included), from
    the samples' deviation for the mean, the leave-one-out error for the other methods. Values never
    leave the measured range (a censored sample's is its mean under its bound). `variogram` of the
    result is None unless kriging was used.

    Raises `ComputeError`: unknown method, no sample, wrong shapes, values that are not finite.
    """
    layers = dict(drift or {})
    _check_request(analyte, method, grid, layers)
    if variogram is not None:
        check_stated(variogram, analyte)
    beside = _at_samples(places, grid, layers, drift_at_samples or {})
    samples = prepare(
        analyte=analyte, unit=unit, places=places, values=values, sample_id=sample_id,
        censored=censored, beside=beside,
    )
    study = study_samples(samples, layers=tuple(layers), variogram=variogram)
    asked = method != "choose"
    used = obey(study, method) if asked else choose(study)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    targets = np.column_stack([east.ravel(), north.ravel()])
    field = np.ones(len(targets), dtype=bool) if inside is None else inside.ravel()
    stack = np.empty((*grid.shape, len(layers)))
    for j, layer in enumerate(layers.values()):
        stack[:, :, j] = np.where(np.isfinite(layer), layer, np.nan)
    flat = stack.reshape(len(targets), len(layers))
    drawn, error, of_bounds = _draw(study, used, targets, flat, grid.cell_m)
    drawn = _limit(study, used, drawn)
    _tell_layers(study, used, flat, field)
    study.findings += far_findings(samples, grid=grid, targets=targets, inside=field)
    study.findings += refit_findings(study, targets[field])
    study.findings += stated_findings(study, used)
    kriging = study.kriging(used)
    guided = used == "kriging with drift"
    return Surface(
        analyte=analyte, unit=unit, grid=grid, values=drawn.reshape(grid.shape),
        standard_error=error.reshape(grid.shape), method=used,
        variogram=kriging.fit.variogram if kriging is not None else None,
        scores=_scores(study, used, asked=asked) if len(samples) > 1 else (),
        lag_m=study.lags[0], lag_semivariance=study.lags[1], lag_pairs=study.lags[2],
        findings=(*samples.findings, *study.findings),
        drift=kriging.names if kriging is not None else (),
        drift_at_samples=beside if guided else None, drift_on_grid=stack if guided else None,
        bounds_error=None if of_bounds is None else of_bounds.reshape(grid.shape),
        variance_factor=kriging.fit.variance_factor if kriging is not None else 1.0,
        left_out=_left_out(study, used), variogram_words=variogram_words(study, used),
    )
