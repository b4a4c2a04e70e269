"""A season of one nutrient in bars: what the crop takes up and the hay removes, need and brought.

The first two come from sources of their own and stand apart from the need, as they do in words.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from markupsafe import Markup

from vrx.model import FloatArray, Job
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.axes import Axes, ticks
from vrx.report.charts import DEEP, GRID, PALE
from vrx.report.colours import PAPER
from vrx.report.frame import MARGIN, WIDTH

_ROW = 27.0
_LEFT = 158.0


class Bar(NamedTuple):
    """A mean in lb/ac; `low` and `high` over the zones where they differ; `of_plan` by colour."""

    name: str
    value: float
    low: float
    high: float
    of_plan: bool


def views(job: Job) -> list[tuple[str, Markup]]:
    """(nutrient, drawing) of every nutrient that the zones need or a pass brings."""
    area = np.asarray(job.prescription.zone_area_ac)
    shares = area / area.sum()
    found = []
    for balance in job.prescription.balances:
        if balance.need.any() or balance.brought.any():
            bars = _bars(job, balance.nutrient, balance.need, balance.brought, shares)
            found.append((balance.nutrient, Markup(season_bars(  # noqa: S704 - built in svg.py
                key=f"season-{balance.nutrient.lower()}", nutrient=balance.nutrient, bars=bars))))
    return found


def _bars(
    job: Job, nutrient: str, need: FloatArray, brought: FloatArray, shares: FloatArray
) -> list[Bar]:
    truth = job.crop_truth
    taken, removed = {
        "K2O": (truth.takes_up_k2o_lb_per_ac, truth.removes_k2o_lb_per_ac),
        "S": (truth.takes_up_s_lb_per_ac, truth.removes_s_lb_per_ac),
    }.get(nutrient, (None, None))
    bars = [Bar(name, value, value, value, False) for name, value in
            (("Crop takes up", taken), ("Hay removes", removed)) if value is not None]
    for name, values in (("Zones need", need), ("Passes bring", brought)):
        bars.append(Bar(name, float(values @ shares), float(values.min()), float(values.max()),
                        True))
    return bars


def _told(bars: list[Bar]) -> str:
    """What the bars are, and why removal may print more than uptake."""
    told = "Averages of the field."
    if any(_differs(bar) for bar in bars):
        told += " Thin line: lowest to highest zone."
    if sum(not bar.of_plan for bar in bars) > 1:
        told += " Uptake and removal: two sources."
    return told


def season_bars(*, key: str, nutrient: str, bars: list[Bar]) -> str:
    """Bars from 0; a thin line shows how far zones differ."""
    title = f"A season of {nutrient}, lb/ac"
    head, top = frames.heading(title, _told(bars))
    high = max(*(bar.high for bar in bars), *(bar.value for bar in bars), 1.0)
    gap = 9.0 if any(not bar.of_plan for bar in bars) else 0.0
    bottom = top + 6 + _ROW * len(bars) + gap
    axes = Axes(left=_LEFT, right=WIDTH - 62, top=top + 4, bottom=bottom,
                across=ticks(min(0.0, *(bar.low for bar in bars)), high), down=([0.0, 1.0], 0))
    body, said = [head, *axes.drawn(upright=False)], []
    down, apart = top + 6, False
    for bar in bars:
        if bar.of_plan and not apart and gap and bar is not bars[0]:
            body.append(svg.line(MARGIN, down + 4, axes.right, down + 4, stroke=GRID))
            down, apart = down + gap, True
        zero, end = axes.across_of(0.0), axes.across_of(bar.value)
        body.append(svg.label(bar.name, _LEFT - 10, down + 18, size=12, anchor="end"))
        body.append(svg.rectangle(min(zero, end), down + 5, max(abs(end - zero), 0.6), 17,
                                  fill=PALE if bar.of_plan else PAPER, stroke=DEEP))
        text = numbers.nutrient(bar.value)
        reach = end
        if _differs(bar):
            low, most = axes.across_of(bar.low), axes.across_of(bar.high)
            body.append(svg.line(low, down + 13.5, most, down + 13.5, width=1.2))
            body += [svg.line(at, down + 10, at, down + 17, width=1.2) for at in (low, most)]
            reach = max(end, most)
        body.append(svg.haloed(text, reach + 6, down + 18, size=12, anchor="start", bold=True))
        said.append(f"{bar.name.lower()} {text}")
        down += _ROW
    return svg.drawing(key=key, width=WIDTH, height=bottom + 24, title=title, body=body,
                       description=f"{'; '.join(said)} lb {nutrient}/ac.")


def _differs(bar: Bar) -> bool:
    return numbers.nutrient(bar.low) != numbers.nutrient(bar.high)
