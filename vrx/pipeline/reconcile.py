"""`vrx reconcile`: as-applied logs of a pass against the run that was sent to the machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from vrx import applied, intake, products
from vrx.errors import InputError
from vrx.model import (
    Amount,
    AppliedGround,
    Field,
    Finding,
    Material,
    Reconciliation,
    note,
    warn,
)
from vrx.pipeline import reconcile_files, season
from vrx.pipeline.applied_run import CommittedRun, committed_run
from vrx.pipeline.commit import sha256
from vrx.pipeline.edits_record import edits_moved
from vrx.pipeline.inputs import Inputs, read_inputs
from vrx.pipeline.second_pass import SecondPass, second_pass
from vrx.plan import (
    SETTINGS,
    AppliedSettings,
    PassSection,
    Plan,
    load_applied,
    load_plan,
    plan_path,
    require_pass,
)
from vrx.plan.edits import read_edits
from vrx.units import m_from_ft

RUNS = "output"
_MOST_CELL_M = 10.0
_LEAST_CELL_M = 2.0
_MOST_CELLS = 250_000
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReconcileResult:
    """What `vrx reconcile` made: the comparison, its folder and the record as JSON values."""

    reconciliation: Reconciliation
    second: SecondPass
    folder: Path
    record: dict[str, Any]


def _silent(_: str) -> None:
    return


def reconcile(
    folder: Path, logs: Sequence[Path], *, settings: Path | None = None,
    overrides: Mapping[str, object] | None = None, progress: Progress = _silent,
) -> ReconcileResult:
    """Compare logs with the current run of a field and commit the result into `FOLDER/applied`.

    `settings` is a TOML file of `AppliedSettings` (`FOLDER/applied.toml` where there is one and
    none is named); `overrides` win over it. Raises a `VrxError`; then nothing is written.
    """
    plan_file = plan_path(folder)
    home = plan_file.parent
    usual = home / SETTINGS
    told = load_applied(settings or (usual if usual.is_file() else None), overrides or {})
    if not logs:
        raise InputError("no log is named", code="applied-empty", where=str(home),
                         hint="vrx reconcile FOLDER LOG...")
    plan = load_plan(plan_file)
    progress("reading plan and run")
    inputs = read_inputs(plan, plan_file=plan_file)
    run = committed_run(home / RUNS, field=inputs.field)
    require_pass(told, [one["pass_id"] for one in run.record["passes"]], where="[applied] pass")
    line = run.pass_line(told.pass_id)
    progress("reading logs")
    ground = intake.joined([
        intake.read_applied(
            path=log, field=inputs.field, unit=line["unit"], spec=_spec(told), delay_s=told.delay_s,
            width_m=None if told.width_ft is None else m_from_ft(told.width_ft),
            elements=intake.LogElements(
                rate=told.rate_element, width=told.width_element, state=told.state_element))
        for log in logs])
    progress("laying swaths over zones")
    done, second = _compare(plan, inputs, run, ground, told, line=line, home=home)
    progress("writing and reading back")
    target, record = reconcile_files.write(
        done, second=second, run=run, field=inputs.field, plan=plan, home=home, identity={
            "run": {"name": run.name, "manifest_sha256": run.sha256},
            "settings": told.model_dump(mode="json", by_alias=True, exclude_unset=True),
            "plan_sha256": sha256(plan_file), "logs": _hashes(logs)})
    return ReconcileResult(reconciliation=done, second=second, folder=target, record=record)


def _spec(told: AppliedSettings) -> intake.AppliedSpec | None:
    """The columns that the settings name; None where they name no rate (time logs need none)."""

    def column(name: str) -> intake.LogColumn | None:
        heading, unit = getattr(told, f"{name}_column"), getattr(told, f"{name}_unit")
        return None if heading is None else intake.LogColumn(column=heading, unit=unit)

    rate = column("rate")
    if rate is None:
        return None
    return intake.AppliedSpec(
        applied=rate, width=column("width"), speed=column("speed"), time=column("time"),
        width_m=None if told.width_ft is None else m_from_ft(told.width_ft),
        master_column=told.master_column, pass_column=told.trip_column,
        places=intake.PlaceColumns(
            longitude_column=told.longitude_column, latitude_column=told.latitude_column,
            easting_column=told.easting_column, northing_column=told.northing_column,
            crs=told.crs, layer=told.layer, sheet=told.sheet, decimal_mark=told.decimal_mark))


def _hashes(logs: Sequence[Path]) -> list[dict[str, Any]]:
    files = [path for log in logs for path in (
        sorted(one for one in log.rglob("*") if one.is_file()) if log.is_dir()
        else intake.input_files(log))]
    return [{"path": one.name, "sha256": sha256(one), "bytes": one.stat().st_size}
            for one in files]


def _compare(
    plan: Plan, inputs: Inputs, run: CommittedRun, ground: AppliedGround, told: AppliedSettings,
    *, line: dict[str, Any], home: Path,
) -> tuple[Reconciliation, SecondPass]:
    target = run.target_rate(told.pass_id)
    compared = applied.compare_applied(
        ground=ground, zones=run.zones, target_rate=target, tolerance_pct=told.tolerance_pct)
    cells = applied.rate_cells(
        ground=ground, zones=run.zones, target_rate=target, boundary=inputs.field.boundary,
        cell_m=_cell_m(inputs.field))
    where = f"pass {told.pass_id}"
    material = _material(inputs, line, where)
    request = _request(plan, inputs, line, told.pass_id)
    label = None if request is None else request.label_most
    findings: list[Finding] = [*run.findings, *ground.findings, *applied.compare_findings(
        compared=compared, ground=ground, where=where, label_most=label)]
    if sha256(plan_path(home)) != run.record["plan"]["sha256"]:
        findings.append(warn(
            "applied-plan-changed", where, f"the plan was changed after {run.name}",
            done="compared with the rates of that run; limits of the second trip are the plan's",
            todo="vrx run FOLDER, and compare again, if that is not what was applied"))
    if edits_moved(read_edits(home), run.record):
        findings.append(warn(
            "applied-edits-changed", where, f"zones or rates were edited by hand after {run.name}",
            done="compared with the zones and rates of that run",
            todo="vrx run FOLDER, and compare again, if that is not what was applied"))
    if request is None:
        second = SecondPass(zones=None, prescription=None, left_by_zone=np.zeros(len(target)),
                            findings=(note("applied-no-second", where,
                                           "stands in the run, but no more in the plan",
                                           done="no second trip is worked out"),))
    else:
        least = plan.zones.smallest_ac if told.least_ac is None else told.least_ac
        second = second_pass(
            field=inputs.field, made=run.zones, target=target, ground=ground, cells=cells,
            request=request, material=material, plan=plan, tolerance_pct=told.tolerance_pct,
            least_ac=least, swath_m=_swath_m(plan, told))
    amounts, said = _amounts(line, compared, told, material, home=home)
    zones = compared.zones
    left_rate = second.left_by_zone / zones.area_ac
    return Reconciliation(
        pass_id=told.pass_id, material=line["material"], unit=line["unit"],
        tolerance_pct=told.tolerance_pct, zones=zones, logged=compared.logged,
        outside=compared.outside, outside_ac=compared.outside_ac, left_out=ground.left_out,
        amounts=amounts, left_rate=left_rate, cells=cells,
        findings=tuple(dict.fromkeys((*findings, *said, *second.findings)))), second


def _swath_m(plan: Plan, told: AppliedSettings) -> float:
    """The machine's swath, the log's one width, else the narrowest zone of the plan."""
    machine = plan.machine.get(told.pass_id)
    own = None if machine is None else machine.swath_ft
    return m_from_ft(own or told.width_ft or plan.zones.narrowest_ft)


def _cell_m(field: Field) -> float:
    """Cells of the map: fine enough for swaths, not more than a quarter of a million."""
    west, south, east, north = field.boundary.bounds
    fit = float(np.sqrt((east - west) * (north - south) / _MOST_CELLS))
    return float(np.ceil(min(max(fit, _LEAST_CELL_M), _MOST_CELL_M) * 2) / 2)


def _material(inputs: Inputs, line: dict[str, Any], where: str) -> Material:
    """The pass's material, a liquid with the density of the run."""
    found = products.find_material(inputs.materials, line["material"], where=where)
    if found.form != "liquid":
        return found
    return replace(found, density_lb_per_gal=float(line["lb_per_unit"]))


