"""Zones part by part on a raster: what holds no cell's centre is not on the map of its zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import shapely

_MOST_NAMED = 12
DONE = ("their ground has the rate of the cells around it; order and totals stay those of the "
        "zones")
Whole = TypeVar("Whole", np.int32, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parts:
    """`shapes` are the parts of all zones, `zone` (parts,) the position of the zone of each."""

    shapes: tuple[shapely.Polygon, ...]
    zone: npt.NDArray[np.int64]

    @classmethod
    def of(cls, polygons: Sequence[shapely.Geometry]) -> Parts:
        """The parts of zones, zone by zone."""
        shapes, zone = shapely.get_parts(np.array(polygons, dtype=object), return_index=True)
        return cls(shapes=tuple(shapes), zone=np.asarray(zone, dtype=np.int64))

    def zone_of(self, burnt: npt.NDArray[Whole]) -> npt.NDArray[Whole]:
        """Positions of zones for positions of parts, any shape; -1 stays -1."""
        # The last one is what -1 takes.
        return np.append(self.zone, -1).astype(burnt.dtype)[burnt]

    def without_cell(self, burnt: npt.NDArray[Whole]) -> Mapping[int, list[shapely.Polygon]]:
        """Zone that holds cells → those of its parts that hold none."""
        if len(np.unique(self.zone)) == len(self.shapes):
            return {}
        held = np.bincount(burnt[burnt >= 0], minlength=len(self.shapes)) > 0
        seen = set(self.zone[held].tolist())
        lost: dict[int, list[shapely.Polygon]] = {}
        for part in np.flatnonzero(~held).tolist():
            zone = int(self.zone[part])
            if zone in seen:
                lost.setdefault(zone, []).append(self.shapes[part])
        return lost


def words(lost_ac: Mapping[str, Sequence[float]], *, cell: str) -> tuple[str, str]:
    """What is to be told of letter → acres of parts without a cell, and their acres in all."""
    told = [
        f"{letter} ({len(acres)} part{'' if len(acres) == 1 else 's'}, {sum(acres):.4f} ac)"
        for letter, acres in lost_ac.items()]
    more = f" and {len(told) - _MOST_NAMED} more" if len(told) > _MOST_NAMED else ""
    what = (f"zone {', '.join(told[:_MOST_NAMED])}{more}: parts so small or narrow that no cell of "
            f"{cell} has its centre in them")
    return what, f"{sum(map(sum, lost_ac.values())):.4f} ac"
