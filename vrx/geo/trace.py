"""A raster of classes to polygons that cover the boundary exactly, with shared edges."""

from __future__ import annotations

from functools import partial

import numpy as np
import shapely

from vrx.errors import ComputeError
from vrx.geo.coverage import coverage_trouble, noded_faces
from vrx.model import BoolArray, FloatArray, Grid, IntArray

SIMPLIFY_CELLS = 1.5
"""Tolerance of the coverage simplification, in cells: stair steps become diagonals."""

MOST_STRAYED = 0.02
"""Share of the counted cells that simplified edges may give to another class."""

# Not a fraction of a cell, so that nothing that lay on a line lies on one again.
_SHIFTS_CELLS = ((0.0137, 0.0071), (-0.0093, 0.0119))


def trace_coverage(
    *,
    classes: IntArray,
    grid: Grid,
    boundary: shapely.Geometry,
    simplify_cells: float = SIMPLIFY_CELLS,
    counted: BoolArray | None = None,
) -> tuple[IntArray, tuple[shapely.Polygon, ...]]:
    """Polygons of equal class that cover the boundary without gap or overlap.

    `classes` is (rows, columns), 0 or above in every cell, also outside the boundary; `grid` must
    reach beyond the boundary on every side. Returns the class of each polygon (n,) and the
    polygons, one for each connected piece inside the boundary, holes kept. Where simplified edges
    would give more than `MOST_STRAYED` of the `counted` cells (rows, columns) to another class, the
    tolerance is halved, and again.

    Way A intersects simplified raster shapes with the boundary. It is right because shapes are cut
    at every cell corner while coordinates are still whole numbers, so both sides of an edge hold
    the same vertices. The result is checked (`coverage_trouble`); should it fail, way B nodes the
    same edges with the boundary, polygonises, and asks which shape each face lies in. Where a
    boundary runs exactly along cell edges, a hole can touch its shell on it, which programs that
    check coverages with GEOS 3.14.1 take for a fault; then the shapes are moved by a few
    centimetres first. The boundary is never moved.

    Raises:
        ComputeError: the grid does not reach around the boundary, or both ways fail the check.
    """
    _require_reach(grid, boundary)
    values, shapes = _simplified(classes, grid, simplify_cells, counted)
    trouble = []
    proven = None
    for shift in (None, *_SHIFTS_CELLS):
        moved = shapes if shift is None else shapely.transform(
            shapes, partial(np.add, np.array(shift) * grid.cell_m)
        )
        first: FloatArray | None = None
        for way in (_by_intersection, _by_noding):
            kinds, faces = way(values, moved, boundary)
            areas = np.bincount(
                kinds, shapely.area(faces), minlength=int(values.max()) + 1
            ).astype(np.float64)
            reason = coverage_trouble(faces, boundary)
            # Intersected areas are right even where edges do not match; a face that noding left
            # whole would be given to one class.
            if first is not None and np.abs(areas - first).max() > 1e-6 * boundary.area:
                reason = "a class has another area than its cells"
            first = areas
            if not reason:
                if shapely.coverage_is_valid(np.array(faces, dtype=object)):
                    return kinds, tuple(faces)
                proven = proven or (kinds, tuple(faces))
                break
            trouble.append(reason)
    if proven is not None:
        return proven
    raise ComputeError(
        "zones cannot be traced: " + "; ".join(dict.fromkeys(trouble)),
        code="trace-failed",
        hint="check the boundary for edges that nearly touch, or use another cell size",
    )


def _require_reach(grid: Grid, boundary: shapely.Geometry) -> None:
    west, south, east, north = boundary.bounds
    if west < grid.west_m or north > grid.north_m or east > grid.east_m or south < grid.south_m:
        raise ComputeError(
            f"the grid (E {grid.west_m:g} to {grid.east_m:g}, N {grid.south_m:g} to "
            f"{grid.north_m:g}) does not reach around the boundary (E {west:g} to {east:g}, "
            f"N {south:g} to {north:g})",
            code="trace-grid-short", hint="make the grid with vrx.geo.grid_over",
        )


def _simplified(
    classes: IntArray, grid: Grid, simplify_cells: float, counted: BoolArray | None = None
) -> tuple[IntArray, FloatArray]:
    """Class and polygon of each 4-connected piece of the raster, in the field's CRS."""
    # rasterio costs 0.1 s to import, so only where it is used.
    from rasterio.features import shapes as raster_shapes

    kinds: list[int] = []
    rings: list[shapely.Polygon] = []
    # Connectivity 4: 8 gives polygons that cross themselves at diagonal cells. int32: GDAL has no
    # 64-bit shapes.
    for shape, value in raster_shapes(classes.astype(np.int32), connectivity=4):
        kinds.append(int(value))
        shell, *holes = (shapely.linearrings(np.array(ring)) for ring in shape["coordinates"])
        rings.append(shapely.polygons(shell, holes or None))
    # segmentize divides, so 13 can come out as 13.000000000000002 on one side of an edge only.
    pixels = shapely.transform(shapely.segmentize(np.array(rings, dtype=object), 1.0), np.round)
    for tolerance in (simplify_cells, simplify_cells / 2, simplify_cells / 4):
        if tolerance <= 0:
            break
        simple = shapely.coverage_simplify(pixels, tolerance, simplify_boundary=False)
        if not shapely.is_valid(simple).all() or not shapely.coverage_is_valid(simple):
            continue
        if counted is None or _strayed(classes, kinds, simple, counted) <= MOST_STRAYED:
            pixels = simple
            break

    def place(points: FloatArray) -> FloatArray:
        return np.column_stack([
            grid.west_m + points[:, 0] * grid.cell_m, grid.north_m - points[:, 1] * grid.cell_m
        ])

    return np.array(kinds, dtype=np.int64), shapely.transform(pixels, place)


def _strayed(
    classes: IntArray, kinds: list[int], shapes: FloatArray, counted: BoolArray
) -> float:
    """Share of the counted cells whose centre lies in a shape (pixel coordinates) of another class.
    """
    from rasterio.features import rasterize
    from rasterio.transform import Affine

    found = rasterize(
        zip(shapes, kinds, strict=True), out_shape=classes.shape, fill=-1, dtype=np.int32,
        transform=Affine.identity(),
    )
    return float((found != classes)[counted].mean())


def _by_intersection(
    kinds: IntArray, shapes: FloatArray, boundary: shapely.Geometry
) -> tuple[IntArray, list[shapely.Polygon]]:
    """Way A: each shape cut by the boundary."""
    shapely.prepare(boundary)
    cut = np.array(shapes, dtype=object)
    crossing = ~shapely.contains_properly(boundary, cut)
    cut[crossing] = shapely.intersection(cut[crossing], boundary)
    parts, index = shapely.get_parts(cut, return_index=True)
    # A touch of the boundary leaves points and lines.
    areal = (shapely.get_type_id(parts) == 3) & (shapely.area(parts) > 0)
    return kinds[index[areal]], list(parts[areal])


def _by_noding(
    kinds: IntArray, shapes: FloatArray, boundary: shapely.Geometry
) -> tuple[IntArray, list[shapely.Polygon]]:
    """Way B: all edges and the boundary noded together, each face then of one shape."""
    faces, inner = noded_faces(
        [*shapely.boundary(shapes), shapely.boundary(boundary)], boundary
    )
    face, shape = shapely.STRtree(shapes).query(inner, predicate="intersects")
    owner = np.zeros(len(faces), dtype=np.int64)
    # A point on an edge lies in two shapes; the first is as good as the other.
    owner[face[::-1]] = shape[::-1]
    return kinds[owner], list(faces)
