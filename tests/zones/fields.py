"""Seeded random fields and surfaces for the tests of coverages and zones."""

from __future__ import annotations

import numpy as np
import shapely
from shapely import affinity

CENTRE = (-96.5, 41.2)
KINDS = ("wavy", "holes", "multipart", "strip", "tiny", "rectangle", "pivot")


def _blob(rng: np.random.Generator, vertices: int, radius: float) -> shapely.Polygon:
    angle = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    wave = sum(
        rng.normal(0, 0.12) * np.cos(k * angle + rng.uniform(0, 2 * np.pi)) for k in range(2, 6)
    )
    reach = radius * np.maximum(0.4, 1 + wave)
    return shapely.Polygon(np.column_stack([reach * np.cos(angle), reach * np.sin(angle)]))


def random_field(kind: str, seed: int) -> shapely.MultiPolygon:
    """A valid field of the kind, metres, near the origin."""
    rng = np.random.default_rng([KINDS.index(kind), seed])
    if kind == "wavy":
        shape = _blob(rng, int(rng.integers(200, 900)), rng.uniform(200, 400))
    elif kind == "holes":
        shape = _blob(rng, 222, rng.uniform(250, 400))
        for _ in range(int(rng.integers(1, 4))):
            hole = _blob(rng, 24, rng.uniform(10, 40))
            shape = shape.difference(affinity.translate(hole, *rng.uniform(-120, 120, 2)))
    elif kind == "multipart":
        shape = _blob(rng, 120, rng.uniform(250, 400))
        road = shapely.LineString([(-900, rng.uniform(-200, 200)), (900, rng.uniform(-200, 200))])
        shape = shape.difference(road.buffer(rng.uniform(3, 20)))
    elif kind == "strip":
        shape = affinity.rotate(shapely.box(-500, -30, 500, 30), rng.uniform(0, 180))
    elif kind == "tiny":
        shape = affinity.rotate(shapely.box(-9, -6, 9, 6), rng.uniform(0, 180))
    elif kind == "rectangle":
        east, north = rng.integers(20, 120, 2) * 5.0
        shape = shapely.box(-east, -north, east, north)
    else:
        shape = shapely.Point(0, 0).buffer(rng.uniform(200, 390), quad_segs=32)
        wedge = shapely.Polygon([(0, 0), (800, 0), (800, rng.uniform(50, 900))])
        shape = shape.difference(wedge)
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def smooth(shape: tuple[int, int], seed: int, *, waves: int = 9, rough: float = 0.15):
    """A seeded surface (rows, columns) of mean 130 and spread about 40."""
    rng = np.random.default_rng(seed)
    rows, columns = np.meshgrid(
        np.linspace(0, 1, shape[0]), np.linspace(0, 1, shape[1]), indexing="ij"
    )
    total = np.zeros(shape)
    for _ in range(waves):
        across, along, phase = rng.uniform(-5, 5), rng.uniform(-5, 5), rng.uniform(0, 6.3)
        total += np.cos(2 * np.pi * (across * rows + along * columns) + phase)
    return 130 + 40 * (total / total.std() + rough * rng.normal(size=shape))


TRUTHS = ("trend", "hole", "island", "strips", "two parts", "2,000 vertices")


def known_truth(kind: str, seed: int) -> shapely.MultiPolygon:
    """A field of 20 to 70 ha for known-truth surfaces: `truth_surface` draws on its grid."""
    rng = np.random.default_rng([TRUTHS.index(kind) + 20, seed])
    shape = _blob(rng, 2000 if kind == "2,000 vertices" else 222, rng.uniform(260, 440))
    if kind in ("hole", "island"):
        ring = _blob(rng, 40, rng.uniform(50, 90))
        shape = shape.difference(affinity.translate(ring, *rng.uniform(-70, 70, 2)))
        if kind == "island":
            # Ground of the field inside its own hole.
            inner = shapely.get_parts(shape)[0].interiors
            if inner:
                shape = shape.union(affinity.scale(shapely.Polygon(inner[0]), 0.5, 0.5))
    elif kind == "two parts":
        road = shapely.LineString([(-900, rng.uniform(-90, 90)), (900, rng.uniform(-90, 90))])
        shape = shape.difference(road.buffer(rng.uniform(4, 15)))
    parts = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def truth_surface(kind: str, seed: int, east, north):
    """Trend, waves and noise at (rows, columns) places; "strips" adds bands 30 to 60 m wide."""
    rng = np.random.default_rng([TRUTHS.index(kind) + 40, seed])
    angle = rng.uniform(0, 2 * np.pi)
    along = east * np.cos(angle) + north * np.sin(angle)
    across = north * np.cos(angle) - east * np.sin(angle)
    total = 130 + 0.12 * along + rng.normal(0, 12, east.shape)
    for _ in range(6):
        reach, turn, phase = rng.uniform(90, 400), rng.uniform(0, 2 * np.pi), rng.uniform(0, 6.3)
        place = east * np.cos(turn) + north * np.sin(turn)
        total += 14 * np.cos(2 * np.pi * place / reach + phase)
    if kind == "strips":
        total += 45 * (np.floor(across / rng.uniform(30, 60)) % 2)
    return total
