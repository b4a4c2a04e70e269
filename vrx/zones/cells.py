"""Zones by geometry alone: square cells, and a pivot's sectors and rings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from shapely import affinity

from vrx.errors import ComputeError
from vrx.geo import coverage_of_layers
from vrx.model import FloatArray, Zones, note
from vrx.units import ACRE_M2, FT_M
from vrx.zones._build import build_zones
from vrx.zones._pieces import merge_pieces
from vrx.zones.rules import MachineRules

MOST_CELLS = 2000
_ARC_DEG = 1.0


def zones_from_cells(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    cell_ac: float,
    rules: MachineRules,
) -> Zones:
    """Square cells of `cell_ac` acres over the field, aligned to the driving direction or north.

    The first cell begins at the field's edges on the left and at the start of the driving
    direction. What the boundary cuts to less than `smallest_ac` joins the neighbour with the
    longest shared edge.

    Findings: `zones-small-merged`, `zones-field-part-small`, `zones-cells-large` (notes).

    Raises:
        ComputeError: `cell_ac` not above 0 or below `smallest_ac` (`zones-rules-conflict`), more
            cells than `most_zones` (`zones-rules-unmet`) or than 2,000.
    """
    if not math.isfinite(cell_ac) or cell_ac <= 0:
        raise ComputeError(f"cell_ac is {cell_ac}, it must be above 0", code="zones-limit",
                           hint="give acres per cell, such as 2.5")
    side = math.sqrt(cell_ac * ACRE_M2)
    _require_agreement(cell_ac, side, rules)
    turn = rules.driving_deg or 0.0
    shapes, names = _squares(boundary, side, turn)
    pieces, of = coverage_of_layers([shapes], boundary, crs_centre=crs_centre)
    polygons, owner, told = merge_pieces(pieces, of[:, 0], smallest_ac=rules.smallest_ac)
    if len(polygons) > rules.most_zones:
        enough = boundary.area / ACRE_M2 / rules.most_zones
        raise ComputeError(
            f"cells of {cell_ac:g} ac make {len(polygons)} zones, more than "
            f"most_zones = {rules.most_zones}", code="zones-rules-unmet", where="[zones]",
            hint=f"take cells of {math.ceil(enough * 10) / 10:g} ac or more, or allow more zones")
    whole = boundary.area / ACRE_M2
    if cell_ac > whole:
        told.append(note(
            "zones-cells-large", "[zones] cell_ac",
            f"cells of {cell_ac:g} ac are larger than the field ({whole:.2f} ac)",
            value=f"{cell_ac:g}", done=f"the field is {len(polygons)} zone"
            f"{'s' if len(polygons) > 1 else ''}", todo="take smaller cells, or one zone"))
    aligned = "north" if rules.driving_deg is None else (
        f"the driving direction ({rules.driving_deg:g} degrees)")
    return build_zones(
        polygons=polygons, labels=[names[one] for one in owner], boundary=boundary,
        crs_centre=crs_centre, findings=told,
        basis=f"square cells of {cell_ac:g} ac ({side / FT_M:.0f} ft), aligned to {aligned}; "
        f"pieces under {rules.smallest_ac:g} ac joined to a neighbour",
    )


def _require_agreement(cell_ac: float, side: float, rules: MachineRules) -> None:
    if cell_ac < rules.smallest_ac:
        raise ComputeError(
            f"cells of {cell_ac:g} ac are under the smallest area of {rules.smallest_ac:g} ac",
            code="zones-rules-conflict", where="[zones]",
            hint=f"take larger cells, or smallest_ac = {cell_ac / 2:g}")
    if side < rules.narrowest_m * (1 - 1e-9):
        raise ComputeError(
            f"cells of {cell_ac:g} ac are {side / FT_M:.0f} ft wide, narrower than "
            f"{rules.narrowest_m / FT_M:.0f} ft", code="zones-rules-conflict", where="[zones]",
            hint="take larger cells, or a smaller narrowest_ft")


def _squares(
    boundary: shapely.Geometry, side: float, turn: float
) -> tuple[list[shapely.Geometry], list[str]]:
    """Squares over the field turned by compass degrees, with their names."""
    # Turned so that the driving direction points north; turning back is one map of equal corners.
    middle = boundary.centroid
    west, south, east, north = affinity.rotate(boundary, turn, origin=middle).bounds
    columns = max(1, math.ceil((east - west) / side - 1e-9))
    rows = max(1, math.ceil((north - south) / side - 1e-9))
    if rows * columns > MOST_CELLS:
        raise ComputeError(
            f"{rows * columns:,} cells, more than {MOST_CELLS:,}", code="zones-rules-unmet",
            where="[zones] cell_ac", hint="take larger cells; is the boundary one field?")
    shapes, names = [], []
    for row in range(rows):
        for column in range(columns):
            low, high = south + row * side, south + (row + 1) * side
            left, right = west + column * side, west + (column + 1) * side
            shapes.append(shapely.box(left, low, right, high))
            names.append(f"cell {rows - row}-{column + 1}")
    return [affinity.rotate(shape, -turn, origin=middle) for shape in shapes], names


def zones_from_sectors(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    centre_m: tuple[float, float],
    angles_deg: Sequence[float],
    ring_radii_m: Sequence[float],
    rules: MachineRules,
) -> Zones:
    """A pivot's sectors between azimuths and rings between radii, cut by the field's boundary.

    `centre_m` is (easting, northing) in the field's CRS. `angles_deg` are the dividing lines,
    compass degrees, in any order; the last sector closes over north. None: no sectors.
    `ring_radii_m` are the dividing circles; what lies beyond the last is the outer ring. Circles
    have a vertex each degree. Pieces under `smallest_ac` join a neighbour.

    Findings: `zones-sector-empty`, `zones-small-merged`, `zones-field-part-small` (notes).

    Raises:
        ComputeError: one dividing line only or one twice (`zones-sectors-open`), radii that do not
            ascend (`zones-rings`), neither lines nor circles, more than `most_zones`.
    """
    angles = _checked_angles(angles_deg)
    radii = _checked_radii(ring_radii_m)
    if not angles and not radii:
        raise ComputeError("neither sectors nor rings are given", code="zones-sectors-open",
                           where="[zones.sectors]", hint="give angles_deg or ring_radii_ft")
    shapes, names = _wedges(boundary, centre_m, angles, radii)
    pieces, of = coverage_of_layers([shapes], boundary, crs_centre=crs_centre)
    polygons, owner, told = merge_pieces(pieces, of[:, 0], smallest_ac=rules.smallest_ac)
    empty = sorted(set(range(len(shapes))) - set(of[:, 0].tolist()))
    if empty:
        listed = "; ".join(names[n] for n in empty[:6])
        told.append(note(
            "zones-sector-empty", "[zones.sectors]",
            f"{len(empty)} of {len(shapes)} sectors and rings have no ground in the field: "
            f"{listed}", value=str(len(empty)), done="left out"))
    if len(polygons) > rules.most_zones:
        raise ComputeError(
            f"sectors and rings make {len(polygons)} zones, more than "
            f"most_zones = {rules.most_zones}", code="zones-rules-unmet", where="[zones.sectors]",
            hint="take fewer lines or rings, or allow more zones")
    said = [f"{len(angles)} sectors" if angles else "", f"{len(radii) + 1} rings" if radii else ""]
    return build_zones(
        polygons=polygons, labels=[names[one] for one in owner], boundary=boundary,
        crs_centre=crs_centre, findings=told,
        basis=f"{' and '.join(filter(None, said))} of the pivot; pieces under "
        f"{rules.smallest_ac:g} ac joined to a neighbour",
    )


def _checked_angles(angles_deg: Sequence[float]) -> list[float]:
    hint = "give at least two different dividing lines, such as angles_deg = [0, 90, 180, 270]"
    if not all(math.isfinite(angle) for angle in angles_deg):
        raise ComputeError(f"angles_deg = {list(angles_deg)} hold no direction",
                           code="zones-sectors-open", where="[zones.sectors]", hint=hint)
    turned = sorted(round(angle % 360.0, 9) % 360.0 for angle in angles_deg)
    if len(set(turned)) < len(turned):
        twice = next(a for a, b in pairwise(turned) if a == b)
        raise ComputeError(f"the dividing line at {twice:g} degrees stands twice",
                           code="zones-sectors-open", where="[zones.sectors]", hint=hint)
    if len(turned) == 1:
        raise ComputeError(
            f"one dividing line, at {turned[0]:g} degrees, makes no sector that closes",
            code="zones-sectors-open", where="[zones.sectors]", hint=hint)
    return turned


def _checked_radii(radii_m: Sequence[float]) -> list[float]:
    radii = list(radii_m)
    ascend = all(low < high for low, high in pairwise(radii))
    if not all(math.isfinite(one) and one > 0 for one in radii) or not ascend:
        feet = ", ".join(f"{one / FT_M:g}" for one in radii)
        raise ComputeError(f"ring radii {feet} ft do not ascend from above 0", code="zones-rings",
                           where="[zones.sectors]", hint="give each circle once, the inner first")
    return radii


def _wedges(
    boundary: shapely.Geometry, centre_m: tuple[float, float], angles: Sequence[float],
    radii: Sequence[float],
) -> tuple[list[shapely.Geometry], list[str]]:
    west, south, east, north = boundary.bounds
    # Chords lie inside their circle.
    reach = 1.01 * max(math.dist(centre_m, corner) for corner in (
        (west, south), (west, north), (east, south), (east, north)))
    circles = [0.0, *radii, max(reach, (radii[-1] if radii else 0.0) * 1.01)]
    spans = [(a, b if b > a else b + 360.0) for a, b in zip(
        angles, [*angles[1:], *angles[:1]], strict=True)] or [(0.0, 360.0)]
    shapes, names = [], []
    for start, stop in spans:
        for inner, outer in pairwise(circles):
            shapes.append(_wedge(centre_m, (start, stop), inner, outer))
            names.append(", ".join(filter(None, [
                f"sector {start % 360:g} to {stop % 360:g} degrees" if angles else "",
                _ring_name(inner, outer, last=outer == circles[-1]) if radii else ""])))
    return shapes, names


def _ring_name(inner: float, outer: float, *, last: bool) -> str:
    if last:
        return f"ring beyond {inner / FT_M:.0f} ft"
    return f"ring {inner / FT_M:.0f} to {outer / FT_M:.0f} ft"


def _wedge(
    centre_m: tuple[float, float], span: tuple[float, float], inner: float, outer: float
) -> shapely.Polygon:
    start, stop = span
    whole = np.arange(math.floor(start / _ARC_DEG) + 1, math.ceil(stop / _ARC_DEG)) * _ARC_DEG
    azimuths = np.concatenate([[start], whole, [stop]])

    def arc(radius: float, degrees: FloatArray) -> FloatArray:
        # Taken modulo a turn, so that both sides of a line get the same coordinates.
        turned = np.radians(degrees % 360.0)
        return np.column_stack([
            centre_m[0] + radius * np.sin(turned), centre_m[1] + radius * np.cos(turned)])

    if stop - start == 360.0:
        shell = shapely.Polygon(arc(outer, azimuths))
        return shell if inner == 0 else shapely.Polygon(
            shell.exterior, [arc(inner, azimuths)])
    ends = arc(inner, azimuths[::-1]) if inner > 0 else np.array([centre_m])
    return shapely.Polygon(np.vstack([arc(outer, azimuths), ends]))
