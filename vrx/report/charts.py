"""Small charts: variogram and fit, zone readings with standard errors, need and brought."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.model import FloatArray, NutrientBalance, Surface, Variogram, Zone, ZoneReading
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.colours import INK, PAPER, nice_classes, rate_ramp
from vrx.report.frame import MARGIN, SOFT, WIDTH
from vrx.units import FT_M

GRID = "#d5d9d0"
DEEP = rate_ramp(6)[-1]
PALE = rate_ramp(6)[2]


def semivariance(model: Variogram, distance_m: FloatArray) -> FloatArray | None:
    """Semivariance of a fitted model at distances > 0 (convention of `Variogram`).

    None for a model whose formula the page does not know.
    """
    h = distance_m / model.range_m
    if model.model == "exponential":
        near = np.exp(-h)
    elif model.model == "spherical":
        near = np.where(h < 1, 1 - 1.5 * h + 0.5 * h**3, 0.0)
    else:
        return None
    return np.asarray(model.nugget + model.partial_sill * (1 - near), dtype=np.float64)


def _ticks(low: float, high: float, *, most: int = 5) -> tuple[list[float], int]:
    classes = nice_classes(np.array([low, high]), most=most)
    return list(classes.edges), classes.decimals


def variogram_chart(*, key: str, surface: Surface, name: str) -> str:
    """Measured semivariance by distance (dot size: number of pairs) and the fitted model.

    At least one lag must hold pairs.
    """
    title = f"Likeness by distance: {name}"
    words = f"Semivariance, ({surface.unit})², against distance between samples, ft."
    head, top = frames.heading(title, words)
    left, right, bottom = 62.0, WIDTH - 20, top + 200
    held = (surface.lag_pairs > 0) & np.isfinite(surface.lag_semivariance)
    lag_ft, gamma = surface.lag_m[held] / FT_M, surface.lag_semivariance[held]
    pairs = surface.lag_pairs[held]
    model = surface.variogram
    acrosses, across_decimals = _ticks(0.0, float(lag_ft.max()))
    feet = np.linspace(acrosses[-1] / 240, acrosses[-1], 120)
    fit = None if model is None else semivariance(model, feet * FT_M)
    high = max(float(gamma.max()), 1e-12, 0.0 if fit is None else float(fit.max()))
    downs, decimals = _ticks(0.0, high)

    def place(feet: float, value: float) -> tuple[float, float]:
        return (
            left + (right - left) * feet / acrosses[-1],
            bottom - (bottom - top - 8) * value / downs[-1],
        )

    body = [head]
    for value in downs:
        down = place(0, value)[1]
        body.append(svg.line(left, down, right, down, stroke=GRID))
        body.append(svg.label(numbers.fixed(value, decimals), left - 6, down + 4, anchor="end"))
    for value in acrosses:
        across = place(value, 0)[0]
        body.append(svg.line(across, bottom, across, bottom + 4))
        text = numbers.fixed(value, across_decimals)
        body.append(svg.label(text, across, bottom + 17, anchor="middle"))
    body.append(svg.line(left, bottom, right, bottom))
    said = "No model was fitted."
    if model is not None:
        said = _model_words(model, seen_m=float(lag_ft.max()) * FT_M)
        if fit is not None:
            points = [place(f, v) for f, v in zip(feet.tolist(), fit.tolist(), strict=True)]
            body.append(svg.polyline(points, stroke=DEEP, width=2.2))
        reach = model.practical_range_m / FT_M
        if reach <= acrosses[-1]:
            across = place(reach, 0)[0]
            body.append(svg.line(across, top + 8, across, bottom, stroke=SOFT, dash="4 3"))
    most = float(pairs.max())
    for f, v, n in zip(lag_ft.tolist(), gamma.tolist(), pairs.tolist(), strict=True):
        across, down = place(f, v)
        body.append(svg.element("circle", cx=across, cy=down, r=2.2 + 3.6 * (n / most) ** 0.5,
                                fill=INK, stroke=PAPER, stroke_width=1.0))
    more, down = svg.paragraph(said, MARGIN + 4, bottom + 38, width=WIDTH - 30, size=11)
    return svg.drawing(
        key=key, width=WIDTH, height=down, title=title, description=f"{words} {said}",
        body=[*body, more],
    )


def _model_words(model: Variogram, *, seen_m: float) -> str:
    total = model.nugget + model.partial_sill
    part = model.nugget / total if total > 0 else 0.0
    if model.practical_range_m > 2 * seen_m:
        return (
            f"Line: {model.model} model. Samples grow less alike over the whole distance shown: a "
            "trend across the field; between samples side by side the semivariance is already "
            f"{numbers.fixed(model.nugget, 1)} (nugget). Larger dots: more pairs."
        )
    return (
        f"Line: {model.model} model. Samples are alike up to about "
        f"{numbers.distance(model.practical_range_m)} (dashed); {numbers.share(part)} of the "
        "variance is there at no distance at all (nugget). Larger dots: more pairs."
    )


def reading_chart(
    *, key: str, reading: ZoneReading, zones: Sequence[Zone], name: str
) -> str:
    """Zone means with one standard error each way (thick) and the range of cells (thin)."""
    title = f"Zones compared: {name}"
    words = "Dot: zone mean. Thick: one standard error each way. Thin: least to greatest cell."
    head, top = frames.heading(title, words)
    low = min(float(reading.low.min()), float((reading.mean - reading.standard_error).min()))
    high = max(float(reading.high.max()), float((reading.mean + reading.standard_error).max()))
    ticks, decimals = _ticks(low, high)
    left, right, tall = 46.0, WIDTH - 26, 24.0
    top += 6
    bottom = top + tall * len(zones) + 4
    width = (ticks[-1] - ticks[0]) or 1.0

    def across_of(value: float) -> float:
        return left + (right - left) * (value - ticks[0]) / width

    body = [head]
    for value in ticks:
        across = across_of(value)
        body.append(svg.line(across, top, across, bottom, stroke=GRID))
        text = numbers.fixed(value, decimals)
        body.append(svg.label(text, across, bottom + 15, anchor="middle"))
    said = []
    for i, zone in enumerate(zones):
        down = top + tall * (i + 0.5)
        mean, error = float(reading.mean[i]), float(reading.standard_error[i])
        ends = [across_of(v) for v in (float(reading.low[i]), float(reading.high[i]),
                                       mean - error, mean + error, mean)]
        body.append(svg.label(zone.letter, MARGIN + 18, down + 4.5, size=13, anchor="middle",
                              bold=True))
        body.append(svg.line(ends[0], down, ends[1], down, width=1.2, stroke=SOFT))
        body.append(svg.line(ends[2], down, ends[3], down, width=7, stroke=PALE))
        body.append(svg.element("circle", cx=ends[4], cy=down, r=4, fill=DEEP, stroke=PAPER,
                                stroke_width=1))
        said.append(
            f"zone {zone.letter} {numbers.reading(mean, reading.analyte)} ± "
            f"{numbers.spread(error, reading.analyte)}"
        )
    return svg.drawing(
        key=key, width=WIDTH, height=bottom + 24, title=title,
        description=f"{'; '.join(said)} {reading.unit}.", body=body,
    )


def balance_chart(*, key: str, balance: NutrientBalance, zones: Sequence[Zone]) -> str:
    """Bars: what the rounded rates bring; upright lines: what each zone needs."""
    title = f"{balance.nutrient}: needed and brought, lb/ac"
    words = "Bar: brought by all passes. Upright line: need of the zone."
    head, top = frames.heading(title, words)
    high = max(float(balance.need.max()), float(balance.brought.max()), 1.0)
    ticks, decimals = _ticks(0.0, high)
    left, right, tall = 46.0, WIDTH - 26, 26.0
    top += 6
    bottom = top + tall * len(zones) + 4

    def across_of(value: float) -> float:
        return left + (right - left) * value / ticks[-1]

    body = [head]
    for value in ticks:
        across = across_of(value)
        body.append(svg.line(across, top, across, bottom, stroke=GRID))
        text = numbers.fixed(value, decimals)
        body.append(svg.label(text, across, bottom + 15, anchor="middle"))
    said = []
    for i, zone in enumerate(zones):
        down = top + tall * i
        need, brought = float(balance.need[i]), float(balance.brought[i])
        body.append(svg.label(zone.letter, MARGIN + 18, down + tall / 2 + 4.5, size=13,
                              anchor="middle", bold=True))
        body.append(svg.rectangle(left, down + 6, max(across_of(brought) - left, 0.6), tall - 12,
                                  fill=PALE, stroke=DEEP))
        across = across_of(max(need, 0.0))
        body.append(svg.line(across, down + 2, across, down + tall - 2, width=3.4, stroke=PAPER))
        body.append(svg.line(across, down + 2, across, down + tall - 2, width=2.2))
        said.append(
            f"zone {zone.letter} needs {numbers.nutrient(need)}, gets {numbers.nutrient(brought)}"
        )
    return svg.drawing(
        key=key, width=WIDTH, height=bottom + 24, title=title, description="; ".join(said) + ".",
        body=body,
    )
