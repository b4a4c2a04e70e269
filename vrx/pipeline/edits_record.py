"""Edits by hand in a run's name and in its job record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from vrx.model import Job, PassRates
from vrx.model.by_hand import EditsSaid
from vrx.pipeline.edit_fold import NO_RATES, state
from vrx.plan.edits import EditLog


def edits_identity(job: Job) -> dict[str, Any]:
    """What of the edits makes a run another one: the state they lead to; nothing without any.

    How many edits led there stands in it too, since the job record says so.
    """
    return {"edits": _said(job.edits)} if job.edits.state else {}


def _said(edits: EditsSaid) -> dict[str, Any]:
    return {
        "state": edits.state, "number": edits.number, "zones_by_hand": list(edits.zone_ids),
        "rates_by_hand": [asdict(one) for one in edits.rates],
    }


def by_hand_record(one: PassRates) -> dict[str, Any]:
    """A pass's rates by hand beside the rule's, for the job record; nothing without any."""
    if not one.by_hand:
        return {}
    return {"rule_planned_total": one.rule_planned_total,
            "by_hand": [asdict(each) for each in one.by_hand]}


def edits_moved(log: EditLog, record: Mapping[str, Any]) -> bool:
    """Whether edits were made or undone since the run of a job record.

    Without cutting zones anew: of rates alone their hash decides, whatever the plan's zones are.
    """
    then = record.get("edits", {})
    told = str(then.get("state", ""))
    zones, _, rates = state(log, None).partition("-")
    if log.zones_changed or then.get("zones_by_hand"):
        return not log.zones_changed or told != f"{zones}-{rates}"
    return rates != (told.split("-")[1] if told else NO_RATES)
