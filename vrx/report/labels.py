"""Where labels go: inside their polygon where there is room, else beside it with a leader line.

No two labels overlap while there is any free place. The widest spot of a polygon is the centre of
its largest inscribed circle (`shapely.maximum_inscribed_circle`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from vrx.model import FloatArray
from vrx.report.svg import text_width

Box = tuple[float, float, float, float]
SIZES = (15.0, 13.0, 11.0, 9.5)
LINE = 1.12
_REACHES_AT_ONCE = 6
# So many labels beside their zones fill the map: another order was seen to place no more of them.
_MOST_TO_TRY = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A placed label: lines, font size and centre; a leader line runs from `anchor` if set."""

    lines: tuple[str, ...]
    size: float
    across: float
    down: float
    anchor: tuple[float, float] | None = None
    leader_end: tuple[float, float] | None = None

    @property
    def box(self) -> Box:
        """Left, top, right, bottom."""
        wide, tall = extent(self.lines, self.size)
        return (
            self.across - wide / 2, self.down - tall / 2,
            self.across + wide / 2, self.down + tall / 2,
        )


def extent(lines: Sequence[str], size: float) -> tuple[float, float]:
    """Width and height of centred bold lines, with a little air."""
    wide = max(text_width(line, size, bold=True) for line in lines)
    return wide + 3.0, len(lines) * size * LINE + 1.0


def overlap(one: Box, other: Box) -> bool:
    """Whether two boxes share area."""
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def spot(polygon: shapely.Polygon) -> tuple[float, float]:
    """Centre of the largest circle inside the polygon."""
    tolerance = max(math.sqrt(polygon.area) / 200, 1e-6)
    radius = shapely.maximum_inscribed_circle(polygon, tolerance=tolerance)
    across, down = shapely.get_coordinates(radius)[0]
    return float(across), float(down)


def _inside(polygon: shapely.Polygon, variants: Sequence[tuple[str, ...]]) -> Label | None:
    left, top, right, bottom = polygon.bounds
    pitch = max(3.0, math.sqrt((right - left) * (bottom - top) / 2500))
    across, down = np.meshgrid(np.arange(left, right, pitch), np.arange(top, bottom, pitch))
    shapely.prepare(polygon)
    within = shapely.contains_xy(polygon, across.ravel(), down.ravel())
    grid = np.column_stack([across.ravel()[within], down.ravel()[within]])
    places = np.vstack([np.array([spot(polygon)]), grid])
    clearance = shapely.distance(shapely.boundary(polygon), shapely.points(places))
    places = places[np.argsort(-clearance, kind="stable")][:600]
    for size in SIZES:
        for lines in variants:
            wide, tall = extent(lines, size)
            boxes = shapely.box(
                places[:, 0] - wide / 2, places[:, 1] - tall / 2,
                places[:, 0] + wide / 2, places[:, 1] + tall / 2,
            )
            fits = np.flatnonzero(shapely.contains(polygon, boxes))
            if len(fits):
                at = places[fits[0]]
                return Label(lines=lines, size=size, across=float(at[0]), down=float(at[1]))
    return None


class _Taken:
    """Boxes (n, 4) and leader lines (m, 4) of placed labels, and the dots where leaders start."""

    def __init__(self, placed: Sequence[Label], clear: Sequence[tuple[float, float]]) -> None:
        self.boxes = np.empty((0, 4))
        self.leaders = np.empty((0, 4))
        self.dots = np.array([(a - 3, d - 3, a + 3, d + 3) for a, d in clear]).reshape(-1, 4)
        for label in placed:
            self.add(label)

    def add(self, label: Label) -> None:
        """Take the place of one more label."""
        self.boxes = np.vstack([self.boxes, label.box])
        if label.anchor is not None and label.leader_end is not None:
            self.leaders = np.vstack([self.leaders, [*label.anchor, *label.leader_end]])

    def near(self, box: Box) -> FloatArray:
        """The boxes and dots that share area with a box."""
        return np.vstack([_sharing(self.boxes, box), _sharing(self.dots, box)])

    def crossed(self, anchor: tuple[float, float], label: Label) -> bool:
        """Whether the label's leader meets a box or leader, or its box a leader."""
        end = label.leader_end or anchor
        leader = shapely.LineString([anchor, end])
        left, right = sorted((anchor[0], end[0]))
        top, bottom = sorted((anchor[1], end[1]))
        met = self.boxes[
            (self.boxes[:, 0] <= right) & (left <= self.boxes[:, 2])
            & (self.boxes[:, 1] <= bottom) & (top <= self.boxes[:, 3])]
        if len(met) and shapely.intersects(shapely.box(*met.T), leader).any():
            return True
        if not len(self.leaders):
            return False
        lines = shapely.linestrings(self.leaders.reshape(-1, 2, 2))
        return bool(shapely.intersects(lines, leader).any()
                    or shapely.intersects(lines, shapely.box(*label.box)).any())


def _sharing(boxes: FloatArray, box: Box) -> FloatArray:
    return boxes[(boxes[:, 0] < box[2]) & (box[0] < boxes[:, 2])
                 & (boxes[:, 1] < box[3]) & (box[1] < boxes[:, 3])]


