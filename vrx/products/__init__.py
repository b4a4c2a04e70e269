"""From needs to a season plan: materials by analysis, passes, and S and K2O counted together."""

from vrx.products.allocate import allocate_passes
from vrx.products.allocate_problem import AIMS, PlannedPass, SeasonAim
from vrx.products.limits import Limits, RuleOfThumb, load_limits
from vrx.products.materials import find_material, load_materials, materials_sha256
from vrx.products.requests import WHAT_IS_LEFT, PassRequest
from vrx.products.season import plan_passes

__all__ = [
    "AIMS",
    "WHAT_IS_LEFT",
    "Limits",
    "PassRequest",
    "PlannedPass",
    "RuleOfThumb",
    "SeasonAim",
    "allocate_passes",
    "find_material",
    "load_limits",
    "load_materials",
    "materials_sha256",
    "plan_passes",
]
