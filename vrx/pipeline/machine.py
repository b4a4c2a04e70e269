"""What the plan says about machines, as the stages' own values: loading check, files, sheets."""

from __future__ import annotations

import math

from vrx import export, products
from vrx.errors import PlanError
from vrx.model import (
    BlendPart,
    CatchTest,
    Equipment,
    EquipmentSheet,
    Field,
    Finding,
    MachineFit,
    MachineLimits,
    PassRates,
    Prescription,
    Zones,
    note,
    warn,
)
from vrx.pipeline.task_data import with_task_data
from vrx.plan import ControllerSection, MachineSection, Plan

_IRRIGATION = "through irrigation"


def fit_of(
    plan: Plan, *, field: Field, zones: Zones, prescription: Prescription
) -> tuple[MachineFit, tuple[Finding, ...]]:
    """Loading check, machine files and equipment sheets, and their findings; nothing is written.

    Passes through the irrigation count only where `[machine.<pass id>]` describes them. Raises
    `PlanError` for keys in the wrong unit, `ExportError` for what a format cannot hold.
    """
    meant = with_task_data(plan, export.build_set(
        field=field, zones=zones, prescription=prescription))
    limits = _limits(plan, prescription)
    files = _planned(plan, meant)
    checks = export.load_checks(
        meant, formats=plan.export.formats, files=files, limits=limits,
        driving_deg=plan.zones.driving_deg)
    found = [*export.load_findings(checks), *_told_reductions(files), *_told_asked(plan, files)]
    sheets: list[EquipmentSheet] = []
    for one in prescription.passes:
        if one.pass_id not in limits:
            continue
        told = _equipment(plan, one)
        # An injector has its own steps (`irrigation_<pass>.csv`): no blank sheet of a spreader too.
        if one.method != _IRRIGATION or told != Equipment():
            sheet, said = products.equipment_sheet(one, told)
            sheets.append(sheet)
            found += said
    fit = MachineFit(loads=checks, files=tuple(one.told for one in files), sheets=tuple(sheets))
    return fit, tuple(found)


def machine_files(plan: Plan, meant: export.ExportSet) -> tuple[export.PlannedFile, ...]:
    """The files made for the plan's machines; () where none are asked for."""
    return _planned(plan, meant)


def _planned(plan: Plan, meant: export.ExportSet) -> tuple[export.PlannedFile, ...]:
    if not export.machine_formats(plan.export.formats):
        return ()
    return export.plan_machine_files(
        meant, limits=_limits(plan, meant.prescription),
        one_product=plan.export.one_product_per_file)


def _limits(plan: Plan, prescription: Prescription) -> dict[str, MachineLimits]:
    return {
        one.pass_id: _of_pass(plan, one) for one in prescription.passes
        if one.rates.any() and (one.method != _IRRIGATION or one.pass_id in plan.machine)}


def _of_pass(plan: Plan, one: PassRates) -> MachineLimits:
    own = plan.machine.get(one.pass_id, MachineSection())

    def told(name: str) -> object:
        return getattr(own if name in own.model_fields_set else plan.controller, name)

    def count(name: str) -> float | None:
        value = told(name)
        return math.inf if value == "none" else None if value is None else float(str(value))

    keys = ControllerSection.model_fields
    counts = {name: count(name) for name in keys if name.startswith("most_")}
    others = {name: told(name) for name in (
        "takes", "holes", "parts", "other_crs", "reduce_within_ft")}
    width = told("narrowest_ft")
    swath = width is None and own.swath_ft is not None
    unit = one.material.unit.split("/")[0]
    source = told("limits_from") or "the plan"
    return MachineLimits(
        unit=one.material.unit, least=getattr(own, f"least_{unit}_per_ac"),
        most=getattr(own, f"most_{unit}_per_ac"), step=getattr(own, f"step_{unit}_per_ac"),
        narrowest_ft=own.swath_ft if swath else width,  # type: ignore[arg-type]
        narrowest_from="swath_ft of the plan" if swath else "",
        source=str(source), **counts, **others)  # type: ignore[arg-type]


def _equipment(plan: Plan, one: PassRates) -> Equipment:
    told = plan.machine.get(one.pass_id, MachineSection())
    unit = one.material.unit.split("/")[0]
    other = {"gal": "lb", "lb": "gal"}[unit]
    where = f"machine.{one.pass_id}"
    if getattr(told, f"flow_{other}_per_min") is not None:
        raise PlanError(
            f"flow_{other}_per_min does not fit {one.material.id}, which is applied in "
            f"{one.material.unit}", code="plan-unit", where=where,
            hint=f"use flow_{unit}_per_min")
    catch = None
    if told.catch_test is not None:
        given = told.catch_test
        if getattr(given, f"set_{other}_per_ac") is not None:
            raise PlanError(
                f"set_{other}_per_ac does not fit {one.material.id}", code="plan-unit",
                where=f"{where}.catch_test", hint=f"use set_{unit}_per_ac")
        catch = CatchTest(
            on=given.on, caught_lb=given.caught_lb, caught_gal=given.caught_gal,
            caught_oz=given.caught_oz, width_ft=given.width_ft, distance_ft=given.distance_ft,
            seconds=given.seconds, speed_mph=given.speed_mph,
            set_rate=getattr(given, f"set_{unit}_per_ac"))
    return Equipment(
        swath_ft=told.swath_ft, pattern_tested_on=told.pattern_tested_on,
        pattern_cv_pct=told.pattern_cv_pct, speed_mph=told.speed_mph,
        flow_per_min=getattr(told, f"flow_{unit}_per_min"), turndown=told.turndown,
        fixed_orifice=told.fixed_orifice, catch=catch,
        parts=tuple(BlendPart(name=each.name, bulk_lb_per_ft3=each.bulk_lb_per_ft3, sgn=each.sgn)
                    for each in told.blend_part))


def _told_reductions(files: tuple[export.PlannedFile, ...]) -> list[Finding]:
    found = []
    for one in files:
        cut = one.told.reduction
        if cut is None:
            continue
        totals = "; ".join(
            f"{name} {after:,.1f} {unit} against {before:,.1f}"
            for name, unit, before, after in cut.totals)
        tell = note if cut.outside_ac == 0 else warn
        found.append(tell(
            "load-vertices-reduced", cut.file,
            f"{cut.vertices_before:,} vertices came down to {cut.vertices_after:,}; edges moved "
            f"{cut.edge_ft:.2f} ft at most, {cut.moved_ac:.4f} ac have another rate, "
            f"{cut.outside_ac:.4f} ac lie beyond the field; {totals}",
            value=f"{cut.moved_ac:.4f} ac",
            done="zones still share their edges; prescription and order stay those of all vertices",
            todo="" if cut.outside_ac == 0 else
            "keep set-backs from water, wells and neighbours, or take a smaller reduce_within_ft"))
    return found


def _told_asked(plan: Plan, files: tuple[export.PlannedFile, ...]) -> list[Finding]:
    """Files asked for that there are none of."""
    asked = plan.export.one_product_per_file
    if files or not asked:
        return []
    return [note(
        "load-no-machine-file", "[export] one_product_per_file",
        "no file of one product is made",
        done="task data hold a task a pass, rasters a file a pass"
        if not export.machine_formats(plan.export.formats) else "no pass is loaded into a machine",
        todo='they are made as "shapefile" and "geojson": name one in formats'
        if not export.machine_formats(plan.export.formats) else "")]
