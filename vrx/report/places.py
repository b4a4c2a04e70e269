"""Where the next samples would help most: ranked places over the doubt of a map."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.model import Field, FloatArray, Surface
from vrx.report import frame as frames
from vrx.report import maps, numbers, svg
from vrx.report.colours import INK, PAPER, error_ramp, nice_classes
from vrx.report.frame import WIDTH
from vrx.report.labels import place_beside_points

_RADIUS = 4.5


def places_map(
    *, key: str, field: Field, surface: Surface, sampled: FloatArray, places: FloatArray,
    name: str, words: str,
) -> maps.Picture:
    """Standard errors, samples (n, 2) as small dots and ranked places (k, 2) as numbered rings.

    `words` say below the title what the ranking counts.
    """
    title = f"Where the next samples would help most: {name}"
    classes = nice_classes(maps.inside_values(field, surface, surface.standard_error))
    colours = error_ramp(classes.count)
    head, top = frames.heading(title, words)
    frame = frames.frame_for(field.boundary, top=top)
    foot, after = frames.furniture(frame)
    bar, bottom = frames.class_legend(
        classes, colours, top=after,
        words=f"Standard error, {surface.unit}. Dots: samples. Rings: places, the best first.")
    body = [
        head,
        maps.raster(key=key, frame=frame, field=field, grid=surface.grid, colours=colours,
                    classes=classes.index(surface.standard_error)),
        maps.outline(frame, field, fill="none"),
        _dots(frame.places(sampled)), *_rings(frame, places), foot, bar,
    ]
    return maps.Picture(
        svg.drawing(
            key=key, width=WIDTH, height=bottom, title=title, body=body,
            description=f"{field.name}: {len(places)} ranked places. Darker means less sure."),
        "")


def _dots(places: FloatArray) -> str:
    return svg.element(
        "g", *(svg.element("circle", cx=a, cy=d, r=1.8) for a, d in places.tolist()), fill=INK,
        stroke=PAPER, stroke_width=0.7)


def _rings(frame: frames.MapFrame, places: FloatArray) -> Sequence[str]:
    if not len(places):
        return []
    drawn = frame.places(np.asarray(places))
    texts = [str(number) for number in range(1, len(drawn) + 1)]
    starts = place_beside_points(drawn, texts, size=13.0, canvas=frame.canvas, dot=_RADIUS + 1)
    placed = [(text, at) for text, at in zip(texts, starts, strict=True) if at is not None]
    circles = [svg.element("circle", cx=a, cy=d, r=_RADIUS) for a, d in drawn.tolist()]
    return [svg.element("g", *circles, fill=PAPER, stroke=INK, stroke_width=1.8),
            svg.haloed_group(placed, size=13.0)]


def gain_words(gain: float, unit: str) -> str:
    """What one more sample is expected to bring."""
    return numbers.usd(gain) if unit == "USD" else f"{numbers.fixed(gain)} {unit}"
