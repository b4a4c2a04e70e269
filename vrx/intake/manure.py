"""A table of manure analyses -> sulfur and potash in the manure as it is spread."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from vrx.formats.brought import BY_WEIGHT, MANURE
from vrx.formats.soil_methods import nearest, unit_spelled
from vrx.intake._raise import raise_stops
from vrx.intake._tests import Tests, Values, checked, chosen, read_tests, read_values
from vrx.intake.spec import SoilSpec
from vrx.model import Finding, note, stop, warn


@dataclass(frozen=True, slots=True, kw_only=True)
class ManureSpec:
    """A table of analyses. `table` states sulfur, and potassium, moisture or dry matter if any.

    `basis` is "as is" or "dry matter"; the latter needs a moisture, of the table or `moisture_pct`.
    `sample` names the row that counts; else `several` ("mean" or "latest"). `by_volume` asks for
    lb/1000 gal in the place of lb/ton; `density_lb_per_gal` leads from one to the other.
    """

    table: SoilSpec
    basis: str
    by_volume: bool
    sample: str | None = None
    several: str | None = None
    moisture_pct: float | None = None
    density_lb_per_gal: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ManureRead:
    """S and K2O as spread, in lb/1000 gal if `by_volume`, else in lb/ton (None: not tested)."""

    sulfur: float
    potash: float | None
    by_volume: bool
    findings: tuple[Finding, ...]


def read_manure(path: Path, spec: ManureSpec, *, season: int | None = None) -> ManureRead:
    """S and K2O of a table's manure. Raises `InputError` for what is not stated or in doubt."""
    tests = read_tests(path, spec.table, season=season)
    findings = [*tests.findings]
    if "sulfur" not in tests.spec.columns:
        findings.append(stop("manure-sulfur-missing", tests.table.file, "no column of sulfur is "
                             "stated", todo="state it with unit, form and basis"))
        raise_stops(findings)
    nutrients = [key for key in ("sulfur", "potassium") if key in tests.spec.columns]
    by_weight: dict[str, bool] = {}
    known = {"moisture": MANURE["moisture"], "dry_matter": MANURE["dry matter"]}
    for key in nutrients:
        by_weight[key], said = _by_weight(tests, key)
        findings += said
        known[key] = MANURE[f"{key} by {'weight' if by_weight[key] else 'volume'}"]
    raise_stops(findings)
    columns, said = checked(tests, known)
    findings += said
    found: dict[str, Values] = {}
    for key, column in columns.items():
        found[key], said = read_values(tests, key, column, known[key])
        findings += said
    raise_stops(findings)
    means: dict[str, float] = {}
    for key in nutrients:
        use, said = _which(tests, spec, found[key], key)
        findings += said
        raise_stops(findings)
        each = []
        for k in use:
            value, words, said = _as_spread(tests, spec, found, k, key=key,
                                            by_weight=by_weight[key])
            findings += said
            each.append(value)
            findings.append(note("manure-analysis", f"{tests.table.file}, {tests.names[k]}", words,
                                 done="counted", value=tests.dates[k]))
        raise_stops(findings)
        findings += _below(tests, found[key], use, each)
        means[key] = float(np.mean(each))
    return ManureRead(sulfur=means["sulfur"], potash=means.get("potassium"),
                      by_volume=spec.by_volume, findings=tuple(dict.fromkeys(findings)))


def _by_weight(tests: Tests, key: str) -> tuple[bool, list[Finding]]:
    """Whether a nutrient is given by weight; all rows of a unit column must agree."""
    column = tests.spec.columns[key]
    texts = [column.unit] if column.unit_column is None else tests.texts(column.unit_column)
    if column.unit is None and column.unit_column is None and tests.table.units:
        texts = [tests.table.units[tests.table.index(column.column)]]
    kinds = {unit_spelled(text) in BY_WEIGHT for text in texts if text}
    if len(kinds) > 1:
        return True, [stop("manure-units-mixed", tests.table.file, "units by weight and by volume "
                           "in one column", todo="make one table of each")]
    return kinds != {False}, []


