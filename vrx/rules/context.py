"""What a rule may look at: checked readings, tons of the guide, options; and its findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from vrx import units
from vrx.errors import RuleError
from vrx.model import (
    ANALYTES,
    BoolArray,
    Finding,
    FloatArray,
    IntArray,
    Severity,
    ZoneReading,
)
from vrx.rules.book import Book
from vrx.rules.inputs import TissueTest, WaterTest
from vrx.rules.names import extractant
from vrx.rules.stated import accept_depth, accept_extractant, units_per_ppm


@dataclass(slots=True, kw_only=True)
class Context:
    """One question to one book. Arrays have `shape`: (zones,) or that of a whole surface.

    `zone_ids` is empty for a surface; `zone_names` is how people read them. On a surface `of_zone`
    may tell the position of each cell's zone, `all_ids` and `all_names` those zones. `findings`
    holds (index or None for all, finding). `thresholds` are where the rule turns, words and
    level of each zone on the guide's own scale.
    """

    book: Book
    shape: tuple[int, ...]
    zone_ids: Sequence[int]
    zone_names: Sequence[str]
    readings: Mapping[str, ZoneReading]
    crop: str
    dry_matter_tons: FloatArray
    yield_words: Callable[[int], str]
    options: Mapping[str, Any]
    given: frozenset[str]
    water: WaterTest | None
    tissue: TissueTest | None
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)
    class_index: IntArray | None = None
    class_names: tuple[str, ...] = ()
    of_zone: IntArray | None = None
    all_ids: Sequence[int] = ()
    all_names: Sequence[str] = ()
    thresholds: list[tuple[str, FloatArray]] = field(default_factory=list)
    factor: float = 1.0
    _held: dict[str, FloatArray] = field(default_factory=dict)

    # ---- findings -------------------------------------------------------------------------------

    def tell(self, severity: Severity, code: str, what: str, *, done: str = "", todo: str = "",
             value: str = "") -> None:
        """A finding about the whole question, once."""
        found = Finding(severity=severity, code=code, where=self.book.where, what=what, done=done,
                        todo=todo, value=value)
        if (None, found) not in self.findings:
            self.findings.append((None, found))

    def tell_where(self, mask: BoolArray, values: FloatArray, severity: Severity, code: str,
                   what: str, *, done: str = "", todo: str = "") -> None:
        """One finding for all zones of `mask` (a stop for each; one with a count on a surface).

        `what` and `done` may hold {value}: the zone's, or the span over the zones.
        """
        flat, held = mask.ravel(), np.broadcast_to(values, self.shape).ravel()
        where = np.flatnonzero(flat)
        if where.size == 0:
            return
        if not self.zone_ids:
            self.tell(severity, code,
                      f"{where.size} of {flat.size} cells: " + what.format(value=_g(held[where[0]]))
                      + " (first such cell)", done=done, todo=todo)
            return
        zones = [int(i) for i in where]
        for together in [[i] for i in zones] if severity is Severity.STOP else [zones]:
            low, high = _g(held[together].min()), _g(held[together].max())
            text = low if low == high else f"{low} to {high}"
            names = ", ".join(self.zone_names[i] for i in together)
            found = Finding(
                severity=severity, code=code, todo=todo, value=text,
                where=f"{self.book.where}, zone{'s' if len(together) > 1 else ''} {names}",
                what=what.format(value=text), done=done.format(value=text))
            self.findings += [(i, found) for i in together]

    # ---- inputs ---------------------------------------------------------------------------------

    def bounded(self, name: str, values: FloatArray) -> FloatArray:
        """The values within the book's range for `name`: clamped or stopped, with findings."""
        held = next((r for r in self.book.data.ranges if r.input == name), None)
        if held is None:
            return values
        out = (values < held.low) | (values > held.high)
        why = f"{name} {{value}} lies outside {held.low:g} to {held.high:g} ({held.locator})"
        if held.outside == "stop":
            self.tell_where(out, values, Severity.STOP, "rules-out-of-range", why,
                            todo="use a guide that covers it, or correct the value")
            return values
        kept = np.clip(values, held.low, held.high)
        self.tell_where(out, values, Severity.WARN, "rules-clamped", why,
                        done="read as the nearest value that the guide covers",
                        todo="check whether the guide may be used here")
        return kept

    def tons(self, dm_fraction: float) -> FloatArray:
        """Yield in tons that hold `dm_fraction` of dry matter."""
        if "tons" not in self._held:
            self._held["tons"] = self.bounded("dry_matter_tons_per_ac", self.dry_matter_tons)
        return self._held["tons"] / dm_fraction

    @property
    def read_yield(self) -> bool:
        """Whether a rule has looked at the yield."""
        return "tons" in self._held

    def by_zone(self, values: FloatArray) -> FloatArray:
        """One figure, or one a zone, in the question's shape."""
        if values.size > 1 and self.of_zone is not None:
            values = values[self.of_zone]
        return np.broadcast_to(values, self.shape)

    def turns(self, words: str, level: FloatArray | float) -> None:
        """A level of the soil test, one or one a zone, at which the rule turns."""
        held: FloatArray = np.broadcast_to(np.asarray(level, dtype=np.float64), self.shape)
        self.thresholds.append((words, held))

    def soil(self) -> FloatArray:
        """The guide's soil test on the guide's scale. RuleError for another method or depth."""
        asked = self.book.data.soil
        if asked is None:
            raise AssertionError("a rule without [soil] must not read it")
        if "soil" in self._held:
            return self._held["soil"]
        reading = self._reading(asked.analyte)
        if reading is None:
            raise RuleError(
                f"the guide reads soil {asked.analyte} and the plan has none",
                code="rules-reading-missing", where=self.book.where,
                hint=f"add [soil.{asked.analyte}] to the plan, or choose a book that does not "
                     "read it",
            )
        self._check_depth(reading)
        self.factor = self._factor(reading) * units_per_ppm(self)
        values = reading.mean * self.factor
        self._held["soil"] = self.bounded(asked.analyte, values)
        return self._held["soil"]

    def soil_words(self, i: int) -> str:
        """The soil test of one zone as a reader wants it: value, extractant, depth."""
        reading = self.readings[self.book.analyte]
        raw, read = reading.mean.ravel()[i], self.soil().ravel()[i]
        top, bottom = reading.depth_in
        text = f"{raw:.{1 if raw < 20 else 0}f} {reading.unit} ({extractant(reading.extractant)}, "
        text += f"{top:g}-{bottom:g} in)"
        asked = self.book.data.soil
        unit = asked.unit if asked else reading.unit
        same = abs(raw - read) < 1e-9 and unit == reading.unit
        return text if same else f"{text}, read as {read:.1f} {unit}"

    def optional(self, analyte: str, option: str = "") -> FloatArray | None:
        """Another reading, or the field-wide figure of an option; None if neither is given."""
        if option and self.options.get(option) is not None:
            value = float(self.options[option])
            self.tell(Severity.NOTE, "rules-field-wide",
                      f"{analyte} is {value:g} {ANALYTES[analyte].unit} in every zone, as the plan "
                      "says", value=f"{value:g}")
            return self.bounded(analyte, np.full(self.shape, value))
        reading = self._reading(analyte)
        return None if reading is None else self.bounded(analyte, reading.mean)

    def _reading(self, analyte: str) -> ZoneReading | None:
        reading = self.readings.get(analyte)
        if reading is None:
            return None
        unit = ANALYTES[analyte].unit
        if reading.unit != unit:
            raise RuleError(f"{analyte} is given in {reading.unit!r}, not {unit!r}",
                            code="rules-unit", where=self.book.where,
                            hint=f"convert the reading to {unit} where it is taken in")
        if reading.mean.shape != self.shape:
            raise RuleError(f"{analyte} has the shape {reading.mean.shape}, not {self.shape}",
                            code="rules-shape", where=self.book.where,
                            hint="give one value for each zone, or for each cell")
        bad = ~np.isfinite(reading.mean) | (reading.mean < 0)
        if bad.any():
            at = int(np.flatnonzero(bad.ravel())[0])
            raise RuleError(
                f"{analyte} is {reading.mean.ravel()[at]} in {self.name(at)}",
                code="rules-reading-value", where=self.book.where,
                hint="every zone needs a reading of zero or more")
        return reading

    def name(self, i: int) -> str:
        """A zone, or a cell, in words."""
        return f"zone {self.zone_names[i]}" if self.zone_ids else f"cell {i}"

    def _check_depth(self, reading: ZoneReading) -> None:
        asked = self.book.data.soil.depth if self.book.data.soil else None
        if asked is None:
            accept_depth(self, reading)
            return
        ours, theirs = reading.depth_in, (asked.from_in, asked.to_in)
        for bottom in (asked.to_in, asked.or_to_in or asked.to_in):
            if all(abs(a - b) <= asked.tolerance_in + 1e-9
                   for a, b in zip(ours, (asked.from_in, bottom), strict=True)):
                return
        words = (f"the sample is from {ours[0]:g}-{ours[1]:g} in, the guide reads "
                 f"{theirs[0]:g}-{theirs[1]:g} in ({asked.locator}; {asked.evidence})")
        accepted = self.options.get("accept_depth_in")
        if accepted is not None and tuple(map(float, accepted)) == tuple(map(float, ours)):
            self.tell(Severity.WARN, "rules-depth-accepted", words, done="taken as it is, as the "
                      "plan asks", todo="sample to the guide's depth next time")
            return
        raise RuleError(
            words, code="rules-depth", where=self.book.where,
            hint=f"choose a guide for your depth, or set accept_depth_in = [{ours[0]:g}, "
                 f"{ours[1]:g}] in the book's section of the plan if you stand for it",
        )

    def _factor(self, reading: ZoneReading) -> float:
        from vrx.rules.load import conversions

        asked = self.book.data.soil
        if asked is None:
            return 1.0
        if asked.extractants_not_stated:
            accept_extractant(self, reading)
            return 1.0
        ours = extractant(reading.extractant)
        theirs = [extractant(e) for e in asked.extractants]
        chosen = self.options.get("conversion")
        pool = [c for c in (*self.book.data.conversions, *conversions())
                if c.analyte == asked.analyte]
        if chosen is None:
            if ours in theirs:
                return 1.0
            fits = [c.name for c in pool if extractant(c.from_extractant) == ours
                    and extractant(c.to_extractant) in theirs]
            raise RuleError(
                f"the soil test is {ours or 'without extractant'}, the guide reads "
                f"{' or '.join(theirs)}", code="rules-extractant", where=self.book.where,
                hint="choose a guide for your laboratory's method"
                + "".join(f', or ask for conversion = "{name}"' for name in fits),
            )
        found = next(c for c in pool if c.name == chosen)
        goes_to = extractant(found.to_extractant)
        if extractant(found.from_extractant) != ours or goes_to not in theirs:
            raise RuleError(
                f"conversion {chosen!r} goes from {found.from_extractant} to {found.to_extractant};"
                f" the soil test is {ours}, the guide reads {' or '.join(theirs)}",
                code="rules-conversion", where=self.book.where,
                hint="leave the conversion out, or choose the one that fits")
        self.tell(Severity.WARN, "rules-conversion",
                  f"soil {asked.analyte} x {found.factor:g} ({found.name}; {found.locator}; "
                  f"{found.evidence}); the factor was found in {found.region}",
                  done="converted as the plan asks", value=f"{found.factor:g}")
        return float(found.factor)


def ton_words(dm_fraction: float) -> str:
    """The guide's ton in words."""
    if dm_fraction == 1.0:
        return "ton of dry matter"
    return f"ton at {100 * (1 - dm_fraction):g} % moisture"


def dry_matter(tons_per_ac: float, moisture_pct: float, where: str) -> float:
    """Dry-matter tons. RuleError unless tons > 0 and 0 <= moisture < 60 (hay, not haylage)."""
    if not (np.isfinite(tons_per_ac) and tons_per_ac > 0):
        raise RuleError(f"tons_per_ac = {tons_per_ac!r} is no yield", code="rules-yield",
                        where=where, hint="give the expected tons per acre")
    if not 0 <= moisture_pct < 60:
        raise RuleError(f"moisture_pct = {moisture_pct!r} must lie from 0 to under 60",
                        code="rules-yield", where=where,
                        hint="moisture in per cent of the ton as weighed; 0 means dry matter")
    return units.dry_matter_tons(tons_per_ac, moisture_pct=moisture_pct)


def _g(value: float) -> str:
    return f"{value:.4g}"
