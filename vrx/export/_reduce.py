"""Fewer corners for a coverage: shared edges stay shared, and no edge moves farther than asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely

from vrx import geo
from vrx.errors import ExportError
from vrx.export._reduce_arcs import simplified

_HALVINGS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Vertices to come down to, in all and in one polygon (closing ones counted); None no matter.

    With neither, as few as `within_m` allows.
    """

    within_m: float
    most: float | None = None
    most_polygon: float | None = None

    @property
    def fewest(self) -> bool:
        """Whether there is no number to come down to."""
        return self.most is None and self.most_polygon is None

    def met(self, polygons: Sequence[shapely.Geometry]) -> bool:
        """Whether they are few enough already; never, without a number to come down to."""
        if self.fewest:
            return False
        total, largest = counted(polygons)
        return (total <= (self.most or np.inf)) and largest <= (self.most_polygon or np.inf)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reduced:
    """The polygons with fewer corners; `edge_m` is how far an edge moved at most."""

    polygons: tuple[shapely.Geometry, ...]
    edge_m: float
    outline_kept: bool


def counted(polygons: Sequence[shapely.Geometry]) -> tuple[int, int]:
    """Vertices of all polygons, and of the simple polygon that has most."""
    parts = shapely.get_parts(np.array(polygons, dtype=object))
    each = shapely.get_num_coordinates(parts)
    return int(each.sum()), int(each.max(initial=0))


def reduced(polygons: Sequence[shapely.Geometry], wanted: Wanted) -> Reduced | None:
    """As `_reduced`, which is asked again for each pass over the same zones."""
    return _reduced(tuple(polygons), wanted)


@lru_cache(maxsize=4)
def _reduced(polygons: tuple[shapely.Geometry, ...], wanted: Wanted) -> Reduced | None:
    """The coverage with just as few corners as wanted, or the fewest within reach; None where
    nothing is to be left out.

    Where there is a number to come down to, inner edges give way before the outline. Metres in,
    metres out. Raises `ExportError` where what comes out is no coverage.
    """
    given = np.array(polygons, dtype=object)
    if wanted.met(polygons):
        return None
    inner = None if wanted.fewest else _fewest(given, wanted, outline=False)
    best = inner
    if inner is None or not wanted.met(inner.polygons):
        whole = _fewest(given, wanted, outline=True)
        if whole is not None and (
                inner is None or counted(whole.polygons) < counted(inner.polygons)):
            best = whole
    if best is None or counted(best.polygons) == counted(polygons):
        return None
    trouble = geo.coverage_trouble(best.polygons, shapely.union_all(best.polygons))
    if trouble:
        raise ExportError(
            f"with fewer corners the zones would not fit together: {trouble}",
            code="export-reduce", where="reduce_within_ft",
            hint="take a smaller reduce_within_ft, or leave it out")
    return best


def _fewest(given: np.ndarray, wanted: Wanted, *, outline: bool) -> Reduced | None:
    """The least simplification that is enough, else the strongest within reach; by halving."""
    by_borders = _search(given, wanted, outline=outline, borders=True)
    if by_borders is not None and (wanted.fewest or wanted.met(by_borders.polygons)):
        return by_borders
    # Where borders would cross, corners are left out with an eye on the neighbours.
    by_corners = _search(given, wanted, outline=outline, borders=False)
    found = [one for one in (by_borders, by_corners) if one is not None]
    return min(found, key=lambda one: counted(one.polygons), default=None)


def _search(
    given: np.ndarray, wanted: Wanted, *, outline: bool, borders: bool
) -> Reduced | None:
    """The search by one of two ways: whole borders, or corners of all zones at once."""
    low, high = 0.0, wanted.within_m * (1.0 if borders else 4.0)
    best: Reduced | None = None
    for turn in range(_HALVINGS):
        # The farthest first: most files are small enough long before.
        middle = high if not turn else (low + high) / 2
        made = (simplified(given, middle, outline=outline) if borders else
                shapely.coverage_simplify(given, middle, simplify_boundary=outline))
        if made is None:
            high = middle
            continue
        moved = _moved_m(given, made)
        near = moved <= wanted.within_m and _whole(given, made) and _fits(made)
        enough = wanted.met(tuple(made))
        if near and (enough or best is None or not wanted.met(best.polygons)):
            best = Reduced(polygons=tuple(made), edge_m=moved, outline_kept=not outline)
        if near and not enough:
            if not turn:
                break
            low = middle
        else:
            high = middle
    return best


def _fits(made: np.ndarray) -> bool:
    return bool(shapely.is_valid(made).all() and shapely.coverage_is_valid(made))


def _whole(given: np.ndarray, made: np.ndarray) -> bool:
    """No zone, part or hole is lost."""
    return all(
        shapely.get_num_geometries(a) == shapely.get_num_geometries(b)
        and len(shapely.get_rings(shapely.get_parts(a)))
        == len(shapely.get_rings(shapely.get_parts(b)))
        for a, b in zip(given, made, strict=True))


def _moved_m(given: np.ndarray, made: np.ndarray) -> float:
    """How far any corner left out lies from the new edges, zone by zone, metres.

    New corners are old ones, so this is the Hausdorff distance of the lines.
    """
    worst = 0.0
    for old, new in zip(given, made, strict=True):
        edge = shapely.boundary(new)
        shapely.prepare(edge)
        at = shapely.points(shapely.get_coordinates(old))
        worst = max(worst, float(shapely.distance(at, edge).max()))
    return worst


def moved_acres(
    given: Sequence[shapely.Geometry], made: Sequence[shapely.Geometry],
    crs_centre: tuple[float, float],
) -> tuple[float, float]:
    """Acres that changed their zone, lost it or gained one, and those of them beyond the field."""
    kept = sum(shapely.intersection(old, new).area for old, new in zip(given, made, strict=True))
    before, after = shapely.union_all(given), shapely.union_all(made)
    outside = shapely.difference(after, before)
    lost = before.area - kept
    square_m = geo.area_ac(before, crs_centre) / before.area
    beyond = 0.0 if outside.is_empty else float(outside.area)
    return (lost + beyond) * square_m, beyond * square_m
