"""Stated units of a log -> metres, seconds, pounds and short tons per acre. None is guessed."""

from __future__ import annotations

from vrx import units
from vrx.errors import InputError
from vrx.formats.soil_methods import nearest
from vrx.intake.yields._cells import CLOCK
from vrx.intake.yields.spec import LogColumn, YieldSpec

_LB_PER_KG = 1.0 / units.LB_KG
_HA_AC = 10_000.0 / units.ACRE_M2
_TON = units.SHORT_TON_LB

LENGTH_M = {"m": 1.0, "cm": 0.01, "ft": units.FT_M, "in": units.IN_M}
SPEED_M_PER_S = {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 5280 * units.FT_M / 3600,
                 "ft/s": units.FT_M}
SECONDS = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}
AREAL = {
    "short ton/ac": 1.0, "ton/ac": 1.0, "lb/ac": 1.0 / _TON,
    "kg/ha": _LB_PER_KG / _HA_AC / _TON, "t/ha": 1000.0 * _LB_PER_KG / _HA_AC / _TON,
    "Mg/ha": 1000.0 * _LB_PER_KG / _HA_AC / _TON,
}
"""Short tons per acre in one unit; a ton per acre is a short ton."""
FLOW_LB_PER_S = {"lb/s": 1.0, "kg/s": _LB_PER_KG, "t/h": 1000.0 * _LB_PER_KG / 3600.0,
                 "short ton/h": _TON / 3600.0, "lb/min": 1 / 60.0, "lb/h": 1 / 3600.0,
                 "kg/min": _LB_PER_KG / 60.0, "kg/h": _LB_PER_KG / 3600.0}
MASS_LB = {"lb": 1.0, "kg": _LB_PER_KG}
BALE_LB = {"lb/bale": 1.0, "kg/bale": _LB_PER_KG, "short ton/bale": _TON, "ton/bale": _TON,
           "t/bale": 1000.0 * _LB_PER_KG}
ISO = "ISO 8601"


def is_written(unit: str) -> bool:
    """Whether times are text: ISO 8601, a time of day, or a strptime format such as "%H%M%S"."""
    return unit in {ISO, CLOCK} or "%" in unit


def factor(column: LogColumn, known: dict[str, float], *, file: str) -> float:
    """What one stated unit is in ours. Raises `InputError` with the nearest known spelling."""
    if column.unit in known:
        return known[column.unit]
    raise InputError(f"unit {column.unit!r} is not known here", code="layer-unit-unknown",
                     where=f"{file}, column {column.column}",
                     hint=nearest(column.unit, known))


def amount_kind(spec: YieldSpec, *, file: str) -> tuple[str, float]:
    """("areal" | "flow" | "mass" | "bale", factor to short tons per acre, lb/s or lb)."""
    unit, where = spec.amount.unit, f"{file}, column {spec.amount.column}"
    if unit == "bu/ac":
        if spec.lb_per_bushel is None:
            raise InputError("bushels per acre are a measure of grain; hay has none",
                             code="yield-bushels", where=where,
                             hint="state lb_per_bushel if this log really is grain")
        return "areal", spec.lb_per_bushel / _TON
    if unit in {"ton/ha", "tons/ha"}:
        raise InputError(f"{unit!r} can mean metric or short tons", code="layer-unit-unclear",
                         where=where, hint='state "t/ha" for metric tons')
    if unit in AREAL:
        return "areal", AREAL[unit]
    if unit in FLOW_LB_PER_S:
        return "flow", FLOW_LB_PER_S[unit]
    if unit in MASS_LB:
        return "mass", MASS_LB[unit]
    if unit in BALE_LB:
        return "bale", BALE_LB[unit]
    known = [*AREAL, *FLOW_LB_PER_S, *MASS_LB, *BALE_LB, "bu/ac"]
    raise InputError(f"unit {unit!r} is not known here", code="layer-unit-unknown", where=where,
                     hint=nearest(unit, known))
