"""Totals while somebody edits: what zones hold, need and get, without what stands beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from vrx.model import Field, FloatArray, Need, Prescription, Zones


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Live:
    """Zones with their needs and rates; arrays (zones,) in the order of `zones`.

    `means` are soil tests by analyte, `needs` by nutrient; `usd` is what the order costs, None
    where a price is missing. `state` is that of the folder it was made from.
    """

    state: str
    field: Field
    zones: Zones
    means: Mapping[str, FloatArray]
    needs: Mapping[str, tuple[Need, ...]]
    prescription: Prescription
    usd: float | None

    @property
    def area_ac(self) -> FloatArray:
        """Acres of the zones."""
        return np.array([zone.area_ac for zone in self.zones.zones])


def live_of(
    *, state: str, field: Field, zones: Zones, needs: Mapping[str, tuple[Need, ...]],
    prescription: Prescription, means: Mapping[str, FloatArray],
) -> Live:
    """The live view of rates that are worked out."""
    costs = [line.usd for line in prescription.order]
    usd = None if any(one is None for one in costs) else float(
        sum(one for one in costs if one is not None))
    return Live(state=state, field=field, zones=zones, means=means, needs=needs,
                prescription=prescription, usd=usd)
