"""What a step may show: the job where it can be made, and what stands in for it where it cannot."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from vrx.app.session import Session
from vrx.errors import VrxError
from vrx.model import Job, Material
from vrx.plan import read_document
from vrx.products import load_materials


def job_of(session: Session) -> Job | None:
    """The job of the folder as it is; None where something stops it (the page then says what)."""
    task = session.task
    if session.bench.plan is None or task is None or task.state != "done":
        return None
    try:
        return session.bench.job()
    except VrxError:
        return None


def document_of(session: Session) -> dict[str, Any]:
    """The plan as plain values; empty where the file cannot be read."""
    try:
        return read_document(session.bench.plan_file) if session.bench.has_plan else {}
    except VrxError:
        return {}


def materials_of(session: Session, document: Mapping[str, Any]) -> Mapping[str, Material]:
    """The materials that the plan may name; none where its own files of them cannot be read."""
    if job_of(session) is not None:
        return session.bench.drawn().inputs.materials
    own = document.get("materials", [])
    try:
        return load_materials([session.folder / str(name) for name in own])
    except (VrxError, TypeError):
        return {}
