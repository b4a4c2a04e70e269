"""Zones from the classes of one or several mapped layers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.geo import cell_at, dissolve, shared_edges, trace_coverage
from vrx.model import BoolArray, Finding, FloatArray, Grid, IntArray, Zones, array_value, note, warn
from vrx.units import ACRE_M2, FT_M
from vrx.zones._build import build_zones
from vrx.zones._raster import Cleaned, clean, fill_outside
from vrx.zones._regions import merge_small


@array_value
class ClassLayer:
    """A mapped layer and the breaks that cut it into classes.

    `values` (rows, columns) in the unit of `breaks` (classes - 1,), which ascend; `class_labels`
    name the classes from the lowest. A value equal to a break belongs to the upper class unless
    `break_belongs_to` is "lower". Cells outside the field may be NaN.

    Raises:
        ComputeError: breaks that do not ascend, or labels that are not one more than the breaks.
    """

    analyte: str
    label: str
    values: FloatArray
    breaks: tuple[float, ...]
    class_labels: tuple[str, ...]
    break_belongs_to: Literal["upper", "lower"] = "upper"

    def __post_init__(self) -> None:
        steps = np.diff(np.array(self.breaks, dtype=np.float64))
        if not np.isfinite(self.breaks).all() or (steps <= 0).any():
            raise ComputeError(
                f"class breaks {list(self.breaks)} do not ascend",
                code="zones-breaks", where=self.analyte, hint="give each break once, lowest first",
            )
        if len(self.class_labels) != len(self.breaks) + 1:
            raise ComputeError(
                f"{len(self.breaks)} breaks make {len(self.breaks) + 1} classes, "
                f"but {len(self.class_labels)} are named",
                code="zones-breaks", where=self.analyte, hint="name every class from the lowest",
            )

    def classes(self) -> IntArray:
        """Class of every cell (rows, columns), 0 the lowest; NaN gives -1."""
        found = np.digitize(
            self.values, np.array(self.breaks), right=self.break_belongs_to == "lower"
        ).astype(np.int64)
        return np.where(np.isnan(self.values), -1, found)


def class_labels(*, breaks: Sequence[float], words: Sequence[str], unit: str) -> tuple[str, ...]:
    """Names of classes with their limits: "low 80 to 120 ppm", "high over 160 ppm".

    `words` name the classes from the lowest, one more than `breaks`.
    """
    text = [f"{value:g}" for value in breaks]
    if not text:
        return (words[0],)
    limits = [
        f"under {text[0]}",
        *(f"{low} to {high}" for low, high in pairwise(text)),
        f"over {text[-1]}",
    ]
    return tuple(f"{word} {limit} {unit}" for word, limit in zip(words, limits, strict=True))


def zones_from_classes(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    grid: Grid,
    layers: Sequence[ClassLayer],
    smallest_ac: float,
    narrowest_m: float,
    most_zones: int = 12,
) -> Zones:
    """Each connected piece of a class, cleaned for the machine, is one zone.

    Several layers are crossed: a zone has one class of each. The clean-up, in this order:
    parts narrower than `narrowest_m` in any direction go to the class that they touch most (see
    `vrx.zones._raster.clean`), pieces under `smallest_ac` join the neighbour with the longest
    shared edge, equal edges the nearest class; both until nothing changes. Edges are then traced
    along cells, simplified and cut by the boundary, and what that leaves under `smallest_ac`
    joins a neighbour likewise. If more than `most_zones` are left, the smallest area is raised
    step by step until they are not. A separate part of the field is never joined over the gap,
    however small; where the field itself is narrower than `narrowest_m` its classes are kept.

    Widths hold for the raster, and for the traced edges within about one cell. Zones are numbered
    by centroid, north to south, then west to east.

    Findings (all `note` but the last two): `zones-narrow-merged`, `zones-small-merged`,
    `zones-fewer`, `zones-field-narrow`, `zones-field-part-small`, `zones-over-most`,
    `zones-unsettled`.

    Raises:
        ComputeError: no layer, a layer not on the grid, a cell without a value inside the field,
            a limit below 0, `most_zones` below 1, or no true coverage.
    """
    _require(layers, grid, smallest_ac, narrowest_m, most_zones)
    inside = _inside(boundary, grid)
    classes, labels, distance = _crossed(layers, inside)
    cell_ac = grid.cell_m**2 / ACRE_M2
    cleaned = clean(
        classes=classes, inside=inside, distance=distance,
        width_cells=narrowest_m / grid.cell_m, smallest_cells=smallest_ac / cell_ac,
        most=most_zones,
    )
    kinds, pieces = trace_coverage(
        classes=fill_outside(cleaned.classes, inside), grid=grid, boundary=boundary
    )
    polygons, kept, moved_ac, forced_ac = _merge_faces(
        pieces, kinds, distance, smallest_ac, most_zones
    )
    findings = [
        *_clean_findings(cleaned, cell_ac, narrowest_m, smallest_ac, moved_ac),
        *_count_findings(
            polygons, max(cleaned.forced * cell_ac, forced_ac), smallest_ac, most_zones
        ),
    ]
    names = ", ".join(f"{layer.label} at {_breaks(layer)}" for layer in layers)
    return build_zones(
        polygons=polygons, labels=[labels[kind] for kind in kept], boundary=boundary,
        crs_centre=crs_centre, findings=findings,
        basis=f"classes of {names}; smallest {smallest_ac:g} ac, narrowest "
        f"{narrowest_m / FT_M:.0f} ft, cells {grid.cell_m:g} m",
    )


def _breaks(layer: ClassLayer) -> str:
    return ", ".join(f"{value:g}" for value in layer.breaks) or "one class"


def _require(
    layers: Sequence[ClassLayer], grid: Grid, smallest_ac: float, narrowest_m: float, most: int
) -> None:
    if not layers:
        raise ComputeError(
            "no layer to make zones from", code="zones-no-layer",
            hint="name at least one mapped analyte",
        )
    for name, value in (("smallest_ac", smallest_ac), ("narrowest_m", narrowest_m)):
        if not np.isfinite(value) or value < 0:
            raise ComputeError(
                f"{name} is {value}, it must be 0 or more", code="zones-limit",
                hint=f"set {name} to 0 to do without it",
            )
    if most < 1:
        raise ComputeError(f"most_zones is {most}, it must be 1 or more", code="zones-limit")
    for layer in layers:
        if layer.values.shape != grid.shape:
            raise ComputeError(
                f"values have {layer.values.shape} rows and columns, the grid {grid.shape}",
                code="zones-shape", where=layer.analyte,
                hint="map every layer on the field's grid",
            )


def _inside(boundary: shapely.Geometry, grid: Grid) -> BoolArray:
    """Cells whose centre lies in the field, and for a part without any, its own cell."""
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    shapely.prepare(boundary)
    inside = np.asarray(shapely.contains_xy(boundary, east, north), dtype=bool)
    for part in shapely.get_parts(boundary):
        # Only parts of few cells can hold no centre.
        if part.area < 16 * grid.cell_m**2 or not inside.any():
            point = part.representative_point()
            inside[cell_at(grid, easting_m=point.x, northing_m=point.y)] = True
    return inside


def _crossed(
    layers: Sequence[ClassLayer], inside: BoolArray
) -> tuple[IntArray, list[str], IntArray]:
    """Classes of all layers as one number, its label, and the steps between two of them."""
    code = np.zeros(inside.shape, dtype=np.int64)
    for layer in layers:
        found = layer.classes()
        empty = int((inside & (found < 0)).sum())
        if empty:
            raise ComputeError(
                f"{empty} cells inside the field have no value", code="zones-value-missing",
                where=layer.analyte, hint="map the layer over the whole field first",
            )
        code = code * len(layer.class_labels) + np.maximum(found, 0)
    present, classes = np.unique(code, return_inverse=True)
    counts = [len(layer.class_labels) for layer in layers]
    members = np.stack(np.unravel_index(present, counts), axis=1).astype(np.int64)
    labels = [
        ", ".join(
            f"{layer.label} {layer.class_labels[member]}"
            for layer, member in zip(layers, row, strict=True)
        )
        for row in members
    ]
    distance = np.abs(members[:, None, :] - members[None, :, :]).sum(axis=2)
    return classes.reshape(inside.shape).astype(np.int64), labels, distance


def _merge_faces(
    pieces: Sequence[shapely.Polygon],
    kinds: IntArray,
    distance: IntArray,
    smallest_ac: float,
    most: int,
) -> tuple[list[shapely.Geometry], list[int], list[float], float]:
    """Faces of the coverage merged by the rule for cells; also moved acres, each and forced."""
    pairs, lengths = shared_edges(pieces)
    found = merge_small(
        sizes=np.array([piece.area for piece in pieces]) / ACRE_M2, kinds=kinds, pairs=pairs,
        lengths=lengths, smallest=smallest_ac, distance=distance, most=most,
    )
    kept = [int(kinds[owner]) for owner in np.unique(found.owner)]
    polygons = dissolve(pieces, found.owner)
    return polygons, kept, list(found.moved_sizes), found.largest_forced


def _clean_findings(
    cleaned: Cleaned,
    cell_ac: float,
    narrowest_m: float,
    smallest_ac: float,
    face_ac: Sequence[float],
) -> list[Finding]:
    found = []
    narrow = cleaned.narrow_moved
    if narrow:
        found.append(note(
            "zones-narrow-merged", "zones",
            f"{len(narrow)} parts narrower than {narrowest_m / FT_M:.0f} ft, "
            f"{sum(narrow) * cell_ac:.2f} ac in all",
            value=f"{sum(narrow) * cell_ac:.3f}",
            done="given to the neighbouring class that they touch most",
        ))
    small = [cells * cell_ac for cells in cleaned.small_moved] + list(face_ac)
    if small:
        found.append(note(
            "zones-small-merged", "zones",
            f"{len(small)} pieces under the smallest area of {smallest_ac:g} ac (or merged to "
            f"keep to the most zones), {sum(small):.2f} ac in all",
            value=f"{sum(small):.3f}",
            done="each joined to the neighbour with the longest shared edge",
        ))
    if cleaned.field_narrow.any():
        acres = float(cleaned.field_narrow.sum()) * cell_ac
        found.append(note(
            "zones-field-narrow", "field",
            f"the field itself is narrower than {narrowest_m / FT_M:.0f} ft over about "
            f"{acres:.2f} ac",
            value=f"{acres:.3f}", done="classes kept as they are there",
            todo="check that the machine fits",
        ))
    if not cleaned.stable:
        found.append(warn(
            "zones-unsettled", "zones",
            "narrow parts were still changing when the clean-up ended",
            done="kept the last state; no piece is under the smallest area",
            todo="look at narrow places on the map",
        ))
    return found


def _count_findings(
    polygons: Sequence[shapely.Geometry], forced_ac: float, smallest_ac: float, most: int
) -> list[Finding]:
    found = []
    if forced_ac > 0:
        found.append(note(
            "zones-fewer", "zones",
            f"classes made more than {most} zones",
            value=f"{forced_ac:.3f}",
            done=f"smallest area raised from {smallest_ac:g} to just over {forced_ac:.2f} ac",
            todo="allow more zones, or use fewer class breaks",
        ))
    small = [
        polygon.area / ACRE_M2 for polygon in polygons
        if polygon.area / ACRE_M2 < smallest_ac
    ]
    if small:
        found.append(note(
            "zones-field-part-small", "field",
            f"{len(small)} separate parts of the field are under {smallest_ac:g} ac "
            f"({sum(small):.3f} ac in all)",
            value=f"{sum(small):.3f}", done="each kept as a zone of its own",
        ))
    if len(polygons) > most:
        found.append(warn(
            "zones-over-most", "zones",
            f"{len(polygons)} zones, more than {most}: the field has {len(polygons)} separate "
            "parts",
            value=str(len(polygons)), done="kept, a part is never joined over a gap",
        ))
    return found
