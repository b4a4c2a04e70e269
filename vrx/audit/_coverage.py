"""Zones as a coverage: no gap, no overlap, no sliver, every ring valid, shared edges alike.

Topology is judged on the coordinates as they stand in the file (degrees), amounts are geodesic.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from vrx.audit._layers import Layer, Record, part_area_ac, ring_m, shape_area_ac
from vrx.audit._ledger import Ledger
from vrx.model import FloatArray
from vrx.units import ACRE_M2

MOST_PIECES = 5
AREA_TOLERANCE_AC = 0.001
"""Overlap or gap below which the acres are no matter (4 m2)."""
SLIVER_WIDTH_M = 0.5
"""Mean width below which a part is a sliver that no spreader can follow (common practice, no
source)."""
_OVERLAP_NOISE_M2 = 1e-3
_GAP_WIDTH_DEG = 1e-6
_TOUCH_DEG = 1e-9


def check(
    layer: Layer, ledger: Ledger, *, boundary: Layer | None = None, explained: bool | None = None,
    strict: bool = True,
) -> None:
    """All coverage faults of a layer, each with its zones and place.

    `explained`: the acres agree with the field's, so a hole that several zones surround is the
    field's own; None where the field's acres are not known. `strict`: edges must match vertex by
    vertex (what vrx writes), else only acres count.
    """
    sound = [record for record in layer.records if _sound(record, layer.name, ledger)]
    if not sound:
        return
    duplicates = _duplicates(sound, layer.name, ledger)
    _overlaps(sound, duplicates, layer.name, ledger, strict=strict)
    _edges(sound, layer.name, ledger, strict=strict, explained=explained)
    union = shapely.union_all([record.shape for record in sound])
    _holes(union, sound, layer.name, ledger, explained=explained, bounded=boundary is not None)
    if boundary is not None:
        _against_boundary(union, layer.name, boundary, ledger)


def place_of(shape: shapely.Geometry) -> str:
    """Longitude and latitude of a point in a geometry, in words."""
    point = shape.representative_point()
    return f"at longitude {point.x:.6f}, latitude {point.y:.6f}"


def _sound(record: Record, name: str, ledger: Ledger) -> bool:
    where = f"{name}, {record.name}"
    if record.shape is None or record.shape.is_empty or record.area_ac == 0.0:
        ledger.fault(
            "no-area", where, "has no area", todo="leave the record out or export again"
        )
        return False
    if not all(np.isfinite(ring).all() for ring in record.rings):
        ledger.fault("ring", where, "a vertex is no number")
        return False
    for part in record.parts:
        _sliver(part, where, ledger)
    if not record.shape.is_valid:
        reason = shapely.is_valid_reason(record.shape)
        ledger.fault("invalid-ring", where, f"is no valid polygon: {reason}")
        return False
    return True


def _sliver(part: Sequence[FloatArray], where: str, ledger: Ledger) -> None:
    perimeter = math.fsum(ring_m(ring)[1] for ring in part)
    area = part_area_ac(tuple(part))
    width = 2.0 * area * ACRE_M2 / perimeter if perimeter else 0.0
    if width < SLIVER_WIDTH_M:
        first = part[0][0]
        ledger.fault(
            "sliver", where,
            f"a part of {area:.6f} ac is {width:.2f} m wide on average (limit {SLIVER_WIDTH_M} m), "
            f"at longitude {first[0]:.6f}, latitude {first[1]:.6f}",
            value=f"{width:.3f} m",
        )


def _duplicates(records: Sequence[Record], name: str, ledger: Ledger) -> set[tuple[int, int]]:
    found = set()
    for one in range(len(records)):
        for two in range(one + 1, len(records)):
            if abs(records[one].area_ac - records[two].area_ac) > 1e-6:
                continue
            if shapely.equals(records[one].shape, records[two].shape):
                found.add((one, two))
                ledger.fault(
                    "duplicate-zone", f"{name}, {_two(records[one], records[two])}",
                    f"two records cover the same {records[one].area_ac:.3f} ac",
                )
    return found


def _two(one: Record, two: Record) -> str:
    names = [
        record.name if "record" in record.name else f"{record.name} (record {record.number})"
        for record in (one, two)
    ]
    return " and ".join(names)


def _overlaps(
    records: Sequence[Record], known: set[tuple[int, int]], name: str, ledger: Ledger, *,
    strict: bool,
) -> None:
    shapes = [record.shape for record in records]
    pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    # A record that stands twice is told once, as such; its ground lies in two zones all the same.
    total, small = math.fsum(records[one].area_ac for one, _ in known), 0
    for one, two in sorted(zip(*pairs.tolist(), strict=True)):
        if one >= two or (one, two) in known:
            continue
        common = shapely.intersection(shapes[one], shapes[two])
        area = shape_area_ac(common)
        if area * ACRE_M2 <= _OVERLAP_NOISE_M2:
            continue
        total += area
        if not strict and area <= AREA_TOLERANCE_AC:
            small += 1
            continue
        ledger.fault(
            "overlap", f"{name}, {_two(records[one], records[two])}",
            f"overlap by {area:.4f} ac {place_of(common)}", value=f"{area:.6f} ac",
            todo="that ground would be treated twice",
        )
    if small:
        ledger.remark(
            "overlap", name,
            f"{small} overlaps of at most {AREA_TOLERANCE_AC} ac each, {total:.4f} ac in all",
        )
    ledger.figure(
        "ground in two zones", name, "ac", found=total, expected=0.0, within=AREA_TOLERANCE_AC
    )


def _edges(
    records: Sequence[Record], name: str, ledger: Ledger, *, strict: bool, explained: bool | None
) -> None:
    shapes = [record.shape for record in records]
    # Where the acres close no ground is missing between zones, and a narrow gap is the field's own:
    # its outline may leave the edge of a zone at a sharp angle.
    width = 0.0 if explained else _GAP_WIDTH_DEG
    if shapely.coverage_is_valid(shapes, gap_width=width):
        return
    wrong = shapely.coverage_invalid_edges(shapes, gap_width=width)
    for record, edges in zip(records, wrong, strict=True):
        if edges is None or edges.is_empty:
            continue
        where = f"{name}, {record.name}"
        what = f"an edge does not match its neighbour's vertex by vertex {place_of(edges)}"
        if strict:
            ledger.fault("edge-mismatch", where, what)
        else:
            ledger.remark("edge-mismatch", where, what)


def _holes(
    union: shapely.Geometry, records: Sequence[Record], name: str, ledger: Ledger, *,
    explained: bool | None, bounded: bool,
) -> None:
    """Ground that several zones surround; with a boundary (`bounded`) only what is a mere crack."""
    for piece in shapely.get_parts(union):
        for ring in piece.interiors:
            hole = shapely.Polygon(ring)
            around = _around(ring, records)
            area, perimeter = ring_m(np.asarray(ring.coords)[:, :2])
            if len(around) < 2 and area > 0:
                continue
            narrow = 2.0 * area / perimeter < SLIVER_WIDTH_M
            if bounded and not narrow:
                continue
            where = f"{name}, {' and '.join(around)}"
            what = f"{area / ACRE_M2:.4f} ac between these zones lie in none, {place_of(hole)}"
            if narrow or explained is False:
                ledger.fault("gap", where, what, todo="that ground would get no rate")
            elif explained is None:
                ledger.doubt("gap", where, what, todo="compare with the boundary of the field")
            else:
                ledger.remark("gap", where, f"{what}; the field's acres leave it out as well")


def _around(ring: shapely.LinearRing, records: Sequence[Record]) -> list[str]:
    """Zones along a ring, by the middles of its edges: a corner that overlay made is not exact."""
    corners = shapely.get_coordinates(ring)
    middles = shapely.points((corners[:-1] + corners[1:]) / 2.0)
    return [
        record.name for record in records
        if shapely.dwithin(record.shape, middles, _TOUCH_DEG).any()
    ]


def _against_boundary(
    union: shapely.Geometry, name: str, boundary: Layer, ledger: Ledger
) -> None:
    shapes = [record.shape for record in boundary.records if record.shape is not None]
    if not shapes or not all(shape.is_valid for shape in shapes):
        ledger.fault("invalid-ring", boundary.name, "the boundary is no valid polygon")
        return
    field = shapely.union_all(shapes)
    for what, code, ground in (
        ("field in no zone", "gap", shapely.difference(field, union)),
        ("zones outside the field", "outside", shapely.difference(union, field)),
    ):
        area = shape_area_ac(ground)
        agrees = ledger.figure(
            what, f"{name} against {boundary.name}", "ac", found=area, expected=0.0,
            within=AREA_TOLERANCE_AC,
        )
        if agrees:
            continue
        pieces = sorted(
            shapely.get_parts(ground), key=lambda one: (-one.area, one.bounds)
        )[:MOST_PIECES]
        for piece in pieces:
            if shape_area_ac(piece) * ACRE_M2 <= _OVERLAP_NOISE_M2:
                continue
            ledger.fault(
                code, f"{name} against {boundary.name}",
                f"{shape_area_ac(piece):.4f} ac {what} {place_of(piece)}",
            )
