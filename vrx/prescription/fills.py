"""How often a tank or hopper is filled in a pass, and how far one fill goes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from vrx.errors import PlanError
from vrx.model import FloatArray, PassRates, TankFills

TINY = 1e-9
_MOST_FILLS = 100_000


def tank_fills(
    passes: Sequence[PassRates], tanks: Mapping[str, float], *, zone_area_ac: FloatArray
) -> tuple[TankFills, ...]:
    """Fills of every pass that `tanks` (pass id → lb or gal it holds) names and that spreads.

    Acres of one fill are at the mean rate over the acres that get product, and at the highest rate.
    Raises `PlanError` for a tank that holds nothing.
    """
    made = []
    for one in passes:
        tank = tanks.get(one.pass_id)
        if tank is None:
            continue
        unit = one.material.unit.removesuffix("/ac")
        where = f"[machine.{one.pass_id}]"
        if not (math.isfinite(tank) and tank > 0):
            raise PlanError(f"a tank of {tank:g} {unit} holds nothing", code="order-tank",
                            where=where, hint="give what it holds when filled, or leave it out")
        if one.order_total <= 0:
            continue
        share = one.order_total / tank
        if not share <= _MOST_FILLS:
            raise PlanError(f"{share:,.0f} fills of {tank:g} {unit}", code="order-tank",
                            where=where, hint="give what the tank holds when filled")
        fills = max(1, math.ceil(share - TINY * max(1.0, share)))
        spread = np.asarray(zone_area_ac)[one.rates > 0]
        acres = one.treated_ac if one.treated_ac is not None else float(spread.sum())
        made.append(TankFills(
            pass_id=one.pass_id, number=one.number, material=one.material.id, unit=unit, tank=tank,
            total=one.order_total, fills=fills, last_fill=one.order_total - (fills - 1) * tank,
            acres_per_fill=tank * acres / one.order_total,
            acres_at_most=tank / float(one.rates.max()),
        ))
    return tuple(made)
