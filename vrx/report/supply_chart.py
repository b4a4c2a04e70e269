"""Acres short of, near and above the need, for each way to spread: one bar a case."""

from __future__ import annotations

from vrx.model import Comparison
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.colours import INK, PAPER, rate_ramp
from vrx.report.frame import MARGIN, WIDTH

_DARK, _PALE = rate_ramp(6)[-1], rate_ramp(6)[1]


def drawn(comparison: Comparison) -> list[str]:
    """Nutrients that the cases do not supply alike: of the others there is nothing to show."""
    seen: dict[str, set[tuple[float, ...]]] = {}
    for case in comparison.cases:
        for one in case.supplies:
            seen.setdefault(one.nutrient, set()).add(
                tuple(round(value) for value in (one.short_lb, one.over_lb, one.short_ac)))
    return [nutrient for nutrient, kinds in seen.items() if len(kinds) > 1]


def supply_chart(*, key: str, nutrient: str, comparison: Comparison) -> str:
    """Stacked bars over the field's acres: short dark, near white, above pale, each with words."""
    title = f"{nutrient}: acres short of, near and above the need"
    text = ("Dark: short of the need. White: within half a machine step. Pale: more than the need. "
            "Pounds stand below each bar.")
    head, top = frames.heading(title, text)
    left, right, tall = MARGIN, WIDTH - MARGIN, 62.0
    body, said = [head], []
    for k, case in enumerate(comparison.cases):
        one = next(each for each in case.supplies if each.nutrient == nutrient)
        down = top + 8 + k * tall
        body.append(svg.label(case.name, left, down + 10, size=12, bold=True))
        total = one.short_ac + one.near_ac + one.over_ac
        across = left
        for acres, fill, ink in ((one.short_ac, _DARK, PAPER), (one.near_ac, PAPER, INK),
                                 (one.over_ac, _PALE, INK)):
            width = (right - left) * acres / total if total > 0 else 0.0
            if width <= 0:
                continue
            body.append(svg.rectangle(across, down + 16, width, 18, fill=fill, stroke=_DARK))
            shown = f"{numbers.fixed(acres, 1)} ac"
            if svg.text_width(shown, 11) + 6 < width:
                body.append(svg.label(shown, across + width / 2, down + 29, anchor="middle",
                                      fill=ink))
            across += width
        pounds = (f"{numbers.fixed(one.short_lb)} lb short, "
                  f"{numbers.fixed(one.over_lb)} lb more than needed")
        body.append(svg.label(pounds, left, down + 47, size=11))
        said.append(f"{case.name}: {numbers.fixed(one.short_ac, 1)} ac short, "
                    f"{numbers.fixed(one.over_ac, 1)} ac above; {pounds}")
    return svg.drawing(
        key=key, width=WIDTH, height=top + 8 + tall * len(comparison.cases), title=title,
        description="; ".join(said) + ".", body=body)
