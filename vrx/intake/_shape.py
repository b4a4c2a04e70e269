"""What a vector file holds, before any judgement: rings, lines and points as they were written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pyproj
import shapely

from vrx.errors import InputError
from vrx.model import Finding, FloatArray

Rings = tuple[FloatArray, ...]
NO_POINTS: FloatArray = np.empty((0, 2))
_STRAIGHT = {"Point", "LineString", "LinearRing", "Polygon"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shape:
    """A geometry in the file's own coordinates, arrays (n, 2) easting or longitude first.

    `polygons` are tuples of rings, shell first; `had_heights` tells that Z or M were dropped.
    """

    polygons: tuple[Rings, ...] = ()
    lines: tuple[FloatArray, ...] = ()
    points: FloatArray = field(default_factory=lambda: NO_POINTS)
    had_heights: bool = False

    @property
    def kind(self) -> str:
        """ "polygon", "line", "point" or "none"."""
        if self.polygons:
            return "polygon"
        if self.lines:
            return "line"
        return "point" if len(self.points) else "none"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Feature:
    """One record: its number in the file from 1, its attributes and its shape."""

    record: int
    properties: Mapping[str, object]
    shape: Shape


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """All features of one layer. `crs` is None where the file does not say.

    `crs_fault` is why what the file says cannot be read; the user's own statement mends it.
    """

    file: str
    name: str
    crs: pyproj.CRS | None
    columns: tuple[str, ...]
    features: tuple[Feature, ...]
    findings: tuple[Finding, ...] = ()
    crs_fault: InputError | None = None

    @property
    def kind(self) -> str:
        """The most telling kind of geometry: polygon before line before point."""
        kinds = {feature.shape.kind for feature in self.features}
        return next((kind for kind in ("polygon", "line", "point") if kind in kinds), "none")


def flat(positions: object) -> FloatArray:
    """Positions of any dimension as (n, 2). Raises `ValueError` or `TypeError` if they are none."""
    rows = [(float(p[0]), float(p[1])) for p in positions]  # type: ignore[attr-defined]
    if any(isinstance(p, (str, dict)) or isinstance(p[0], bool) or isinstance(p[1], bool)
           for p in positions):  # type: ignore[attr-defined]
        raise ValueError("a position is not a list of numbers")
    if not rows:
        return NO_POINTS
    array = np.array(rows, dtype=np.float64)
    if not np.isfinite(array).all():
        raise ValueError("a coordinate is not a finite number")
    return array


def shape_of(geometry: shapely.Geometry | None) -> Shape:
    """A `Shape` from shapely, Z and M dropped; collections give all their parts.

    Raises `ValueError` for a curve, which shapely cannot take apart.
    """
    if geometry is None or geometry.is_empty:
        return Shape()
    had_heights = bool(shapely.has_z(geometry) or shapely.has_m(geometry))
    geometry = shapely.force_2d(geometry)
    leaves = [geometry]
    while any(hasattr(leaf, "geoms") for leaf in leaves):
        leaves = [part for leaf in leaves for part in getattr(leaf, "geoms", (leaf,))]
    # shapely hands out a curve inside a collection as None.
    if any(leaf is None or leaf.geom_type not in _STRAIGHT for leaf in leaves):
        raise ValueError("holds a curve or surface that is not made of straight lines")
    leaves = [leaf for leaf in leaves if not leaf.is_empty]

    def of(*types: str) -> list[shapely.Geometry]:
        return [leaf for leaf in leaves if leaf.geom_type in types]

    points = [shapely.get_coordinates(leaf) for leaf in of("Point")]
    return Shape(
        polygons=tuple(
            tuple(shapely.get_coordinates(ring) for ring in (leaf.exterior, *leaf.interiors))
            for leaf in of("Polygon")
        ),
        lines=tuple(shapely.get_coordinates(leaf) for leaf in of("LineString", "LinearRing")),
        points=np.vstack(points) if points else NO_POINTS,
        had_heights=had_heights,
    )
