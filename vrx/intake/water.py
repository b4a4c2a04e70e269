"""A table of irrigation-water tests -> one water: sources combined by the inches they bring."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np

from vrx import units
from vrx.formats.brought import WATER
from vrx.formats.soil_methods import nearest
from vrx.intake._raise import listed, raise_stops
from vrx.intake._tests import Tests, Values, checked, chosen, read_tests, read_values
from vrx.intake.spec import SoilSpec
from vrx.model import Finding, note, stop, warn

_WHOLE = "the water"
# Cations in meq/L are about 10 x EC in dS/m (USDA Handbook 60, 1954; from memory). Two anions
# cannot exceed all cations; half as much again is our own allowance for the rule's scatter.
_MEQ_PER_DS, _ALLOWANCE, _LEAST_MEQ = 10.0, 1.5, 2.0
_SO4S_PER_MEQ = units.so4s_ppm_from_meq_per_l(1.0)
_CL_PER_MEQ = units.cl_ppm_from_meq_per_l(1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterSpec:
    """A table of water tests. `table` states columns of sulfate, potassium, chloride, sodium, ec.

    The source of each test stands in the table's `id_column`; without one all tests are of one
    water. Net inches of the season come from `net_in` (one source), `net_in_of` (by source) or
    `net_in_column`. `several` ("mean" or "latest") says what becomes of several tests of a source.
    """

    table: SoilSpec
    net_in: float | None = None
    net_in_of: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    net_in_column: str | None = None
    several: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterRead:
    """Water of the season: net inches, and concentrations averaged by inches (None: not tested).

    Potassium moves a rate, so a source without a test of it counts as bringing none.

    `sampled_on` is the ISO day of the oldest test that counts, "" where one has none.
    """

    net_in: float
    sulfate_s_ppm: float
    potassium_ppm: float | None
    chloride_ppm: float | None
    sodium_ppm: float | None
    ec_ds_per_m: float | None
    sampled_on: str
    findings: tuple[Finding, ...]


@dataclass(slots=True, kw_only=True)
class _Source:
    name: str
    tests: list[int]
    net_in: float = 0.0
    means: dict[str, float] = field(default_factory=dict)
    used: set[int] = field(default_factory=set)


def read_water(path: Path, spec: WaterSpec, *, season: int | None = None) -> WaterRead:
    """The water of a table. Raises `InputError` for what is not stated, missing or implausible.

    A source that brings water must have a sulfate value; what else is missing is told.
    """
    also = (spec.net_in_column,) if spec.net_in_column else ()
    tests = read_tests(path, spec.table, also=also, season=season)
    findings = [*tests.findings]
    if "sulfate" not in tests.spec.columns:
        findings.append(stop("test-water-sulfate-missing", tests.table.file,
                             "no column of sulfate is stated", todo="state it with unit and form"))
    columns, said = checked(tests, WATER)
    findings += said
    sources, said = _sources(tests, spec)
    findings += said
    raise_stops(findings)
    found: dict[str, Values] = {}
    for key, column in columns.items():
        found[key], said = read_values(tests, key, column, WATER[key])
        findings += said
    raise_stops(findings)
    for source in sources:
        for key, values in found.items():
            findings += _average(tests, source, key, values, spec.several)
    findings = list(dict.fromkeys(findings))
    raise_stops(findings)
    wet = [source for source in sources if source.net_in > 0]
    findings += _told(tests, sources, found)
    return _combined(tests, wet or sources, findings)


def _sources(tests: Tests, spec: WaterSpec) -> tuple[list[_Source], list[Finding]]:
    """Sources in order of appearance with their net inches, and stops for inches not stated."""
    named = tests.spec.id_column is not None
    sources: dict[str, _Source] = {}
    for k, name in enumerate(tests.names):
        label = name if named else _WHOLE
        sources.setdefault(label.casefold(), _Source(name=label, tests=[])).tests.append(k)
    each = list(sources.values())
    where = tests.table.file
    ways = [spec.net_in is not None, bool(spec.net_in_of), spec.net_in_column is not None]
    if sum(ways) != 1:
        return each, [stop("test-water-inches", where, f"net inches are stated {sum(ways)} times",
                           todo="state one of net_in, net_in_of and net_in_column")]
    if spec.net_in is not None:
        if len(each) > 1:
            return each, [stop(
                "test-water-inches", where, f"net_in is of one water, the table has {len(each)} "
                f"sources: {listed(s.name for s in each)}",
                todo="state net_in_of = { source = inches } for each; 0 leaves one out")]
        each[0].net_in = spec.net_in
        return each, []
    if spec.net_in_column is not None:
        return each, _inches_of_column(tests, each, spec.net_in_column)
    findings: list[Finding] = []
    known = {source.name.casefold(): source for source in each}
    for name, inches in spec.net_in_of.items():
        if name.casefold() not in known:
            findings.append(stop("test-water-source-unknown", where, "net_in_of names "
                                 f"{name!r}, which is no source of the table with a value",
                                 todo=nearest(name, [s.name for s in each])))
        else:
            known[name.casefold()].net_in = inches
    told = {name.casefold() for name in spec.net_in_of}
    without = [source.name for source in each if source.name.casefold() not in told]
    if without:
        findings.append(stop("test-water-inches", where, f"no net inches for {listed(without)}",
                             todo="add them to net_in_of; 0 leaves a source out"))
    return each, findings


def _inches_of_column(tests: Tests, sources: Sequence[_Source], heading: str) -> list[Finding]:
    inches = tests.numbers(heading)
    findings: list[Finding] = []
    for source in sources:
        given = {float(inches[k]) for k in source.tests if not math.isnan(inches[k])}
        if len(given) != 1:
            said = listed(f"{value:g}" for value in sorted(given)) or "none"
            findings.append(stop(
                "test-water-inches", f"{tests.table.file}, column {heading}",
                f"net inches of {source.name}: {said}", todo="write one figure for the season "
                "beside each source, the same in all its rows, or use net_in_of"))
        else:
            source.net_in = given.pop()
    return findings


def _average(
    tests: Tests, source: _Source, key: str, values: Values, several: str | None
) -> list[Finding]:
    """The source's mean of a quantity over the tests that count, and what it rests on."""
    if source.net_in == 0:
        return []
    where = f"{tests.table.file}, {source.name}"
    use, findings = chosen(tests, values.values, source.tests, several, what=source.name)
    if not use:
        if key == "sulfate":
            return [stop("test-water-sulfate-missing", where,
                         "brings water but has no sulfate value",
                         todo="test it, or give it 0 net inches to count no sulfur from it")]
        return []
    source.used |= set(use)
    source.means[key] = float(np.mean(values.values[use]))
    below = [k for k in use if not math.isnan(values.limit[k])]
    if below:
        measured = WATER[key]
        # Each such value lies between 0 and its limit, half of which is counted.
        apart = float(np.sum(values.limit[below])) / 2.0 / len(use)
        moved = units.water_lb_per_ac(apart, net_in=source.net_in)
        effect = (f"; the true value moves the credit by up to {moved:.1f} lb S/ac either way over "
                  f"{source.net_in:g} in" if key == "sulfate" else "")
        if key == "potassium":
            effect = (f"; the true value moves the credit by up to {units.k2o_from_k(moved):.1f} "
                      f"lb K2O/ac either way over {source.net_in:g} in")
        findings.append(warn(
            "test-water-below-limit", where, f"{measured.substance} "
            f"{listed(values.words[k] for k in below)}: half the limit is counted, "
            f"{source.means[key]:.3g} {measured.kept} within {apart:.3g} either way{effect}",
            done="counted so"))
    return findings


