"""A table of plant tests -> mean content of the field or of each zone, part and stage as stated."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

import numpy as np

from vrx.formats.brought import TISSUE
from vrx.intake._raise import listed, raise_stops
from vrx.intake._tests import Tests, Values, checked, read_tests, read_values
from vrx.intake.spec import SoilSpec
from vrx.model import Finding, note, stop, warn


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueSpec:
    """A table of plant tests. `table` states columns of sulfur and potassium.

    With `part_column` or `stage_column` only rows of `part` and `stage` count. With `zone_column`
    each zone has its own mean.
    """

    table: SoilSpec
    part: str
    stage: str
    part_column: str | None = None
    stage_column: str | None = None
    zone_column: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TissueRead:
    """Per cent of dry matter: the field's mean (None: not tested), and by zone where it is so."""

    sulfur_pct: float | None
    potassium_pct: float | None
    sulfur_pct_of: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    potassium_pct_of: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    sampled_on: str = ""
    findings: tuple[Finding, ...] = ()


def read_tissue(path: Path, spec: TissueSpec, *, season: int | None = None) -> TissueRead:
    """Plant tests of a table. Raises `InputError` for units, forms and values that are in doubt."""
    also = [h for h in (spec.part_column, spec.stage_column, spec.zone_column) if h]
    tests = read_tests(path, spec.table, also=also, season=season)
    findings = [*tests.findings]
    columns, said = checked(tests, TISSUE)
    findings += said
    use, said = _rows(tests, spec)
    findings += said
    raise_stops(findings)
    zones, said = _zones(tests, spec, use)
    findings += said
    means: dict[str, float] = {}
    by_zone: dict[str, dict[str, float]] = {"sulfur": {}, "potassium": {}}
    for key, column in columns.items():
        values, said = read_values(tests, key, column, TISSUE[key])
        findings += said
        raise_stops(findings)
        good = [k for k in use if np.isfinite(values.values[k])]
        if not good:
            findings.append(warn("test-tissue-nothing",
                                 f"{tests.table.file}, column {column.column}",
                                 f"no test of {spec.part}, {spec.stage} has {key}",
                                 done=f"no {key} read"))
            continue
        means[key] = float(values.values[good].mean())
        where = f"{tests.table.file}, column {column.column}"
        findings += _told(tests, spec, key, values, good, where=where)
        if spec.zone_column:
            for zone in dict.fromkeys(zones[k] for k in good if zones[k]):
                own = [k for k in good if zones[k] == zone]
                by_zone[key][zone] = float(values.values[own].mean())
                findings.append(note("test-tissue-zone", where, f"zone {zone}: {key} "
                                     f"{by_zone[key][zone]:.3g} %, {len(own)} tests", done="used"))
            bare = [tests.names[k] for k in good if not zones[k]]
            if bare:
                findings.append(warn("test-tissue-no-zone", where, f"tests without a zone: "
                                     f"{listed(bare)}", done="not used for any zone"))
    if not means:
        findings.append(stop("test-tissue-nothing", tests.table.file, "no test counts",
                             todo="check part, stage and the columns of sulfur and potassium"))
    raise_stops(findings)
    days = [tests.dates[k] for k in use]
    return TissueRead(
        sulfur_pct=means.get("sulfur"), potassium_pct=means.get("potassium"),
        sulfur_pct_of=by_zone["sulfur"], potassium_pct_of=by_zone["potassium"],
        sampled_on=min(days) if days and all(days) else "", findings=tuple(findings))


def _zones(
    tests: Tests, spec: TissueSpec, use: list[int]
) -> tuple[list[str], list[Finding]]:
    """The zone of each test, in the spelling that comes first: letters count in either case."""
    if spec.zone_column is None:
        return [""] * len(tests.rows), []
    written = [" ".join(text.split()) for text in tests.texts(spec.zone_column)]
    first: dict[str, str] = {}
    for k in use:
        first.setdefault(written[k].casefold(), written[k])
    other = sorted({written[k] for k in use if first[written[k].casefold()] != written[k]})
    findings = [] if not other else [warn(
        "test-tissue-zone-alike", f"{tests.table.file}, column {spec.zone_column}",
        "zones that differ in case only: "
        + listed(f"{name!r} and {first[name.casefold()]!r}" for name in other),
        done="taken as one zone", todo="write one zone alike everywhere")]
    return [first.get(name.casefold(), name) for name in written], findings


def _rows(tests: Tests, spec: TissueSpec) -> tuple[list[int], list[Finding]]:
    """The tests of the stated part and stage; the others are told with what they say."""
    use = list(range(len(tests.rows)))
    findings: list[Finding] = []
    for heading, wanted in ((spec.part_column, spec.part), (spec.stage_column, spec.stage)):
        if heading is None:
            continue
        texts = tests.texts(heading)
        other = [k for k in use if texts[k].casefold() != wanted.casefold()]
        use = [k for k in use if k not in other]
        if other:
            findings.append(warn(
                "test-tissue-other-part", f"{tests.table.file}, column {heading}",
                f"not {wanted!r}: " + listed(f"{tests.names[k]} {texts[k]!r}" for k in other),
                done="left out", todo="write part and stage in the plan as the table does"))
    return use, findings


def _told(
    tests: Tests, spec: TissueSpec, key: str, values: Values, good: list[int], *, where: str
) -> list[Finding]:
    found = values.values[good]
    low = good[int(np.argmin(found))]
    findings: list[Finding] = [note(
        "test-tissue-mean", where, f"{key} of {spec.part}, {spec.stage}: mean "
        f"{found.mean():.3g} % of dry matter, {len(good)} tests, lowest "
        f"{found.min():.3g} % at {tests.names[low]}",
        done="the zones' means are used" if spec.zone_column else "the mean is used")]
    below = [k for k in good if np.isfinite(values.limit[k])]
    if below:
        apart = float(values.limit[below].sum()) / 2.0 / len(good)
        findings.append(warn(
            "test-tissue-below-limit", where, f"{listed(values.words[k] for k in below)}: half the "
            f"limit is counted; the true values move the mean by up to {apart:.2g} % either way",
            done="counted so"))
    return findings
