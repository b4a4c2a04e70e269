"""The variogram's picture: points sized by pairs, model, nugget, sill and practical range."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vrx.model import FloatArray, Surface, Variogram
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.charts import DEEP, GRID, nice_ticks, semivariance
from vrx.report.colours import INK, PAPER
from vrx.report.frame import MARGIN, SOFT, WIDTH
from vrx.units import FT_M

Place = Callable[[float, float], tuple[float, float]]


def variogram_chart(*, key: str, surface: Surface, name: str) -> str:
    """Measured semivariance by distance and the model, with nugget, sill and reach marked.

    A point's area goes with its number of pairs. With two ranges the line across the longest is
    dashed. At least one lag must hold pairs. `surface.variogram_words` go into the description; the
    page prints them below.
    """
    title = f"Likeness by distance: {name}"
    words = f"Semivariance, ({surface.unit})², against distance between samples, ft."
    head, top = frames.heading(title, words)
    left, right, bottom = 62.0, WIDTH - 20, top + 200
    held = (surface.lag_pairs > 0) & np.isfinite(surface.lag_semivariance)
    lag_ft, gamma = surface.lag_m[held] / FT_M, surface.lag_semivariance[held]
    model = surface.variogram
    acrosses, across_decimals = nice_ticks(0.0, float(lag_ft.max()))
    feet = np.linspace(acrosses[-1] / 240, acrosses[-1], 120)
    lines = [] if model is None else _lines(model, feet)
    high = max([float(gamma.max()), 1e-12, *(float(line.max()) for line in lines)])
    downs, decimals = nice_ticks(0.0, high)

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
    if model is not None and lines:
        body += _marks(model, place, top=top, bottom=bottom, last_ft=acrosses[-1], high=downs[-1])
        for line, dash in zip(lines, (None, "7 4"), strict=False):
            points = [place(f, v) for f, v in zip(feet.tolist(), line.tolist(), strict=True)]
            body.append(svg.polyline(points, stroke=DEEP, width=2.2, dash=dash))
    body += _points(lag_ft, gamma, surface.lag_pairs[held], place)
    said = _key_words(model, surface.lag_pairs[held])
    told = " ".join((said, *surface.variogram_words))
    more, down = svg.paragraph(said, MARGIN + 4, bottom + 38, width=WIDTH - 30, size=11)
    return svg.drawing(
        key=key, width=WIDTH, height=down, title=title,
        description=f"{words} {told} {_read_out(lag_ft, gamma, surface)}", body=[*body, more],
    )


def _lines(model: Variogram, feet: FloatArray) -> list[FloatArray]:
    """The model along its longest range, and across it where that differs."""
    along = semivariance(model, feet * FT_M)
    if along is None:
        return []
    if model.anisotropy_ratio <= 1.05:
        return [along]
    across = semivariance(
        replace(model, range_m=model.range_m / model.anisotropy_ratio), feet * FT_M
    )
    return [along] if across is None else [along, across]


def _points(
    lag_ft: FloatArray, gamma: FloatArray, pairs: FloatArray, place: Place
) -> list[str]:
    most = float(pairs.max())
    return [
        svg.element("circle", cx=at[0], cy=at[1], r=2.0 + 4.0 * (n / most) ** 0.5, fill=INK,
                    stroke=PAPER, stroke_width=1.0)
        for at, n in zip(
            (place(f, v) for f, v in zip(lag_ft.tolist(), gamma.tolist(), strict=True)),
            pairs.tolist(), strict=True,
        )
    ]


def _marks(
    model: Variogram, place: Place, *, top: float, bottom: float, last_ft: float, high: float
) -> list[str]:
    """Nugget and sill as ticks with words at the right, the practical range as a dashed upright."""
    marks = []
    total = model.nugget + model.partial_sill
    right = place(last_ft, 0)[0]
    for value, word in ((model.nugget, "nugget"), (total, "sill")):
        if not 0.0 < value <= high:
            continue
        down = place(0, value)[1]
        marks.append(svg.line(place(0, 0)[0], down, right, down, stroke=SOFT, dash="2 3"))
        if abs(value - total) < 1e-12 * total or total - model.nugget > 0.12 * high:
            marks.append(svg.haloed(word, right - 4, down - 4, anchor="end"))
    reach = model.practical_range_m / FT_M
    if 0.0 < reach <= last_ft and model.partial_sill > 0.0:
        across = place(reach, 0)[0]
        marks.append(svg.line(across, top + 8, across, bottom, stroke=SOFT, dash="4 3"))
        close = across > (place(0, 0)[0] + right) / 2
        marks.append(svg.haloed(
            "range", across + (-5 if close else 5), bottom - 6, anchor="end" if close else "start",
        ))
    return marks


def _key_words(model: Variogram | None, pairs: FloatArray) -> str:
    few, most = numbers.fixed(float(pairs.min())), numbers.fixed(float(pairs.max()))
    dots = f"Dots: measured, from {few} to {most} pairs of samples, the larger the more."
    if model is None:
        return f"No model is drawn. {dots}"
    if model.anisotropy_ratio > 1.05:
        return f"Solid line: the model along its longest range; dashed: across it. {dots}"
    return f"Line: the model. {dots}"


def _read_out(lag_ft: FloatArray, gamma: FloatArray, surface: Surface) -> str:
    """A few of the points as words, for those who do not see the picture."""
    last = len(lag_ft) - 1
    shown = sorted({0, last // 2, last})
    told = "; ".join(
        f"{numbers.fixed(float(lag_ft[i]))} ft: "
        f"{numbers.spread(float(gamma[i]), surface.analyte)}" for i in shown
    )
    return f"Measured semivariance at {told}."
