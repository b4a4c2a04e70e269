"""The maps: samples, soil-test map and its standard error, zones, and the rates of a pass."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import shapely

from vrx.model import Field, FloatArray, Grid, IntArray, PassRates, SoilTable, Surface, Zones
from vrx.report import frame as frames
from vrx.report import numbers, png, svg, words
from vrx.report.colours import (
    INK,
    MOST_CLASSES,
    PAPER,
    error_ramp,
    nice_classes,
    rate_ramp,
    surface_ramp,
)
from vrx.report.frame import WIDTH, MapFrame
from vrx.report.labels import Label, place_beside_points, place_labels


class Picture(NamedTuple):
    """A drawing and what must be said beside it ("" if nothing)."""

    svg: str
    remark: str


def outline(frame: MapFrame, field: Field, *, fill: str) -> str:
    """The boundary on a map."""
    # A third of a drawing unit is below what any screen or printer shows at this size.
    shape = shapely.simplify(frame.geometry(field.boundary), 0.15)
    return svg.element(
        "path", d=svg.path_data(shape), fill=fill, fill_rule="evenodd", stroke=INK,
        stroke_width=1.6, stroke_linejoin="round",
    )


def _dots(places: FloatArray, *, radius: float) -> str:
    circles = [svg.element("circle", cx=a, cy=d, r=radius) for a, d in places.tolist()]
    return svg.element("g", *circles, fill=INK, stroke=PAPER, stroke_width=0.9)


def _point_texts(
    places: FloatArray, texts: Sequence[str], frame: MapFrame, *, what: str
) -> tuple[str, str]:
    size = 10.0 if len(texts) <= 60 else 8.0
    starts = place_beside_points(places, texts, size=size, canvas=frame.canvas, dot=2.2)
    placed = [
        (text, start) for text, start in zip(texts, starts, strict=True) if start is not None
    ]
    left_out = len(texts) - len(placed)
    remark = ""
    if left_out:
        remark = (
            f"{what} printed at {len(placed)} of {len(texts)} points; the others would overlap "
            "and stand in the table of samples."
        )
    return svg.haloed_group(placed, size=size), remark


def samples_map(*, key: str, field: Field, soil: SoilTable) -> Picture:
    """The field with its sample points and their names."""
    title = "Field and soil samples"
    count = len(soil.sample_id)
    head, top = frames.heading(title, f"{count} places, {numbers.acres(field.area_ac)} ac")
    frame = frames.frame_for(field.boundary, top=top)
    places = frame.places(np.column_stack([soil.easting_m, soil.northing_m]))
    texts, remark = _point_texts(places, soil.sample_id, frame, what="Names")
    foot, bottom = frames.furniture(frame)
    body = [head, outline(frame, field, fill="#f1f2ea"), _dots(places, radius=2.2), texts, foot]
    description = f"Boundary of {field.name} with {count} sample points."
    return Picture(
        svg.drawing(
            key=key, width=WIDTH, height=bottom, title=title, description=description, body=body
        ),
        remark,
    )


def raster(
    *, key: str, frame: MapFrame, field: Field, grid: Grid, classes: IntArray,
    colours: Sequence[str],
) -> str:
    """Coloured cells within the boundary; `classes` is -1 where nothing is known."""
    enlarge = min(max(1, round(720 / grid.columns)), 6)
    picture = png.classed_png(classes, colours, enlarge=enlarge)
    corner = frame.places(np.array([[grid.west_m, grid.north_m]]))[0]
    image = svg.element(
        "image", href=png.data_uri(picture), x=float(corner[0]), y=float(corner[1]),
        width=grid.columns * grid.cell_m * frame.units_per_m,
        height=grid.rows * grid.cell_m * frame.units_per_m,
        preserveAspectRatio="none", image_rendering="pixelated",
    )
    shape = svg.path_data(shapely.simplify(frame.geometry(field.boundary), 0.15))
    clip = svg.element(
        "clipPath", svg.element("path", d=shape, clip_rule="evenodd"), id=f"{key}-clip"
    )
    return clip + svg.element("g", image, clip_path=f"url(#{key}-clip)")


def inside_values(field: Field, surface: Surface, values: FloatArray) -> FloatArray:
    """Values of the cells with their centre in the field, (cells,); of all where there is none."""
    east, north = np.meshgrid(surface.grid.easting_m, surface.grid.northing_m)
    shapely.prepare(field.boundary)
    within = shapely.contains_xy(field.boundary, east.ravel(), north.ravel())
    return values.ravel()[within] if within.any() else values.ravel()


def _surface_picture(
    *, key: str, field: Field, surface: Surface, soil: SoilTable, values: FloatArray,
    title: str, subtitle: str, legend: str, error: bool,
) -> Picture:
    inside = inside_values(field, surface, values)
    classes = nice_classes(inside)
    colours = (error_ramp if error else surface_ramp)(classes.count)
    head, top = frames.heading(title, subtitle)
    frame = frames.frame_for(field.boundary, top=top)
    places_m, readings = soil.measured(surface.analyte)
    places = frame.places(places_m)
    texts, remark = "", ""
    if not error:
        shown = [numbers.reading(value, surface.analyte) for value in readings.tolist()]
        texts, remark = _point_texts(places, shown, frame, what="Readings")
    foot, after = frames.furniture(frame)
    bar, bottom = frames.class_legend(classes, colours, top=after, words=legend)
    body = [
        head,
        raster(key=key, frame=frame, field=field, grid=surface.grid, colours=colours,
                classes=classes.index(values)),
        outline(frame, field, fill="none"), _dots(places, radius=2.2), texts, foot, bar,
    ]
    low, high = (numbers.fixed(float(v), classes.decimals + 1) for v in
                 (inside.min(), inside.max()))
    description = (
        f"{title} over {field.name}: from {low} to {high} {surface.unit}. Darker means more."
    )
    return Picture(
        svg.drawing(
            key=key, width=WIDTH, height=bottom, title=title, description=description, body=body
        ),
        remark,
    )


def soil_map(
    *, key: str, field: Field, surface: Surface, soil: SoilTable, name: str, taken: str
) -> Picture:
    """The soil-test map of one analyte with the readings at their places.

    `name` is its label with substance and unit, `taken` extractant and depth.
    """
    return _surface_picture(
        key=key, field=field, surface=surface, soil=soil, values=surface.values, error=False,
        title=name, subtitle=f"Soil-test map by {words.method_words(surface)}. Samples: {taken}.",
        legend=f"{name} (dark = more)",
    )


def error_map(
    *, key: str, field: Field, surface: Surface, soil: SoilTable, name: str
) -> Picture:
    """The standard error of a soil-test map; `name` is the substance without unit."""
    return _surface_picture(
        key=key, field=field, surface=surface, soil=soil, values=surface.standard_error,
        error=True, title=f"How sure: standard error of {name}",
        subtitle="About two places in three lie within one standard error of the map.",
        legend=f"standard error, {surface.unit} (dark = less sure)",
    )


def zone_paths(key: str, frame: MapFrame, zones: Zones, colours: Sequence[str]) -> str:
    """The zones, each in its colour, with their borders."""
    shapes = frame.geometry(np.array([zone.polygon for zone in zones.zones], dtype=object))
    if shapely.coverage_is_valid(shapes):
        shapes = shapely.coverage_simplify(shapes, 0.25)
    names = [f"{key}-zone-{zone.zone_id}" for zone in zones.zones]
    outlines = [
        svg.element("path", d=svg.path_data(shape), id=name)
        for shape, name in zip(shapes, names, strict=True)
    ]
    fills = [
        svg.element("use", href=f"#{name}", fill=colour)
        for name, colour in zip(names, colours, strict=True)
    ]
    # White below, ink on top: the border shows on light and on dark fills.
    white = svg.element("g", *fills, stroke=PAPER, stroke_width=2.8, fill_rule="evenodd",
                        stroke_linejoin="round")
    ink = svg.element("g", *(svg.element("use", href=f"#{name}") for name in names),
                      fill="none", stroke=INK, stroke_width=0.9, stroke_linejoin="round")
    return svg.element("defs", *outlines) + white + ink


def zone_labels(
    frame: MapFrame, zones: Zones, texts: Sequence[tuple[str, ...]]
) -> tuple[str, str]:
    """(lines of text in every zone, what must be said of those without room)."""
    polygons, lines, small = [], [], 0
    for zone, text in zip(zones.zones, texts, strict=True):
        parts = sorted(
            (p for p in shapely.get_parts(frame.geometry(zone.polygon))), key=lambda p: -p.area
        )
        # A zone's largest part always gets its label; other parts do where a label has room.
        roomy = [p for p in parts[1:] if p.area >= 900.0]
        small += len(parts) - 1 - len(roomy)
        for part in (parts[0], *roomy):
            polygons.append(part)
            lines.append(text)
    placed = place_labels(polygons, lines, canvas=frame.canvas)
    remarks = []
    if small:
        part_word = "part of a zone is" if small == 1 else "parts of zones are"
        remarks.append(f"{small} small {part_word} not labelled; the colour and the table tell.")
    cut = [label.lines[0] for label, text in zip(placed, lines, strict=True)
           if " ".join(label.lines) != " ".join(text)]
    if cut:
        remarks.append(f"No room for more than the letter: {numbers.listing(cut)}; see the table.")
    return "".join(_drawn(label) for label in placed), " ".join(remarks)


def _drawn(label: Label) -> str:
    marks = []
    if label.anchor is not None and label.leader_end is not None:
        left, top, right, bottom = label.box
        marks = [
            svg.line(*label.anchor, *label.leader_end, stroke=PAPER, width=2.8),
            svg.line(*label.anchor, *label.leader_end, width=0.9),
            svg.element("circle", cx=label.anchor[0], cy=label.anchor[1], r=2, fill=INK,
                        stroke=PAPER, stroke_width=0.8),
            svg.rectangle(left, top, right - left, bottom - top, fill=PAPER),
        ]
    pitch = label.size * 1.12
    first = label.down - (len(label.lines) - 1) * pitch / 2 + label.size * 0.36
    marks += [
        svg.haloed(line, label.across, first + i * pitch, size=label.size, bold=True)
        for i, line in enumerate(label.lines)
    ]
    return "".join(marks)


def zones_map(*, key: str, field: Field, zones: Zones) -> Picture:
    """The zones with letter and acres."""
    title = "Zones and their acres"
    head, top = frames.heading(title, "")
    frame = frames.frame_for(field.boundary, top=top)
    tints = ["#e9ecdf"] * len(zones.zones)
    texts = [(z.letter, f"{numbers.acres(z.area_ac)} ac") for z in zones.zones]
    labels, remark = zone_labels(frame, zones, texts)
    foot, bottom = frames.furniture(frame)
    body = [
        head, zone_paths(key, frame, zones, tints), outline(frame, field, fill="none"), labels,
        foot,
    ]
    description = "; ".join(f"zone {letter}: {acres}" for letter, acres in texts) + "."
    return Picture(
        svg.drawing(
            key=key, width=WIDTH, height=bottom, title=title, description=description, body=body
        ),
        remark,
    )


def rate_classes(rates: PassRates) -> tuple[list[int], list[str], tuple[str, ...]]:
    """Class of each zone, words of each class, and the ramp."""
    values = rates.rates
    unit = rates.material.unit
    different = sorted({int(s) for s in rates.steps})
    if len(different) <= MOST_CLASSES:
        words = [f"{numbers.rate(s * rates.step, rates.step)} {unit}" for s in different]
        return [different.index(int(s)) for s in rates.steps], words, rate_ramp(len(different))
    classes = nice_classes(values)
    index = classes.index(values).tolist()
    words = [
        f"{frames.edge_text(classes, i)} to {frames.edge_text(classes, i + 1)} {unit}"
        for i in range(classes.count)
    ]
    return index, words, rate_ramp(classes.count)


def rate_map(
    *, key: str, field: Field, zones: Zones, rates: PassRates, remark: str = ""
) -> Picture:
    """The rates of one pass: letter and rate printed in every zone.

    `remark` is a sentence that must stand wherever these rates are shown.
    """
    title = f"Pass {rates.number}: {rates.material.id}"
    subtitle = f"Product rate in {rates.material.unit}. {remark}".strip()
    head, top = frames.heading(title, subtitle)
    frame = frames.frame_for(field.boundary, top=top)
    index, words, ramp = rate_classes(rates)
    texts = [
        (zone.letter, numbers.rate(value, rates.step))
        for zone, value in zip(zones.zones, rates.rates.tolist(), strict=True)
    ]
    labels, small = zone_labels(frame, zones, texts)
    foot, after = frames.furniture(frame)
    rows = []
    for i, (colour, word) in enumerate(zip(ramp, words, strict=True)):
        members = [z for z, k in zip(zones.zones, index, strict=True) if k == i]
        acres = numbers.acres(sum(z.area_ac for z in members))
        if members:
            letters = ", ".join(z.letter for z in members)
            rows.append((colour, f"{word}: {letters} ({acres} ac)"))
    legend, bottom = frames.swatch_legend(rows, top=after)
    body = [
        head, zone_paths(key, frame, zones, [ramp[i] for i in index]),
        outline(frame, field, fill="none"), labels, foot, legend,
    ]
    description = "; ".join(
        f"zone {letter}: {value} {rates.material.unit}" for letter, value in texts
    )
    return Picture(
        svg.drawing(
            key=key, width=WIDTH, height=bottom, title=title, body=body,
            description=f"{description}. Darker means more product.",
        ),
        small,
    )
