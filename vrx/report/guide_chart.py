"""Guides side by side: from the least to the greatest need of the zones, and the field's mean."""

from __future__ import annotations

from collections.abc import Sequence

from vrx.model.need_beside import GuideRate
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.axes import Axes, ticks
from vrx.report.charts import DEEP, PALE
from vrx.report.colours import PAPER
from vrx.report.frame import MARGIN, WIDTH

_TALL = 40.0


def guide_chart(*, key: str, nutrient: str, guides: Sequence[GuideRate], area_ac: float) -> str:
    """A row for each guide that reads the zones (at least one); `area_ac` is that of all zones."""
    title = f"What {len(guides)} guides ask for: {nutrient}"
    if len(guides) == 1:
        title = f"What the guide asks for: {nutrient}"
    told = (f"lb {nutrient}/ac. Bar: least to greatest need of a zone. Dot: mean of the field. "
            "Bold: the plan’s guide.")
    head, top = frames.heading(title, told)
    high = max(max(one.need) for one in guides)
    low = min(0.0, *(min(one.need) for one in guides))
    bottom = top + 8 + _TALL * len(guides)
    axes = Axes(left=MARGIN + 8, right=WIDTH - 24, top=top + 4, bottom=bottom,
                across=ticks(low, max(high, 1.0), most=6), down=([0.0, 1.0], 0))
    body, said = [head, *axes.drawn(upright=False)], []
    for k, one in enumerate(guides):
        down = top + 8 + k * _TALL
        mean = one.total_lb / area_ac
        span = [numbers.fixed(v) for v in (min(one.need), max(one.need))]
        words = span[0] if span[0] == span[1] else f"{span[0]} to {span[1]}"
        text = f"{one.book}: {words}, mean {numbers.fixed(mean)}"
        first = svg.wrap(text, WIDTH - 2 * MARGIN - 20, 11.5, bold=one.of_plan)[0]
        body.append(svg.haloed(first, axes.left + 2, down + 13, size=11.5, bold=one.of_plan,
                               anchor="start"))
        ends = [axes.across_of(v) for v in (min(one.need), max(one.need), mean)]
        body.append(svg.rectangle(ends[0], down + 19, max(ends[1] - ends[0], 2.0), 13,
                                  fill=PALE, stroke=DEEP))
        body.append(svg.element("circle", cx=ends[2], cy=down + 25.5, r=5, fill=DEEP,
                                stroke=PAPER, stroke_width=1.4))
        said.append(text)
    return svg.drawing(key=key, width=WIDTH, height=bottom + 24, title=title, body=body,
                       description=f"{'; '.join(said)} lb {nutrient}/ac.")
