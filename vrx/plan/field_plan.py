"""A plan file of a field that has no samples yet: its boundary, and how to sample it."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from pydantic import Field, ValidationError

from vrx.errors import PlanError
from vrx.plan.base import Section
from vrx.plan.brought import TissueSection
from vrx.plan.load import blanks, describe, read_document
from vrx.plan.sampling import SamplingSection
from vrx.plan.schema import FieldSection, Plan
from vrx.plan.zones import ZonesSection


class FieldPlan(Section):
    """A plan file as far as a field without samples needs it."""

    schema_number: Literal[1] = Field(alias="schema")
    units: Literal["us"] = "us"
    field: FieldSection
    sampling: SamplingSection = SamplingSection()
    zones: ZonesSection | None = None
    tissue: TissueSection | None = None


def load_field_plan(path: Path) -> FieldPlan:
    """The part of a plan that a first sampling needs: field, own zones, `[sampling]`.

    Other sections may be missing or still hold `"?"`; sections that no plan has are refused.
    Raises `PlanError`.
    """
    document = read_document(path)
    known = [info.alias or name for name, info in Plan.model_fields.items()]
    strangers = sorted(set(document) - set(known))
    if strangers:
        raise PlanError(
            f"unknown section {strangers[0]!r}", code="plan-unknown-key", where=str(path),
            hint=f"known: {', '.join(known)}",
        )
    kept: dict[str, Any] = {key: document[key] for key in ("schema", "units", "field", "sampling",
                                                           "zones", "tissue") if key in document}
    for optional in ("zones", "tissue"):
        if blanks(kept.get(optional, {})):
            del kept[optional]
    open_keys = blanks(kept)
    if open_keys:
        raise PlanError(
            f"still to be filled in: {', '.join(open_keys)}", code="plan-blank", where=str(path),
            hint='replace each "?" of [field] and [sampling]',
        )
    try:
        return FieldPlan.model_validate(kept)
    except ValidationError as err:
        text = "; ".join(describe(one, root=FieldPlan) for one in err.errors(include_url=False))
        raise PlanError(
            text, code="plan-value", where=str(path),
            hint="mend [field] and [sampling] of the plan file",
        ) from err
