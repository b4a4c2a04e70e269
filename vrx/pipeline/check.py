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
from vrx.pipeline.check_layers import SeenLayer, seen_layers
from vrx.pipeline.inputs import Inputs, read_inputs, read_pivot, read_soil, require_one_side
from vrx.pipeline.lab_tests import read_what_is_complete
from vrx.pipeline.mapping import Mapped, mapped, other_answers, without_places
from vrx.pipeline.stages import compute
from vrx.plan import (
    PivotSection,
    Plan,
    SoilSection,
    blank_lines,
    blanks,
    is_blank,
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Checked:
    """What `check` found. `open_lines` are (line number, text) still to be filled in.

    `mapping` tells what the columns may be where the plan does not say it all; `answers` are
    commands for open lines that it does not cover.
    """

    plan_file: Path
    open_lines: tuple[tuple[int, str], ...]
    field: Field | None
    samples: int
    readings: tuple[Reading, ...]
    mapping: Mapped | None
    answers: tuple[str, ...]
    findings: tuple[Finding, ...]
    layers: tuple[SeenLayer, ...] = ()

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
            "columns": [] if self.mapping is None else self.mapping.columns_json(),
            "mapping": None if self.mapping is None else self.mapping.to_json(),
            "answers": list(self.answers),
            "layers": [asdict(one) for one in self.layers],
            "joined": list(self.joined),
            "findings": findings(self.findings),
        }


def check_field(folder: Path, *, columns: bool = False, whole: bool = True) -> Checked:
    """Read what the plan names. A plan with blanks is read as far as it goes.

    With `columns` the table's columns are told for a complete plan, too. Without `whole` a complete
    plan is only read, so that what would stop its rates is not told.

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
        samples=len(inputs.soil.sample_id), readings=_readings(inputs.soil),
        mapping=try_mapping(plan_file.parent, document, []) if columns else None, answers=(),
        findings=(*read, *(_stops_of_the_run(plan, inputs, known=read) if whole else ())),
        layers=seen_layers(document, folder=plan_file.parent, field=inputs.field)[0],
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
    soil = document.get("soil")
    soil = soil if isinstance(soil, dict) else {}
    table = None if field is None else _try_soil(plan_file.parent, document, field, findings)
    mapping = None
    if table is None:
        mapping = try_mapping(plan_file.parent, document, findings)
    if table is None and mapping is not None:
        findings += without_places(mapping.table, soil)
    if table is None and mapping is not None and field is not None and blanks(soil):
        _try_places(plan_file.parent, soil, field, findings)
    findings += read_what_is_complete(document, folder=plan_file.parent)
    layers, said = seen_layers(document, folder=plan_file.parent, field=field)
    findings += said
    return Checked(
        plan_file=plan_file, open_lines=open_lines, field=field, layers=layers,
        samples=0 if table is None else len(table.sample_id),
        readings=() if table is None else _readings(table), mapping=mapping,
        answers=other_answers(blanks(document), mapping), findings=tuple(findings),
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
        laid_out = with_layout(document, folder=folder)
        if "soil" not in laid_out:
            # a plan for choosing sampling places has no soil tests yet
            return None
        section = SoilSection.model_validate(laid_out["soil"])
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


def try_mapping(
    folder: Path, document: Mapping[str, Any], findings: list[Finding]
) -> Mapped | None:
    """What the columns of the table may be, completed by the plan's column map."""
    try:
        soil = with_layout(document, folder=folder).get("soil")
        if not isinstance(soil, Mapping) or not isinstance(soil.get("samples"), str):
            return None
        table = intake.propose_columns(
            folder / soil["samples"], sheet=_text(soil, "sheet"), layer=_text(soil, "layer"))
    except VrxError as err:
        findings += err.findings or [_as_stop(err)]
        return None
    return mapped(table, soil)


_OF_PLACES = (
    "sheet", "layer", "crs", "id_column", "position_column", "longitude_column",
    "latitude_column", "degrees_as", "easting_column", "northing_column", "zone_column",
    "point_order", "decimal_mark",
)
_SIGNS = ("longitudes_are_west", "longitudes_are_east", "latitudes_are_south", "only_inside")


def _try_places(
    folder: Path, soil: Mapping[str, Any], field: Field, findings: list[Finding]
) -> None:
    """Where the samples lie, before units and methods are filled in."""
    told: dict[str, Any] = {key: soil.get(key) for key in _OF_PLACES}
    if any(is_blank(value) for key, value in told.items() if key.endswith("tude_column")):
        return
    told = {key: _text(soil, key) for key in _OF_PLACES}
    told |= {key: True for key in _SIGNS if soil.get(key) is True}
    spec = intake.SoilSpec(**told)
    try:
        findings += intake.judge_places(path=folder / soil["samples"], field=field, spec=spec)[1]
    except VrxError as err:
        findings += err.findings or [_as_stop(err)]


def _text(section: Mapping[str, Any], key: str) -> str | None:
    value = section.get(key)
    return value if isinstance(value, str) and not is_blank(value) else None


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
