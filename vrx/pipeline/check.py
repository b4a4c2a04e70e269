"""`check`: what the files of a plan hold, as far as the plan can be read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from vrx import intake
from vrx.errors import VrxError
from vrx.model import ANALYTES, Field, Finding, SoilTable, stop, stops
from vrx.pipeline.inputs import Inputs, read_inputs, read_pivot, read_soil, require_one_side
from vrx.pipeline.run import compute
from vrx.plan import (
    PivotSection,
    Plan,
    SoilSection,
    blank_lines,
    blanks,
    load_plan,
    plan_path,
    read_document,
    with_layout,
)

_JOINED = ("soil-points-joined", "test-water-source", "test-water-sources-combined",
           "test-tissue-mean", "test-tissue-zone", "manure-analysis")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One analyte of the samples, as it will be used."""

    analyte: str
    source: str
    unit: str
    extractant: str
    depth_in: tuple[float, float]
    samples: int
    least: float
    mean: float
    greatest: float
    plausible: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenColumn:
    """A column of a table that the plan does not describe yet.

    `may_be` is the plan key that its heading looks like ("" for none): a proposal, never used until
    the plan says so. `plausible` is the range of that analyte in vrx's unit, "" if it has none.
    """

    heading: str
    first_values: tuple[str, ...]
    may_be: str
    plausible: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checked:
    """What `check` found. `open_lines` are (line number, text) still to be filled in."""

    plan_file: Path
    open_lines: tuple[tuple[int, str], ...]
    field: Field | None
    samples: int
    readings: tuple[Reading, ...]
    columns: tuple[SeenColumn, ...]
    findings: tuple[Finding, ...]

    @property
    def joined(self) -> tuple[str, ...]:
        """What was read beside the sample table: points joined, tests of water, plants, manure."""
        return tuple(f"{f.where}: {f.what}" for f in self.findings if f.code in _JOINED)

    @property
    def ready(self) -> bool:
        """Whether `run` can start."""
        return not self.open_lines and not any(f.severity == "stop" for f in self.findings)

    def to_json(self) -> dict[str, Any]:
        """Plain values for `--json`."""
        from dataclasses import asdict

        from vrx.pipeline.manifest import findings

        field = self.field
        return {
            "plan": self.plan_file.name,
            "ready": self.ready,
            "still_to_fill_in": [{"line": n, "text": text} for n, text in self.open_lines],
            "field": None if field is None else {
                "name": field.name, "area_ac": field.area_ac,
                "parts": len(field.boundary.geoms), "crs_centre": list(field.crs_centre),
            },
            "samples": self.samples,
            "readings": [asdict(one) for one in self.readings],
            "columns": [
                {
                    "heading": one.heading, "first_values": list(one.first_values),
                    "may_be": one.may_be, "plausible": one.plausible,
                }
                for one in self.columns
            ],
            "joined": list(self.joined),
            "findings": findings(self.findings),
        }


def check_field(folder: Path) -> Checked:
    """Read what the plan names. A plan with blanks is read as far as it goes.

    User errors in the files become stop findings, so that one call shows as much as it can; a plan
    that is no valid TOML, or has no blanks but a wrong key or value, raises `PlanError`.
    """
    plan_file = plan_path(folder)
    document = read_document(plan_file)
    open_lines = blank_lines(plan_file) if blanks(document) else ()
    if open_lines:
        return _check_draft(plan_file, document, open_lines)
    plan = load_plan(plan_file)
    inputs = read_inputs(plan, plan_file=plan_file)
    own = () if inputs.own_zones is None else inputs.own_zones.findings
    read = (*inputs.field.findings, *inputs.soil.findings, *own, *inputs.tests.findings)
    return Checked(
        plan_file=plan_file, open_lines=(), field=inputs.field,
        samples=len(inputs.soil.sample_id), readings=_readings(inputs.soil), columns=(),
        findings=(*read, *_stops_of_the_run(plan, inputs, known=read)),
    )


def _stops_of_the_run(
    plan: Plan, inputs: Inputs, *, known: Sequence[Finding]
) -> tuple[Finding, ...]:
    """What would stop `run` before it writes: it is computed, and nothing is written."""
    try:
        found = compute(plan, inputs).findings
    except VrxError as err:
        found = tuple(err.findings) or (_as_stop(err),)
    return tuple(one for one in stops(found) if one not in known)


