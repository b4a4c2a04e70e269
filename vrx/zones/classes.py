"""Zones from the classes of one or several mapped layers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Literal

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.model import BoolArray, FloatArray, Grid, IntArray, Zones, array_value
from vrx.zones._cut import cut_zones, inside_of
from vrx.zones.rules import MachineRules


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
    driving_deg: float | None = None,
    smooth_m: float = 0.0,
    simplify_m: float | None = None,
) -> Zones:
    """Each connected piece of a class, cleaned for the machine, is one zone.

    Several layers are crossed: a zone has one class of each. The clean-up is that of
    `MachineRules`, in the order told at `vrx.zones._cut.cut_zones`.

    Raises:
        ComputeError: no layer, a layer not on the grid, a cell without a value inside the field,
            a limit below 0, `most_zones` below 1, or no true coverage.
    """
    rules = MachineRules(
        smallest_ac=smallest_ac, narrowest_m=narrowest_m, most_zones=most_zones,
        driving_deg=driving_deg, smooth_m=smooth_m, simplify_m=simplify_m,
    )
    _require(layers, grid)
    inside = inside_of(boundary, grid)
    classes, labels, distance = _crossed(layers, inside)
    names = ", ".join(f"{layer.label} at {_breaks(layer)}" for layer in layers)
    return cut_zones(
        boundary=boundary, crs_centre=crs_centre, grid=grid, inside=inside, classes=classes,
        labels=labels, distance=distance, rules=rules, basis=f"classes of {names}",
    )


def _breaks(layer: ClassLayer) -> str:
    return ", ".join(f"{value:g}" for value in layer.breaks) or "one class"


def _require(layers: Sequence[ClassLayer], grid: Grid) -> None:
    if not layers:
        raise ComputeError(
            "no layer to make zones from", code="zones-no-layer",
            hint="name at least one mapped analyte",
        )
    for layer in layers:
        if layer.values.shape != grid.shape:
            raise ComputeError(
                f"values have {layer.values.shape} rows and columns, the grid {grid.shape}",
                code="zones-shape", where=layer.analyte,
                hint="map every layer on the field's grid",
            )


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
