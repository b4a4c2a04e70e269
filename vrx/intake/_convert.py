"""Laboratory units and forms -> the unit and form that vrx keeps; factors are in `vrx.units`."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from vrx import units
from vrx.errors import InputError
from vrx.formats.soil_methods import (
    FORMS_OF,
    UNITS,
    form_named,
    method_named,
    unit_named,
    unit_spelled,
)
from vrx.intake._heading_words import heading_findings
from vrx.intake._raise import stop_of
from vrx.intake.spec import ColumnSpec
from vrx.model import ANALYTES, Finding, stop

_FORM_FACTOR: dict[str, Callable[[float], float]] = {
    "K2O": units.k_from_k2o, "SO4": units.s_from_so4,
    "P2O5": lambda value: value * units.P_PER_P2O5,
}
_PPM_OF_MEQ: dict[str, Callable[[float], float]] = {
    "K": units.k_ppm_from_meq_per_100g, "K2O": units.k_ppm_from_meq_per_100g,
    "Mg": units.mg_ppm_from_meq_per_100g, "Na": units.na_ppm_from_meq_per_100g,
}
_SAME = ({"ppm", "mg/kg"}, {"meq/100 g", "cmol/kg"})


def to_kept_unit(
    value: float, *, unit: str, form: str, depth_in: tuple[float, float] | None,
    cec_meq_per_100g: float = math.nan,
) -> float:
    """A result in the analyte's own unit and form; NaN where its depth or CEC is missing."""
    if unit == "lb/ac":
        value = math.nan if depth_in is None else units.ppm_from_lb_per_ac(
            value, depth_in=depth_in[1] - depth_in[0])
    elif unit == "% saturation":
        of_meq = _PPM_OF_MEQ.get(form, units.k_ppm_from_meq_per_100g)
        value = of_meq(cec_meq_per_100g * value / 100.0)
    elif unit in {"meq/100 g", "cmol/kg"} and form in _PPM_OF_MEQ:
        # An equivalent is of the ion, so that a form of K2O would be a contradiction.
        return _PPM_OF_MEQ[form](value)
    elif unit == "uS/cm":
        return units.ds_per_m_from_us_per_cm(value)
    return _FORM_FACTOR[form](value) if form in _FORM_FACTOR else value


def same_unit(one: str, other: str) -> bool:
    """True if two canonical units give the same number."""
    return one == other or any({one, other} <= same for same in _SAME)


def unit_in_heading(heading: str) -> str | None:
    """The unit that a heading such as "K_ppm" or "Kali (mg/kg)" carries, None if none."""
    text = heading.casefold()
    spellings = sorted(
        ((word.casefold(), unit) for unit, words in UNITS.items() for word in words
         if word not in {"%", "ph", "su", "meq"}),
        key=lambda pair: -len(pair[0]))
    for word, unit in spellings:
        if re.search(rf"(?<![a-z0-9]){re.escape(word)}(?![a-z0-9])", text.replace("_", " ")):
            return unit
        joined = re.escape(word.replace("/", "_").replace(" ", "_"))
        if re.search(rf"(?<![a-z0-9]){joined}(?![a-z0-9])", text):
            return unit
    return None


def oxide_in_heading(heading: str) -> str | None:
    """ "K2O" or "P2O5" if the heading says so, else None."""
    text = heading.casefold().replace("₂", "2").replace("₅", "5")
    return "K2O" if "k2o" in text else "P2O5" if "p2o5" in text else None


def checked_column(
    analyte: str, column: ColumnSpec, *, file: str
) -> tuple[ColumnSpec, list[Finding]]:
    """A column's statement in canonical words, or the stops that say what is missing or unknown."""
    where = f"{file}, column {column.column}"
    findings: list[Finding] = []
    known = ANALYTES[analyte]
    unit, form, extractant = column.unit, column.form, column.extractant

    def tried(name: Callable[..., str], text: str) -> str:
        try:
            return name(text, analyte=analyte, where=where)
        except InputError as err:
            findings.append(stop_of(err))
            return text

    if unit is not None:
        unit = tried(unit_named, unit)
    elif column.unit_column is None:
        findings.append(stop("soil-unit-missing", where, f"the unit of {analyte} is not stated",
                             todo="state it from the laboratory's report"))
    forms = FORMS_OF[analyte]
    if known.needs_extractant:
        if forms and form is None:
            findings.append(stop("soil-form-missing", where, f"the form of {analyte} is not stated",
                                 todo="state it, for example "
                                 + " or ".join(f'"{word}"' for word in forms)))
        elif form is not None:
            form = tried(form_named, form)
        if extractant is None:
            findings.append(stop("soil-extractant-missing", where,
                                 f"the extractant of {analyte} is not stated",
                                 todo="state it from the laboratory's report"))
        else:
            extractant = tried(method_named, extractant)
        if column.depth_in is None:
            findings.append(stop("soil-depth-missing", where,
                                 f"the depth of {analyte} is not stated",
                                 todo="state depth_in = [top, bottom] in inches"))
    if column.depth_in is not None and not 0 <= column.depth_in[0] < column.depth_in[1]:
        findings.append(stop("soil-depth-missing", where, f"depth {column.depth_in} is no layer",
                             todo="state depth_in = [top, bottom] in inches"))
    findings += _heading_conflicts(analyte, column, unit, form, where)
    findings += heading_findings(analyte, column, unit=unit, form=form, extractant=extractant,
                                 unit_said=unit_in_heading(column.column), where=where)
    return ColumnSpec(
        column=column.column, unit=unit, unit_column=column.unit_column, form=form or "",
        extractant=extractant or "", depth_in=column.depth_in, depth=column.depth,
        limit_of_detection=column.limit_of_detection,
    ), findings


def _heading_conflicts(
    analyte: str, column: ColumnSpec, unit: str | None, form: str | None, where: str
) -> list[Finding]:
    findings: list[Finding] = []
    oxide = oxide_in_heading(column.column)
    if oxide and form and form != oxide and analyte in {"potassium", "phosphorus"}:
        findings.append(stop("soil-form-conflict", where,
                             f"the heading says {oxide}, the plan says {form}",
                             todo="correct the form, or the heading in the file"))
    said = unit_in_heading(column.column)
    if said and unit and unit_spelled(unit) and not same_unit(said, unit):
        findings.append(stop("soil-unit-conflict", where,
                             f"the heading says {said}, the plan says {unit}",
                             todo="correct the unit, or the heading in the file"))
    if form == "K2O" and unit in {"meq/100 g", "cmol/kg", "% saturation"}:
        findings.append(stop("soil-form-conflict", where, f"K2O cannot be given in {unit}",
                             todo='an equivalent or a saturation is of the ion: form "K"'))
    return findings
