"""From needs to a season plan: materials by analysis, passes, and S and K2O counted together."""

from vrx.products.allocate import allocate_passes
from vrx.products.allocate_problem import AIMS, PlannedPass, SeasonAim
from vrx.products.blends import Blend, incompatible, mix
from vrx.products.calendar import Calendar, PassDays, check_calendar, pass_windows
from vrx.products.ceilings import ceiling_findings
from vrx.products.conditions import Conditions, go_findings, go_list
from vrx.products.feed import Livestock, feed_findings, feed_items, total_s_pct
from vrx.products.limits import Limits, RuleOfThumb, load_limits
from vrx.products.materials import (
    add_blends,
    find_material,
    load_materials,
    materials_sha256,
)
from vrx.products.missed import Ceilings, if_missed, missed_findings, missed_words
from vrx.products.requests import WHAT_IS_LEFT, PassRequest
from vrx.products.season import plan_passes
from vrx.products.timings import Timing, parse_timing
from vrx.products.uses import use_findings

__all__ = [
    "AIMS",
    "WHAT_IS_LEFT",
    "Blend",
    "Calendar",
    "Ceilings",
    "Conditions",
    "Limits",
    "Livestock",
    "PassDays",
    "PassRequest",
    "PlannedPass",
    "RuleOfThumb",
    "SeasonAim",
    "Timing",
    "add_blends",
    "allocate_passes",
    "ceiling_findings",
    "check_calendar",
    "feed_findings",
    "feed_items",
    "find_material",
    "go_findings",
    "go_list",
    "if_missed",
    "incompatible",
    "load_limits",
    "load_materials",
    "materials_sha256",
    "missed_findings",
    "missed_words",
    "mix",
    "parse_timing",
    "pass_windows",
    "plan_passes",
    "total_s_pct",
    "use_findings",
]
