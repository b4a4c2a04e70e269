"""The trend part of kriging: a constant and drift columns, checked and scaled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vrx.errors import ComputeError
from vrx.model import FloatArray

COLLINEAR = 1e-7
"""Share of a drift column's spread that must not follow from the columns before it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DriftFrame:
    """How drift columns are scaled: centre and half spread at the samples, both (p,)."""

    names: tuple[str, ...]
    centre: FloatArray
    scale: FloatArray

    def basis(self, drift: FloatArray | None, count: int, what: str) -> FloatArray:
        """The trend's functions at `count` places: ones, then the scaled columns; (count, p + 1).

        Raises `ComputeError` where `drift` is not (count, p) and finite.
        """
        columns = checked_columns(drift, count, self.names, what)
        basis = np.ones((count, len(self.names) + 1))
        np.subtract(columns, self.centre, out=basis[:, 1:])
        basis[:, 1:] /= self.scale
        return basis


def checked_columns(
    drift: FloatArray | None, count: int, names: Sequence[str], what: str
) -> FloatArray:
    """`drift` as (count, p) floats. Raises `ComputeError` for a wrong shape and for gaps."""
    columns = np.empty((count, 0)) if drift is None else np.asarray(drift, dtype=np.float64)
    if columns.shape != (count, len(names)):
        raise ComputeError(
            f"the drift of {count} {what} has shape {columns.shape}, {len(names)} columns are "
            f"needed{': ' + ', '.join(names) if names else ''}",
            code="surface-drift-shape", hint="give one row per place, the same columns for all",
        )
    gaps = ~np.isfinite(columns)
    if gaps.any():
        row, column = (int(index) for index in np.argwhere(gaps)[0])
        raise ComputeError(
            f"drift column {names[column]!r} has no finite value at {int(gaps[:, column].sum())} "
            f"of {count} {what}, the first is no. {row + 1}",
            code="surface-drift-gaps", where=names[column],
            hint="leave these places or this column out, or fill its gaps first",
        )
    return columns


def drift_frame(
    *, drift: FloatArray | None, count: int, names: Sequence[str] = ()
) -> DriftFrame:
    """The frame of drift (count, p) at the samples.

    Raises `ComputeError` for more columns than the samples carry and, by name, for a column that
    is constant or follows from those before it.
    """
    shape = np.shape(drift) if drift is not None else (count, 0)
    width = shape[1] if len(shape) == 2 else 1
    named = tuple(names) or tuple(f"drift column {j + 1}" for j in range(width))
    columns = checked_columns(drift, count, named, "samples")
    if named and count < len(named) + 2:
        raise ComputeError(
            f"{count} samples cannot carry a trend of {len(named)} drift columns "
            f"({', '.join(named)})",
            code="surface-drift-too-many", hint=f"{len(named) + 2} samples are the least",
        )
    centre = columns.mean(axis=0) if count else np.zeros(0)
    scale = np.abs(columns - centre).max(axis=0, initial=0.0)
    for name, spread, size in zip(named, scale, np.abs(columns).max(axis=0), strict=True):
        if not spread > 1e-12 * size:
            raise _collinear(name, "is the same at all samples")
    if named:
        scaled = (columns - centre) / scale
        scaled /= np.sqrt((scaled * scaled).sum(axis=0))
        own = np.abs(np.diagonal(np.linalg.qr(scaled, mode="r")))
        for j in np.flatnonzero(own < COLLINEAR):
            raise _collinear(
                named[j], f"follows from the columns before it ({', '.join(named[:j])})"
            )
    return DriftFrame(names=named, centre=centre, scale=scale)


def _collinear(name: str, why: str) -> ComputeError:
    return ComputeError(
        f"drift column {name!r} {why}: its effect cannot be told apart",
        code="surface-drift-collinear", where=name, hint="leave this column out",
    )


def trend_columns(
    places: FloatArray, *, centre: FloatArray, scale_m: float
) -> FloatArray:
    """The columns of a linear trend, (places - centre) / scale_m; (n, 2), without unit."""
    return np.asarray((np.asarray(places, dtype=np.float64) - centre) / scale_m)
