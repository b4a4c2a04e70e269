"""Edits by hand in a run's name and in its job record."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from vrx.model import Job, PassRates
from vrx.model.by_hand import EditsSaid


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
