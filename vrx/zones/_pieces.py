"""Pieces of shapes laid over a field (cells, sectors, strips, other zones), merged by the rules."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx.geo import dissolve, shared_edges
from vrx.model import BoolArray, Finding, IntArray, note, warn
from vrx.units import ACRE_M2
from vrx.zones._regions import merge_small

# What two outlines that mean to be one leave between them goes even without a smallest area.
_SLIVER_M2 = 1.0


def merge_pieces(
    polygons: Sequence[shapely.Geometry],
    owner: IntArray,
    *,
    smallest_ac: float,
    fixed: BoolArray | None = None,
    most: int | None = None,
) -> tuple[list[shapely.Geometry], list[int], list[Finding]]:
    """Pieces under the smallest area joined to the neighbour with the longest shared edge.

    Pieces of one owner that touch become one. `fixed` pieces (n,) neither give nor take. With
    `most`, merging goes on likewise until no more pieces are left. Returns polygons, the owner of
    each, and what was merged or could not be.
    """
    pairs, lengths = shared_edges(polygons)
    sizes = np.array([polygon.area for polygon in polygons])
    limit = max(smallest_ac * ACRE_M2 * (1 - 1e-9), _SLIVER_M2)
    keep = np.zeros(len(sizes), dtype=bool) if fixed is None else fixed
    if len(pairs):
        free = ~keep[pairs].any(axis=1)
        pairs, lengths = pairs[free], lengths[free]
    kinds = int(owner.max()) + 1
    found = merge_small(
        sizes=np.where(keep, np.inf, sizes), kinds=owner, pairs=pairs, lengths=lengths,
        smallest=limit, distance=1 - np.eye(kinds, dtype=np.int64), most=most,
    )
    root = _touching(found.owner, owner, pairs)
    merged = dissolve(polygons, root)
    kept = [int(owner[one]) for one in np.unique(root)]
    told = []
    moved = [size / ACRE_M2 for size in found.moved_sizes if size > _SLIVER_M2]
    if moved:
        told.append(note(
            "zones-small-merged", "zones",
            f"{len(moved)} pieces under the smallest area of {smallest_ac:g} ac, "
            f"{sum(moved):.2f} ac in all",
            value=f"{sum(moved):.3f}",
            done="each joined to the neighbour with the longest shared edge",
        ))
    forced_ac = found.largest_forced / ACRE_M2
    free_ones = [p for p, n in zip(merged, np.unique(root).tolist(), strict=True) if not keep[n]]
    told += count_findings(free_ones, forced_ac, smallest_ac, most or len(merged))
    return merged, kept, told


def _touching(root: IntArray, owner: IntArray, pairs: IntArray) -> IntArray:
    """Roots (n,) with pieces of one owner that touch joined."""
    group = root.copy()
    changed = True
    while changed:
        changed = False
        for one, two in pairs.tolist():
            low, high = sorted((int(group[one]), int(group[two])))
            if low != high and owner[low] == owner[high]:
                group[group == high] = low
                changed = True
    return group


def count_findings(
    polygons: Sequence[shapely.Geometry], forced_ac: float, smallest_ac: float, most: int
) -> list[Finding]:
    """What is told of zones that are fewer, smaller or more than the rules want."""
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
        if polygon.area / ACRE_M2 < smallest_ac * (1 - 1e-9)
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
