"""The zones as a sheet for touching: one shape and one label a zone, each markup of its own.

A program that shows it replaces the shapes of changed zones alone. Corners are drawn to a hundredth
of a unit and none is left out, so that what is seen is what is moved. A label says from which
enlargement on it fits into its zone. Presentation attributes only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely

from vrx.model import Field, FloatArray, SoilTable, Surface, Zones
from vrx.report import maps, numbers, svg
from vrx.report.colours import INK, PAPER, error_ramp, nice_classes, surface_ramp
from vrx.report.frame import MapFrame, edge_text
from vrx.report.labels import extent, place_beside_points
from vrx.report.zone_colours import Colouring

SHEET_WIDTH = 720.0
SHEET_TALL = 620.0
AIR = 22.0
LETTER = 15.0
SMALL = 13.0
READING = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What lies below the zones: its markup, and its legend as (colour, words)."""

    title: str
    markup: str
    legend: tuple[tuple[str, str], ...]


NO_GROUND = Ground(title="", markup="", legend=())


def sheet_frame(boundary: shapely.MultiPolygon) -> MapFrame:
    """The frame of a sheet: the field as large as `SHEET_WIDTH` x `SHEET_TALL` units allow."""
    west, south, east, north = boundary.bounds
    per_m = min((SHEET_WIDTH - 2 * AIR) / (east - west), (SHEET_TALL - 2 * AIR) / (north - south))
    spare = (SHEET_WIDTH - (east - west) * per_m) / 2
    return MapFrame(
        west_m=west - spare / per_m, north_m=north + AIR / per_m, units_per_m=per_m,
        left=0.0, top=0.0, width=SHEET_WIDTH, height=(north - south) * per_m + 2 * AIR)


def _fine(hundredths: int) -> str:
    return f"{hundredths / 100:.2f}".rstrip("0").rstrip(".")


def _ring(ring: shapely.LinearRing) -> str:
    points = np.rint(shapely.get_coordinates(ring)[:-1] * 100).astype(np.int64)
    steps = np.diff(points, axis=0).tolist()
    start = f"M{_fine(int(points[0, 0]))} {_fine(int(points[0, 1]))}"
    return start + "".join(f"l{_fine(a)} {_fine(d)}" for a, d in steps) + "z"


@lru_cache(maxsize=4096)
def _path(polygon: shapely.Geometry, frame: MapFrame) -> str:
    shape = frame.geometry(polygon)
    return "".join(_ring(ring) for part in shapely.get_parts(shape)
                   for ring in (part.exterior, *part.interiors))


@lru_cache(maxsize=4096)
def zone_shape(
    frame: MapFrame, *, zone_id: int, polygon: shapely.Geometry, letter: str, fill: str, said: str
) -> str:
    """A zone that can be pointed at; `said` is what a screen reader speaks."""
    return svg.element(
        "g",
        # Fill and touch are the group's: a border that uses the path has neither.
        svg.element("path", d=_path(polygon, frame), id=f"shape-{zone_id}", fill_rule="evenodd"),
        id=f"zone-{zone_id}", fill=fill, pointer_events="all", data_zone=str(zone_id),
        data_letter=letter, role="option", aria_selected="false", tabindex="-1", aria_label=said,
    )


def zone_borders(zones: Zones) -> str:
    """All borders, white below ink, so that they show on light and on dark."""
    uses = "".join(
        svg.element("use", href=f"#shape-{zone.zone_id}") for zone in zones.zones)
    below = svg.element("g", uses, id="borders-below", fill="none", stroke=PAPER, stroke_width=3.0,
                        stroke_linejoin="round")
    above = svg.element("g", uses, id="borders-above", fill="none", stroke=INK, stroke_width=1.1,
                        stroke_linejoin="round")
    return below + above


def field_edge(frame: MapFrame, field: Field) -> str:
    """The boundary over everything."""
    return svg.element(
        "path", d=_path(field.boundary, frame), fill="none", stroke=INK, stroke_width=1.8,
        stroke_linejoin="round", id="field-edge")


@lru_cache(maxsize=8192)
def _room(polygon: shapely.Geometry, wide: float, tall: float) -> tuple[float, float, float]:
    """Centre of the widest place for a box of this shape, and the largest scale that fits there.

    In a drawing squeezed so that the box is a square, that place is near the centre of the largest
    circle; between the square inside and the square around that circle the scale is tried.
    """
    squeeze = tall / wide
    part = max(shapely.get_parts(polygon), key=lambda one: one.area)
    flat = shapely.transform(part, lambda at: at * np.array([squeeze, 1.0]))
    tolerance = max(float(np.sqrt(flat.area)) / 60, 1e-6)
    radius = shapely.maximum_inscribed_circle(flat, tolerance=tolerance)
    across, down = shapely.get_coordinates(radius)[0].tolist()
    least = radius.length * np.sqrt(2.0) / tall
    scales = least * np.linspace(1.0, np.sqrt(2.0), 6)[::-1]
    half = scales * tall / 2
    boxes = shapely.box(across - half, down - half, across + half, down + half)
    shapely.prepare(flat)
    fits = np.flatnonzero(shapely.contains(flat, boxes))
    scale = float(scales[fits[0]]) if len(fits) else float(least)
    return across / squeeze, down, scale


def _lines_at(lines: Sequence[tuple[str, float]], across: float, down: float) -> str:
    pitch = LETTER * 1.12
    first = -(len(lines) - 1) * pitch / 2 + LETTER * 0.36
    texts = "".join(
        svg.element("text", svg.escape(text), x=0, y=first + k * pitch, font_size=size)
        for k, (text, size) in enumerate(lines))
    place = f"translate({across:.2f} {down:.2f})"
    return svg.element("g", texts, transform=place, data_place=place)


