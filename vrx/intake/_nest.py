"""Closed areas of one feature -> land and holes, by how they lie in each other.

What a file says of a ring (land or hole) is believed where the rings agree with it. Where they do
not, the acres between the two readings decide: up to the share that is repaired without asking it
is told, above it stops.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from vrx.geo import lonlat_area_m2
from vrx.model import Finding, Severity, note, warn
from vrx.units import acres_from_m2

_TOUCH = 1e-9
"""Shared ground below this share of the smaller area comes from rounding."""
_CHOICE = 'mend the file, or take it so (crossing = "as drawn")'


def _flat(geometry: shapely.Geometry) -> shapely.MultiPolygon:
    parts = [p for p in shapely.get_parts(shapely.get_parts(geometry)) if p.geom_type == "Polygon"]
    return shapely.MultiPolygon([part for part in parts if not part.is_empty])


def _ac(geometry: shapely.Geometry) -> float:
    flat = _flat(geometry)
    return acres_from_m2(lonlat_area_m2(flat)) if not flat.is_empty else 0.0


@dataclass(slots=True)
class _Pairs:
    """What pairs of rings are to each other, as indices of rings."""

    twins: list[tuple[int, int]]
    inside: list[tuple[int, int]]
    partly: list[tuple[int, int]]


def _pairs(areas: Sequence[shapely.MultiPolygon], said_hole: Sequence[bool], safe: float) -> _Pairs:
    found = _Pairs(twins=[], inside=[], partly=[])
    sizes = np.array([area.area for area in areas])
    tree = shapely.STRtree(areas)
    for i, j in tree.query(areas, predicate="intersects").T.tolist():
        if (sizes[i], -i) >= (sizes[j], -j):
            continue
        shared = areas[i].intersection(areas[j]).area
        if shared <= _TOUCH * sizes[i]:
            continue
        if shared >= (1.0 - safe) * sizes[j] and said_hole[i] == said_hole[j]:
            found.twins.append((i, j))
        elif shared >= (1.0 - safe) * sizes[i]:
            found.inside.append((i, j))
        else:
            found.partly.append((i, j))
    return found


def _without_twins(
    areas: Sequence[shapely.MultiPolygon], twins: Sequence[tuple[int, int]], where: str
) -> tuple[set[int], list[Finding]]:
    """Rings to leave out because a like one stays, and what must be said."""
    gone: set[int] = set()
    findings: list[Finding] = []
    for i, j in sorted(twins, reverse=True):
        if i in gone or j in gone:
            gone.add(i)
            continue
        # Of two that differ a little the first one stays, as it does between records.
        away, stays = max(i, j), min(i, j)
        gone.add(away)
        if areas[i].equals(areas[j]):
            findings.append(note("boundary-drawn-twice", where,
                                 f"the same ring twice ({_ac(areas[stays]):.3f} ac)",
                                 done="counts once"))
        else:
            findings.append(warn(
                "boundary-nearly-twice", where,
                f"a ring of {_ac(areas[away]):.3f} ac is nearly one of {_ac(areas[stays]):.3f} ac",
                done=f"{_ac(areas[stays]):.3f} ac are read, the other ring is left out",
                todo="take the wrong one out of the file"))
    return gone, findings


@dataclass(frozen=True, slots=True, kw_only=True)
class _Limit:
    """How many acres may change without asking, and whether the user chose to take more."""

    safe_ac: float
    as_drawn: bool

    def allows(self, ac: float) -> bool:
        return self.as_drawn or ac <= self.safe_ac

    def ending(self, ac: float, done: str) -> dict[str, str]:
        """What was done, or what to do, for a finding."""
        if not self.allows(ac):
            return {"todo": _CHOICE}
        return {"done": done + ("" if ac <= self.safe_ac else ", as you chose")}


def put_together(
    areas: Sequence[shapely.MultiPolygon], said_hole: Sequence[bool], *, where: str, safe: float,
    as_drawn: bool,
) -> tuple[shapely.MultiPolygon, list[Finding]]:
    """Valid areas of rings, and whether the file calls each a hole -> one area, and the findings.

    Rings inside an odd number of others are holes, whatever the file says. `safe` is the share of
    the area that may change without asking; `as_drawn` is the user's choice to take what is more.
    """
    if len(areas) == 1:
        return _flat(areas[0]), []
    pairs = _pairs(areas, said_hole, safe)
    gone, findings = _without_twins(areas, pairs.twins, where)
    kept = [k for k in range(len(areas)) if k not in gone]
    depth = dict.fromkeys(kept, 0)
    for i, j in pairs.inside:
        if i in depth and j in depth:
            depth[i] += 1
    partly = [(i, j) for i, j in pairs.partly if i in depth and j in depth]
    odd = {k: depth[k] % 2 == 1 for k in kept}
    taken = [k for k in kept if odd[k] and not said_hole[k]]
    crossed = {k for i, j in partly for k, other in ((i, j), (j, i))
               if said_hole[k] and not odd[k] and not said_hole[other]}
    for k in crossed:
        depth[k] += 1
    outside = [k for k in kept if depth[k] % 2 == 0 and said_hole[k] and k not in crossed]
    whole = _even_odd([areas[k] for k in kept], [depth[k] for k in kept])
    limit = _Limit(safe_ac=safe * _ac(whole), as_drawn=as_drawn)
    if taken:
        findings.append(note(
            "boundary-rings-as-holes", where, f"{len(taken)} rings inside the boundary taken as "
            "holes", done="the file wound or listed them as if they were land: "
            f"{sum(_ac(areas[k]) for k in taken):.3f} ac of rings, {_ac(whole):.3f} ac remain"))
    if outside:
        extra = sum(_ac(areas[k]) for k in outside)
        within = "another hole" if all(depth[k] for k in outside) else "no other ring"
        findings.append(Finding(
            severity=Severity.NOTE if limit.allows(extra) else Severity.STOP,
            code="boundary-holes-as-parts", where=where,
            what=f"{len(outside)} rings ({extra:.3f} ac) are listed as holes but lie in {within}",
            **limit.ending(extra, f"taken as parts of the field: {_ac(whole):.3f} ac")))
    if crossed:
        land = shapely.union_all([areas[k] for k in kept if depth[k] % 2 == 0])
        out = sum(_ac(areas[k].difference(land)) for k in crossed)
        findings.append(Finding(
            severity=Severity.NOTE if limit.allows(out) else Severity.STOP,
            code="boundary-hole-outside", where=where,
            what=f"{len(crossed)} holes reach {out:.3f} ac beyond the ring that they lie in; "
            f"{_ac(whole):.3f} ac remain if that is no field",
            **limit.ending(out, f"cut out: {_ac(whole):.3f} ac")))
    shells = [(i, j) for i, j in partly if not (said_hole[i] or said_hole[j])
              and depth[i] % 2 == depth[j] % 2 == 0]
    if shells:
        shared = sum(_ac(areas[i].intersection(areas[j])) for i, j in shells)
        findings.append(Finding(
            severity=Severity.NOTE if limit.allows(shared) else Severity.STOP,
            code="boundary-parts-overlap", where=where,
            what=f"parts of one record overlap by {shared:.3f} ac; {_ac(whole):.3f} ac if it "
            "counts once", **limit.ending(shared, f"counts once: {_ac(whole):.3f} ac")))
    return whole, findings


def _even_odd(areas: Sequence[shapely.MultiPolygon], depth: Sequence[int]) -> shapely.MultiPolygon:
    result: shapely.Geometry = shapely.MultiPolygon()
    for level in sorted(set(depth)):
        here = shapely.union_all([a for a, d in zip(areas, depth, strict=True) if d == level])
        result = result.union(here) if level % 2 == 0 else result.difference(here)
    return _flat(result)


__all__ = ["put_together"]
