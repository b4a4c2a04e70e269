"""Maps beside the needs: how far guides are apart, and a rule run in every cell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vrx.model import Field, FloatArray, Grid, Zones
from vrx.report import frame as frames
from vrx.report import numbers, svg
from vrx.report.colours import nice_classes, rate_ramp
from vrx.report.frame import WIDTH
from vrx.report.maps import Picture, outline, raster, zone_labels, zone_paths


def zone_values_map(
    *, key: str, field: Field, zones: Zones, values: FloatArray, texts: Sequence[str],
    title: str, subtitle: str, unit: str, pick: bool = False,
) -> Picture:
    """One number a zone: letter and text printed in it, darker for more.

    With `pick` every zone can be chosen: a shape over it carries `data-zone`, the id.
    """
    head, top = frames.heading(title, subtitle)
    frame = frames.frame_for(field.boundary, top=top)
    classes = nice_classes(values)
    index, ramp = classes.index(values).tolist(), rate_ramp(classes.count)
    names = [(zone.letter, text) for zone, text in zip(zones.zones, texts, strict=True)]
    labels, remark = zone_labels(frame, zones, names)
    foot, after = frames.furniture(frame)
    rows = []
    for i, colour in enumerate(ramp):
        members = [z for z, k in zip(zones.zones, index, strict=True) if k == i]
        if members:
            span = f"{frames.edge_text(classes, i)} to {frames.edge_text(classes, i + 1)}"
            span = span if classes.count > 1 else frames.edge_text(classes, i)
            letters = ", ".join(z.letter for z in members)
            acres = numbers.acres(sum(z.area_ac for z in members))
            rows.append((colour, f"{span} {unit}: {letters} ({acres} ac)"))
    legend, bottom = frames.swatch_legend(rows, top=after)
    body = [
        head, zone_paths(key, frame, zones, [ramp[i] for i in index]),
        outline(frame, field, fill="none"), labels,
        *([_to_pick(key, zones, texts, unit)] if pick else []), foot, legend,
    ]
    said = "; ".join(f"zone {letter}: {text} {unit}" for letter, text in names)
    return Picture(
        svg.drawing(key=key, width=WIDTH, height=bottom, title=title, body=body,
                    description=f"{said}. Darker means more.", role="group" if pick else "img"),
        remark,
    )


_MOST_STOPS = 60
"""Zones that the tab key goes through; with more the table beside the map is quicker."""


def _to_pick(key: str, zones: Zones, texts: Sequence[str], unit: str) -> str:
    """Shapes that nobody sees, over everything, to be pointed at and focused."""
    stop = "0" if len(zones.zones) <= _MOST_STOPS else "-1"
    return svg.element("g", *(
        svg.element(
            "use", href=f"#{key}-zone-{zone.zone_id}", data_zone=str(zone.zone_id), role="button",
            tabindex=stop, aria_label=f"Zone {zone.letter}: {text} {unit}", pointer_events="all")
        for zone, text in zip(zones.zones, texts, strict=True)),
        fill="none", fill_rule="evenodd", stroke="none")


def cells_map(
    *, key: str, field: Field, grid: Grid, values: FloatArray, title: str, subtitle: str,
    legend: str,
) -> Picture:
    """Values of cells, NaN outside, darker for more."""
    known = np.isfinite(values)
    classes = nice_classes(values[known])
    ramp = rate_ramp(classes.count)
    index = np.where(known, classes.index(np.where(known, values, 0.0)), -1)
    head, top = frames.heading(title, subtitle)
    frame = frames.frame_for(field.boundary, top=top)
    foot, after = frames.furniture(frame)
    bar, bottom = frames.class_legend(classes, ramp, top=after, words=legend)
    body = [
        head, raster(key=key, frame=frame, field=field, grid=grid, classes=index, colours=ramp),
        outline(frame, field, fill="none"), foot, bar,
    ]
    low, high = (numbers.fixed(float(v)) for v in (values[known].min(), values[known].max()))
    return Picture(
        svg.drawing(key=key, width=WIDTH, height=bottom, title=title, body=body,
                    description=f"{title}: from {low} to {high}. Darker means more."),
        "",
    )