def _check_draft(
    plan_file: Path, document: Mapping[str, Any], open_lines: tuple[tuple[int, str], ...]
) -> Checked:
    findings: list[Finding] = []
    field = _try_field(plan_file.parent, document.get("field", {}), findings)
    soil = document.get("soil", {})
    table = None if field is None else _try_soil(plan_file.parent, document, field, findings)
    columns: tuple[SeenColumn, ...] = ()
    if table is None and isinstance(soil.get("samples"), str):
        try:
            columns = _seen(intake.peek_table(plan_file.parent / soil["samples"]))
        except VrxError as err:
            findings.append(_as_stop(err))
    return Checked(
        plan_file=plan_file, open_lines=open_lines, field=field,
        samples=0 if table is None else len(table.sample_id),
        readings=() if table is None else _readings(table), columns=columns,
        findings=tuple(findings),
    )


def _try_field(
    folder: Path, told: Mapping[str, Any], findings: list[Finding]
) -> Field | None:
    if isinstance(told.get("pivot"), dict) and "boundary" not in told:
        return _try_pivot(folder, told, findings)
    if not isinstance(told.get("boundary"), str):
        return None
    centre = told.get("centre")
    try:
        field = intake.read_boundary(
            path=folder / told["boundary"], name=str(told.get("name", "the field")),
            layer=told.get("boundary_layer"), crs=told.get("boundary_crs"),
            select=told.get("boundary_name"), inside_polygons=told.get("inside_polygons"),
            several=told.get("several"), crossing=told.get("crossing"),
            close_gap=told.get("close_gap", False),
            crs_centre=None if centre is None else (float(centre[0]), float(centre[1])),
        )
        require_one_side(field, where=told["boundary"])
    except VrxError as err:
        findings += err.findings or [_as_stop(err)]
        return None
    findings += field.findings
    return field


def _try_pivot(
    folder: Path, told: Mapping[str, Any], findings: list[Finding]
) -> Field | None:
    """The pivot's ground, if its section is filled in."""
    if blanks(told["pivot"]):
        return None
    centre = told.get("centre")
    try:
        field = read_pivot(
            PivotSection.model_validate(told["pivot"]), name=str(told.get("name", "the field")),
            crs_centre=None if centre is None else (float(centre[0]), float(centre[1])),
            folder=folder)
        require_one_side(field, where="[field.pivot]")
    except ValidationError:
        # A wrong key is told by load_plan once the blanks are filled in.
        return None
    except VrxError as err:
        findings += err.findings or [_as_stop(err)]
        return None
    findings += field.findings
    return field


def _try_soil(
    folder: Path, document: Mapping[str, Any], field: Field, findings: list[Finding]
) -> SoilTable | None:
    """The samples, if everything that their reading needs is filled in."""
    told = document.get("soil", {})
    season = document.get("field", {}).get("season")
    if blanks(told) or not isinstance(season, int):
        return None
    try:
        section = SoilSection.model_validate(with_layout(document, folder=folder)["soil"])
        table = read_soil(section, field=field, season=season, folder=folder)
    except ValidationError:
        # A wrong key is told by load_plan once the blanks are filled in.
        return None
    except VrxError as err:
        findings += err.findings or [_as_stop(err)]
        return None
    findings += table.findings
    return table


def _as_stop(err: VrxError) -> Finding:
    return stop(err.code, err.where, err.message, todo=err.hint)


def _seen(peek: intake.TablePeek) -> tuple[SeenColumn, ...]:
    likely = {heading: key for key, heading in peek.proposals.items()}
    seen = []
    for heading, values in peek.headings:
        key = likely.get(heading, "")
        register = ANALYTES.get(key)
        seen.append(SeenColumn(
            heading=heading, first_values=tuple(values), may_be=key,
            plausible="" if register is None
            else f"{register.low:g} to {register.high:g} {register.unit}",
        ))
    return tuple(seen)


def _readings(soil: SoilTable) -> tuple[Reading, ...]:
    found = []
    for analyte, column in soil.columns.items():
        values = column.values[~np.isnan(column.values)]
        register = ANALYTES[analyte]
        nothing = len(values) == 0
        found.append(Reading(
            analyte=analyte, source=column.source, unit=register.unit,
            extractant=column.extractant, depth_in=column.depth_in, samples=len(values),
            least=0.0 if nothing else float(values.min()),
            mean=0.0 if nothing else float(values.mean()),
            greatest=0.0 if nothing else float(values.max()),
            plausible=(register.low, register.high),
        ))
    return tuple(found)
