"""The region graph: small pieces join a neighbour, by one rule for cells and for polygons."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np

from vrx.model import FloatArray, IntArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Merged:
    """`owner` (n,) is the piece that each piece now belongs to; its class is the owner's.

    `moved_sizes` are the sizes of the pieces that gave up their class, in the order of merging.
    `largest_forced` is the size of the largest piece merged only to get to `most` pieces, or 0.
    """

    owner: IntArray
    moved_sizes: tuple[float, ...]
    largest_forced: float


@dataclass(slots=True)
class _Graph:
    size: list[float]
    kind: list[int]
    edges: list[dict[int, float]]
    owner: list[int]
    alive: int
    heap: list[tuple[float, int]] = field(default_factory=list)

    def absorb(self, into: int, piece: int) -> None:
        self.size[into] += self.size[piece]
        self.owner[piece] = into
        self.alive -= 1
        for other, length in self.edges[piece].items():
            del self.edges[other][piece]
            if other != into:
                self.edges[into][other] = self.edges[into].get(other, 0.0) + length
                self.edges[other][into] = self.edges[into][other]
        self.edges[piece] = {}


def merge_small(
    *,
    sizes: FloatArray,
    kinds: IntArray,
    pairs: IntArray,
    lengths: FloatArray,
    smallest: float,
    distance: IntArray,
    most: int | None = None,
) -> Merged:
    """Merge pieces below `smallest` into neighbours, the smallest piece first.

    A piece joins the neighbour with the longest shared edge; equal edges: the neighbour of the
    nearest class, then the larger one, then the first. What thereby touches its own class along an
    edge becomes one piece. A piece without neighbour stays. With `most`, merging goes on in the
    same way until no more than that many pieces are left.

    `sizes` (n,) and `smallest` in one unit; `kinds` (n,) are classes; `pairs` (m, 2) with
    `lengths` (m,) are the shared edges; `distance` (classes, classes) counts class steps.
    """
    count = len(sizes)
    graph = _Graph(
        size=[float(size) for size in sizes], kind=[int(kind) for kind in kinds],
        edges=[{} for _ in range(count)], owner=list(range(count)), alive=count,
    )
    for (one, two), length in zip(pairs.tolist(), lengths.tolist(), strict=True):
        graph.edges[one][two] = graph.edges[two][one] = length
    graph.heap = [(size, piece) for piece, size in enumerate(graph.size)]
    heapq.heapify(graph.heap)
    moved: list[float] = []
    forced = 0.0
    while graph.heap:
        size, piece = heapq.heappop(graph.heap)
        if graph.owner[piece] != piece or size != graph.size[piece] or not graph.edges[piece]:
            continue
        if size >= smallest:
            if most is None or graph.alive <= most:
                break
            forced = max(forced, size)
        moved.append(size)
        _join(graph, piece, distance)
    return Merged(
        owner=np.array([_root(graph.owner, piece) for piece in range(count)], dtype=np.int64),
        moved_sizes=tuple(moved), largest_forced=forced,
    )


def _join(graph: _Graph, piece: int, distance: IntArray) -> None:
    own = graph.kind[piece]
    into = max(
        graph.edges[piece],
        key=lambda other: (
            round(graph.edges[piece][other], 6), -int(distance[own, graph.kind[other]]),
            graph.size[other], -other,
        ),
    )
    graph.absorb(into, piece)
    for other in sorted(graph.edges[into]):
        if graph.kind[other] == graph.kind[into]:
            graph.absorb(into, other)
    heapq.heappush(graph.heap, (graph.size[into], into))


def _root(owner: list[int], piece: int) -> int:
    while owner[piece] != piece:
        piece = owner[piece]
    return piece
