"""Axes that charts share: round ticks, grid lines, and where a value lies on the drawing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vrx.report import numbers, svg
from vrx.report.charts import GRID, nice_ticks

Ticks = tuple[list[float], int]


def ticks(low: float, high: float, *, most: int = 5) -> Ticks:
    """Round values that cover `low` to `high`, with their decimals; never a single one."""
    if high - low <= 1e-9 * max(1.0, abs(high)):
        room = 0.05 * abs(high) or 1.0
        low, high = low - room, high + room
    return nice_ticks(low, high, most=most)


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """A box on the drawing; `across` and `down` are its ticks, `down` counts upwards."""

    left: float
    right: float
    top: float
    bottom: float
    across: Ticks
    down: Ticks

    def at(self, across: float, down: float) -> tuple[float, float]:
        """The place of two values."""
        return self.across_of(across), self.down_of(down)

    def across_of(self, value: float) -> float:
        """Where a value of the lower axis lies."""
        (first, *_, last), _ = self.across
        return self.left + (self.right - self.left) * (value - first) / (last - first)

    def down_of(self, value: float) -> float:
        """Where a value of the upright axis lies."""
        (first, *_, last), _ = self.down
        return self.bottom - (self.bottom - self.top) * (value - first) / (last - first)

    def drawn(self, *, upright: bool = True) -> list[str]:
        """Grid lines and printed ticks; without `upright` those of the lower axis alone."""
        body = []
        if upright:
            for value in self.down[0]:
                at = self.down_of(value)
                body.append(svg.line(self.left, at, self.right, at, stroke=GRID))
                body.append(svg.label(numbers.fixed(value, self.down[1]), self.left - 6, at + 4,
                                      anchor="end"))
        for value in self.across[0]:
            at = self.across_of(value)
            end = self.bottom + 4 if upright else self.top
            body.append(svg.line(at, self.bottom, at, end, stroke=GRID))
            body.append(svg.label(numbers.fixed(value, self.across[1]), at, self.bottom + 16,
                                  anchor="middle"))
        return body


def rows_of(texts: Sequence[tuple[float, str]], *, size: float) -> list[int]:
    """In which row each (across, text) stands so that texts of one row do not touch."""
    ends: list[float] = []
    found = []
    for across, text in texts:
        half = svg.text_width(text, size) / 2
        row = next((k for k, end in enumerate(ends) if across - half > end + 4), len(ends))
        ends[row:row + 1] = [across + half]
        found.append(row)
    return found
