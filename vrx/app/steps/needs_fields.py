"""What the plan is told for its needs: groups of controls, each a key of the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vrx.app.controls import controls, typed_of
from vrx.app.form import Form
from vrx.app.known import document_of
from vrx.app.saving import put_typed
from vrx.app.session import Session
from vrx.errors import InputError

_RESIDUAL = tuple(f"credits.sulfur.residual_sulfate.{key}"
                  for key in ("depth_in", "share", "so4s_ppm", "source"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Keys of the plan that are kept together."""

    id: str
    title: str
    keys: tuple[str, ...]
    about: str = ""


def _credits(nutrient: str, *more: str) -> tuple[str, ...]:
    return tuple(f"credits.{nutrient}.{key}" for key in (
        "water", "water_share", "manure", *more, "carry_over_lb_per_ac", "carry_over_source"))


def groups(document: Mapping[str, Any]) -> tuple[Group, ...]:
    """All groups for a plan as it stands."""
    return (
        Group(id="goal", title="Yield goal",
              keys=("yield_goal.tons_per_ac", "yield_goal.moisture_pct")),
        *_water(document),
        Group(id="potassium", title="Credits against potassium", keys=_credits("potassium")),
        Group(id="sulfur", title="Credits against sulfur",
              keys=(*_credits("sulfur", "organic_matter"), *_RESIDUAL)),
        Group(id="stand", title="Age of the stand", about="Some guides ask for it.",
              keys=("field.stand_year", "field.last_stand_year")),
        Group(id="rule", title="How the rule is asked",
              keys=("need.apply_to", "need.bounds_level")),
    )


def _water(document: Mapping[str, Any]) -> tuple[Group, ...]:
    water = document.get("water")
    if isinstance(water, Mapping) and "table" in water:
        return ()
    held = next((key for key in ("sulfate_so4_ppm", "sulfate_s_ppm", "sulfate_meq_per_l")
                 if isinstance(water, Mapping) and key in water), "sulfate_so4_ppm")
    return (Group(id="water", title="Irrigation water", keys=(
        "water.net_in", f"water.{held}", "water.potassium_ppm")),)


def view(session: Session) -> list[dict[str, object]]:
    """All groups with what the plan says."""
    document = document_of(session)
    found: list[dict[str, object]] = []
    for group in groups(document):
        shown = controls(document, group.keys)
        found.append({"id": group.id, "title": group.title, "about": group.about,
                      "set": sum(one.stated for one in shown), "controls": shown})
    return found


def keep(session: Session, form: Form) -> str:
    """Write a group into the plan; gives its title. Errors name the control."""
    document = document_of(session)
    told = form.text("group")
    group = next((one for one in groups(document) if one.id == told), None)
    if group is None:
        raise InputError(f"there is no group {told!r}", code="app-form-value", where="group",
                         hint="reload the page and do it again")
    put_typed(session, typed_of(form, lambda key: key in group.keys))
    return group.title
