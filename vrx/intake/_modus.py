"""Soil results in the Modus 1 layout (XML or JSON) and in the flat "slim" JSON, one by one.

Layouts: AgGateway Modus 1 result files as described in an open example (oats-center/modus, folder
examples, CC0), and Open Ag Data Alliance JSON Schema modus/slim/v1/0 (MIT). The method code names
the column; the Element text never does. Recommendations are no results and are not read.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from vrx.errors import InputError
from vrx.intake._gather import Result
from vrx.intake._raise import listed
from vrx.model import Finding, note, warn

SAMPLE, DEPTH, DAY, RECEIVED = "sample", "depth", "event date", "date received"
LAB, REPORT, CONTAINER = "laboratory", "report", "container"
POINT_1, POINT_2 = "point coordinate 1", "point coordinate 2"
LATITUDE, LONGITUDE = "latitude", "longitude"
KEYS = (SAMPLE, DEPTH, POINT_1, POINT_2, LONGITUDE, LATITUDE, DAY, RECEIVED, LAB, REPORT, CONTAINER)
_POINT = re.compile(
    r"(?:SRID=\d+;)?\s*POINT\s*(?:Z|M|ZM)?\s*\(\s*(\S+)[\s,]+([^\s,)]+)(?:[\s,]+[^\s,)]+){0,2}\s*\)",
    re.IGNORECASE)
_DEPTH_UNITS = {"in": "in", "inch": "in", "inches": "in", "[in_i]": "in", '"': "in", "cm": "cm",
                "centimeter": "cm", "centimeters": "cm", "ft": "ft", "feet": "ft", "[ft_i]": "ft"}


@dataclass(slots=True, kw_only=True)
class _Log:
    calculated: Counter[str] = field(default_factory=Counter)
    other_kind: Counter[str] = field(default_factory=Counter)
    no_code: Counter[str] = field(default_factory=Counter)
    unread: Counter[str] = field(default_factory=Counter)
    no_point: list[str] = field(default_factory=list)
    ratings: int = 0


def _many(value: Any, *inner: str) -> list[Any]:
    """A repeated part however it was written: absent, one, a list, or wrapped by its inner name."""
    if value is None or value == "":
        return []
    if isinstance(value, list):
        flat, value = [], value[::-1]
        while value:  # lists in lists, however deep
            one = value.pop()
            if isinstance(one, list):
                value += one[::-1]
            else:
                flat += _many(one, *inner)
        return flat
    if isinstance(value, dict):
        for name in inner:
            if name in value:
                return _many(value[name])
    return [value]


def _at(value: Any, *path: str) -> Any:
    for step in path:
        if not isinstance(value, Mapping):
            return None
        value = value.get(step)
    return value


def _text(value: Any) -> str:
    """A leaf as text; of an element with attributes its own words."""
    if isinstance(value, Mapping):
        value = value.get("#text", "")
    if value is None or isinstance(value, list | Mapping):
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return " ".join(str(value).split())


def _depth(top: str, bottom: str, unit: str, name: str) -> str:
    if not (top and bottom):
        return name
    return f"{top}-{bottom} {_DEPTH_UNITS.get(unit.casefold(), unit)}".strip()


def _point(wkt: str) -> tuple[str, str]:
    match = _POINT.fullmatch(wkt.strip())
    return (match[1], match[2]) if match else ("", "")


def is_slim(document: Any) -> bool:
    """True for the flat layout: samples by id, no events."""
    return isinstance(document, Mapping) and "samples" in document and "Events" not in document


def modus_results(document: Any, *, where: str) -> tuple[list[Result], list[Finding]]:
    """All soil results of either layout; the keys of each `Result` are those of `KEYS`.

    Raises `InputError` if there is none.
    """
    log = _Log()
    walk = _slim if is_slim(document) else _events
    found = list(walk(document, log, where))
    if not any(one.heading for one in found):
        raise InputError("holds no soil result", code="lab-no-results", where=where,
                         hint="ask the laboratory for the result file, not for the submission")
    return found, _findings(log, where)


def _events(document: Any, log: _Log, where: str) -> Iterator[Result]:
    number = 0
    for event in _many(_at(document, "Events") or _at(document, "Event"), "Event"):
        samples = _at(event, "EventSamples")
        for kind in samples if isinstance(samples, Mapping) else ():
            if kind != "Soil":
                log.unread[f"{kind} samples"] += 1
        if _at(event, "NutrientRecommendations"):
            log.unread["NutrientRecommendations"] += 1
        soil = _at(samples, "Soil")
        depths = {
            _text(_at(ref, "DepthID")): _depth(
                _text(_at(ref, "StartingDepth")), _text(_at(ref, "EndingDepth")),
                _text(_at(ref, "DepthUnit")), _text(_at(ref, "Name")))
            for ref in _many(_at(soil, "DepthRefs"), "DepthRef")
        }
        reports = {
            _text(_at(one, "ReportID")): _text(_at(one, "LabReportID"))
            for one in _many(_at(event, "LabMetaData", "Reports"), "Report")
        }
        common = {
            DAY: _text(_at(event, "EventMetaData", "EventDate")),
            RECEIVED: _text(_at(event, "LabMetaData", "ReceivedDate")),
            LAB: _text(_at(event, "LabMetaData", "LabName")),
        }
        for sample in _many(_at(soil, "SoilSample") or _at(soil, "SoilSamples"), "SoilSample"):
            number += 1
            yield from _sample(sample, number=number, common=common, depths=depths,
                               reports=reports, log=log, where=where)


def _sample(
    sample: Any, *, number: int, common: Mapping[str, str], depths: Mapping[str, str],
    reports: Mapping[str, str], log: _Log, where: str,
) -> Iterator[Result]:
    about = _at(sample, "SampleMetaData")
    name = _text(_at(about, "SampleNumber")) or _text(_at(about, "FMISSampleID"))
    wkt = _text(_at(about, "Geometry"))
    first, second = _point(wkt)
    if wkt and not first:
        log.no_point.append(f"{name or number} {wkt[:30]!r}")
    report = _text(_at(about, "ReportID"))
    cells = {**common, SAMPLE: name, CONTAINER: _text(_at(about, "SampleContainerID")),
             POINT_1: first, POINT_2: second, REPORT: reports.get(report) or report}
    replaces = _text(_at(about, "OverwriteResult")).casefold() in {"true", "1"}
    parts = _many(_at(sample, "Depths"), "Depth")
    for part in parts:
        label = _text(_at(part, "DepthID"))
        if label and depths and label not in depths:
            raise InputError(f"names the depth {label!r}, which DepthRefs does not hold",
                             code="lab-depth-unknown", where=f"{where} sample {name or number}",
                             hint="ask the laboratory for a whole file")
        here = {**cells, DEPTH: depths.get(label, "")}
        for other in part if isinstance(part, Mapping) else ():
            if other not in {"DepthID", "NutrientResults", "#text"}:
                log.unread[other] += 1
        for one in _many(_at(part, "NutrientResults"), "NutrientResult"):
            yield _result(one, number, here, log, replaces=replaces)
    if not parts:
        yield Result(number=number, key=_key(cells))


def _key(cells: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(cells.get(name, "") for name in KEYS)


def _result(
    one: Any, number: int, cells: Mapping[str, str], log: _Log, *, replaces: bool
) -> Result:
    code = _text(_at(one, "ModusTestID"))
    element = _text(_at(one, "Element"))
    kind = _text(_at(one, "ValueType"))
    heading = code or f"{element or 'result'} (no method code)"
    if not code:
        log.no_code[element] += 1
    if kind.casefold() == "calculated":
        log.calculated[heading] += 1
    elif kind and kind.casefold() != "measured":
        # A percentage or index of something is another quantity than the reading of that code.
        heading = f"{heading} ({kind})"
        log.other_kind[heading] += 1
    log.ratings += bool(_text(_at(one, "ValueDesc")))
    return Result(number=number, key=_key(cells), heading=heading, value=_text(_at(one, "Value")),
                  unit=_text(_at(one, "ValueUnit")), replaces=replaces)


def _slim(document: Any, log: _Log, where: str) -> Iterator[Result]:
    kind = _text(_at(document, "type"))
    if kind and kind.casefold() != "soil":
        log.unread[f"{kind} samples"] += 1
        return
    samples = _at(document, "samples")
    named = samples.items() if isinstance(samples, Mapping) else (
        (str(k), one) for k, one in enumerate(_many(samples), 1))
    for number, (key, sample) in enumerate(named, 1):
        def said(*path: str, sample: Any = sample) -> Any:
            # The layout: what a sample does not say is said by the document as a whole.
            own = _at(sample, *path)
            return _at(document, *path) if own in (None, "") else own

        lat, lon = _text(said("geolocation", "lat")), _text(said("geolocation", "lon"))
        place = _at(sample, "geolocation", "geojson")
        point = _at(place, "geometry") or place
        first, second = ("", "")
        if not (lat and lon) and _at(point, "type") == "Point":
            pair = [_text(value) for value in _many(_at(point, "coordinates"))]
            first, second = (pair[0], pair[1]) if len(pair) >= 2 else ("", "")
        cells = {
            SAMPLE: _text(_at(sample, "lab", "sampleid")) or _text(
                _at(sample, "source", "sampleid")) or _text(_at(sample, "id")) or key,
            CONTAINER: _text(_at(sample, "source", "sampleid")),
            DEPTH: _depth(_text(said("depth", "top")), _text(said("depth", "bottom")),
                          _text(said("depth", "units")), _text(said("depth", "name"))),
            LATITUDE: lat, LONGITUDE: lon, POINT_1: first, POINT_2: second,
            DAY: _text(said("source", "date")) or _text(_at(document, "date")),
            RECEIVED: _text(said("lab", "dateReceived")), LAB: _text(said("lab", "name")),
            REPORT: _text(said("lab", "report", "id")),
        }
        results = _at(sample, "results") or _at(sample, "nutrientResults") or {}
        each = list(results.values()) if isinstance(results, Mapping) else _many(results)
        for one in each:
            code, element = _text(_at(one, "modusTestID")), _text(_at(one, "analyte"))
            if not code:
                log.no_code[element] += 1
            yield Result(number=number, key=_key(cells), value=_text(_at(one, "value")),
                         heading=code or f"{element or 'result'} (no method code)",
                         unit=_text(_at(one, "units")))
        if not each:
            yield Result(number=number, key=_key(cells))


def _findings(log: _Log, where: str) -> list[Finding]:
    def counted(found: Counter[str]) -> str:
        return listed(f"{name} ({count})" for name, count in found.items())

    findings: list[Finding] = []
    if log.unread:
        findings.append(note("lab-parts-not-read", where, f"no soil results: {counted(log.unread)}",
                             done="not read; recommendations are never mixed with results"))
    if log.calculated:
        findings.append(note("lab-value-calculated", where, "the laboratory calculated, not "
                             f"measured: {counted(log.calculated)}", done="used as written"))
    if log.other_kind:
        findings.append(note("lab-value-kind", where, "values of another kind than a reading: "
                             f"{counted(log.other_kind)}", done="kept in columns of their own"))
    if log.no_code:
        findings.append(warn("lab-no-method-code", where, "results without a method code: "
                             f"{counted(log.no_code)}", done="kept under their own words; nothing "
                             "is known of their method", todo="state form, extractant and unit "
                             "from the laboratory's report"))
    if log.no_point:
        findings.append(warn("lab-geometry-no-point", where,
                             f"the geometry is no point: {listed(log.no_point, most=5)}",
                             done="taken as no position"))
    if log.ratings:
        findings.append(note("lab-ratings", where, f"{log.ratings} results carry a rating in words",
                             done="not used: the rule book rates"))
    return findings