def _told(
    tests: Tests, sources: Sequence[_Source], found: Mapping[str, Values]
) -> list[Finding]:
    """One line a source; and a warning where salts exceed what the salinity allows."""
    findings: list[Finding] = []
    for source in sources:
        where = f"{tests.table.file}, {source.name}"
        if source.net_in == 0:
            findings.append(note("test-water-source-left-out", where, "brings 0 net inches",
                                 done="not counted"))
            continue
        days = sorted({tests.dates[k] or "no date" for k in source.used})
        ppm = source.means["sulfate"]
        count = [k for k in source.tests if k in source.used
                 and not math.isnan(found["sulfate"].values[k])]
        written = listed(found["sulfate"].words[k] for k in count)
        brought = units.water_lb_per_ac(ppm, net_in=source.net_in)
        sulfate = (f"sulfate {written} = {ppm:.4g} ppm SO4-S x {source.net_in:g} in net x 0.22661 "
                   f"= {brought:.1f} lb S/ac")
        parts = [sulfate]
        if "potassium" in source.means:
            ppm = source.means["potassium"]
            amount = units.k2o_from_k(units.water_lb_per_ac(ppm, net_in=source.net_in))
            parts.append(f"{ppm:.4g} ppm K x {source.net_in:g} in net x 0.22661 x 1.2046 = "
                         f"{amount:.1f} lb K2O/ac")
        parts += [f"{WATER[key].substance} {source.means[key]:.4g} {WATER[key].kept}"
                  for key in ("chloride", "sodium", "ec") if key in source.means]
        several = f", mean of {len(count)} tests" if len(count) > 1 else ""
        findings.append(note("test-water-source", where, "; ".join(parts) + several, done="counted",
                             value=", ".join(days)))
        findings += _salts(source, where)
    return findings