@lru_cache(maxsize=4096)
def zone_label(
    frame: MapFrame, *, zone_id: int, polygon: shapely.Geometry, letter: str, text: str
) -> str:
    """Letter and text in the widest places of a zone.

    `data-both` and `data-letter` are the enlargements (screen pixels a unit) from which on both,
    or the letter alone, fit inside; what does not fit at 1 is not displayed.
    """
    shape = frame.geometry(polygon)
    ways: list[tuple[tuple[str, float], ...]] = [((letter, LETTER),)]
    if text:
        ways += [((letter, LETTER), (text, SMALL)), ((f"{letter} {text}", LETTER),)]
    found = []
    for lines in ways:
        wide, tall = extent([line for line, _ in lines], LETTER)
        across, down, scale = _room(shape, round(wide, 1), round(tall, 1))
        found.append((scale, lines, across, down))
    whole = max(found[1:] or found, key=lambda one: one[0])
    groups, needed = [], []
    for name, (scale, lines, across, down) in (("both", whole), ("letter", found[0])):
        needed.append(1.0 / scale)
        shown = scale >= 1.0 and (name == "both" or whole[0] < 1.0)
        groups.append(svg.element(
            "g", _lines_at(lines, across, down), data_part=name,
            display=None if shown else "none"))
    return svg.element(
        "g", *groups, id=f"label-{zone_id}", data_label=str(zone_id),
        data_both=f"{needed[0]:.3f}", data_letter=f"{needed[1]:.3f}")


LABELS = {
    "font-weight": "bold", "text-anchor": "middle", "fill": INK, "stroke": PAPER,
    "stroke-width": "3.2", "stroke-linejoin": "round", "paint-order": "stroke",
    "pointer-events": "none", "aria-hidden": "true",
}
"""Attributes of the group that holds the labels."""


def samples_layer(frame: MapFrame, soil: SoilTable, analyte: str) -> Ground:
    """Sample points, with the reading of an analyte where it was measured ("" for names)."""
    if analyte:
        places_m, values = soil.measured(analyte)
        texts = [numbers.reading(value, analyte) for value in values.tolist()]
    else:
        places_m = np.column_stack([soil.easting_m, soil.northing_m])
        texts = list(soil.sample_id)
    places = frame.places(places_m)
    starts = place_beside_points(places, texts, size=READING, canvas=frame.canvas, dot=3.0)
    marks = [_sample(place, text, start) for place, text, start in
             zip(places.tolist(), texts, starts, strict=True)]
    group = svg.element(
        "g", *marks, fill=INK, font_size=READING, stroke=PAPER, stroke_width=2.6,
        paint_order="stroke", stroke_linejoin="round", pointer_events="none", aria_hidden="true",
        id="samples")
    return Ground(title="", markup=group, legend=())


def _sample(place: Sequence[float], text: str, start: tuple[float, float] | None) -> str:
    across, down = place
    # Texts without a place of their own appear once the drawing is enlarged.
    left, base = (5.0, 4.0) if start is None else (start[0] - across, start[1] - down)
    at = f"translate({across:.2f} {down:.2f})"
    return svg.element(
        "g", svg.element("circle", cx=0, cy=0, r=3.0, stroke_width=1.2),
        svg.element("text", svg.escape(text), x=left, y=base,
                    display="none" if start is None else None,
                    data_crowded="1" if start is None else None),
        transform=at, data_place=at)


def ground_layer(
    frame: MapFrame, field: Field, surface: Surface, *, name: str, error: bool = False
) -> Ground:
    """A soil-test map (or its standard error) to lie below outlines and numbers."""
    values = surface.standard_error if error else surface.values
    classes = nice_classes(maps.inside_values(field, surface, values))
    ramp = (error_ramp if error else surface_ramp)(classes.count)
    title = f"Standard error of {name}" if error else name
    rows = tuple(
        (colour, f"{edge_text(classes, i)} to {edge_text(classes, i + 1)} {surface.unit}")
        for i, colour in enumerate(ramp))
    if classes.edges[0] == classes.edges[-1]:
        rows = ((ramp[0], f"{edge_text(classes, 0)} {surface.unit} everywhere"),)
    return Ground(
        title=title, legend=rows,
        markup=maps.raster(key="ground", frame=frame, field=field, grid=surface.grid,
                           colours=ramp, classes=classes.index(values)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A drawn sheet: `shapes` and `labels` by zone id, in the zones' order."""

    frame: MapFrame
    shapes: dict[int, str]
    labels: dict[int, str]
    borders: str
    edge: str


def zone_sheet(
    frame: MapFrame, field: Field, zones: Zones, colouring: Colouring, *, said: Sequence[str],
    over_ground: bool = False,
) -> Sheet:
    """The zones in their colours, or (over a ground) as outlines and numbers alone.

    `said` (one a zone) is what a screen reader speaks of each shape.
    """
    shapes, labels = {}, {}
    for zone, fill, text, words in zip(
            zones.zones, colouring.fills, colouring.texts, said, strict=True):
        shapes[zone.zone_id] = zone_shape(
            frame, zone_id=zone.zone_id, polygon=zone.polygon, said=words, letter=zone.letter,
            fill="none" if over_ground else fill)
        labels[zone.zone_id] = zone_label(
            frame, zone_id=zone.zone_id, polygon=zone.polygon, letter=zone.letter, text=text)
    return Sheet(frame=frame, shapes=shapes, labels=labels, borders=zone_borders(zones),
                 edge=field_edge(frame, field))


def place_m(frame: MapFrame, across: float, down: float) -> FloatArray:
    """Easting and northing (2,) of a place on the sheet: the inverse of `MapFrame.places`."""
    return np.array([frame.west_m + across / frame.units_per_m,
                     frame.north_m - down / frame.units_per_m])
