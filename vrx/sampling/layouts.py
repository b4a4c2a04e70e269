"""First-time sampling layouts: grids, points by zones, points along a narrow field, gaps filled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from scipy.spatial import cKDTree

from vrx.errors import ComputeError
from vrx.model import Finding, FloatArray, note, warn
from vrx.sampling.candidates import candidate_places, inner_point
from vrx.units import ACRE_M2, FT_M

MOST_POINTS = 2000
_TRIANGLE = math.sqrt(3.0) / 2.0
_LLOYD_PLACES = 1500
_LLOYD_ROUNDS = 60


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Places of a layout, (n, 2) metres, in words, with its spacing in metres (0: none).

    `zone` (n,) holds the index of the zone that a place was made for, -1 without zones.
    """

    words: str
    places: FloatArray
    zone: tuple[int, ...]
    spacing_m: float
    findings: tuple[Finding, ...] = ()


def _require_count(wanted: float) -> int:
    if not math.isfinite(wanted) or wanted > MOST_POINTS:
        raise ComputeError(
            f"{wanted:,.0f} points are wanted, more than {MOST_POINTS:,}",
            code="sampling-too-many", where="[sampling]",
            hint="give more acres per sample; is the boundary one field, in its right system?",
        )
    return max(1, round(wanted))


def _area_per_sample(ac_per_sample: float, boundary: shapely.Geometry) -> tuple[float, int]:
    if not ac_per_sample > 0:
        raise ComputeError(
            f"{ac_per_sample:g} acres per sample", code="sampling-density", where="[sampling]",
            hint="give acres per sample above 0, for example 2.5",
        )
    area_m2 = ac_per_sample * ACRE_M2
    return area_m2, _require_count(boundary.area / area_m2)


def _turned(
    geometry: shapely.Geometry, angle: float, about: tuple[float, float]
) -> shapely.Geometry:
    """A geometry turned counter-clockwise by `angle` radians about a place."""
    sine, cosine = math.sin(angle), math.cos(angle)

    def turn(places: FloatArray) -> FloatArray:
        east, north = (places - about).T
        return np.column_stack(
            [east * cosine - north * sine, east * sine + north * cosine]
        ) + about

    return shapely.transform(geometry, turn)


def _cells(
    bounds: tuple[float, float, float, float], wide: float, tall: float, *, stagger: bool,
    shift: tuple[float, float],
) -> tuple[FloatArray, FloatArray]:
    """Lower left and upper right corners (n, 2) of cells over bounds, centred but for `shift`."""
    west, south, east, north = bounds
    # Whole cells centred on the field, and one more on each side for what they leave over.
    columns, rows = round((east - west) / wide) + 2, round((north - south) / tall) + 2
    left = (west + east - columns * wide) / 2 + shift[0] * wide
    low = (south + north - rows * tall) / 2 + shift[1] * tall
    row, column = np.divmod(np.arange(rows * columns), columns)
    # North to south, so that equal choices fall the same way on every field.
    row = rows - 1 - row
    across = column + np.where(stagger & (row % 2 == 1), 0.5, 0.0)
    corner = np.column_stack([left + across * wide, low + row * tall])
    return corner, corner + np.array([wide, tall])


def _in_cells(
    boundary: shapely.Geometry, ground: shapely.Geometry, corners: tuple[FloatArray, FloatArray],
    least: int,
) -> FloatArray:
    """A place in every cell that holds half of itself in the field, and in more up to `least`.

    The place is the cell's centre where that is usable ground, else the usable ground of the cell
    nearest to it.
    """
    (west, south), (east, north) = corners[0].T, corners[1].T
    cells = shapely.box(west, south, east, north)
    shapely.prepare([boundary, ground])
    cells = cells[shapely.intersects(boundary, cells)]
    share = np.ones(len(cells))
    cut = ~shapely.contains_properly(boundary, cells)
    share[cut] = shapely.area(shapely.intersection(cells[cut], boundary)) / shapely.area(cells[cut])
    parts = cells.copy()
    cut = ~shapely.contains_properly(ground, cells)
    parts[cut] = shapely.intersection(cells[cut], ground)
    usable = shapely.area(parts) > 0
    ranks = np.lexsort((np.arange(len(share)), -np.where(usable, share, -1.0)))
    keep = np.zeros(len(share), dtype=bool)
    keep[(share >= 0.5 - 1e-9) & usable] = True
    keep[ranks[:least]] |= usable[ranks[:least]]
    centres = shapely.centroid(cells[keep])
    lines = shapely.shortest_line(parts[keep], centres)
    places = shapely.get_coordinates(lines)[::2]
    return places if len(places) else np.array([inner_point(ground)])


