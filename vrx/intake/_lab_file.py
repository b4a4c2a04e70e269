"""A laboratory's result file (.xml, .json) -> a table: rows of samples, a column a method code."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from vrx.errors import InputError
from vrx.formats.lab_methods import lab_method
from vrx.intake._files import Part
from vrx.intake._gather import gathered
from vrx.intake._json import read_json
from vrx.intake._modus import (
    DEPTH,
    KEYS,
    LAB,
    LATITUDE,
    LONGITUDE,
    POINT_1,
    POINT_2,
    REPORT,
    SAMPLE,
    is_slim,
    modus_results,
)
from vrx.intake._raise import listed
from vrx.intake._table import Row, Table
from vrx.intake._xml import read_xml
from vrx.model import Finding, note, warn

KIND = "laboratory results"
NAMED = {"id_column": SAMPLE, "depth_column": DEPTH, "lab_column": LAB, "report_column": REPORT}
"""Plan keys that a result file answers itself."""
_IDENTITY = (SAMPLE, DEPTH, POINT_1, POINT_2, LONGITUDE, LATITUDE)
_WORDS = (b'"Events"', b'"samples"', b"vnd.modus")


def lab_part(parts: Sequence[Part]) -> Part | None:
    """The result file behind a path: a single .xml, or a .json that is no GeoJSON."""
    if len(parts) != 1:
        return None
    part = parts[0]
    if part.suffix == ".xml":
        return part
    if part.suffix == ".json":
        data = part.read()
        if b'"FeatureCollection"' not in data and any(word in data for word in _WORDS):
            return part
    return None


def _document(part: Part) -> tuple[Any, str]:
    if part.suffix == ".json":
        document = read_json(part.read(), where=part.name)
        return document, "slim JSON" if is_slim(document) else "Modus 1 as JSON"
    root, document = read_xml(part.read(), where=part.name)
    if root == "ModusSubmit":
        raise InputError("is a submission of samples; it holds no results", code="lab-submission",
                         where=part.name, hint="ask the laboratory for the ModusResult file")
    if root != "ModusResult":
        raise InputError(f"begins with {root!r}, not with ModusResult", code="lab-layout-unknown",
                         where=part.name, hint="export the results as Modus 1 XML, CSV or XLSX")
    return document, "Modus 1 XML"


def lab_table(part: Part, *, keep: str = "mean") -> Table:
    """The soil results of a file. `keep` decides on several results of one sample and code."""
    document, source = _document(part)
    results, findings = modus_results(document, where=part.name)
    wide = gathered(results, KEYS, where=part.name, word="sample", keep=keep,
                    name_at=KEYS.index(SAMPLE),
                    identity=[KEYS.index(h) for h in _IDENTITY])
    # Keys that no sample fills are no columns.
    used = [k for k, heading in enumerate(wide.headings)
            if heading not in KEYS or heading == SAMPLE or any(r.cells[k] for r in wide.rows)]
    codes = [wide.headings[k] for k in used if wide.headings[k] not in KEYS]
    return Table(
        file=part.name, source=source, row_word="sample", kind=KIND, decimal=".",
        headings=tuple(wide.headings[k] for k in used),
        rows=tuple(Row(number=r.number, cells=tuple(r.cells[k] for k in used)) for r in wide.rows),
        units=tuple(wide.units[k] for k in used),
        findings=(note("table-read", part.name, source, done="read"), *findings, *wide.findings,
                  *_codes_told(codes, part.name)))


def _codes_told(codes: Sequence[str], where: str) -> list[Finding]:
    known = {code: method for code in codes if (method := lab_method(code)) is not None}
    strangers = [code for code in codes if code not in known and not code.endswith(" unit")]
    findings = [note("lab-method-code", where, f"code {code} is {method.analyte}"
                     + (f", {method.form}, {method.extractant}" if method.extractant else "")
                     + f", {method.unit} ({method.evidence}: {method.locator})")
                for code, method in known.items()]
    if strangers:
        findings.append(warn("lab-method-unknown", where,
                             f"method codes that vrx does not know: {listed(strangers, most=40)}",
                             done="kept as columns; nothing is taken from their names",
                             todo="name such a column in the plan with its unit, form and "
                             "extractant from the report"))
    return findings


def proposals(headings: Sequence[str]) -> dict[str, str]:
    """Plan key -> heading, for a new plan: an analyte only where one known code fits."""
    found = {key: heading for key, heading in NAMED.items() if heading in headings}
    if LONGITUDE in headings and LATITUDE in headings:
        found |= {"longitude_column": LONGITUDE, "latitude_column": LATITUDE}
    methods = [(h, m.analyte) for h in headings if (m := lab_method(h)) is not None]
    for analyte in {analyte for _, analyte in methods}:
        fit = [heading for heading, own in methods if own == analyte]
        if len(fit) == 1:
            found[analyte] = fit[0]
    return found
