"""What every map shares: its place on the drawing, scale bars, north arrow and legends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from vrx.model import FloatArray
from vrx.report import numbers, svg
from vrx.report.colours import INK, Classes
from vrx.report.labels import Box
from vrx.units import FT_M

WIDTH = 440.0
MARGIN = 8.0
MOST_TALL = 380.0
SOFT = "#56605a"


@dataclass(frozen=True, slots=True, kw_only=True)
class MapFrame:
    """Where the field lies on a drawing; `left`, `top`, `width`, `height` bound the map."""

    west_m: float
    north_m: float
    units_per_m: float
    left: float
    top: float
    width: float
    height: float

    def places(self, places_m: FloatArray) -> FloatArray:
        """Drawing coordinates (n, 2) of eastings and northings (n, 2)."""
        across = (places_m[:, 0] - self.west_m) * self.units_per_m
        down = (self.north_m - places_m[:, 1]) * self.units_per_m
        return np.column_stack([across, down])

    def geometry(self, geometry: shapely.Geometry) -> shapely.Geometry:
        """A geometry of the field's CRS in drawing coordinates."""
        return shapely.transform(geometry, self.places)

    @property
    def canvas(self) -> Box:
        """Bounds in which labels must stay."""
        return self.left, self.top, self.left + self.width, self.top + self.height


def frame_for(boundary: shapely.MultiPolygon, *, top: float) -> MapFrame:
    """The frame that shows a boundary as large as the drawing allows, with air around it."""
    west, south, east, north = boundary.bounds
    air = 12.0
    width = WIDTH - 2 * MARGIN
    per_m = min((width - 2 * air) / (east - west), (MOST_TALL - 2 * air) / (north - south))
    height = (north - south) * per_m + 2 * air
    spare = (width - (east - west) * per_m) / 2
    return MapFrame(
        west_m=west - (MARGIN + spare) / per_m, north_m=north + (top + air) / per_m,
        units_per_m=per_m, left=MARGIN, top=top, width=width, height=height,
    )


def heading(title: str, subtitle: str) -> tuple[str, float]:
    """Title and subtitle over a drawing; gives the markup and where the drawing may start."""
    marks, down = svg.paragraph(title, MARGIN, 16, width=WIDTH - 2 * MARGIN, size=13.5, bold=True)
    if subtitle:
        more, down = svg.paragraph(
            subtitle, MARGIN, down, width=WIDTH - 2 * MARGIN, size=11, fill=SOFT
        )
        marks += more
    return marks, down - 6


def _bar(length: float, left: float, down: float, *, above: bool) -> str:
    tick = -5.0 if above else 5.0
    return "".join(
        [
            svg.line(left, down, left + length, down, width=1.4),
            svg.line(left, down, left, down + tick, width=1.4),
            svg.line(left + length, down, left + length, down + tick, width=1.4),
        ]
    )


def furniture(frame: MapFrame) -> tuple[str, float]:
    """Scale bars in feet and metres and a north arrow below the map; markup and next top."""
    down = frame.top + frame.height + 16
    left = MARGIN + 4
    width_m = 0.32 * frame.width / frame.units_per_m
    feet, metres = svg.nice_length(width_m / FT_M), svg.nice_length(width_m)
    across = WIDTH - MARGIN - 12
    arrow = svg.element(
        "path", d=f"M{svg.number(across)} {svg.number(down - 14)}l6 20l-6 -5l-6 5z", fill=INK
    )
    feet_long, metres_long = feet * FT_M * frame.units_per_m, metres * frame.units_per_m
    words_left = left + max(feet_long, metres_long) + 7
    marks = [
        _bar(feet_long, left, down, above=True),
        _bar(metres_long, left, down, above=False),
        svg.label(f"{numbers.fixed(feet)} ft", words_left, down - 1.5, size=10.5),
        svg.label(f"{numbers.fixed(metres)} m", words_left, down + 9.5, size=10.5),
        arrow,
        svg.label("N", across - 16, down + 4, size=12, anchor="middle", bold=True),
    ]
    return "".join(marks), down + 22


def edge_text(classes: Classes, i: int) -> str:
    """The printed edge of a class."""
    return numbers.fixed(classes.edges[i], classes.decimals)


def class_legend(
    classes: Classes, colours: Sequence[str], *, top: float, words: str
) -> tuple[str, float]:
    """A bar of class colours with their edges below, dark = more; markup and next top."""
    left, width, tall = MARGIN + 18, WIDTH - 2 * MARGIN - 36, 14.0
    marks, down = svg.paragraph(words, MARGIN + 4, top + 10, width=width + 28, size=11)
    down -= 6
    each = width / classes.count
    for i, colour in enumerate(colours):
        marks += svg.rectangle(left + i * each, down, each, tall, fill=colour, stroke=INK)
    uniform = classes.edges[0] == classes.edges[-1]
    if uniform:
        text = f"{edge_text(classes, 0)} everywhere"
        marks += svg.label(text, left + width / 2, down + tall + 13, anchor="middle")
    else:
        for i in range(classes.count + 1):
            marks += svg.line(left + i * each, down + tall, left + i * each, down + tall + 4)
            marks += svg.label(
                edge_text(classes, i), left + i * each, down + tall + 15, anchor="middle"
            )
    return marks, down + tall + 24


def swatch_legend(rows: Sequence[tuple[str, str]], *, top: float) -> tuple[str, float]:
    """Coloured squares with words, in two columns where all words fit; markup and next top."""
    size, tall = 11.0, 19.0
    half = (WIDTH - 2 * MARGIN) / 2
    wide = max((svg.text_width(text, size) for _, text in rows), default=0.0)
    columns = 2 if wide + 34 <= half and len(rows) > 2 else 1
    per_column = -(-len(rows) // columns)
    marks, lowest = "", top
    down = [top] * columns
    for i, (colour, text) in enumerate(rows):
        column = i // per_column
        left = MARGIN + 4 + column * half
        marks += svg.rectangle(left, down[column] + 2, 18, 13, fill=colour, stroke=INK)
        more, after = svg.paragraph(
            text, left + 25, down[column] + 12.5, width=WIDTH / columns - 45, size=size
        )
        marks += more
        down[column] = max(down[column] + tall, after - 6)
        lowest = max(lowest, down[column])
    return marks, lowest + 4