def _request(
    plan: Plan, inputs: Inputs, line: dict[str, Any], pass_id: str
) -> products.PassRequest | None:
    """The pass as the plan asks for it, with the material that the run chose; None if it is gone.
    """
    told = next((one for one in plan.passes if one.id == pass_id), None)
    if told is None:
        return None
    chosen: PassSection = told.model_copy(update={"material": line["material"], "materials": ()})
    return season.pass_request(chosen, line["number"], plan.machine.get(pass_id), inputs.materials)


def _amounts(
    line: dict[str, Any], compared: Any, told: AppliedSettings, material: Material, *, home: Path,
) -> tuple[tuple[Amount, ...], list[Finding]]:
    """Planned, ordered, logged, ticketed and counted, side by side; what lies far apart is told."""
    unit = line["unit"].removesuffix("/ac")
    found = [
        Amount(what="planned on the zones", amount=float(line["prescription_total"]), unit=unit,
               source="the run's record"),
        Amount(what="ordered", amount=float(line["order_total"]), unit=unit,
               source="the run's record"),
        Amount(what="logged, rate x ground", amount=compared.logged, unit=unit, source="the logs"),
        Amount(what="of that beyond all zones", amount=compared.outside, unit=unit,
               source="the logs"),
    ]
    beside: list[tuple[str, float]] = []
    if told.tickets is not None:
        tickets = intake.read_tickets(
            path=home / told.tickets, lb_per_gal={material.id: material.density_lb_per_gal})
        net = sum(one.amount for one in tickets)
        found.append(Amount(what=f"by {len(tickets)} tickets, less what came back", amount=net,
                            unit=unit, source=told.tickets))
        beside.append(("tickets", net))
    if told.counter_amount is not None:
        found.append(Amount(what="by the machine's counter", amount=told.counter_amount, unit=unit,
                            source="stated"))
        beside.append(("the machine's counter", told.counter_amount))
    if told.counter_ac is not None:
        zones = compared.zones
        passed = float((zones.once_ac + zones.repeated_ac).sum()) + compared.outside_ac
        found += [Amount(what="acres by the machine's counter", amount=told.counter_ac, unit="ac",
                         source="stated"),
                  Amount(what="acres passed, once", amount=passed, unit="ac", source="the logs")]
    where = f"pass {told.pass_id}"
    said = [
        warn("applied-amounts-differ", where, f"{name} say {amount:,.0f} {unit}, the log "
             f"{compared.logged:,.0f} ({100 * (compared.logged / amount - 1):+.1f} %)",
             value=f"{compared.logged - amount:.6g} {unit}",
             done="the log's rates are taken as they are",
             todo="calibrate: what was weighed is right, and the log's rates follow it")
        for name, amount in beside
        if amount > 0 and abs(compared.logged / amount - 1) * 100 > told.tolerance_pct]
    return tuple(found), said
