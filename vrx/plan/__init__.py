"""The plan file: its schema, loading with helpful errors, and the first draft from files."""

from vrx.plan.draft import DraftFacts, draft
from vrx.plan.load import BLANK, PLAN_NAME, blank_lines, blanks, load_plan, plan_path, read_document
from vrx.plan.schema import (
    AnalyteSection,
    FieldSection,
    MachineSection,
    PassSection,
    Plan,
    SoilSection,
)

__all__ = [
    "BLANK",
    "PLAN_NAME",
    "AnalyteSection",
    "DraftFacts",
    "FieldSection",
    "MachineSection",
    "PassSection",
    "Plan",
    "SoilSection",
    "blank_lines",
    "blanks",
    "draft",
    "load_plan",
    "plan_path",
    "read_document",
]
