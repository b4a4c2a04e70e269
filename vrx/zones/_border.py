"""The border between two zones drawn anew: which faces change sides."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.geo import shared_edges
from vrx.model import BoolArray, Field, IntArray, Zone, Zones
from vrx.zones._recut import SNAP_M, Cut, carried, cut, without_slivers

_ON_M = 1e-6
"""An edge this near to the old border lies on it."""


def redrawn(
    zones: Zones, field: Field, *, one: int, two: int, line: shapely.LineString, reach_m: float,
    everyone: bool,
) -> tuple[Cut, IntArray]:
    """The two zones and their neighbours cut along the line, and the owners (n,) of the faces.

    Raises as `vrx.zones.redraw_border`.
    """
    zone, other = zones.zones[one], zones.zones[two]
    arcs = _arcs(zone, other)
    whole = shapely.coverage_union_all(np.array([zone.polygon, other.polygon], dtype=object))
    edge = shapely.boundary(whole)
    line = carried(line, whole, shapely.union_all([edge, *arcs]), reach_m)
    found = cut(zones, field, area=[one, two], line=line, everyone=everyone)
    pairs, openness = _border_pairs(found, one, two, arcs)
    best: tuple[float, IntArray] | None = None
    for stretches in _replaced(line, arcs, edge):
        owner = _divided(found, one, two, pairs, openness(stretches))
        if owner is None:
            continue
        owner, _ = without_slivers(found, owner, [one, two])
        moved = float(shapely.area(found.faces[owner != found.held]).sum())
        if {one, two} <= set(owner.tolist()) and (best is None or moved < best[0]):
            best = moved, owner
    if best is None:
        raise InputError(
            f"the line does not divide zones {zone.letter} and {other.letter} in two",
            code="edit-border-lost", where=f"zones {zone.letter} and {other.letter}",
            hint="draw it from edge to edge of the two zones together, or from one place of the "
            "old border to another",
        )
    return found, best[1]


def _arcs(zone: Zone, other: Zone) -> list[shapely.LineString]:
    """The stretches of the border of two zones, each as long as it goes."""
    shared = shapely.intersection(
        shapely.boundary(zone.polygon), shapely.boundary(other.polygon))
    # A shared edge without length, which GEOS may give at a corner, is none.
    lines = [part for part in shapely.get_parts(shared)
             if part.geom_type == "LineString" and part.length > 0]
    arcs = [] if zone is other or not lines else [
        arc for arc in shapely.get_parts(shapely.line_merge(shapely.union_all(lines)))
        if arc.length > 0]
    if not arcs:
        raise InputError(
            f"zones {zone.letter} and {other.letter} share no edge", code="edit-border-none",
            where=f"zones {zone.letter} and {other.letter}", hint="name two neighbours",
        )
    return arcs


# Per arc, the intervals (metres along it) that the new line replaces.
Stretches = tuple[tuple[tuple[float, float], ...], ...]


def _replaced(
    line: shapely.LineString, arcs: list[shapely.LineString], edge: shapely.Geometry
) -> Iterator[Stretches]:
    """Every way in which the line can stand for a part of the old border."""
    everything: Stretches = tuple(((0.0, arc.length),) for arc in arcs)
    ends = []
    for point in (line.coords[0], line.coords[-1]):
        place = shapely.Point(point)
        away = [arc.distance(place) for arc in arcs]
        nearest = int(np.argmin(away))
        if away[nearest] < SNAP_M < edge.distance(place):
            ends.append((nearest, arcs[nearest].project(place)))
    if line.is_closed or not ends or len({arc for arc, _ in ends}) > 1:
        yield everything
        return
    at, places = ends[0][0], sorted(place for _, place in ends)
    length = arcs[at].length

    def only(*spans: tuple[float, float]) -> Stretches:
        return tuple(spans if k == at else () for k in range(len(arcs)))

    if len(places) == 2:
        yield only((places[0], places[1]))
        if arcs[at].is_closed:
            yield only((0.0, places[0]), (places[1], length))
        return
    for span in ((0.0, places[0]), (places[0], length)):
        yield only(span)


def _border_pairs(
    found: Cut, one: int, two: int, arcs: list[shapely.LineString]
) -> tuple[IntArray, Callable[[Stretches], BoolArray]]:
    """Neighbouring faces (m, 2) of the two zones, and a function: which edges the line replaces."""
    mine = np.flatnonzero(np.isin(found.held, [one, two]))
    pairs, _ = shared_edges(list(found.faces[mine]))
    pairs = mine[pairs]
    across = found.held[pairs[:, 0]] != found.held[pairs[:, 1]]
    pairs = pairs[across]
    common = shapely.intersection(
        shapely.boundary(found.faces[pairs[:, 0]]), shapely.boundary(found.faces[pairs[:, 1]]))
    places = []
    for shared in common:
        longest = max(
            (part for part in shapely.get_parts(shapely.line_merge(shared)
             if shared.geom_type == "MultiLineString" else shared)
             if part.geom_type == "LineString"), key=lambda part: part.length)
        middle = longest.interpolate(0.5, normalized=True)
        arc = int(np.argmin([one_arc.distance(middle) for one_arc in arcs]))
        places.append((arc, arcs[arc].project(middle)))

    def openness(stretches: Stretches) -> BoolArray:
        return np.array([
            any(low <= place <= high for low, high in stretches[arc]) for arc, place in places
        ], dtype=bool)

    return pairs, openness


def _divided(
    found: Cut, one: int, two: int, pairs: IntArray, opened: BoolArray
) -> IntArray | None:
    """Owners (n,) when faces on both sides of the replaced border are one; None for one piece."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    count = len(found.faces)
    open_pairs = pairs[opened]
    links = coo_array(
        (np.ones(len(open_pairs)), (open_pairs[:, 0], open_pairs[:, 1])), shape=(count, count))
    _, piece = connected_components(links, directed=False)
    area = shapely.area(found.faces)
    mine = np.isin(found.held, [one, two])
    present = np.unique(piece[mine])
    if len(present) < 2:
        return None
    had = np.array([
        [area[(piece == k) & (found.held == held)].sum() for held in (one, two)] for k in present
    ])
    share = had / had.sum(axis=0)
    # The pieces with most of each zone go to them; a piece cannot be both.
    ways = [(i, j) for i in range(len(present)) for j in range(len(present)) if i != j]
    first, second = max(ways, key=lambda way: share[way[0], 0] + share[way[1], 1])
    to_one = had[:, 0] >= had[:, 1]
    to_one[first], to_one[second] = True, False
    owner = found.held.copy()
    for k, is_one in zip(present, to_one, strict=True):
        owner[(piece == k) & mine] = one if is_one else two
    return owner