def grid_layout(
    *, boundary: shapely.Geometry, ground: shapely.Geometry, ac_per_sample: float,
    offset: bool = False, seed: int | None = None,
) -> Layout:
    """One place for every cell of a square grid, or of rows offset by half (a triangular grid).

    boundary: the field; ground: where samples may be taken, within it. Every cell that lies at
    least half in the field gets a place, its centre or the usable ground nearest to it. The grid is
    centred on the field, or shifted at random by a stated seed. In the triangular grid all six
    neighbours are equally far. Raises `ComputeError`.
    """
    area_m2, wanted = _area_per_sample(ac_per_sample, boundary)
    shift = (0.0, 0.0) if seed is None else tuple(
        np.random.default_rng(seed).uniform(-0.5, 0.5, size=2).tolist())
    if offset:
        wide = math.sqrt(area_m2 / _TRIANGLE)
        tall = wide * _TRIANGLE
        words = f"offset grid, rows {tall / FT_M:.0f} ft apart, {wide / FT_M:.0f} ft in the row"
    else:
        wide = tall = math.sqrt(area_m2)
        words = f"square grid of {wide / FT_M:.0f} ft"
    corners = _cells(boundary.bounds, wide, tall, stagger=offset, shift=(shift[0], shift[1]))
    places = _in_cells(boundary, ground, corners, wanted)
    if seed is not None:
        words += f", started at random (seed {seed})"
    return Layout(
        words=words, places=places, zone=(-1,) * len(places), spacing_m=wide,
        findings=_told(boundary, ground, places, wide),
    )


def long_axis_layout(
    *, boundary: shapely.Geometry, ground: shapely.Geometry, ac_per_sample: float,
    seed: int | None = None,
) -> Layout:
    """Rows of places along the field's long axis, so many that cells come out nearly square.

    For strips and narrow fields: the axis is the long side of the smallest rectangle around the
    field. Raises `ComputeError`.
    """
    area_m2, wanted = _area_per_sample(ac_per_sample, boundary)
    frame = shapely.oriented_envelope(boundary)
    corners = shapely.get_coordinates(frame)
    sides = np.diff(corners[:3], axis=0)
    longest = sides[int(np.argmax(np.hypot(sides[:, 0], sides[:, 1])))]
    angle = math.atan2(longest[1], longest[0])
    about = (float(corners[0, 0]), float(corners[0, 1]))
    level, level_ground = (_turned(one, -angle, about) for one in (boundary, ground))
    west, south, east, north = level.bounds
    rows = max(1, round((north - south) / math.sqrt(area_m2)))
    tall = (north - south) / rows
    wide = min(area_m2 / tall * (east - west) * (north - south) / boundary.area, east - west)
    count = max(1, math.ceil((east - west) / wide - 1e-9))
    wide = (east - west) / count
    shift = 0.0 if seed is None else float(np.random.default_rng(seed).uniform(-0.5, 0.5))
    row, column = np.divmod(np.arange(rows * count), count)
    corner = np.column_stack([west + (column + shift) * wide, north - (row + 1) * tall])
    found = _in_cells(level, level_ground, (corner, corner + np.array([wide, tall])), wanted)
    places = shapely.get_coordinates(_turned(shapely.multipoints(found), angle, about))
    azimuth = (90.0 - math.degrees(angle)) % 180.0
    row_words = "one row" if rows == 1 else f"{rows} rows"
    words = f"{row_words} along the long axis ({azimuth:.0f} degrees), {wide / FT_M:.0f} ft apart"
    if seed is not None:
        words += f", started at random (seed {seed})"
    return Layout(
        words=words, places=places, zone=(-1,) * len(places), spacing_m=wide,
        findings=_told(boundary, ground, places, max(wide, tall)),
    )


