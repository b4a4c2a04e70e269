"""Undo and redo of what the app wrote into the plan: the same row and actions in every step."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from vrx.app.form import Form
from vrx.app.session import Session
from vrx.app.step import Action, Done


def past_view(session: Session) -> dict[str, str] | None:
    """What undo and redo would do, in words ("" for nothing); None where there is no plan."""
    bench = session.bench
    if not bench.has_plan:
        return None
    return {"undo": bench.plan_undo_words, "redo": bench.plan_redo_words}


def undo(session: Session, _: Form) -> Done:
    """Take back the last change of the plan."""
    return Done(f"Taken back: {session.bench.undo_plan(on=session.bench.state)}.")


def redo(session: Session, _: Form) -> Done:
    """Bring back what was taken back last."""
    return Done(f"Again: {session.bench.redo_plan(on=session.bench.state)}.")


ACTIONS: Mapping[str, Action] = MappingProxyType({"undo-plan": undo, "redo-plan": redo})
"""Actions that every step has."""
