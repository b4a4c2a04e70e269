"""The plan file: its schema, loading with helpful errors, and the first draft from files."""

from vrx.plan.answer import Answered, Change, answer_plan, is_blank
from vrx.plan.applied import SETTINGS, AppliedSettings, load_applied, require_pass
from vrx.plan.blends import BlendSection
from vrx.plan.brought import ManureSection, TissueSection, WaterSection
from vrx.plan.calendar import CalendarSection
from vrx.plan.conditions import ConditionsSection, LivestockSection
from vrx.plan.credits import CreditsSection, ResidualSection
from vrx.plan.draft import DraftFacts, draft
from vrx.plan.draft_field import draft_field
from vrx.plan.field_plan import FieldPlan, load_field_plan
from vrx.plan.file_rates import FROM_FILE, FileRatesSection
from vrx.plan.irrigation import InjectSection, IrrigationSection
from vrx.plan.items import AddItem, DropItem, Item, MoveItem
from vrx.plan.layers import LayerSection
from vrx.plan.layout import Layout, layout_findings, layout_text, save_layout, with_layout
from vrx.plan.load import (
    BLANK,
    PLAN_NAME,
    blank_lines,
    blanks,
    describe,
    load_plan,
    plan_path,
    read_document,
)
from vrx.plan.machine import ControllerSection, MachineSection
from vrx.plan.need import NeedSection
from vrx.plan.past import PlanPast, read_past, step_back, step_forward
from vrx.plan.pivot import PivotSection
from vrx.plan.points import PointsSection
from vrx.plan.response import ResponseSection
from vrx.plan.sampling import SamplingSection
from vrx.plan.schema import (
    AnalyteSection,
    FieldSection,
    PassSection,
    Plan,
    SoilSection,
)
from vrx.plan.tables import TestTableSection
from vrx.plan.zones import ZonesSection

__all__ = [
    "BLANK",
    "FROM_FILE",
    "PLAN_NAME",
    "SETTINGS",
    "AddItem",
    "AnalyteSection",
    "Answered",
    "AppliedSettings",
    "BlendSection",
    "CalendarSection",
    "Change",
    "ConditionsSection",
    "ControllerSection",
    "CreditsSection",
    "DraftFacts",
    "DropItem",
    "FieldPlan",
    "FieldSection",
    "FileRatesSection",
    "InjectSection",
    "IrrigationSection",
    "Item",
    "LayerSection",
    "Layout",
    "LivestockSection",
    "MachineSection",
    "ManureSection",
    "MoveItem",
    "NeedSection",
    "PassSection",
    "PivotSection",
    "Plan",
    "PlanPast",
    "PointsSection",
    "ResidualSection",
    "ResponseSection",
    "SamplingSection",
    "SoilSection",
    "TestTableSection",
    "TissueSection",
    "WaterSection",
    "ZonesSection",
    "answer_plan",
    "blank_lines",
    "blanks",
    "describe",
    "draft",
    "draft_field",
    "is_blank",
    "layout_findings",
    "layout_text",
    "load_applied",
    "load_field_plan",
    "load_plan",
    "plan_path",
    "read_document",
    "read_past",
    "require_pass",
    "save_layout",
    "step_back",
    "step_forward",
    "with_layout",
]
