"""The job record's blocks of what a season costs and takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from vrx.model import FloatArray, Money, SoilBalance


def money_record(money: Money, zone_ids: Sequence[int]) -> dict[str, Any]:
    """Blocks `buying`, `tank_fills`, `bids`, `flat_or_by_zone` and `season_balance` as plain JSON.

    Each balance lists its zones, amounts in lb/ac and the range of the soil test in ppm.
    """
    compared = money.comparison
    return {
        "ordered_on": money.ordered_on,
        "buying": [asdict(one) for one in money.purchases],
        "tank_fills": [asdict(one) for one in money.fills],
        "bids": [asdict(one) for one in money.bids],
        "flat_or_by_zone": None if compared is None else {
            **asdict(compared),
            "response": [{"nutrient": name, "hay_tons_per_lb_short": value}
                         for name, value in compared.response],
        },
        "season_balance": [_balance(one, zone_ids) for one in money.balances],
    }


def _balance(one: SoilBalance, zone_ids: Sequence[int]) -> dict[str, Any]:
    def at(values: FloatArray | None, k: int) -> float | None:
        return None if values is None else float(values[k])

    return {
        "nutrient": one.nutrient, "removed_by": one.removed_words,
        "otherwise_by": one.otherwise_words, "seasons": one.seasons, "basis": list(one.basis),
        "cannot_tell": one.cannot_tell,
        "zones": [
            {
                "zone_id": zone_id, "brought_lb_per_ac": at(one.brought, k),
                "otherwise_lb_per_ac": at(one.otherwise, k),
                "removed_lb_per_ac": at(one.removed, k), "left_lb_per_ac": at(one.left, k),
                "soil_test_ppm": at(one.soil_now, k),
                "lb_per_ppm": [at(one.buffer_low, k), at(one.buffer_high, k)],
                "change_ppm_a_season": [at(one.ppm_low, k), at(one.ppm_high, k)],
                "after_seasons_ppm": [at(one.after_low, k), at(one.after_high, k)],
            }
            for k, zone_id in enumerate(zone_ids)
        ],
    }
