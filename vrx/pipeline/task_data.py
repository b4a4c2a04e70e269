"""What the plan says about task data of ISO 11783-10, as the export's own values."""

from __future__ import annotations

from dataclasses import replace

from vrx.errors import PlanError
from vrx.export import (
    ExportSet,
    FallbackRates,
    TaskDataOptions,
    build_set,
    task_data_findings,
)
from vrx.model import Field, Finding, Prescription, Zones, warn
from vrx.plan import Plan

FORMAT = "iso11783"
BY_HAND = "shapefile"
"""The format with no place for a rate outside all polygons."""


def task_data_options(plan: Plan, prescription: Prescription) -> TaskDataOptions:
    """The options of `[export.task_data]`. Raises `PlanError` for a rate in the wrong unit."""
    told = plan.export.task_data
    fallbacks = []
    for one in prescription.passes:
        if one.pass_id not in told.rates:
            continue
        rates = told.rates[one.pass_id].of_unit(one.material.unit)
        if rates is None:
            raise PlanError(
                f"{one.material.id} is applied in {one.material.unit}",
                code="plan-task-data-unit", where=f"export.task_data.rates.{one.pass_id}",
                hint=f"give its rates as ..._{one.material.unit.replace('/ac', '')}_per_ac")
        default, lost, outside = rates
        fallbacks.append((one.pass_id, FallbackRates(
            default=default, position_lost=lost, outside=outside)))
    return TaskDataOptions(
        form=told.form or "", one_task=told.tasks == "one for all", cell_m=told.cell_m,
        customer=told.customer or "", farm=told.farm or "", passes=told.passes,
        fallbacks=tuple(fallbacks))


def with_task_data(plan: Plan, meant: ExportSet) -> ExportSet:
    """The set with what the plan says about task data. Raises as `task_data_options`.

    Its rates outside the field and for a lost position are those of every format that can say them.
    """
    told = task_data_options(plan, meant.prescription)
    rates = [told.fallback(one.pass_id) for one in meant.prescription.passes]
    return replace(meant, task_data=told, rate_outside=tuple(one.outside for one in rates),
                   rate_position_lost=tuple(one.position_lost for one in rates))


def without_map(plan: Plan, prescription: Prescription) -> dict[str, tuple[float, float]]:
    """By pass: the rates outside the field and where the position is lost. Raises as
    `task_data_options`."""
    told = task_data_options(plan, prescription)
    return {one.pass_id: (told.fallback(one.pass_id).outside,
                          told.fallback(one.pass_id).position_lost)
            for one in prescription.passes}


def default_rates(plan: Plan, prescription: Prescription) -> dict[str, float]:
    """By pass: the rate where no zone applies, which task data alone can say. Raises as
    `task_data_options`."""
    told = task_data_options(plan, prescription)
    return {one.pass_id: told.fallback(one.pass_id).default for one in prescription.passes}


def _by_hand(plan: Plan, prescription: Prescription) -> list[Finding]:
    """Rates other than 0 that a format of the plan cannot carry, pass by pass."""
    if BY_HAND not in plan.export.formats:
        return []
    rates = without_map(plan, prescription)
    return [
        warn("export-rate-by-hand", f"{BY_HAND}, pass {one.pass_id}",
             f"{outside:g} {one.material.unit} outside the field and {lost:g} where the position "
             "is lost stand in no shapefile", value=f"{outside:g}, {lost:g} {one.material.unit}",
             done="written on the page, beside the files and into the formats that can say it",
             todo="enter them on the rate controller; what is not entered may be 0 or its own "
             "default")
        for one in prescription.passes for outside, lost in (rates[one.pass_id],)
        if outside or lost]


def findings(
    plan: Plan, *, field: Field, zones: Zones, prescription: Prescription
) -> tuple[Finding, ...]:
    """What task data change or assume, and rates that a shapefile cannot say.

    Raises `ExportError` for what the format cannot hold, `PlanError` as `task_data_options`.
    """
    told = _by_hand(plan, prescription)
    if FORMAT not in plan.export.formats:
        return tuple(told)
    meant = build_set(field=field, zones=zones, prescription=prescription)
    return (*told, *task_data_findings(with_task_data(plan, meant)))