def _which(
    tests: Tests, spec: ManureSpec, values: Values, key: str
) -> tuple[list[int], list[Finding]]:
    rows = list(range(len(tests.rows)))
    what = "the manure"
    if spec.sample is not None:
        rows = [k for k in rows if tests.names[k].casefold() == spec.sample.casefold()]
        what = spec.sample
        if not rows:
            return [], [stop("manure-sample-unknown", tests.table.file, f"has no sample "
                             f"{spec.sample!r}", todo=nearest(spec.sample, list(tests.names)))]
    use, findings = chosen(tests, values.values, rows, spec.several, what=what)
    if not use:
        missing = f"no analysis of {what} has {key}"
        findings.append(
            stop("manure-sulfur-missing", tests.table.file, missing,
                 todo="ask the laboratory for S") if key == "sulfur" else
            stop("manure-potassium-missing", tests.table.file, missing,
                 todo="ask the laboratory for K, or take its column out of the plan"))
    return use, findings


def _as_spread(
    tests: Tests, spec: ManureSpec, found: dict[str, Values], k: int, *, key: str,
    by_weight: bool
) -> tuple[float, str, list[Finding]]:
    """(nutrient in the unit asked for, its arithmetic, stops)."""
    where = f"{tests.table.file}, {tests.names[k]}"
    value = float(found[key].values[k])
    kept = "lb/ton" if by_weight else "lb/1000 gal"
    name = "S" if key == "sulfur" else "K2O"
    words = f"{found[key].words[k]} = {value:.4g} lb {name} {kept.removeprefix('lb')}"
    findings: list[Finding] = []
    if spec.basis == "dry matter":
        dry, said, findings = _dry_share(spec, found, k, where)
        value *= dry
        words += f" of dry matter x {dry:.4g} ({said}) = {value:.4g} {kept} as is"
    if by_weight == spec.by_volume:
        if spec.density_lb_per_gal is None:
            return value, words, [*findings, stop(
                "manure-density-missing", where, f"the analysis is in {kept}, the manure is spread "
                f"in {'gallons' if spec.by_volume else 'tons'}",
                todo="state density_lb_per_gal of the manure, or spread in the analysis' unit")]
        # 1000 gal weigh density x 1000 lb, a ton 2000 lb.
        ratio = spec.density_lb_per_gal * 1000.0 / 2000.0
        value = value * ratio if spec.by_volume else value / ratio
        other = "lb/1000 gal" if spec.by_volume else "lb/ton"
        words += f", at {spec.density_lb_per_gal:g} lb/gal {value:.4g} {other}"
    return value, words, findings


def _dry_share(
    spec: ManureSpec, found: dict[str, Values], k: int, where: str
) -> tuple[float, str, list[Finding]]:
    moisture = float(found["moisture"].values[k]) if "moisture" in found else math.nan
    if math.isnan(moisture) and "dry_matter" in found:
        moisture = 100.0 - float(found["dry_matter"].values[k])
    if math.isnan(moisture) and spec.moisture_pct is not None:
        moisture = spec.moisture_pct
    if math.isnan(moisture):
        return 1.0, "", [stop("manure-moisture-missing", where, "an analysis of dry matter without "
                              "a moisture", todo="state the column of moisture or dry_matter, or "
                              "moisture_pct")]
    return 1.0 - moisture / 100.0, f"moisture {moisture:.4g} %", []


def _below(tests: Tests, values: Values, use: list[int], each: list[float]) -> list[Finding]:
    below = [k for k in use if math.isfinite(values.limit[k])]
    if not below:
        return []
    # Half the limit is counted, so the true value is as much lower or higher as is counted.
    apart = sum(value for k, value in zip(use, each, strict=True) if k in below) / len(use)
    return [warn("manure-below-limit", tests.table.file, f"{tests.names[below[0]]} "
                 f"{values.words[below[0]]}: half the limit is counted; the true value moves the "
                 f"analysis by up to {apart:.3g} either way", done="counted so")]
