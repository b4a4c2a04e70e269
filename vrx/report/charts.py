"""Small charts: zone readings with standard errors, need and brought; the variogram's formula."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.model import FloatArray, NutrientBalance, Variogram, Zone, ZoneReading
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.colours import PAPER, nice_classes, rate_ramp
from vrx.report.frame import MARGIN, SOFT, WIDTH

GRID = "#d5d9d0"
DEEP = rate_ramp(6)[-1]
PALE = rate_ramp(6)[2]


def semivariance(model: Variogram, distance_m: FloatArray) -> FloatArray | None:
    """Semivariance of a model at distances > 0 along its longest range (as `Variogram` says).

    None for a model whose formula the page does not know.
    """
    h = distance_m / model.range_m
    if model.model == "exponential":
        near = np.exp(-h)
    elif model.model == "spherical":
        near = np.where(h < 1, 1 - 1.5 * h + 0.5 * h**3, 0.0)
    elif model.model == "matern-3/2":
        near = (1 + h) * np.exp(-h)
    else:
        return None
    return np.asarray(model.nugget + model.partial_sill * (1 - near), dtype=np.float64)


def nice_ticks(low: float, high: float, *, most: int = 5) -> tuple[list[float], int]:
    """Round values from `low` or below to `high` or above, and their decimals."""
    classes = nice_classes(np.array([low, high]), most=most)
    return list(classes.edges), classes.decimals


def reading_chart(
    *, key: str, reading: ZoneReading, zones: Sequence[Zone], name: str
) -> str:
    """Zone means with one standard error each way (thick) and the range of cells (thin)."""
    title = f"Zones compared: {name}"
    words = "Dot: zone mean. Thick: one standard error each way. Thin: least to greatest cell."
    head, top = frames.heading(title, words)
    low = min(float(reading.low.min()), float((reading.mean - reading.standard_error).min()))
    high = max(float(reading.high.max()), float((reading.mean + reading.standard_error).max()))
    ticks, decimals = nice_ticks(low, high)
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
    ticks, decimals = nice_ticks(0.0, high)
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
