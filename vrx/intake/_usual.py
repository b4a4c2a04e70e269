"""Readings against what is usual: units and forms that a mean would fit. It never chooses."""

from __future__ import annotations

import math
from dataclasses import dataclass

from vrx.formats.soil_methods import FORMS_OF, UNITS_OF
from vrx.formats.soil_words import soil_words
from vrx.intake._convert import same_unit, to_kept_unit
from vrx.model import ANALYTES

_SIX_INCHES = (0.0, 6.0)
_OF_THE_ION = frozenset({"meq/100 g", "cmol/kg", "% saturation"})
_LIKE_ANOTHER = frozenset({"mg/kg", "mg/L", "cmol/kg"})
"""Units whose numbers fit wherever those of ppm or meq/100 g do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """`plausible` and `usual` are (low, high) in `unit`, beyond the first vrx refuses a reading.

    `fits` names the units and forms in which the mean would be usual; `doubts` say what does not
    fit what is stated.
    """

    unit: str = ""
    plausible: tuple[float, float] | None = None
    usual: tuple[float, float] | None = None
    fits: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


def _layer(text: str) -> tuple[float, float]:
    try:
        top, bottom = (float(word) for word in text.strip("[]").split(","))
    except ValueError:
        return _SIX_INCHES
    return top, bottom


def _factor(analyte: str, unit: str, form: str, depth: tuple[float, float]) -> float:
    """Kept unit per stated unit; NaN where only the CEC would tell."""
    if unit == "% saturation" or unit not in UNITS_OF[analyte]:
        return math.nan
    return to_kept_unit(1.0, unit=unit, form=form, depth_in=depth)


def _usual(
    analyte: str, unit: str, form: str, depth: tuple[float, float]
) -> tuple[float, float] | None:
    """What is usual in a unit and form of the file."""
    words = soil_words().usual
    if unit == "% saturation":
        return words.get((analyte, unit))
    factor = _factor(analyte, unit, form, depth)
    kept = words.get((analyte, ANALYTES[analyte].unit))
    if kept is None or not math.isfinite(factor):
        return None
    return kept[0] / factor, kept[1] / factor


def _readings(analyte: str) -> list[tuple[str, str]]:
    forms = [form for form in FORMS_OF[analyte] if form != "S"] or [""]
    return [(unit, form) for unit in UNITS_OF[analyte] for form in forms
            if unit not in _LIKE_ANOTHER
            and not (unit in _OF_THE_ION and form in {"K2O", "P2O5"})]


def judged(
    analyte: str, mean: float, *, least: float, greatest: float, unit: str, form: str, depth: str
) -> Judged:
    """The mean of a column against what is usual, for the unit and form said ("" if not).

    `least` and `greatest` are checked against the register's range in the unit said. All numbers
    are in the unit of the file.
    """
    register = ANALYTES[analyte]
    layer = _layer(depth)
    shown = unit if unit in UNITS_OF[analyte] else register.unit
    usual = _usual(analyte, shown, form, layer)
    factor = _factor(analyte, shown, form, layer)
    plausible = None
    if math.isfinite(factor):
        plausible = register.low / factor, register.high / factor
    base = Judged(unit=shown, plausible=plausible, usual=usual)
    if not math.isfinite(mean):
        return base
    every = [(u, f) for u, f in _readings(analyte)
             if (span := _usual(analyte, u, f, layer)) is not None and span[0] <= mean <= span[1]]
    fits = tuple(_named(analyte, u, f) for u, f in every)
    doubts: list[str] = []
    if unit in UNITS_OF[analyte]:
        if plausible is not None and not plausible[0] <= least <= greatest <= plausible[1]:
            doubts.append(f"{least:g} to {greatest:g} {unit} is outside {plausible[0]:g} to "
                          f"{plausible[1]:g}, where vrx stops")
        agree = [f for u, f in every if same_unit(u, unit) or {u, unit} == {"ppm", "mg/L"}]
        if usual is not None and not (form in agree if form and form != "S" else agree):
            what = f"{unit} {form}".strip()
            others = f"; it would fit {', '.join(fits)}" if fits else ""
            doubts.append(f"a mean of {mean:.3g} {what} is outside the usual {usual[0]:.3g} to "
                          f"{usual[1]:.3g}{others}")
        elif not form and len(FORMS_OF[analyte]) > 1 and agree:
            missing = [f for u, f in _readings(analyte)
                       if f not in agree and (same_unit(u, unit) or {u, unit} == {"ppm", "mg/L"})]
            other = [_named(analyte, u, f) for u, f in every
                     if not (same_unit(u, unit) or {u, unit} == {"ppm", "mg/L"})]
            if missing:
                doubts.append(f"a mean of {mean:.3g} {unit} fits {' or '.join(agree)}, less well "
                              f"{' or '.join(missing)}" + (
                                  f"; {', '.join(other)} would fit, too" if other else ""))
    return Judged(unit=shown, plausible=plausible, usual=usual, fits=fits, doubts=tuple(doubts))


def _named(analyte: str, unit: str, form: str) -> str:
    return f"{unit} {form}" if len(FORMS_OF[analyte]) > 1 else unit
