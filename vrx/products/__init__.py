"""From needs to a season plan: materials by analysis, passes, and S and K2O counted together."""

from vrx.products.blends import Blend, incompatible, mix
from vrx.products.limits import Limits, RuleOfThumb, load_limits
from vrx.products.materials import (
    add_blends,
    find_material,
    load_materials,
    materials_sha256,
)
from vrx.products.requests import WHAT_IS_LEFT, PassRequest
from vrx.products.season import plan_passes

__all__ = [
    "WHAT_IS_LEFT",
    "Blend",
    "Limits",
    "PassRequest",
    "RuleOfThumb",
    "add_blends",
    "find_material",
    "incompatible",
    "load_limits",
    "load_materials",
    "materials_sha256",
    "mix",
    "plan_passes",
]
