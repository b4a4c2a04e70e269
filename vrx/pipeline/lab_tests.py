"""Tables of water, plant and manure tests that a plan names, read into its own sections."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from pydantic import ValidationError

from vrx import intake
from vrx.errors import InputError, VrxError
from vrx.model import Finding, note, stop
from vrx.plan import (
    ManureSection,
    Plan,
    TestTableSection,
    TissueSection,
    WaterSection,
    blanks,
)

Read = TypeVar("Read")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldTests:
    """The plan's sections with the figures of their tables; plant tests by zone where given so."""

    water: WaterSection | None = None
    tissue: TissueSection | None = None
    manure: tuple[ManureSection, ...] = ()
    tissue_by_zone: Mapping[str, Mapping[str, float]] = field(
        default_factory=lambda: MappingProxyType({}))
    findings: tuple[Finding, ...] = ()


NO_TESTS = FieldTests()


def table_files(plan: Plan) -> list[str]:
    """Files of the tables that the plan names, relative to it."""
    sections = [plan.water, plan.tissue, *plan.manure]
    return [one.table.file for one in sections if one is not None and one.table is not None]


def as_told(plan: Plan) -> str:
    """The sections of tests as they stand in the plan, of which `read_field_tests` keeps parts."""
    return repr([None if one is None else one.model_dump_json(exclude_unset=True)
                 for one in (plan.water, plan.tissue, *plan.manure)])


def read_field_tests(plan: Plan, *, folder: Path) -> FieldTests:
    """All tables of tests. Raises `InputError`; a hint names keys of the table's own section."""
    season = plan.field.season
    findings: list[Finding] = []
    water, tissue, manure = plan.water, plan.tissue, []
    by_zone: Mapping[str, Mapping[str, float]] = {}
    if water is not None and water.table is not None:
        water, said = _water(water, folder=folder, season=season)
        findings += said
    if tissue is not None and tissue.table is not None:
        tissue, by_zone, said = _tissue(tissue, folder=folder, season=season)
        findings += said
    for one in plan.manure:
        filled, said = (one, ()) if one.table is None else _manure(one, folder=folder,
                                                                  season=season)
        manure.append(filled)
        findings += said
    return FieldTests(water=water, tissue=tissue, manure=tuple(manure), tissue_by_zone=by_zone,
                      findings=tuple(findings))


def read_what_is_complete(document: Mapping[str, Any], *, folder: Path) -> list[Finding]:
    """What the tables of tests hold in a plan that still has blanks elsewhere; for `check`.

    A section is read if it has no blank itself; of a table, quantities with a blank are passed
    over. Troubles become stops; a section that is no valid one yet is told by the loader.
    """
    season = document.get("field", {}).get("season")
    season = season if isinstance(season, int) else None
    findings: list[Finding] = []
    manure = document.get("manure", ())
    each: list[tuple[str, type[WaterSection | TissueSection | ManureSection], Any]] = [
        ("water", WaterSection, document.get("water")),
        ("tissue", TissueSection, document.get("tissue")),
        *(("manure", ManureSection, one) for one in (
            manure if isinstance(manure, list) else [manure]))]
    for name, model, told in each:
        if not isinstance(told, Mapping) or not isinstance(told.get("table"), Mapping):
            continue
        table, passed = _without_blanks(told["table"])
        section = {**told, "table": table}
        open_keys = blanks(section)
        where = f"[{name}.table]"
        if passed or open_keys:
            findings.append(note(
                "test-not-yet-read", where, "still open: " + ", ".join(
                    [*(f"{name}.{key}" for key in open_keys),
                     *(f"{name}.table.{key}" for key in passed)]),
                done="the table is not read yet" if open_keys else "the rest is read"))
        if open_keys:
            continue
        try:
            findings += _read_one(model.model_validate(section), folder=folder, season=season)
        except ValidationError:
            continue
        except VrxError as err:
            findings += err.findings or [stop(err.code, err.where, err.message, todo=err.hint)]
    return findings


