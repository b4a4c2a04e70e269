"""Rates as integers of ISO 11783 task files: DDI, unit, resolution (see `iso11783.toml`)."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from numbers import Real
from types import MappingProxyType

from vrx import units
from vrx.errors import InputError

_HECTARE_M2 = 10_000.0
_LB_MG = units.LB_KG * 1e6
_HEX = re.compile(r"[0-9A-F]{4}")

UNITS: Mapping[str, tuple[str, float]] = MappingProxyType({
    "lb/ac": ("mg/m2", _LB_MG / units.ACRE_M2),
    "short ton/ac": ("mg/m2", units.SHORT_TON_LB * _LB_MG / units.ACRE_M2),
    "kg/ha": ("mg/m2", 1e6 / _HECTARE_M2),
    "t/ha": ("mg/m2", 1e9 / _HECTARE_M2),
    "gal/ac": ("mm3/m2", units.GAL_M3 * 1e9 / units.ACRE_M2),
    "L/ha": ("mm3/m2", 1e6 / _HECTARE_M2),
    "seeds/ac": ("1/m2", 1.0 / units.ACRE_M2),
})
"""Unit of a rate → (base unit, amount in the base unit in one)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ddi:
    """One entry of the data dictionary; the raw value is amount in `base` / `resolution`."""

    ddi: str
    meaning: str
    base: str
    resolution: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedDdi:
    """What a machine logs beside rates; the value in `unit` is raw x `per_raw`."""

    ddi: str
    meaning: str
    unit: str
    per_raw: float


@cache
def logged_ddis() -> Mapping[str, LoggedDdi]:
    """DDI of time logs that are no rates, by their four hex digits."""
    told = tomllib.loads(
        files("vrx.formats").joinpath("iso11783.toml").read_text(encoding="utf-8"))
    return MappingProxyType({
        key: LoggedDdi(ddi=key, meaning=entry["meaning"], unit=entry["unit"],
                       per_raw=float(entry["per_raw"]))
        for key, entry in told["log"].items()
    })


@cache
def _table() -> tuple[Mapping[str, Ddi], int, int]:
    told = tomllib.loads(
        files("vrx.formats").joinpath("iso11783.toml").read_text(encoding="utf-8"))
    found = {
        key: Ddi(ddi=key, meaning=entry["meaning"], base=entry["base"],
                 resolution=float(entry["resolution"]))
        for key, entry in told["ddi"].items()
    }
    return MappingProxyType(found), told["limits"]["least_raw"], told["limits"]["most_raw"]


def known_ddis() -> Mapping[str, Ddi]:
    """All known DDI by their four hex digits."""
    return _table()[0]


def ddi_entry(ddi: str, *, where: str = "DDI") -> Ddi:
    """The entry of a DDI. Raises `InputError` for what is not four hex digits or not known."""
    key = str(ddi).upper()
    if not _HEX.fullmatch(key):
        raise InputError(f"{ddi!r} is no DDI: it is written as four hex digits",
                         code="task-ddi-form", where=where, hint="for example 0006, not 6")
    if key not in known_ddis():
        raise InputError(f"DDI {key} is no rate that is known here", code="task-ddi-unknown",
                         where=where, hint=f"known: {', '.join(known_ddis())}")
    return known_ddis()[key]


def _factor(unit: str, entry: Ddi, where: str) -> float:
    """Raw values in one `unit`. Raises `InputError` for a unit of another kind."""
    if unit not in UNITS or UNITS[unit][0] != entry.base:
        fitting = [name for name, (base, _) in UNITS.items() if base == entry.base]
        raise InputError(
            f"{unit!r} is no unit of DDI {entry.ddi} ({entry.meaning}, {entry.base})",
            code="task-unit", where=where, hint=f"its units here: {', '.join(fitting)}")
    return UNITS[unit][1] / entry.resolution


def _is_rate(value: object) -> bool:
    """A number of 0 or more; text or a truth value would be reckoned with, or break elsewhere."""
    number = isinstance(value, Real) and not isinstance(value, bool)
    return number and math.isfinite(float(value)) and float(value) >= 0  # type: ignore[arg-type]


def raw_value(rate: float, unit: str, ddi: str, *, where: str = "rate") -> int:
    """The integer that stands in the file for `rate`, half up.

    Raises `InputError` for an unknown DDI, a unit of another kind, a rate that is no number or is
    negative, and one beyond a signed 32-bit integer.
    """
    entry = ddi_entry(ddi, where=where)
    factor, most = _factor(unit, entry, where), _table()[2]
    if not _is_rate(rate):
        raise InputError(f"rate {rate!r} {unit} is no number of 0 or more", code="task-rate",
                         where=where, hint="give every zone a rate; 0 is off")
    exact = min(float(rate) * factor, 1e300)
    raw = math.floor(exact + 0.5)
    if raw > most:
        raise InputError(
            f"{rate:g} {unit} is {exact:.10g} in DDI {entry.ddi}, above {most} (32 bits, signed)",
            code="task-rate-range", where=where, hint="check the rate and its unit")
    return raw


def require_raw(raw: int, *, where: str = "value") -> int:
    """The integer itself. Raises `InputError` for one beyond a signed 32-bit integer."""
    _, least, most = _table()
    if not least <= raw <= most:
        raise InputError(f"{raw} is no signed integer of 32 bits", code="task-rate-range",
                         where=where, hint="check the value")
    return raw


def rate_from_raw(raw: int, unit: str, ddi: str, *, where: str = "value") -> float:
    """The rate in `unit` that an integer of the file means. Raises `InputError` as `raw_value`."""
    entry = ddi_entry(ddi, where=where)
    return require_raw(raw, where=where) / _factor(unit, entry, where)


def rounding_pct(rate: float, unit: str, ddi: str) -> float:
    """By how many percent the rate in the file differs from `rate`; 0 for a rate of 0."""
    kept = rate_from_raw(raw_value(rate, unit, ddi), unit, ddi)
    return 100.0 * (kept / rate - 1.0) if rate else 0.0
