"""How wide the parts of a class raster are: in any direction, or across the driving direction."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from vrx.model import BoolArray, FloatArray, IntArray

_SLACK = 1e-9
# Cell corners of a tilted edge lie up to half a cell off it on each side; what is left of that
# after the vote of four cells.
_TILT_SLACK_CELLS = 0.5
# Samples lie this close where the width is a few cells only, else a cell apart.
_FINE = 0.5
_WIDE_CELLS = 8.0


def reached(
    classes: IntArray, width_cells: float, driving_deg: float | None = None
) -> BoolArray:
    """Cells (rows, columns) that are in a part of their class as wide as the width.

    `classes` are 0 or above in the field and -1 outside. Without a driving direction a part is wide
    where a circle of that diameter fits; with one (compass degrees) where a straight run across it
    is that long.
    """
    if width_cells <= 1:
        return classes >= 0
    if driving_deg is None:
        return _by_circle(classes, width_cells)
    return _by_runs(classes, width_cells, driving_deg)


def field_narrow(
    inside: BoolArray, width_cells: float, driving_deg: float | None = None
) -> BoolArray:
    """Cells where the field itself is narrower than the width; plain corners do not count."""
    from scipy.ndimage import label

    if width_cells <= 1:
        return np.zeros(inside.shape, dtype=bool)
    field = np.where(inside, 0, -1)
    if driving_deg is not None:
        return np.asarray(inside & ~_by_runs(field, width_cells, driving_deg))
    deep = _circle_centres(field, width_cells)
    near = spread(deep, width_cells)[1::2, 1::2] & inside
    labels, count = label(inside & ~near)
    # In half steps from where the circle's centre fits: its radius is width_cells, and a further
    # full width is two of them.
    beyond = ~spread(deep, np.nextafter(3 * width_cells, np.inf))[1::2, 1::2]
    far = np.zeros(count + 1, dtype=bool)
    far[np.unique(labels[beyond])] = True
    far[0] = False
    return np.asarray(far[labels], dtype=bool)


def spread(mask: BoolArray, radius: float) -> BoolArray:
    """All places (rows, columns) with a True less than `radius` steps away.

    Equal to a threshold on the exact Euclidean distance, but rows of a disc are or-ed one by one,
    which is many times faster for radii of a few dozen steps.
    """
    most = math.ceil(radius) - 1
    if most < 0 or not mask.any():
        return np.zeros_like(mask)
    if most > 96:
        from scipy.ndimage import distance_transform_edt

        return np.asarray(distance_transform_edt(~mask) < radius)
    wide, half = mask.copy(), 0
    out = np.zeros_like(mask)
    for off in range(min(most, mask.shape[0] - 1), -1, -1):
        reach = math.isqrt(max(math.ceil(radius * radius - off * off) - 1, 0))
        while half < min(reach, mask.shape[1] - 1):
            half += 1
            wide[:, half:] |= mask[:, :-half]
            wide[:, :-half] |= mask[:, half:]
        if off:
            out[off:] |= wide[:-off]
            out[:-off] |= wide[off:]
        else:
            out |= wide
    return out


def _circle_centres(classes: IntArray, width_cells: float) -> BoolArray:
    """Where the circle's centre may be, on a grid of half steps (2 rows + 1, 2 columns + 1).

    Cell centres lie at odd places. With edges as places of their own a strip of n cells measures
    n half steps from its middle to its edge, be n odd or even.
    """
    rows, columns = classes.shape
    padded = np.full((rows + 2, columns + 2), -1, dtype=np.int32)
    padded[1:-1, 1:-1] = classes
    edge = np.zeros((2 * rows + 1, 2 * columns + 1), dtype=bool)
    across = padded[1:, :] != padded[:-1, :]
    along = padded[:, 1:] != padded[:, :-1]
    edge[1::2, 0::2] = along[1:-1]
    edge[0::2, 1::2] = across[:, 1:-1]
    edge[0::2, 0::2] = along[:-1] | along[1:] | across[:, :-1] | across[:, 1:]
    field = np.empty_like(edge)
    held = padded >= 0
    field[1::2, 1::2] = held[1:-1, 1:-1]
    field[1::2, 0::2] = held[1:-1, :-1]
    field[0::2, 1::2] = held[:-1, 1:-1]
    field[0::2, 0::2] = held[:-1, :-1]
    return field & ~edge & ~spread(edge, width_cells - _SLACK)


def _by_circle(classes: IntArray, width_cells: float) -> BoolArray:
    deep = _circle_centres(classes, width_cells)
    return spread(deep, width_cells)[1::2, 1::2] & (classes >= 0)


def _by_runs(classes: IntArray, width_cells: float, driving_deg: float) -> BoolArray:
    turn = driving_deg % 180.0
    if turn == 0.0:
        return _long_runs(classes, width_cells - _SLACK)
    if turn == 90.0:
        return _long_runs(classes.T, width_cells - _SLACK).T
    step = _FINE if width_cells < _WIDE_CELLS else 1.0
    frame = _turned_frame(classes.shape, turn, step)
    turned = frame.sample(classes)
    least = max(width_cells - _TILT_SLACK_CELLS, 1.0)
    wide = _long_runs(turned, least / step - _SLACK)
    found = np.asarray(wide.ravel()[frame.at] & (turned.ravel()[frame.at] == classes))
    # Neighbouring samples count too: the vote may give the nearest one to another class, and a rim
    # of single cells must not come off round by round.
    row, column = np.nonzero(~found & (classes >= 0))
    own, at = classes[row, column], frame.at[row, column]
    height, across = turned.shape
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            near_row = np.clip(at // across + down, 0, height - 1)
            near_column = np.clip(at % across + right, 0, across - 1)
            found[row, column] |= wide[near_row, near_column] & (
                turned[near_row, near_column] == own)
    return found & (classes >= 0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """Samples on lines across the driving direction, one line a row; (lines, samples).

    `corner` is the upper left of the four cells around a sample in the raster with a rim of one
    cell, `right` and `down` the share of the way to the others; `at` (rows, columns) is the sample
    nearest to each cell.
    """

    corner: IntArray
    right: FloatArray
    down: FloatArray
    at: IntArray
    stride: int

    def sample(self, classes: IntArray) -> IntArray:
        """The class with the greatest weight among the four cells around each sample."""
        flat = np.full((classes.shape[0] + 2, self.stride), -1, dtype=np.int64)
        flat[1:-1, 1:-1] = classes
        flat = flat.ravel()
        corners = [flat[self.corner + off] for off in (0, 1, self.stride, self.stride + 1)]
        best = corners[0]
        mixed = (corners[1] != best) | (corners[2] != best) | (corners[3] != best)
        right, down = self.right[mixed], self.down[mixed]
        weights = [a * b for a in (1 - down, down) for b in (1 - right, right)]
        held = [one[mixed] for one in corners]
        choice, most = held[0], np.full(len(right), -1.0)
        for mine in held:
            total = sum(np.where(other == mine, weight, 0.0)
                        for other, weight in zip(held, weights, strict=True))
            better = total > most + _SLACK
            choice, most = np.where(better, mine, choice), np.where(better, total, most)
        best[mixed] = choice
        return best


@lru_cache(maxsize=2)
def _turned_frame(shape: tuple[int, int], turn: float, step: float) -> _Frame:
    rows, columns = shape
    angle = math.radians(turn)
    # Right and down, in cells, of one step along and one across.
    along = np.array([math.sin(angle), -math.cos(angle)])
    across = np.array([math.cos(angle), math.sin(angle)])
    right, down = np.meshgrid(np.arange(columns, dtype=np.float64),
                              np.arange(rows, dtype=np.float64))
    u, v = right * across[0] + down * across[1], right * along[0] + down * along[1]
    u_low, v_low = float(u.min()), float(v.min())
    us = u_low + step * np.arange(int((u.max() - u_low) / step) + 2)
    vs = v_low + step * np.arange(int((v.max() - v_low) / step) + 2)
    x = us[None, :] * across[0] + vs[:, None] * along[0]
    y = us[None, :] * across[1] + vs[:, None] * along[1]
    # Samples beyond the raster read its rim, which is no class.
    x, y = np.clip(x, -1.0, columns), np.clip(y, -1.0, rows)
    left = np.minimum(np.floor(x), columns - 1).astype(np.int64)
    top = np.minimum(np.floor(y), rows - 1).astype(np.int64)
    stride = columns + 2
    at = np.rint((v - v_low) / step).astype(np.int64) * len(us) + np.rint(
        (u - u_low) / step).astype(np.int64)
    return _Frame(corner=(top + 1) * stride + left + 1, right=x - left, down=y - top, at=at,
                  stride=stride)


def _long_runs(classes: IntArray, least: float) -> BoolArray:
    """Cells of runs of one class along a row that are at least as long; -1 is no class."""
    rows, columns = classes.shape
    starts = np.ones((rows, columns), dtype=bool)
    starts[:, 1:] = classes[:, 1:] != classes[:, :-1]
    run = np.cumsum(starts.ravel()) - 1
    length = np.bincount(run)
    long = (length >= least)[run].reshape(rows, columns)
    return np.asarray(long & (classes >= 0))
