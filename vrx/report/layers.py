"""Layers beside the soil test made ready for print: zone means, agreement with samples, maps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from markupsafe import Markup

from vrx.model import Agreement, FloatArray, IntArray, Job, LayerReading
from vrx.report import frame as frames
from vrx.report import maps, numbers, svg, words
from vrx.report.colours import nice_classes, surface_ramp


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerCell:
    """What a layer reads in one zone."""

    mean: str
    span: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementRow:
    """Coefficients against one soil test."""

    name: str
    points: str
    pearson: str
    spearman: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerView:
    """One layer: cells by zone in order. `moves` is one sentence for all layers together."""

    name: str
    unit: str
    source: str
    covered: str
    cells: tuple[LayerCell, ...]
    agreements: tuple[AgreementRow, ...]
    map: Markup
    moves: str


def layer_views(job: Job) -> list[LayerView]:
    """Every layer of the plan, in its order."""
    moves = _moves(job)
    return [
        LayerView(
            name=one.layer.name, unit=one.layer.unit, source=one.layer.source,
            covered=numbers.share(one.layer.covered_share), moves=moves,
            cells=tuple(_cell(one, k) for k in range(len(job.zones.zones))),
            agreements=tuple(_row(each) for each in one.agreements) or (AgreementRow(
                name="not held against classes", points="–", pearson="–", spearman="–"),),
            map=Markup(layer_map(key=f"map-layer-{number}", job=job, reading=one)),  # noqa: S704 - built in svg.py
        )
        for number, one in enumerate(job.layers, 1)
    ]


def _moves(job: Job) -> str:
    sharing = [one.layer.name for one in job.layers if one.for_yield]
    named = () if job.zones.clusters is None else job.zones.clusters.layers
    cutting = [one.layer.name for one in job.layers if one.layer.name in named]
    said = f"The yield goal is shared out by {numbers.listing(sharing)}. " if sharing else ""
    if cutting:
        said += f"The zones were clustered by {numbers.listing(cutting)}. "
    if all(one.layer.name in {*sharing, *cutting} for one in job.layers):
        return said
    if said:
        return f"{said}The others move no rate and no soil-test map."
    return "They move no rate and no soil-test map."


def _cell(one: LayerReading, zone: int) -> LayerCell:
    covered = float(one.covered[zone])
    if not covered > 0:
        return LayerCell(mean="no value", span="")
    part = "" if covered > 0.995 else f"{numbers.share(covered)} of the zone"
    if one.codes:
        order = sorted(range(len(one.codes)), key=lambda k: (-one.shares[k, zone], one.codes[k]))
        said = [f"class {one.codes[k]:g}: {numbers.share(float(one.shares[k, zone]))}"
                for k in order if one.shares[k, zone] > 0]
        return LayerCell(mean=said[0], span=", ".join([*said[1:4], part] if part else said[1:4]))
    low, high = (numbers.fixed(float(v[zone]), one.decimals) for v in (one.low, one.high))
    span = f"{low} to {high}"
    return LayerCell(mean=numbers.fixed(float(one.mean[zone]), one.decimals),
                     span=f"{span}; {part}" if part else span)


def _row(one: Agreement) -> AgreementRow:
    def shown(value: float | None) -> str:
        return "–" if value is None else numbers.signed(value, 2)

    return AgreementRow(
        name=words.opening(words.substance(one.analyte)), points=str(one.n),
        pearson=shown(one.pearson), spearman=shown(one.spearman))


def layer_map(*, key: str, job: Job, reading: LayerReading) -> str:
    """The layer over the field as SVG; cells without a value stay blank."""
    layer, field = reading.layer, job.field
    inside = _inside(job, layer.values)
    title = f"{layer.name}, {layer.unit}"
    head, top = frames.heading(title, f"As read: {layer.source}. Blank where nothing is known.")
    frame = frames.frame_for(field.boundary, top=top)
    foot, after = frames.furniture(frame)
    blank = ~np.isfinite(layer.values)
    if reading.codes:
        index: IntArray = np.searchsorted(
            np.array(reading.codes), np.where(blank, reading.codes[0], layer.values)
        ).astype(np.int64)
        colours = surface_ramp(len(reading.codes))
        legend, bottom = frames.swatch_legend(
            [(colour, f"class {code:g}")
             for colour, code in zip(colours, reading.codes, strict=True)], top=after)
    else:
        classes = nice_classes(inside)
        index, colours = classes.index(layer.values), surface_ramp(classes.count)
        legend, bottom = frames.class_legend(
            classes, colours, top=after, words=f"{layer.unit} (dark = more)")
    low, high = (numbers.fixed(float(v), reading.decimals) for v in (inside.min(), inside.max()))
    body = [
        head,
        maps.raster(key=key, frame=frame, field=field, grid=layer.grid, colours=colours,
                    classes=np.where(blank, -1, index)),
        maps.outline(frame, field, fill="none"), foot, legend,
    ]
    return svg.drawing(
        key=key, width=frames.WIDTH, height=bottom, title=title, body=body,
        description=f"{title} over {field.name}: from {low} to {high}.")


def _inside(job: Job, values: FloatArray) -> FloatArray:
    """Known values of cells whose centre lies in the field, or all known ones."""
    grid = job.layers[0].layer.grid
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    shapely.prepare(job.field.boundary)
    known = np.isfinite(values)
    within = known & shapely.contains_xy(job.field.boundary, east, north)
    return np.asarray(values[within] if within.any() else values[known])