def _around(
    anchor: tuple[float, float], lines: tuple[str, ...], size: float
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Centres (n, 2) around an anchor and their boxes (n, 4), the nearest first, a few at once."""
    wide, tall = extent(lines, size)
    half = np.array([wide / 2, tall / 2])
    reaches = np.arange(9.0, 300.0, 5.0)
    for start in range(0, len(reaches), _REACHES_AT_ONCE):
        reach, turn = np.meshgrid(reaches[start : start + _REACHES_AT_ONCE],
                                  np.arange(36) * (math.pi / 18), indexing="ij")
        across = anchor[0] + np.cos(turn) * (reach + wide / 2)
        down = anchor[1] + np.sin(turn) * (reach + tall / 2)
        centres = np.column_stack([across.ravel(), down.ravel()])
        yield centres, np.hstack([centres - half, centres + half])


def _end(anchor: tuple[float, float], label: Label) -> tuple[float, float]:
    """Where a leader line meets the label's box."""
    left, top, right, bottom = label.box
    run, drop = label.across - anchor[0], label.down - anchor[1]
    part = min(
        (right - left) / 2 / abs(run) if run else 1.0,
        (bottom - top) / 2 / abs(drop) if drop else 1.0, 1.0,
    )
    return label.across - run * part, label.down - drop * part


def _beside(
    anchor: tuple[float, float], lines: tuple[str, ...], taken: _Taken, *, canvas: Box
) -> Label | None:
    """The nearest place beside an anchor whose box and leader cross no label and no leader.

    The box also stays off the dots where other leaders start, and off its own.
    """
    for size in SIZES[2:]:
        for centres, boxes in _around(anchor, lines, size):
            low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
            held = (
                (boxes[:, 0] >= canvas[0]) & (boxes[:, 1] >= canvas[1])
                & (boxes[:, 2] <= canvas[2]) & (boxes[:, 3] <= canvas[3])
            )
            own = np.array([[anchor[0] - 3, anchor[1] - 3, anchor[0] + 3, anchor[1] + 3]])
            near = np.vstack([
                taken.near((float(low[0]), float(low[1]), float(high[0]), float(high[1]))), own])
            held &= ~(
                (boxes[:, None, 0] < near[:, 2]) & (near[:, 0] < boxes[:, None, 2])
                & (boxes[:, None, 1] < near[:, 3]) & (near[:, 1] < boxes[:, None, 3])
            ).any(axis=1)
            for i in np.flatnonzero(held):
                label = Label(lines=lines, size=size, anchor=anchor, across=float(centres[i, 0]),
                              down=float(centres[i, 1]))
                label = replace(label, leader_end=_end(anchor, label))
                if not taken.crossed(anchor, label):
                    return label
    return None


def place_labels(
    polygons: Sequence[shapely.Polygon], lines: Sequence[tuple[str, ...]], *, canvas: Box
) -> list[Label]:
    """A label for every polygon, in their order.

    `lines` has the label of each polygon as separate lines; a polygon too flat for two lines gets
    them joined in one, one without room gets them beside it. Where no place is free, the first line
    alone stands beside or in the polygon. `canvas` bounds labels beside their polygon.
    """
    inside: dict[int, Label] = {}
    for i, (polygon, text) in enumerate(zip(polygons, lines, strict=True)):
        label = _inside(polygon, [text] if len(text) == 1 else [text, (" ".join(text),)])
        if label is not None:
            inside[i] = label
    rest = [i for i in range(len(polygons)) if i not in inside]
    # Which order leaves most labels a place cannot be known before: try some, keep the best.
    spots = {i: spot(polygons[i]) for i in rest}
    orders = [rest, rest[::-1], sorted(rest, key=spots.__getitem__),
              sorted(rest, key=spots.__getitem__, reverse=True)]
    clear = list(spots.values())
    best: dict[int, Label] = {}
    for order in orders if len(rest) <= _MOST_TO_TRY else orders[:1]:
        found: dict[int, Label] = {}
        taken = _Taken([*inside.values()], clear)
        for i in order:
            label = _beside(spots[i], (" ".join(lines[i]),), taken, canvas=canvas)
            if label is not None:
                found[i] = label
                taken.add(label)
        best = found if len(found) > len(best) else best
        if len(best) == len(rest):
            break
    taken = _Taken([*inside.values(), *best.values()], clear)
    for i in rest:
        if i not in best:
            alone = _beside(spots[i], lines[i][:1], taken, canvas=canvas)
            across, down = spots[i]
            best[i] = alone or Label(
                lines=lines[i][:1], size=SIZES[-1], across=across, down=down
            )
            taken.add(best[i])
    placed = inside | best
    return [placed[i] for i in range(len(polygons))]


def place_beside_points(
    places: FloatArray, texts: Sequence[str], *, size: float, canvas: Box, dot: float
) -> list[tuple[float, float] | None]:
    """Where each point's text starts (left, baseline), None where every place is taken.

    `places` is (n, 2). Points are tried in their order, eight places around each.
    """
    dots = [(a - dot, d - dot, a + dot, d + dot) for a, d in places.tolist()]
    taken: list[Box] = list(dots)
    found: list[tuple[float, float] | None] = []
    for i, text in enumerate(texts):
        wide, tall = text_width(text, size), size * 0.95
        across, down = (float(v) for v in places[i])
        gap = dot + 1.5
        corners = [
            (across + gap, down - tall / 2), (across - gap - wide, down - tall / 2),
            (across - wide / 2, down - gap - tall), (across - wide / 2, down + gap),
            (across + gap * 0.8, down - gap - tall * 0.8), (across + gap * 0.8, down + gap * 0.4),
            (across - gap * 0.8 - wide, down - gap - tall * 0.8),
            (across - gap * 0.8 - wide, down + gap * 0.4),
        ]
        start = None
        for left, top in corners:
            box = (left, top, left + wide, top + tall)
            held = (
                box[0] >= canvas[0] and box[1] >= canvas[1]
                and box[2] <= canvas[2] and box[3] <= canvas[3]
            )
            others = (b for b in taken if b != dots[i])
            if held and not any(overlap(box, b) for b in others):
                taken.append(box)
                start = (left, top + tall * 0.86)
                break
        found.append(start)
    return found
