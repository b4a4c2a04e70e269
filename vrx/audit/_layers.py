"""A layer as read back: columns, records, rings; geodesic acres; two layers compared."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from datetime import date
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import shapely

from vrx.audit._ledger import number
from vrx.model import FloatArray
from vrx.units import acres_from_m2

if TYPE_CHECKING:
    import pyproj

    from vrx.audit._raster import Raster

DEGREE_TOLERANCE = 1e-9
VALUE_TOLERANCE = 1e-9
Part = tuple[FloatArray, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Record:
    """One record. `parts` are polygons, each its shell first, then its holes.

    A ring is (vertices, 2), longitude and latitude in degrees, first vertex repeated at the end.
    `shape` is None where the record has no area.
    """

    number: int
    values: Mapping[str, object]
    parts: tuple[Part, ...]
    shape: shapely.Polygon | shapely.MultiPolygon | None
    area_ac: float

    @property
    def zone_id(self) -> int | None:
        """The zone's number, None where the record carries none."""
        value = self.values.get("ZONE_ID")
        figure = number(value)
        return int(figure) if math.isfinite(figure) and figure == int(figure) else None

    @property
    def name(self) -> str:
        """How a person finds the record."""
        letter = self.values.get("ZONE")
        if self.zone_id is not None:
            return f"zone {self.zone_id}" + (f" ({letter})" if isinstance(letter, str) else "")
        for key, value in self.values.items():
            if isinstance(value, str) and value and "zone" in key.lower():
                return f"zone {value} (record {self.number})"
        return f"record {self.number}"

    @property
    def rings(self) -> list[FloatArray]:
        """All rings, shells and holes alike."""
        return [ring for part in self.parts for ring in part]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """A file's records. `columns` maps column name to "int", "float", "text" or "other".

    `units` and `products` hold the unit ("lb/ac") and the product of columns where the format
    itself states them, `half_steps` half of the least step in which the format can write a rate, in
    that unit. `gridded` layers have acres by cells and no shapes; `raster` are a GeoTIFF's cells.
    `without_map` are a task's rates by "default", "position_lost" and "outside", then by column
    (None: no number), a key missing where the task names no zone for it; None of other formats.
    `stray_ac` are its cells outside the part field with another rate than the one outside.
    """

    name: str
    columns: Mapping[str, str]
    records: tuple[Record, ...]
    units: Mapping[str, str] = dataclass_field(default_factory=lambda: MappingProxyType({}))
    products: Mapping[str, str] = dataclass_field(default_factory=lambda: MappingProxyType({}))
    half_steps: Mapping[str, float] = dataclass_field(default_factory=lambda: MappingProxyType({}))
    gridded: bool = False
    raster: Raster | None = None
    without_map: Mapping[str, Mapping[str, object]] | None = None
    stray_ac: float = 0.0

    def by_zone(self) -> dict[int, Record]:
        """The records by zone; of a zone that stands twice, the first."""
        found: dict[int, Record] = {}
        for record in self.records:
            if record.zone_id is not None:
                found.setdefault(record.zone_id, record)
        return found

    @property
    def area_ac(self) -> float:
        """Sum of the records' acres."""
        return math.fsum(record.area_ac for record in self.records)


def same_places(first: Layer, second: Layer) -> bool:
    """Whether two layers hold the very same rings, in the same order."""
    left = [ring for one in first.records for ring in one.rings]
    right = [ring for one in second.records for ring in one.rings]
    return len(left) == len(right) and len(first.records) == len(second.records) and all(
        np.array_equal(one, two) for one, two in zip(left, right, strict=True))


def kind_of(value: object) -> str:
    """"int", "float", "text", "none" or "other"."""
    if isinstance(value, bool):
        return "other"
    if isinstance(value, int):
        return "int"
    if isinstance(value, float):
        return "float"
    return "text" if isinstance(value, str) else "none" if value is None else "other"


def columns_of(records: Sequence[Record]) -> dict[str, str]:
    """Columns by the values that stand in them, for formats that need not declare them."""
    kinds: dict[str, set[str]] = {}
    for record in records:
        for key, value in record.values.items():
            kinds.setdefault(key, set()).add(kind_of(value))
    return {key: _common(found) for key, found in kinds.items()}


def _common(kinds: set[str]) -> str:
    known = kinds - {"none"}
    if known <= {"int", "float"}:
        return "float" if "float" in known or not known else "int"
    return known.pop() if len(known) == 1 else "other"


