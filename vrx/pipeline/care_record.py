"""Calendar, missed passes, go or no-go, what comes first and feed in the job record."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Any

from vrx.model import Job


def care_record(job: Job) -> dict[str, Any]:
    """What stands around the passes as JSON values, with the materials that the passes use.

    Days are ISO dates; None is not known.
    """
    record: dict[str, Any] = _plain(asdict(job.care))
    record["materials"] = [
        {
            "id": one.id, "form": one.form, "lb_per_unit": one.lb_per_unit,
            "lb_per_unit_of": {name: one.nutrient_lb_per_unit(name)
                               for name in ("N", "P2O5", "K2O", "S", "Mg", "Cl")},
            "s_form": one.s_form, "s_available": one.more.s_available,
            "not_for": list(one.more.not_for), "salt_index": one.more.salt_index,
            "salt_basis": one.more.salt_basis, "evidence": one.evidence, "source": one.source,
            "blend": [{"material": name, "share_of_weight": share} for name, share in one.parts],
        }
        for one in job.materials
    ]
    return record


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value