def _salts(source: _Source, where: str) -> list[Finding]:
    if "ec" not in source.means:
        return []
    anions = source.means["sulfate"] / _SO4S_PER_MEQ
    anions += source.means.get("chloride", 0.0) / _CL_PER_MEQ
    room = _MEQ_PER_DS * source.means["ec"]
    if anions <= _LEAST_MEQ or anions <= _ALLOWANCE * room:
        return []
    return [warn("test-water-salts-exceed-ec", where,
                 f"sulfate and chloride make {anions:.1f} meq/L, but EC {source.means['ec']:.3g} "
                 f"dS/m leaves room for about {room:.1f}", done="used as they are",
                 todo="check unit and form of sulfate, chloride and EC against the report")]


def _combined(tests: Tests, sources: Sequence[_Source], findings: list[Finding]) -> WaterRead:
    """Means by inches; a quantity that a source lacks is the mean of the others, told."""
    total = sum(source.net_in for source in sources)
    means: dict[str, float | None] = {}
    for key in WATER:
        have = [source for source in sources if key in source.means and source.net_in > 0]
        moves = key == "potassium"
        inches = sum(source.net_in for source in (sources if moves and have else have))
        means[key] = (sum(s.means[key] * s.net_in for s in have) / inches) if inches else None
        if have and len(have) < len(sources):
            lacking = [source.name for source in sources if source not in have]
            findings.append(warn("test-water-partly-tested", tests.table.file,
                                 f"no {key} of {listed(lacking)}",
                                 done="counted as bringing none" if moves
                                 else "told for the others only"))
    sulfate = means["sulfate"] or 0.0
    if len(sources) > 1 and total > 0:
        findings.append(note(
            "test-water-sources-combined", tests.table.file, f"{len(sources)} sources, "
            f"{total:g} in net: {units.water_lb_per_ac(sulfate, net_in=total):.1f} lb S/ac, "
            f"mean by inches {sulfate:.4g} ppm SO4-S", done="used as one water"))
    days = [tests.dates[k] for source in sources for k in source.used]
    return WaterRead(
        net_in=total, sulfate_s_ppm=sulfate, potassium_ppm=means["potassium"],
        chloride_ppm=means["chloride"], sodium_ppm=means["sodium"], ec_ds_per_m=means["ec"],
        sampled_on=min(days) if days and all(days) else "", findings=tuple(findings))
