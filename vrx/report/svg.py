"""SVG as text: elements, wrapped text, halos, paths. Presentation attributes only, no style sheet.

Coordinates here are drawing units (across to the right, down), small numbers near zero, because
32-bit renderers lose half metres at projected coordinates. Halos are a second text element, since
not every renderer knows `paint-order`.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Sequence

import numpy as np
import shapely

from vrx.report.colours import INK, PAPER

FONT = "Helvetica Neue, Helvetica, Arial, Liberation Sans, sans-serif"
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def printable(text: str) -> str:
    """The text with characters that XML 1.0 forbids replaced by U+FFFD."""
    return _FORBIDDEN.sub("\ufffd", text)


def escape(text: str) -> str:
    """Text safe inside XML: markup escaped, forbidden characters replaced."""
    return html.escape(printable(text), quote=True)


def number(value: float) -> str:
    """A coordinate with one decimal at most and no trailing zero."""
    text = f"{value:.1f}"
    text = text.removesuffix(".0")
    return "0" if text == "-0" else text


def element(tag: str, *children: str, **attributes: str | float | None) -> str:
    """One element; `_` in attribute names becomes `-`, a trailing `_` falls, None is left out.

    `children` are finished markup; attribute values are escaped here.
    """
    parts = [tag]
    for name, value in attributes.items():
        if value is not None:
            shown = value if isinstance(value, str) else number(value)
            parts.append(f'{name.rstrip("_").replace("_", "-")}="{escape(shown)}"')
    head = " ".join(parts)
    return f"<{head}>{''.join(children)}</{tag}>" if children else f"<{head}/>"


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width that a text needs at most, for the usual sans-serif fonts.

    Measured on DejaVu Sans, the widest of them and what many machines have alone.
    """
    total = 0.0
    for c in text:
        if c in " il.,:;'|!()[]/":
            total += 0.36
        elif c in "mwMW%@—":
            total += 0.96
        elif c.isupper():
            total += 0.74
        else:
            total += 0.64
    return total * size * (1.10 if bold else 1.0)


def wrap(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """Lines of whole words that fit the width; a word that is too long alone is broken."""
    lines: list[str] = []
    line = ""
    for whole in text.split():
        word = whole
        joined = f"{line} {word}".strip()
        if line and text_width(joined, size, bold=bold) > width:
            lines.append(line)
            joined = word
        while len(joined) > 1 and text_width(joined, size, bold=bold) > width:
            keep = len(joined) - 1
            while keep > 1 and text_width(joined[:keep], size, bold=bold) > width:
                keep -= 1
            lines.append(joined[:keep])
            joined = joined[keep:]
        line = joined
    return [*lines, line] if line else lines


def label(
    text: str, across: float, down: float, *, size: float = 11, anchor: str = "start",
    bold: bool = False, fill: str = INK, hidden: bool = False,
) -> str:
    """One line of text; `down` is its baseline."""
    return element(
        "text", escape(text), x=across, y=down, font_size=size,
        font_weight="bold" if bold else None, text_anchor=None if anchor == "start" else anchor,
        fill=fill, aria_hidden="true" if hidden else None,
    )


def haloed(
    text: str, across: float, down: float, *, size: float = 11, anchor: str = "middle",
    bold: bool = False, halo: float = 3.0,
) -> str:
    """A line of text over a map: a thick white copy first, the text itself on top."""
    back = element(
        "text", escape(text), x=across, y=down, font_size=size,
        font_weight="bold" if bold else None, text_anchor=None if anchor == "start" else anchor,
        fill=PAPER, stroke=PAPER, stroke_width=halo, stroke_linejoin="round", aria_hidden="true",
    )
    return back + label(text, across, down, size=size, anchor=anchor, bold=bold)


def haloed_group(
    texts: Sequence[tuple[str, tuple[float, float]]], *, size: float, halo: float = 3.2
) -> str:
    """Many texts of one size, each from its (left, baseline), over their halos."""
    if not texts:
        return ""
    items = [
        element("text", escape(text), x=across, y=down) for text, (across, down) in texts
    ]
    back = element(
        "g", *items, font_size=size, fill=PAPER, stroke=PAPER, stroke_width=halo,
        stroke_linejoin="round", aria_hidden="true",
    )
    return back + element("g", *items, font_size=size, fill=INK)


def paragraph(
    text: str, across: float, down: float, *, width: float, size: float, bold: bool = False,
    fill: str = INK,
) -> tuple[str, float]:
    """Wrapped text from a first baseline; gives the markup and the baseline of a next line."""
    lines = wrap(text, width, size, bold=bold)
    marks = [
        label(line, across, down + i * size * 1.3, size=size, bold=bold, fill=fill)
        for i, line in enumerate(lines)
    ]
    return "".join(marks), down + len(lines) * size * 1.3


def line(
    across1: float, down1: float, across2: float, down2: float, *, stroke: str = INK,
    width: float = 1.0, dash: str | None = None,
) -> str:
    """A straight line."""
    return element(
        "line", x1=across1, y1=down1, x2=across2, y2=down2, stroke=stroke, stroke_width=width,
        stroke_dasharray=dash,
    )


def rectangle(
    across: float, down: float, width: float, height: float, *, fill: str,
    stroke: str | None = None,
) -> str:
    """A rectangle."""
    return element(
        "rect", x=across, y=down, width=width, height=height, fill=fill, stroke=stroke,
        stroke_width=None if stroke is None else 0.8,
    )


def polyline(
    points: Sequence[tuple[float, float]], *, stroke: str, width: float, dash: str | None = None
) -> str:
    """An open line through points."""
    return element(
        "polyline", points=" ".join(f"{number(a)},{number(d)}" for a, d in points),
        fill="none", stroke=stroke, stroke_width=width, stroke_linejoin="round",
        stroke_dasharray=dash,
    )


def _ring(ring: shapely.LinearRing) -> str:
    tenths = np.rint(shapely.get_coordinates(ring)[:-1] * 10).astype(np.int64)
    moved = np.any(tenths != np.roll(tenths, 1, axis=0), axis=1)
    tenths = tenths[moved] if moved.sum() >= 3 else tenths
    steps = np.diff(tenths, axis=0)
    start = f"M{number(tenths[0, 0] / 10)} {number(tenths[0, 1] / 10)}"
    return start + "".join(f"l{number(a / 10)} {number(d / 10)}" for a, d in steps) + "z"


def path_data(geometry: shapely.Geometry) -> str:
    """Path data of a polygon or multipolygon in drawing units, holes included (even-odd)."""
    polygons = [p for p in shapely.get_parts(geometry) if p.geom_type == "Polygon"]
    return "".join(_ring(r) for p in polygons for r in (p.exterior, *p.interiors))


def nice_length(most: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above `most` (> 0)."""
    power = 10.0 ** math.floor(math.log10(most))
    return max(d * power for d in (1.0, 2.0, 5.0) if d * power <= most * (1 + 1e-9))


def drawing(
    *, key: str, width: float, height: float, title: str, description: str, body: Sequence[str],
    role: str = "img",
) -> str:
    """A whole `<svg>` with a title and a description that screen readers speak.

    A drawing whose shapes can be chosen has the role "group".
    """
    return element(
        "svg",
        element("title", escape(title), id=f"{key}-title"),
        element("desc", escape(description), id=f"{key}-desc"),
        *body,
        viewBox=f"0 0 {number(width)} {number(height)}", width=width, height=height,
        font_family=FONT, role=role, aria_labelledby=f"{key}-title {key}-desc",
    )
