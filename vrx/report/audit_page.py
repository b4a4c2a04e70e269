"""An audit as one plain page: verdicts, what differs, acres, totals, deliveries, faults, files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from vrx.model import Finding, Severity
from vrx.model.audit import AuditResult, AuditRow, Value
from vrx.report import numbers
from vrx.report.page import template

_ZONE_ACRES = "acres"
_TOTALS = ("total", "product total", "acres in all", "acres by cells", "mean rate by acres",
           "acres without a usable rate", "material")
_ARITHMETIC = {True: "AGREES", False: "DIFFERS", None: "NOT JUDGED"}
_DELIVERY = {True: "WITHIN TOLERANCE", False: "OUTSIDE TOLERANCE", None: "NOT JUDGED"}
_RECORDED_ACRES = "acres in the job record against the polygon"
_ORDER = tuple(f"order, {key}" for key in ("quantity", "lb", "k2o_lb", "s_lb", "n_lb", "usd"))
_MARKS = {Severity.STOP: "STOP", Severity.WARN: "look", Severity.NOTE: "note"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A row as printed."""

    what: str
    where: str
    unit: str
    found: str
    expected: str
    difference: str
    verdict: str


def audit_page(result: AuditResult) -> str:
    """The page of an audit: one HTML file that needs nothing else, also on paper and in grey."""
    rows = result.rows
    trade = [row for row in rows if row.trade]
    differ = [row for row in rows if not row.agrees and not row.trade]
    brought = [row for row in rows if row.what.endswith(" brought") and row.unit == "lb"]
    totals = [row for row in rows if row.expected is None and row.what.startswith(_TOTALS)]
    compared = [row for row in rows if row.expected is not None and not row.trade]
    return template("audit.html.j2").render(
        subject=result.subject, arithmetic=_ARITHMETIC[result.arithmetic],
        delivery=_DELIVERY[result.trade],
        stops=sum(one.severity is Severity.STOP for one in result.faults),
        compared=len(compared), agreeing=sum(row.agrees for row in compared),
        differ=_lines(differ), trade=_lines(trade), totals=_lines(totals),
        nutrients=_lines(brought), zones=_zones(rows), planned=_planned(rows),
        every=_lines(compared), faults=_faults(result.faults), files=result.files,
    )


def _zones(rows: Sequence[AuditRow]) -> list[_Line]:
    """Acres by zone: of every file alone, or of a run's first file."""
    alone = [row for row in rows if row.what == _ZONE_ACRES]
    if alone:
        return _lines(alone)
    held = [row for row in rows if row.what == _RECORDED_ACRES]
    first = held[0].where.partition(", zone")[0] if held else ""
    # The audit's own figure is the expected one; what it judges stands in the record.
    return _lines([replace(row, found=row.expected) for row in held
                   if row.where.startswith(f"{first}, ")])


def _planned(rows: Sequence[AuditRow]) -> list[_Line]:
    """Totals of a run: the order, and material by the rates of its first file."""
    material = [row for row in rows if row.what.startswith("material ")]
    first = material[0].where.partition(",")[0] if material else ""
    return _lines([row for row in rows if row.what in _ORDER or (
        row in material and row.where.startswith(first))])


def _lines(rows: Sequence[AuditRow]) -> list[_Line]:
    return [
        _Line(what=row.what, where=row.where.removeprefix("manifest.json, "), unit=row.unit,
              found=_text(row.found, row.unit), expected=_text(row.expected, row.unit),
              difference=_difference(row),
              verdict="" if row.expected is None else "agrees" if row.agrees else "DIFFERS")
        for row in rows
    ]


def _text(value: Value, unit: str) -> str:
    if value is None:
        return ""
    if not isinstance(value, float):
        return value
    decimals = {"deg": 9, "": 0, "ac": 4}.get(unit, 3)
    if unit == "" and not value.is_integer():
        decimals = 3
    return numbers.fixed(value, decimals)


def _difference(row: AuditRow) -> str:
    if row.difference is None:
        return ""
    share = ""
    if isinstance(row.expected, float) and row.expected and row.unit != "deg":
        share = f" ({100.0 * row.difference / row.expected:+.4g} %)"
    return f"{row.difference:+.6g}{share}" if row.difference else "0"


def _faults(faults: Sequence[Finding]) -> list[dict[str, str]]:
    order = list(_MARKS)
    kept = sorted(faults, key=lambda one: order.index(one.severity))
    return [{"mark": _MARKS[one.severity], "where": one.where, "what": one.what, "todo": one.todo,
             "code": one.code} for one in kept]
