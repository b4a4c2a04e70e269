"""Ground where a sample may be taken, and a coarse lattice of places on it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.model import FloatArray
from vrx.units import FT_M

LONGEST_LATTICE = 4_000_000


def usable_ground(
    *, boundary: shapely.Geometry, edge_m: float, away: Sequence[shapely.Geometry] = (),
    away_m: float = 0.0,
) -> shapely.Geometry:
    """The field without a strip along its edge (holes too) and without ground to keep away from.

    boundary and `away` in the field's CRS; edge_m from every edge, away_m around every polygon of
    `away`. Raises `ComputeError` (sampling-no-room) where nothing is left, with the widest distance
    that leaves a place.
    """
    # Mitred corners keep straight edges straight; points that are too near can only be fewer.
    kept = shapely.buffer(boundary, -edge_m, join_style="mitre") if edge_m > 0 else boundary
    if len(away):
        barred = shapely.union_all([shapely.buffer(one, away_m) for one in away])
        kept = shapely.difference(kept, barred)
        boundary = shapely.difference(boundary, barred)
    if kept.is_empty or kept.area <= 0:
        widest = 0.0
        if not boundary.is_empty:
            widest = shapely.length(shapely.maximum_inscribed_circle(boundary)) / FT_M
        raise ComputeError(
            f"no ground of the field lies {edge_m / FT_M:.0f} ft and more from its edges"
            + (f" and {away_m / FT_M:.0f} ft from the ground to keep away from" if away else ""),
            code="sampling-no-room", where="[sampling]",
            hint=f"edge_ft below {math.floor(widest)} leaves a place" if widest >= 1
            else "leave some ground of the field open to the crew",
        )
    return kept


def inner_point(ground: shapely.Geometry) -> tuple[float, float]:
    """The place deepest inside ground: the centre of its largest inscribed circle."""
    line = shapely.maximum_inscribed_circle(ground)
    east, north = shapely.get_coordinates(line)[0]
    return float(east), float(north)


def lattice(ground: shapely.Geometry, spacing_m: float) -> FloatArray:
    """Cell centres of a square lattice on ground, (n, 2), north to south, then west to east.

    The lattice is aligned to multiples of the spacing, so the same field gives the same places.
    """
    west, south, east, north = ground.bounds
    columns = np.arange(math.floor(west / spacing_m), math.ceil(east / spacing_m))
    rows = np.arange(math.ceil(north / spacing_m), math.floor(south / spacing_m), -1)
    if len(columns) * len(rows) > LONGEST_LATTICE:
        raise ComputeError(
            f"a lattice of {spacing_m:g} m has {len(columns) * len(rows):,} places",
            code="sampling-lattice", hint="is the boundary one field, in its right system?",
        )
    across, up = np.meshgrid((columns + 0.5) * spacing_m, (rows - 0.5) * spacing_m)
    shapely.prepare(ground)
    held = shapely.intersects_xy(ground, across.ravel(), up.ravel())
    return np.column_stack([across.ravel()[held], up.ravel()[held]])


def candidate_places(
    ground: shapely.Geometry, *, spacing_m: float, most: int
) -> tuple[FloatArray, float]:
    """At most `most` places on ground, (n, 2), at least one, and the spacing used in metres.

    The spacing grows by steps of a tenth where it would give more. Ground that holds no lattice
    point gives the place deepest inside it.
    """
    used = spacing_m
    expected = ground.area / used**2
    if expected > 2 * most:
        used *= math.sqrt(expected / (2 * most))
    while len(places := lattice(ground, used)) > most:
        used *= 1.1
    if len(places) == 0:
        places = np.array([inner_point(ground)])
    return places, used
