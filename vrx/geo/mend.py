"""Polygons that a user drew, noded into a true coverage of the boundary."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from vrx.errors import ComputeError, InputError
from vrx.geo.coverage import (
    coverage_trouble,
    dissolve,
    noded_faces,
    outer_vertices,
    require_coverage,
    round_coverage,
    shared_edges,
)
from vrx.geo.crs import to_lonlat
from vrx.geo.faults import CoverageFaults, Fault, coverage_faults, fault_place
from vrx.model import BoolArray, FloatArray, IntArray
from vrx.units import ACRE_M2

CLOSE_M = 0.5
"""Gaps and overlaps nowhere wider than this, in metres, are closed; wider ones are refused."""
# Without a lattice, edges that run side by side within rounding give specks that no later rounding
# survives, or are not noded at all. The finer ones serve where a millimetre makes edges cross.
_LATTICES_M = (1e-3, 0.7e-3, 2e-3, 5e-3, 1e-2, 2e-2, 1e-4, 1e-5)
# As `vrx.formats.layer.COORDINATE_DECIMALS`, which this room may not import.
_EXPORT_DECIMALS = 9
_NOTHING_M = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MadeCoverage:
    """A true coverage in the order of the polygons given, and what was closed or cut to make it.

    `faults` are those of the polygons as they came.
    """

    polygons: tuple[shapely.Geometry, ...]
    faults: CoverageFaults


def coverage_from_polygons(
    polygons: Sequence[shapely.Geometry],
    boundary: shapely.Geometry,
    *,
    crs_centre: tuple[float, float],
    names: Sequence[str],
    close_m: float = CLOSE_M,
    where: str = "zones",
    renode: bool = False,
) -> MadeCoverage:
    """Make valid polygons a true coverage of the boundary, all in the field's CRS.

    What is a true coverage already comes back as it is, unless `renode`. Otherwise all outlines
    and the boundary are noded together on a lattice of a millimetre (up to 2 cm where edges lie so
    close that exported degrees would make them cross) and polygonised, so that every edge is made
    once and shared edges match; then the outer vertices go back onto the exact boundary. Gaps and
    overlaps nowhere wider than `close_m` go to the neighbour with the longest shared edge (of an
    overlap: to one of its owners). What lies outside the boundary is cut off.

    Raises:
        InputError: a gap or overlap is wider than `close_m` (acres and place of the largest are in
            the message), or a polygon has nothing inside the boundary.
        ComputeError: the result is no true coverage, or a polygon would change by more than the
            faults closed.
    """
    if not renode and not coverage_trouble(polygons, boundary):
        none = CoverageFaults(gaps=(), overlaps=(), outside=())
        return MadeCoverage(polygons=tuple(polygons), faults=none)
    faults = coverage_faults(polygons, boundary)
    _require_narrow(faults, crs_centre=crs_centre, names=names, close_m=close_m, where=where)
    cuts = _gap_cuts(faults, boundary, close_m)
    made: list[shapely.Geometry] = []
    good: list[shapely.Geometry] = []
    for lattice_m in _LATTICES_M:
        made = _noded(polygons, boundary, names, lattice_m, where=where, cuts=cuts)
        if coverage_trouble(made, boundary) or not _same(made, polygons, faults, lattice_m):
            continue
        good = good or made
        if _rounds(made, crs_centre):
            return MadeCoverage(polygons=tuple(made), faults=faults)
    if good:
        return MadeCoverage(polygons=tuple(good), faults=faults)
    require_coverage(made, boundary, where=where)
    raise ComputeError(
        "a zone would change by more than the gaps and overlaps that are closed",
        code="coverage-changed", where=where,
        hint="look for edges of neighbours that run side by side within a few millimetres",
    )


def coverage_of_layers(
    layers: Sequence[Sequence[shapely.Geometry]],
    boundary: shapely.Geometry,
    *,
    crs_centre: tuple[float, float],
    complete: Sequence[bool] | None = None,
    where: str = "zones",
) -> tuple[tuple[shapely.Polygon, ...], IntArray]:
    """Layers of shapes crossed with each other as a true coverage of the boundary.

    Each layer tiles the field (or, where `complete` is False, lies on part of it) and may reach
    beyond. All outlines and the boundary are noded together on a lattice of about a millimetre and
    polygonised; no shape is ever cut by another, since overlays of edges that nearly coincide may
    lose whole parts. Returns connected polygons (n,) and, for each, the position of its shape in
    every layer (n, layers), -1 where an incomplete layer has none there.

    Raises:
        ComputeError: no true coverage can be made.
    """
    whole = [True] * len(layers) if complete is None else list(complete)
    lines = [
        *(edge for layer in layers for edge in shapely.boundary(np.array(layer, dtype=object))),
        shapely.boundary(boundary),
    ]
    good: tuple[tuple[shapely.Polygon, ...], IntArray] | None = None
    trouble = ""
    for lattice_m in _LATTICES_M:
        faces, inner = noded_faces(lines, boundary, lattice_m=lattice_m)
        owners = np.stack([
            _layer_owners(faces, inner, layer, complete=full)
            for layer, full in zip(layers, whole, strict=True)
        ], axis=1)
        kinds, group = np.unique(owners, axis=0, return_inverse=True)
        made = _onto(dissolve(list(faces), group.ravel()), boundary, lattice_m)
        trouble = coverage_trouble(made, boundary)
        if trouble:
            continue
        parts, of = shapely.get_parts(np.array(made, dtype=object), return_index=True)
        good = good or (tuple(parts), kinds[of])
        if _rounds(made, crs_centre):
            return tuple(parts), kinds[of]
    if good is None:
        raise ComputeError(
            f"the zones do not cover the field exactly: {trouble}", code="coverage-invalid",
            where=where, hint="check the boundary for edges that nearly touch",
        )
    return good


def _layer_owners(
    faces: FloatArray, inner: FloatArray, layer: Sequence[shapely.Geometry], *, complete: bool
) -> IntArray:
    """The shape of a layer that each face lies in; of none: by the longest edge, or -1."""
    face, shape = shapely.STRtree(layer).query(inner, predicate="intersects")
    if not complete:
        owner = np.full(len(faces), -1, dtype=np.int64)
        owner[face[::-1]] = shape[::-1]
        return owner
    held = np.zeros((len(faces), len(layer)), dtype=bool)
    held[face, shape] = True
    return _owners(faces, held)


def _rounds(polygons: Sequence[shapely.Geometry], crs_centre: tuple[float, float]) -> bool:
    """Whether the coverage will survive the rounding of exported degrees."""
    try:
        round_coverage([to_lonlat(polygon, crs_centre) for polygon in polygons], _EXPORT_DECIMALS)
    except ComputeError:
        return False
    return True


def _same(
    made: Sequence[shapely.Geometry],
    polygons: Sequence[shapely.Geometry],
    faults: CoverageFaults,
    lattice_m: float,
) -> bool:
    """Whether no polygon gained or lost more than its faults and the lattice account for."""
    allowed = (faults.gap_ac + faults.overlap_ac) * ACRE_M2
    for after, before in zip(made, polygons, strict=True):
        outside = sum(
            shapely.area(shapely.intersection(fault.geometry, before)) for fault in faults.outside
        )
        moved = shapely.area(shapely.symmetric_difference(after, before))
        if moved > allowed + outside + 2 * lattice_m * shapely.length(before):
            return False
    return True


def _require_narrow(
    faults: CoverageFaults,
    *,
    crs_centre: tuple[float, float],
    names: Sequence[str],
    close_m: float,
    where: str,
) -> None:
    wrong = []
    for kind, total, found in (
        ("gaps, in no zone", faults.gap_ac, faults.gaps),
        ("overlaps, in two zones or more", faults.overlap_ac, faults.overlaps),
    ):
        wide = [fault for fault in found if fault.wider_than(close_m)]
        if not wide:
            continue
        first = wide[0]
        wrong.append(
            f"{total:.3f} ac of {kind} ({len(found)} places, {len(wide)} wider than {close_m:g} m; "
            f"the largest {first.area_ac:.3f} ac at {fault_place(first, crs_centre)}"
            f"{_between(first, names)})"
        )
    if wrong:
        raise InputError(
            "the zones do not cover the field once: " + "; ".join(wrong),
            code="zones-gaps-overlaps", where=where,
            hint="move the edges until neighbours meet, or split them along one common line",
        )


def _between(fault: Fault, names: Sequence[str]) -> str:
    touched = [names[position] for position in fault.polygons]
    return f", by {' and '.join(repr(name) for name in touched[:4])}" if touched else ""


def _gap_cuts(
    faults: CoverageFaults, boundary: shapely.Geometry, close_m: float
) -> list[shapely.Geometry]:
    """Lines from the corners of gaps along the boundary straight to it, within the gap.

    A boundary drawn with few corners leaves one long gap along many zones. Cut at their corners it
    goes to each of them; whole it would go to one, as a hair along all others.
    """
    edge = shapely.boundary(boundary)
    cuts = []
    for gap in faults.gaps:
        if len(gap.polygons) < 2:
            continue
        corners = shapely.points(shapely.get_coordinates(gap.geometry))
        lines = shapely.shortest_line(corners, edge)
        lengths = shapely.length(lines)
        held = (lengths > _NOTHING_M) & (lengths <= close_m)
        held[held] = shapely.covers(shapely.buffer(gap.geometry, _NOTHING_M), lines[held])
        cuts += list(lines[held])
    return cuts


def _noded(
    polygons: Sequence[shapely.Geometry],
    boundary: shapely.Geometry,
    names: Sequence[str],
    lattice_m: float,
    *,
    where: str,
    cuts: Sequence[shapely.Geometry],
) -> list[shapely.Geometry]:
    array = np.array(polygons, dtype=object)
    faces, inner = noded_faces(
        [*shapely.boundary(array), shapely.boundary(boundary), *cuts], boundary,
        lattice_m=lattice_m,
    )
    held = np.zeros((len(faces), len(polygons)), dtype=bool)
    face, polygon = shapely.STRtree(array).query(inner, predicate="intersects")
    held[face, polygon] = True
    owner = _owners(faces, held)
    lost = [names[n] for n in range(len(polygons)) if not np.any(owner == n)]
    if lost:
        raise InputError(
            f"zone {lost[0]!r} has no area of its own inside the boundary",
            code="zone-outside", where=where, hint="leave it out, or check its coordinates",
        )
    return _onto(dissolve(list(faces), owner), boundary, lattice_m)


def _onto(
    polygons: Sequence[shapely.Geometry], boundary: shapely.Geometry, lattice_m: float
) -> list[shapely.Geometry]:
    """Move the outer vertices of a coverage from the lattice back onto the exact boundary.

    A vertex on the place of a boundary vertex becomes that vertex, another goes to the nearest
    point of the boundary; equal vertices move equally, so shared edges stay shared.
    """
    edge = shapely.boundary(boundary)
    exact = {
        (round(float(point[0]) / lattice_m), round(float(point[1]) / lattice_m)): point
        for point in shapely.get_coordinates(edge)
    }
    outer = np.unique(outer_vertices(polygons), axis=0)
    nearest = shapely.get_coordinates(shapely.shortest_line(edge, shapely.points(outer)))[::2]
    moves = {}
    for vertex, near in zip(outer.tolist(), nearest, strict=True):
        key = (round(vertex[0] / lattice_m), round(vertex[1] / lattice_m))
        moves[tuple(vertex)] = exact.get(key, near)

    def move(points: FloatArray) -> FloatArray:
        return np.array([moves.get(tuple(point), point) for point in points.tolist()])

    return list(shapely.transform(np.array(polygons, dtype=object), move))


def _owners(faces: FloatArray, held: BoolArray) -> IntArray:
    """The polygon of each face; faces of none or of several go where they touch longest."""
    owner = np.where(held.sum(axis=1) == 1, held.argmax(axis=1), -1).astype(np.int64)
    pairs, lengths = shared_edges(list(faces))
    while True:
        waiting = np.flatnonzero(owner < 0)
        best: dict[int, dict[int, float]] = {}
        for (one, two), length in zip(pairs.tolist(), lengths.tolist(), strict=True):
            for face, other in ((one, two), (two, one)):
                to = int(owner[other])
                if owner[face] < 0 <= to and (held[face, to] or not held[face].any()):
                    touch = best.setdefault(face, {})
                    touch[to] = touch.get(to, 0.0) + length
        if not best:
            break
        for face, touch in best.items():
            owner[face] = max(touch, key=lambda to: (touch[to], -to))
    for face in waiting:
        # An overlap with no plain neighbour goes to its first owner; a gap there is a whole part.
        owner[face] = int(held[face].argmax())
    return owner
