"""A class raster to zones: the machine's rules, tracing, the rules again, and what it all took."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx.geo import SIMPLIFY_CELLS, cell_at, dissolve, shared_edges, trace_coverage
from vrx.model import BoolArray, ClusterTable, Finding, Grid, IntArray, Zones, note, warn
from vrx.units import ACRE_M2
from vrx.zones._build import build_zones
from vrx.zones._pieces import count_findings
from vrx.zones._raster import Cleaned, clean, fill_outside, smooth
from vrx.zones._regions import merge_small
from vrx.zones.rules import MachineRules


def cut_zones(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    grid: Grid,
    inside: BoolArray,
    classes: IntArray,
    labels: Sequence[str],
    distance: IntArray,
    rules: MachineRules,
    basis: str,
    findings: Sequence[Finding] = (),
    clusters: ClusterTable | None = None,
) -> Zones:
    """Each connected piece of a class (rows, columns; 0 or above inside) becomes one zone.

    In this order: classes are smoothed (`smooth_m`), parts narrower than `narrowest_m` go to the
    class that they touch most (see `vrx.zones._raster.clean`), pieces under `smallest_ac` join the
    neighbour with the longest shared edge, equal edges the nearest class (`distance` counts class
    steps); the last two until nothing changes. Edges are then traced along cells, simplified within
    `simplify_m` (without one: so that at most 2 % of the field changes class) and cut by the
    boundary, and what that leaves under `smallest_ac` joins a neighbour
    likewise. If more than `most_zones` are left, the smallest area is raised step by step until
    they are not. A separate part of the field is never joined over the gap, however small; where
    the field itself is narrower than `narrowest_m` its classes are kept.

    Widths hold for the raster, and for the traced edges within about one cell. Zones are numbered
    by centroid, north to south, then west to east.

    Findings (all `note` but the last three): `zones-narrow-merged`, `zones-small-merged`,
    `zones-fewer`, `zones-field-narrow`, `zones-field-part-small`, `zones-still-narrow`,
    `zones-over-most`, `zones-unsettled`.

    Raises:
        ComputeError: no true coverage.
    """
    cell_ac = grid.cell_m**2 / ACRE_M2
    if rules.smooth_m > 0:
        classes = smooth(classes, inside, rules.smooth_m / grid.cell_m)
    cleaned = clean(
        classes=classes, inside=inside, distance=distance,
        width_cells=rules.narrowest_m / grid.cell_m, smallest_cells=rules.smallest_ac / cell_ac,
        most=rules.most_zones, driving_deg=rules.driving_deg,
    )
    stated = rules.simplify_m
    kinds, pieces = trace_coverage(
        classes=fill_outside(cleaned.classes, inside), grid=grid, boundary=boundary,
        simplify_cells=SIMPLIFY_CELLS if stated is None else stated / grid.cell_m,
        counted=inside if stated is None else None,
    )
    polygons, kept, moved_ac, forced_ac = merge_faces(
        pieces, kinds, distance, rules.smallest_ac, rules.most_zones
    )
    told = [
        *findings,
        *_clean_findings(cleaned, cell_ac, rules, moved_ac),
        *count_findings(
            polygons, max(cleaned.forced * cell_ac, forced_ac), rules.smallest_ac, rules.most_zones
        ),
    ]
    return build_zones(
        polygons=polygons, labels=[labels[kind] for kind in kept], boundary=boundary,
        crs_centre=crs_centre, findings=told, clusters=clusters,
        basis=f"{basis}; {rules.words()}, cells {grid.cell_m:g} m",
    )


def inside_of(boundary: shapely.Geometry, grid: Grid) -> BoolArray:
    """Cells whose centre lies in the field, and for a part without any, its own cell."""
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    shapely.prepare(boundary)
    inside = np.asarray(shapely.contains_xy(boundary, east, north), dtype=bool)
    for part in shapely.get_parts(boundary):
        # Only parts of few cells can hold no centre.
        if part.area < 16 * grid.cell_m**2 or not inside.any():
            point = part.representative_point()
            inside[cell_at(grid, easting_m=point.x, northing_m=point.y)] = True
    return inside


def merge_faces(
    pieces: Sequence[shapely.Polygon],
    kinds: IntArray,
    distance: IntArray,
    smallest_ac: float,
    most: int,
) -> tuple[list[shapely.Geometry], list[int], list[float], float]:
    """Faces of the coverage merged by the rule for cells; also moved acres, each and forced."""
    pairs, lengths = shared_edges(pieces)
    found = merge_small(
        sizes=np.array([piece.area for piece in pieces]) / ACRE_M2, kinds=kinds, pairs=pairs,
        lengths=lengths, smallest=smallest_ac, distance=distance, most=most,
    )
    kept = [int(kinds[owner]) for owner in np.unique(found.owner)]
    polygons = dissolve(pieces, found.owner)
    return polygons, kept, list(found.moved_sizes), found.largest_forced


def _clean_findings(
    cleaned: Cleaned,
    cell_ac: float,
    rules: MachineRules,
    face_ac: Sequence[float],
) -> list[Finding]:
    found = []
    smallest_ac, width = rules.smallest_ac, rules.width_words()
    narrow = cleaned.narrow_moved
    if narrow:
        found.append(note(
            "zones-narrow-merged", "zones",
            f"{len(narrow)} parts narrower than {width}, "
            f"{sum(narrow) * cell_ac:.2f} ac in all",
            value=f"{sum(narrow) * cell_ac:.3f}",
            done="given to the neighbouring class that they touch most",
        ))
    small = [cells * cell_ac for cells in cleaned.small_moved] + list(face_ac)
    if small:
        found.append(note(
            "zones-small-merged", "zones",
            f"{len(small)} pieces under the smallest area of {smallest_ac:g} ac (or merged to "
            f"keep to the most zones), {sum(small):.2f} ac in all",
            value=f"{sum(small):.3f}",
            done="each joined to the neighbour with the longest shared edge",
        ))
    if cleaned.field_narrow.any():
        acres = float(cleaned.field_narrow.sum()) * cell_ac
        found.append(note(
            "zones-field-narrow", "field",
            f"the field itself is narrower than {width} over about "
            f"{acres:.2f} ac",
            value=f"{acres:.3f}", done="classes kept as they are there",
            todo="check that the machine fits",
        ))
    if cleaned.still_narrow:
        acres = sum(cleaned.still_narrow) * cell_ac
        found.append(warn(
            "zones-still-narrow", "zones",
            f"{len(cleaned.still_narrow)} pieces, {acres:.2f} ac in all, are nowhere {width} wide, "
            "and there is no neighbour to give them to",
            value=f"{acres:.3f}", done="kept as they are",
            todo="use a narrower swath there, or one rate",
        ))
    if not cleaned.stable:
        found.append(warn(
            "zones-unsettled", "zones",
            "narrow parts were still changing when the clean-up ended",
            done="kept the last state; no piece is under the smallest area",
            todo="look at narrow places on the map",
        ))
    return found