def make_record(
    *, place: int, values: Mapping[str, object], parts: Sequence[Part], measure: bool = True
) -> Record:
    """A record from rings in degrees. Parts too small to be a ring are left out of the shape."""
    usable = [
        tuple(ring for ring in part if len(ring) >= 4)
        for part in parts
        if part and len(part[0]) >= 4
    ]
    polygons = [shapely.Polygon(part[0], list(part[1:])) for part in usable]
    shape: shapely.Polygon | shapely.MultiPolygon | None = None
    if len(polygons) == 1:
        shape = polygons[0]
    elif polygons:
        shape = shapely.MultiPolygon(polygons)
    area = math.fsum(part_area_ac(part) for part in usable) if measure else math.nan
    return Record(
        number=place, values=dict(values), parts=tuple(tuple(part) for part in parts),
        shape=shape, area_ac=area,
    )


@cache
def geod() -> pyproj.Geod:
    """The ellipsoid of WGS 84."""
    from pyproj import Geod

    return Geod(ellps="WGS84")


def ring_m(ring: FloatArray) -> tuple[float, float]:
    """Geodesic area (m2, whatever the winding) and perimeter (m) of one ring in degrees."""
    if len(ring) < 4 or not np.isfinite(ring).all():
        return 0.0, 0.0
    area, perimeter = geod().polygon_area_perimeter(ring[:-1, 0], ring[:-1, 1])
    return abs(float(area)), float(perimeter)


def part_area_ac(part: Part) -> float:
    """Geodesic acres of a shell less its holes.

    Ring by ring without sign, because a hole that winds like its shell would be added.
    """
    if not part:
        return 0.0
    return acres_from_m2(ring_m(part[0])[0] - math.fsum(ring_m(ring)[0] for ring in part[1:]))


def shape_area_ac(shape: shapely.Geometry) -> float:
    """Geodesic acres of the polygons in a geometry in degrees."""
    total = 0.0
    for piece in shapely.get_parts(shape):
        if piece.geom_type == "Polygon":
            rings = [piece.exterior, *piece.interiors]
            total += part_area_ac(tuple(np.asarray(ring.coords)[:, :2] for ring in rings))
        elif piece.geom_type in {"MultiPolygon", "GeometryCollection"}:
            total += shape_area_ac(piece)
    return total


def signed_area(ring: FloatArray) -> float:
    """Planar signed area of a closed ring, positive counter-clockwise."""
    east, north = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    with np.errstate(over="ignore", invalid="ignore"):
        return float(np.sum(east[:-1] * north[1:] - east[1:] * north[:-1])) / 2.0


def ring_difference(first: FloatArray, second: FloatArray) -> float:
    """Largest coordinate difference of two rings, whatever their winding and first vertex.

    Infinite where they have different numbers of vertices.
    """
    if len(first) != len(second) or len(first) < 4:
        return 0.0 if len(first) == len(second) and np.array_equal(first, second) else math.inf
    one, two = first[:-1], second[:-1]
    if signed_area(first) * signed_area(second) < 0:
        two = two[::-1]
    away = np.abs(two - one[0]).max(axis=1)
    starts = np.flatnonzero(away <= DEGREE_TOLERANCE)
    if len(starts) == 0:
        starts = np.array([int(np.argmin(away))])
    return min(float(np.abs(np.roll(two, -start, axis=0) - one).max()) for start in starts)


def record_difference(first: Record, second: Record) -> float:
    """Largest coordinate difference of two records, rings matched to their nearest."""
    left = first.rings
    free = second.rings
    if len(left) != len(free):
        return math.inf
    worst = 0.0
    for ring in left:
        scores = [ring_difference(ring, other) for other in free]
        best = int(np.argmin(scores))
        worst = max(worst, scores[best])
        free.pop(best)
    return worst


def same_value(first: object, second: object) -> bool:
    """Two attribute values agree: texts exactly, dates as ISO texts, figures to 1e-9 of their size.
    """
    first, second = (one.isoformat() if isinstance(one, date) else one for one in (first, second))
    if isinstance(first, str) or isinstance(second, str) or first is None or second is None:
        return first == second
    one, two = number(first), number(second)
    if math.isnan(one) or math.isnan(two):
        return math.isnan(one) and math.isnan(two)
    return one == two or abs(one - two) <= VALUE_TOLERANCE * max(abs(one), abs(two), 1.0)
