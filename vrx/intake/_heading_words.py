"""What a heading says against the plan: unit, form, extractant. A contradiction stops."""

from __future__ import annotations

import re

from vrx.formats.soil_methods import METHODS, STRANGE_UNITS, unit_spelled
from vrx.intake._heading import heard
from vrx.intake.spec import ColumnSpec
from vrx.model import Finding, stop, warn

_SO4_S = re.compile(
    r"(?i)(so4|sul(f|ph)ate)[\s_-]*(as[\s_-]*)?(s|sul(f|ph)ur)(?![a-z])")
_SO4 = re.compile(r"(?i)(?<![a-z])so(4|₄)")
_CLEAR_METHOD = 5
"""Shorter names of methods ("kcl", "m3") may be something else in a heading."""
_SHORT_METHODS = frozenset({"m3", "m-3", "m1", "m-1"})


def _spaced(text: str) -> str:
    return " ".join(re.sub(r"[_\s]+", " ", text.casefold()).split())


def _holds(text: str, word: str) -> bool:
    return re.search(rf"(?<![a-z0-9]){re.escape(word)}(?![a-z0-9])", text) is not None


def strange_unit(heading: str, unit: str | None) -> str | None:
    """A unit in a heading that `unit` cannot be: one that nothing converts, or a bare "%", "lb"."""
    text = _spaced(heading)
    for word in sorted(STRANGE_UNITS, key=len, reverse=True):
        if _holds(text, word) or _holds(text, word.replace("/", " ")):
            return word
    if unit in {"meq/100 g", "cmol/kg"} and _holds(text, "meq"):
        return None
    if unit not in {"%", "% saturation"} and ("%" in text or _holds(text, "pct")):
        return "%"
    if unit != "lb/ac" and (_holds(text, "lb") or _holds(text, "lbs")):
        return "lb"
    return "meq" if _holds(text, "meq") else None


def methods_in_heading(heading: str, analyte: str) -> set[str]:
    """Extractants that a heading names beyond doubt: "mehlich-3" of "K Mehlich III (ppm)"."""
    text = re.sub(r"[\s_-]+", " ", heading.casefold())
    found: dict[str, str] = {}
    for method in METHODS:
        for alias in (method.name, *method.aliases):
            word = re.sub(r"[\s_-]+", " ", alias)
            clear = len(word) >= _CLEAR_METHOD or alias in _SHORT_METHODS
            if analyte in method.analytes and clear and word != "water" and _holds(text, word):
                found[word] = method.name
    # "morgan" within "modified morgan" is no method of its own.
    return {name for word, name in found.items()
            if not any(word != other and word in other for other in found)}


def heading_findings(
    analyte: str, column: ColumnSpec, *, unit: str | None, form: str | None,
    extractant: str | None, unit_said: str | None, where: str,
) -> list[Finding]:
    """Stops where the heading contradicts the plan, warnings where it may.

    `unit_said` is the unit of the heading that vrx knows, which is judged elsewhere.
    """
    heading = column.column
    findings: list[Finding] = []
    strange = None
    if unit_said is None and unit is not None and unit_spelled(unit) and unit != "pH":
        strange = strange_unit(heading, unit)
    if strange:
        findings.append(stop("soil-unit-conflict", where,
                             f"the heading says {strange}, the plan says {unit}",
                             todo="correct the unit; a unit that vrx does not know must be "
                             "converted in the file, and the heading with it"))
    if form == "SO4" and _SO4_S.search(heading):
        findings.append(stop("soil-form-conflict", where,
                             "the heading says SO4-S, the plan says SO4",
                             todo="correct the form, or the heading in the file"))
    named = methods_in_heading(heading, analyte)
    if named and extractant and extractant not in named:
        findings.append(stop("soil-extractant-conflict", where,
                             f"the heading says {' or '.join(sorted(named))}, the plan says "
                             f"{extractant}", todo="correct the extractant, or choose the other "
                             "column"))
    elif extractant and not named:
        findings += _short_name(heading, extractant, where)
    return findings + _forms(analyte, heading, form, where)


def _short_name(heading: str, extractant: str, where: str) -> list[Finding]:
    """A stop where a short name in the heading states another extractant, else a warning."""
    said = heard(heading).extractant
    if said.value in {"", extractant, "water"}:
        return []
    if said.states:
        return [stop("soil-extractant-conflict", where, f"the heading says {said.value}, the plan "
                     f"says {extractant}", todo="correct the extractant, or choose the other "
                     "column")]
    return [warn("soil-extractant-heading", where, f"a word of the heading is short for "
                 f"{said.value}, the plan says {extractant}", done=f"read as {extractant}; the "
                 "guide's classes hold for one extractant only",
                 todo="look at the report which one it was")]


def _forms(analyte: str, heading: str, form: str | None, where: str) -> list[Finding]:
    text = _spaced(heading)
    first = re.split(r"[^a-z0-9]+", text)[0]
    times = {"potassium": 1.2, "phosphorus": 2.29, "sulfate": 3.0}.get(analyte, 1.0)
    said = ""
    if analyte == "sulfate" and form in {"SO4-S", "S"} and _SO4.search(heading) and (
            not _SO4_S.search(heading)):
        said = "SO4"
    elif analyte == "sulfate" and form == "SO4" and not _SO4.search(heading) and first == "s":
        said = "S"
    elif form in {"K2O", "P2O5"} and first == form[0].lower():
        said = first.upper()
    elif form == "K" and _holds(text, "potash"):
        said = "potash"
    elif form == "P" and _holds(text, "phosphate"):
        said = "phosphate"
    if not said:
        return []
    return [warn("soil-form-heading", where, f"the heading says {said}, the plan says {form}",
                 done=f"read as {form}; if the heading is right, values are wrong by {times:g} "
                 "times", todo="ask the laboratory which it reports")]
