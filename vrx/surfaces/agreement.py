"""How a layer on the grid and point samples go together: Pearson and Spearman coefficients."""

from __future__ import annotations

import numpy as np

from vrx.model import Agreement, FloatArray, Grid

FEWEST = 5
"""Below so many points no coefficient is given (own rule: with four points any is likely)."""


def agreement(
    *, analyte: str, places: FloatArray, values: FloatArray, layer: FloatArray, grid: Grid
) -> Agreement:
    """Coefficients between samples (n,) at `places` (n, 2) and the cells that they lie in.

    `layer` (rows, columns) on `grid`, any unit; samples off the grid or in a cell without a value
    are left out. Pearson 1895 (linear) and Spearman 1904 (ranks, ties get their mean rank). No test
    of significance: samples of a field are near each other and so are not independent.
    """
    column = np.floor((places[:, 0] - grid.west_m) / grid.cell_m).astype(np.int64)
    row = np.floor((grid.north_m - places[:, 1]) / grid.cell_m).astype(np.int64)
    on = (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)
    beside = np.full(len(values), np.nan)
    beside[on] = layer[row[on], column[on]]
    use = np.isfinite(beside) & np.isfinite(values)
    n = int(use.sum())
    cells = len(np.unique(row[use] * grid.columns + column[use]))
    enough = n >= FEWEST
    return Agreement(
        analyte=analyte, n=n, same_cell=n - cells,
        pearson=_pearson(values[use], beside[use]) if enough else None,
        spearman=_pearson(_ranks(values[use]), _ranks(beside[use])) if enough else None,
    )


def _pearson(one: FloatArray, other: FloatArray) -> float | None:
    """None where one of the two does not vary beyond the rounding of its numbers."""
    a, b = one - one.mean(), other - other.mean()
    for spread, values in ((a, one), (b, other)):
        if np.abs(spread).max() <= 1e-12 * max(float(np.abs(values).max()), 1e-300):
            return None
    a, b = a / np.abs(a).max(), b / np.abs(b).max()
    found = float((a * b).sum() / np.sqrt((a * a).sum() * (b * b).sum()))
    return min(max(found, -1.0), 1.0)


def _ranks(values: FloatArray) -> FloatArray:
    _, which, count = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(count)
    return np.asarray((last - (count - 1) / 2.0)[which], dtype=np.float64)
