"""Worked examples of a book, run through the same path as a plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from vrx.errors import RuleError
from vrx.model import ANALYTES, FloatArray, Need, Yield, ZoneReading
from vrx.rules.book import Book
from vrx.rules.inputs import TissueTest, WaterTest
from vrx.rules.need import needs

if TYPE_CHECKING:
    from vrx.rules.schema import Example, Given


@dataclass(frozen=True, slots=True, kw_only=True)
class ExampleResult:
    """One example: whether it holds, and every difference in words."""

    title: str
    locator: str
    evidence: str
    passed: bool
    differences: tuple[str, ...]


def run_examples(book: Book) -> tuple[ExampleResult, ...]:
    """All examples of a book, through `needs`. A failing one is a result, never an error."""
    return tuple(_run(book, example) for example in book.data.examples)


def _run(book: Book, example: Example) -> ExampleResult:
    try:
        found: Need | RuleError = needs_of(book, example.given)[0]
    except RuleError as error:
        found = error
    differences = tuple(_differences(example, found))
    return ExampleResult(title=example.title, locator=example.locator, evidence=example.evidence,
                         passed=not differences, differences=differences)


def _differences(example: Example, found: Need | RuleError) -> list[str]:
    expect = example.expect
    if isinstance(found, RuleError):
        if found.code == expect.refused:
            return []
        return [f"refused with {found.code}: {found}"]
    if expect.refused:
        return [f"not refused ({expect.refused}); gave {found.lb_per_ac:g} lb/ac"]
    out = []
    if expect.lb_per_ac is not None:
        out += _far("need", found.lb_per_ac, expect.lb_per_ac, expect.tolerance)
    if expect.soil_class is not None and found.soil_class != expect.soil_class:
        out.append(f"class {found.soil_class!r}, not {expect.soil_class!r}")
    for line in expect.lines:
        held = [x for x in found.lines if x.term == line.term]
        if not held:
            out.append(f"no line {line.term!r}; lines: {', '.join(x.term for x in found.lines)}")
        else:
            out += _far(line.term, held[0].lb_per_ac, line.lb_per_ac, expect.tolerance)
    return out


def _far(what: str, got: float, wanted: float, tolerance: float) -> list[str]:
    if abs(got - wanted) <= tolerance + 1e-9:
        return []
    return [f"{what} {got:.4f}, not {wanted:g} (tolerance {tolerance:g})"]


def needs_of(book: Book, given: Given, swept: FloatArray | None = None) -> tuple[Need, ...]:
    """The need of what an example gives; with `swept` (ppm) one for each such soil test.

    The others of its readings, its yield and its options stay. RuleError as for `needs`.
    """
    soil = book.data.soil
    own = soil.depth if soil else None
    depth = given.depth_in or ((own.from_in, own.to_in) if own else (0.0, 12.0))
    count = 1 if swept is None else swept.size
    readings = {}
    for analyte, value in given.readings.model_dump(exclude_none=True).items():
        many = swept is not None and analyte == book.analyte
        values = swept if many and swept is not None else np.full(count, value)
        readings[analyte] = ZoneReading(
            analyte=analyte, unit=ANALYTES[analyte].unit,
            extractant=given.extractant or (
                soil.extractants[0] if soil and soil.extractants else "not stated"),
            depth_in=depth, mean=values, standard_error=np.zeros(count), low=values, high=values)
    return needs(
        book=book, nutrient=book.nutrient, zone_ids=range(1, count + 1), readings=readings,
        crop=given.crop or book.data.crops[0],
        expected_yield=Yield(tons_per_ac=given.yield_tons_per_ac,
                             moisture_pct=given.yield_moisture_pct),
        options=given.options,
        water=WaterTest(**given.water.model_dump()) if given.water else None,
        tissue=TissueTest(**given.tissue.model_dump()) if given.tissue else None)