def zone_layout(
    *, zones: Sequence[shapely.Geometry], letters: Sequence[str], ground: shapely.Geometry,
    ac_per_sample: float, least_points: int, border_m: float,
) -> Layout:
    """Places spread evenly within each zone: by its acres, at least `least_points`.

    They keep `border_m` from the zone's border where the zone has room; where it has not, the
    distance is halved until it has, and that is told. Raises `ComputeError`.
    """
    found: list[Finding] = []
    places: list[FloatArray] = []
    index: list[int] = []
    wanted = [
        max(least_points, _area_per_sample(ac_per_sample, zone)[1]) for zone in zones
    ]
    _require_count(sum(wanted))
    for number, (zone, letter) in enumerate(zip(zones, letters, strict=True)):
        inner, kept_m = _within(zone, ground, border_m)
        if inner is None:
            found.append(warn(
                "sampling-zone-no-room", f"zone {letter}",
                "no ground of the zone may be sampled", done="it gets no point",
                todo="make edge_ft smaller, or give the zone to a neighbour",
            ))
            continue
        if kept_m < border_m:
            found.append(note(
                "sampling-zone-narrow", f"zone {letter}",
                f"is too narrow for points {border_m / FT_M:.0f} ft from its border",
                done=f"its points keep {kept_m / FT_M:.0f} ft",
            ))
        own = spread_points(inner, wanted[number])
        if len(own) < wanted[number]:
            found.append(note(
                "sampling-zone-small", f"zone {letter}",
                f"holds {len(own)} of {wanted[number]} points",
            ))
        places.append(own)
        index += [number] * len(own)
    if not places:
        raise ComputeError(
            "no zone has ground that may be sampled", code="sampling-no-room", where="[sampling]",
            hint="make edge_ft smaller",
        )
    return Layout(
        words=f"by zones, at least {least_points} points each", places=np.concatenate(places),
        zone=tuple(index), spacing_m=0.0, findings=tuple(found),
    )


def _within(
    zone: shapely.Geometry, ground: shapely.Geometry, border_m: float
) -> tuple[shapely.Geometry | None, float]:
    own = shapely.intersection(zone, ground)
    kept = border_m
    while kept > 1.0:
        inner = shapely.intersection(shapely.buffer(zone, -kept), own)
        if inner.area > 0.2 * own.area:
            return inner, kept
        kept /= 2.0
    return (own, 0.0) if own.area > 0 else (None, 0.0)


def spread_points(ground: shapely.Geometry, count: int) -> FloatArray:
    """`count` places spread evenly over ground, (n, 2): each in the middle of an equal share.

    Lloyd's method from a farthest-first start on a fine lattice, snapped to the lattice, so that
    every place lies on ground. Source: Lloyd, Least squares quantization in PCM, IEEE Transactions
    on Information Theory 28 (1982) 129-137 (from memory).
    """
    fine, _ = candidate_places(
        ground, spacing_m=math.sqrt(ground.area / _LLOYD_PLACES), most=2 * _LLOYD_PLACES
    )
    count = min(count, len(fine))
    start = int(np.argmin(((fine - inner_point(ground)) ** 2).sum(axis=1)))
    chosen = [start]
    gap = ((fine - fine[start]) ** 2).sum(axis=1)
    while len(chosen) < count:
        chosen.append(int(np.argmax(gap)))
        gap = np.minimum(gap, ((fine - fine[chosen[-1]]) ** 2).sum(axis=1))
    centres = fine[chosen]
    for _ in range(_LLOYD_ROUNDS):
        _, nearest = cKDTree(centres).query(fine)
        size = np.bincount(nearest, minlength=count)
        mean = np.column_stack([
            np.bincount(nearest, weights=fine[:, axis], minlength=count) for axis in (0, 1)
        ]) / np.maximum(size, 1)[:, None]
        moved = np.where(size[:, None] > 0, mean, centres)
        if np.allclose(moved, centres, rtol=0.0, atol=1e-6):
            break
        centres = moved
    _, at = cKDTree(fine).query(centres)
    return np.asarray(fine[np.unique(at)])


def fill_gaps(*, candidates: FloatArray, taken: FloatArray, count: int) -> Layout:
    """The candidates farthest from all samples there are, one after another.

    Where no variogram tells what a sample is worth. candidates (m, 2), taken (n, 2).
    """
    gap = cKDTree(taken).query(candidates)[0] if len(taken) else np.full(len(candidates), np.inf)
    chosen: list[int] = []
    while len(chosen) < min(count, len(candidates)):
        best = int(np.argmax(gap))
        if gap[best] <= 1e-6:
            break
        chosen.append(best)
        gap = np.minimum(gap, np.hypot(*(candidates - candidates[best]).T))
    return Layout(
        words="the widest gaps between samples", places=candidates[chosen],
        zone=(-1,) * len(chosen), spacing_m=0.0,
    )


def _told(
    boundary: shapely.Geometry, ground: shapely.Geometry, places: FloatArray, spacing_m: float
) -> tuple[Finding, ...]:
    """Parts of the field that no point stands for."""
    parts = shapely.get_parts(boundary)
    near = shapely.multipoints(places)
    lost = [p for p in parts if shapely.distance(p, near) > 0.5 * spacing_m]
    if not lost:
        return ()
    acres = sum(p.area for p in lost) / ACRE_M2
    return (warn(
        "sampling-part-without-point", "[sampling]",
        f"{len(lost)} of {len(parts)} parts of the field ({acres:.2f} ac) have no point",
        todo="take fewer acres per sample or a smaller edge_ft, or sample these parts by hand",
    ),)
