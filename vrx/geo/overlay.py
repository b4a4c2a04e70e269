"""Many small polygons over few large ones: shared areas, and ground that lies under several."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from vrx.model import FloatArray, IntArray
from vrx.model.arrays import array_value

Polygons = npt.NDArray[np.object_]
_SPECK_M2 = 1e-6
"""Less is what two edges meant to be one leave between them."""
_FEW_CORNERS = 64
_MOST_TILES = 4096


@array_value
class SharedAreas:
    """Pairs that share ground: `small` and `large` are positions, `area` is in square units."""

    small: IntArray
    large: IntArray
    area: FloatArray


@array_value
class Repeated:
    """Faces that lie under two or more polygons; they do not overlap each other.

    `polygons` (m,); `face` and `member` (k,) say which polygons cover which face.
    """

    polygons: Polygons
    face: IntArray
    member: IntArray


def shared_areas(small: Polygons, large: Polygons) -> SharedAreas:
    """Area that each of `small` (n,) shares with each of `large` (m,), pairs without left out.

    `large` may have many corners: they are cut into tiles first, so that a polygon on a border is
    cut with the border nearby alone, and whatever lies wholly inside is not cut at all. A polygon's
    own area is used there, so sums stay those of the polygons.
    """
    tree = shapely.STRtree(small)
    area = shapely.area(small)
    found: list[tuple[IntArray, IntArray, FloatArray]] = []
    for number, whole in enumerate(large):
        hit = np.sort(tree.query(whole, predicate="intersects"))
        shapely.prepare(whole)
        inside = shapely.covers(whole, small[hit])
        shapely.destroy_prepared(whole)
        own = area[hit].copy()
        cut = np.flatnonzero(~inside)
        own[cut] = _cut_areas(small[hit[cut]], whole)
        keep = own > 0
        found.append((hit[keep], np.full(int(keep.sum()), number), own[keep]))
    if not found:
        return SharedAreas(small=np.empty(0, np.int64), large=np.empty(0, np.int64),
                           area=np.empty(0))
    return SharedAreas(
        small=np.concatenate([one[0] for one in found]).astype(np.int64),
        large=np.concatenate([one[1] for one in found]).astype(np.int64),
        area=np.concatenate([one[2] for one in found]))


def _cut_areas(small: Polygons, whole: shapely.Geometry) -> FloatArray:
    """Area of `whole` in each polygon (n,), by tiles of few corners."""
    if not len(small):
        return np.empty(0)
    tiles = _tiles(whole, shapely.total_bounds(small))
    which, tile = shapely.STRtree(tiles).query(small)
    shared = shapely.area(shapely.intersection(small[which], tiles[tile]))
    return np.asarray(np.bincount(which, weights=shared, minlength=len(small)), dtype=np.float64)


def _tiles(whole: shapely.Geometry, bounds: FloatArray) -> Polygons:
    """The polygon's part within `bounds` in pieces of few corners."""
    todo: list[shapely.Geometry] = [_clipped(whole, *bounds)]
    done: list[shapely.Geometry] = []
    while todo:
        piece = todo.pop()
        small = shapely.get_num_coordinates(piece) <= _FEW_CORNERS
        if small or len(todo) + len(done) > _MOST_TILES:
            done += [one for one in shapely.get_parts(piece) if shapely.area(one) > 0]
            continue
        west, south, east, north = piece.bounds
        if east - west >= north - south:
            middle = (west + east) / 2
            halves = ((west, south, middle, north), (middle, south, east, north))
        else:
            middle = (south + north) / 2
            halves = ((west, south, east, middle), (west, middle, east, north))
        todo += [half for half in (_clipped(piece, *one) for one in halves) if not half.is_empty]
    return np.array(done, dtype=object)


def _clipped(
    piece: shapely.Geometry, west: float, south: float, east: float, north: float
) -> shapely.Geometry:
    """The part in a rectangle, by the quick way where its answer is sound."""
    quick = shapely.clip_by_rect(piece, west, south, east, north)
    if shapely.is_valid(quick):
        return quick
    return shapely.intersection(piece, shapely.box(west, south, east, north))


def repeated_ground(polygons: Polygons) -> Repeated:
    """The ground under two or more of `polygons` (n,), parted so that no two faces overlap.

    Where just two overlap the face is their intersection; only where three or more do are outlines
    noded and faces built anew.
    """
    tree = shapely.STRtree(polygons)
    one, two = tree.query(polygons, predicate="intersects")
    once = one < two
    one, two = one[once], two[once]
    common = _areal(shapely.intersection(polygons[one], polygons[two]))
    keep = shapely.area(common) > _SPECK_M2
    one, two, common = one[keep], two[keep], common[keep]
    crowded = _crowded(common)
    plain = np.flatnonzero(~crowded)
    faces = [common[plain]]
    face = [np.repeat(np.arange(len(plain)), 2)]
    member = [np.column_stack([one[plain], two[plain]]).ravel()]
    if crowded.any():
        built, of_face, members = _faces(common[crowded], polygons, tree)
        faces.append(built)
        face.append(of_face + len(plain))
        member.append(members)
    return Repeated(polygons=np.concatenate(faces), face=np.concatenate(face).astype(np.int64),
                    member=np.concatenate(member).astype(np.int64))


def _areal(shapes: Polygons) -> Polygons:
    """Polygons alone: an intersection may hold lines and points beside them."""
    odd = np.flatnonzero(shapely.get_type_id(shapes) == 7)
    shapes = shapes.copy()
    for at in odd:
        shapes[at] = shapely.union_all(
            [part for part in shapely.get_parts(shapes[at]) if isinstance(part, shapely.Polygon)])
    return shapes


def _crowded(common: Polygons) -> npt.NDArray[np.bool_]:
    """Which intersections (k,) overlap another one: ground under three or more."""
    crowded = np.zeros(len(common), dtype=bool)
    one, two = shapely.STRtree(common).query(common, predicate="intersects")
    once = one < two
    one, two = one[once], two[once]
    over = shapely.area(shapely.intersection(common[one], common[two])) > _SPECK_M2
    crowded[one[over]] = True
    crowded[two[over]] = True
    return crowded


def _faces(
    common: Polygons, polygons: Polygons, tree: shapely.STRtree
) -> tuple[Polygons, IntArray, IntArray]:
    """Faces of the noded outlines, and (face, polygon) pairs of what covers them."""
    lines = shapely.union_all(shapely.boundary(common))
    built = shapely.get_parts(shapely.polygonize([lines]))
    built = built[shapely.area(built) > _SPECK_M2]
    inner = shapely.point_on_surface(built)
    face, member = tree.query(inner, predicate="intersects")
    depth = np.bincount(face, minlength=len(built))
    keep = depth > 1
    number = np.cumsum(keep) - 1
    own = keep[face]
    return built[keep], number[face[own]].astype(np.int64), member[own].astype(np.int64)
