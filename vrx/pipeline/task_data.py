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
from vrx.model import Field, Finding, Prescription, Zones
from vrx.plan import Plan

FORMAT = "iso11783"


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
    """The set with what the plan says about task data. Raises as `task_data_options`."""
    return replace(meant, task_data=task_data_options(plan, meant.prescription))


def findings(
    plan: Plan, *, field: Field, zones: Zones, prescription: Prescription
) -> tuple[Finding, ...]:
    """What task data change or assume, () where the plan writes none.

    Raises `ExportError` for what the format cannot hold, `PlanError` as `task_data_options`.
    """
    if FORMAT not in plan.export.formats:
        return ()
    meant = build_set(field=field, zones=zones, prescription=prescription)
    return task_data_findings(with_task_data(plan, meant))