def _without_blanks(table: Mapping[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The table without the sections of quantities that hold a blank, and their keys."""
    kept, passed = {}, []
    for key, value in table.items():
        if isinstance(value, Mapping) and blanks(value):
            passed += [f"{key}.{one}" for one in blanks(value)]
        else:
            kept[key] = value
    return kept, passed


def _read_one(
    section: WaterSection | TissueSection | ManureSection, *, folder: Path, season: int | None
) -> tuple[Finding, ...]:
    if isinstance(section, WaterSection):
        return _water(section, folder=folder, season=season)[1]
    if isinstance(section, TissueSection):
        return _tissue(section, folder=folder, season=season)[2]
    return _manure(section, folder=folder, season=season)[1]


def with_tests(plan: Plan, tests: FieldTests) -> Plan:
    """The plan as if its tables' figures stood in it."""
    return plan.model_copy(update={
        "water": tests.water, "tissue": tests.tissue, "manure": tests.manure})


def _spec(table: TestTableSection) -> intake.SoilSpec:
    columns = {
        key: intake.ColumnSpec(**one.model_dump(exclude_none=True))
        for key, one in table.quantities().items()
    }
    return intake.SoilSpec(columns=columns, **table.model_dump(include=set(table.SHARED)))


def _tried(section: str, read: Callable[[], Read]) -> Read:
    try:
        return read()
    except InputError as err:
        raise InputError(
            err.message, code=err.code, where=err.where, findings=err.findings,
            hint=f"{err.hint} ({section})" if err.hint else section) from err


def _water(
    water: WaterSection, *, folder: Path, season: int | None
) -> tuple[WaterSection, tuple[Finding, ...]]:
    table = water.table
    if table is None:
        return water, ()
    spec = intake.WaterSpec(
        table=_spec(table), net_in=water.net_in if "net_in" in water.model_fields_set else None,
        net_in_of=table.net_in_of, net_in_column=table.net_in_column, several=table.several)
    found = _tried("[water.table]", lambda: intake.read_water(
        folder / table.file, spec, season=season))
    return WaterSection(
        net_in=found.net_in, sulfate_s_ppm=found.sulfate_s_ppm,
        potassium_ppm=found.potassium_ppm, chloride_ppm=found.chloride_ppm,
        sodium_ppm=found.sodium_ppm, ec_ds_per_m=found.ec_ds_per_m,
        sampled_on=date.fromisoformat(found.sampled_on) if found.sampled_on else None,
    ), found.findings


def _tissue(
    tissue: TissueSection, *, folder: Path, season: int | None
) -> tuple[TissueSection, Mapping[str, Mapping[str, float]], tuple[Finding, ...]]:
    table = tissue.table
    if table is None:
        return tissue, {}, ()
    spec = intake.TissueSpec(
        table=_spec(table), part=tissue.part, stage=tissue.stage, part_column=table.part_column,
        stage_column=table.stage_column, zone_column=table.zone_column)
    found = _tried("[tissue.table]", lambda: intake.read_tissue(
        folder / table.file, spec, season=season))
    filled = tissue.model_copy(update={
        "sulfur_pct": found.sulfur_pct, "potassium_pct": found.potassium_pct, "table": None})
    by_zone = {"sulfur_pct": found.sulfur_pct_of, "potassium_pct": found.potassium_pct_of}
    return filled, {key: of for key, of in by_zone.items() if of}, found.findings


def _manure(
    manure: ManureSection, *, folder: Path, season: int | None
) -> tuple[ManureSection, tuple[Finding, ...]]:
    table = manure.table
    if table is None:
        return manure, ()
    by_volume = manure.gal_per_ac is not None
    spec = intake.ManureSpec(
        table=_spec(table), basis=table.basis, by_volume=by_volume, sample=table.sample,
        several=table.several, moisture_pct=table.moisture_pct,
        density_lb_per_gal=table.density_lb_per_gal)
    found = _tried(f"[manure.table] of {manure.name}", lambda: intake.read_manure(
        folder / table.file, spec, season=season))
    per = "1000_gal" if by_volume else "ton"
    return manure.model_copy(update={
        f"s_lb_per_{per}": found.sulfur, f"k2o_lb_per_{per}": found.potash, "table": None,
    }), found.findings
