"""What the plan is told for its needs: groups of controls, each a key of the plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vrx.app.form import Form
from vrx.app.session import Session
from vrx.errors import InputError, PlanError, VrxError
from vrx.pipeline.answer import answer_field
from vrx.plan import read_document
from vrx.plan.keys import key_steps, value_of

AUTO = (("", "as vrx judges"), ("true", "yes"), ("false", "no"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One key of the plan. `kind` is "number", "text", "pair" or "choice"."""

    key: str
    label: str
    unit: str = ""
    kind: str = "number"
    choices: tuple[tuple[str, str], ...] = ()
    needed: bool = False
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Controls that are kept together."""

    id: str
    title: str
    controls: tuple[Control, ...]
    about: str = ""


def _credits(nutrient: str, *more: Control) -> tuple[Control, ...]:
    at = f"credits.{nutrient}"
    return (
        Control(key=f"{at}.water", label="Take off what the irrigation water brings",
                kind="choice", choices=AUTO),
        Control(key=f"{at}.water_share", label="Share of it that counts", unit="0 to 1"),
        Control(key=f"{at}.manure", label="Take off what manure brings", kind="choice",
                choices=AUTO),
        *more,
        Control(key=f"{at}.carry_over_lb_per_ac", label="Carried over from before", unit="lb/ac"),
        Control(key=f"{at}.carry_over_source", label="Where that amount is from", kind="text"),
    )


def groups(document: Mapping[str, Any]) -> tuple[Group, ...]:
    """All groups for a plan as it stands."""
    residual = "credits.sulfur.residual_sulfate"
    found = [
        Group(id="goal", title="Yield goal", controls=(
            Control(key="yield_goal.tons_per_ac", label="Hay of the season", unit="tons/ac",
                    needed=True),
            Control(key="yield_goal.moisture_pct", label="Moisture of these tons", unit="%",
                    needed=True))),
        *_water(document),
        Group(id="potassium", title="Credits against potassium", controls=_credits("potassium")),
        Group(id="sulfur", title="Credits against sulfur", controls=_credits(
            "sulfur",
            Control(key="credits.sulfur.organic_matter", label="Take off what organic matter gives",
                    kind="choice", choices=AUTO),
            Control(key=f"{residual}.depth_in", label="Sulfate in a deeper layer: its depth",
                    unit="in", kind="pair",
                    about="Under the layer that the guide reads; empty for none."),
            Control(key=f"{residual}.share", label="Share of it that roots reach", unit="0 to 1"),
            Control(key=f"{residual}.so4s_ppm", label="What it holds", unit="ppm SO4-S",
                    about="Empty: the zone's own samples of that depth."),
            Control(key=f"{residual}.source", label="Where that test is from", kind="text"))),
        Group(id="stand", title="Age of the stand", about="Some guides ask for it.", controls=(
            Control(key="field.stand_year", label="Year of the stand, seeding year = 1"),
            Control(key="field.last_stand_year", label="Year that is to be its last"))),
        Group(id="rule", title="How the rule is asked", controls=(
            Control(key="need.apply_to", label="The need of a zone is", kind="choice", choices=(
                ("", "the rule on its mean soil test, unless told otherwise"),
                ("zone mean", "the rule on its mean soil test"),
                ("cells", "the mean of the rule in its cells"))),
            Control(key="need.bounds_level", label="Share of soil tests between the bounds",
                    unit="0 to 1"))),
    ]
    return tuple(found)


def _water(document: Mapping[str, Any]) -> tuple[Group, ...]:
    water = document.get("water")
    if isinstance(water, Mapping) and "table" in water:
        return ()
    held = next((key for key in ("sulfate_so4_ppm", "sulfate_s_ppm", "sulfate_meq_per_l")
                 if isinstance(water, Mapping) and key in water), "sulfate_so4_ppm")
    words = {"sulfate_so4_ppm": ("Sulfate, as SO4", "ppm"), "sulfate_s_ppm": ("Sulfate, as S",
             "ppm"), "sulfate_meq_per_l": ("Sulfate", "meq/L")}[held]
    return (Group(id="water", title="Irrigation water", controls=(
        Control(key="water.net_in", label="Net inches in the season", unit="in"),
        Control(key=f"water.{held}", label=words[0], unit=words[1]),
        Control(key="water.potassium_ppm", label="Potassium, as K", unit="ppm"))),)


def shown(value: object) -> str:
    """A value of the plan as a control holds it."""
    if value is None or isinstance(value, Mapping):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def view(session: Session) -> list[dict[str, object]]:
    """All groups with what the plan says."""
    document = _document(session)
    return [{
        "id": group.id, "title": group.title, "about": group.about,
        "set": sum(value_of(document, key_steps(one.key)) is not None for one in group.controls),
        "controls": [_control(one, value_of(document, key_steps(one.key)))
                     for one in group.controls],
    } for group in groups(document)]


def _control(one: Control, value: object) -> dict[str, object]:
    pair = [shown(each) for each in value] if isinstance(value, list) else ["", ""]
    return {"key": one.key, "label": one.label, "unit": one.unit, "kind": one.kind,
            "choices": one.choices, "about": one.about, "value": shown(value),
            "pair": [*pair, "", ""][:2]}


def _document(session: Session) -> Mapping[str, Any]:
    try:
        return read_document(session.bench.plan_file)
    except VrxError:
        return {}


def keep(session: Session, form: Form) -> str:
    """Write a group into the plan; gives its title. Errors name the control."""
    document = _document(session)
    told = form.text("group")
    group = next((one for one in groups(document) if one.id == told), None)
    if group is None:
        raise InputError(f"there is no group {told!r}", code="app-form-value", where="group",
                         hint="reload the page and do it again")
    answers, drop = [], []
    for one in group.controls:
        now = value_of(document, key_steps(one.key))
        text = _typed(form, one)
        if text is None:
            continue
        if text:
            if text != shown(now):
                answers.append((one.key, text))
        elif one.needed:
            raise InputError("is empty", code="app-form-value", where=one.key, hint="fill it in")
        elif now is not None:
            drop.append(one.key)
    if answers or drop:
        write(session, answers, _whole(document, drop, [key for key, _ in answers]))
    return group.title


def _whole(document: Mapping[str, Any], drop: list[str], kept: list[str]) -> list[str]:
    """Keys to take out, with the section itself where nothing of it would be left."""
    out = list(drop)
    for parent in sorted({key.rpartition(".")[0] for key in drop}, key=len, reverse=True):
        held = value_of(document, key_steps(parent))
        gone = {key.rpartition(".")[2] for key in out if key.rpartition(".")[0] == parent}
        if isinstance(held, Mapping) and set(held) <= gone and not any(
                key.startswith(f"{parent}.") for key in kept):
            out = [key for key in out if not key.startswith(f"{parent}.")] + [parent]
    return out


def _typed(form: Form, one: Control) -> str | None:
    """What was typed, "" for nothing, None where the form has no such control."""
    if one.kind == "pair":
        ends = [f"{one.key}:top", f"{one.key}:bottom"]
        if not any(name in form.fields for name in ends):
            return None
        if not any(form.has(name) for name in ends):
            return ""
        return f"[{form.number(ends[0]):g}, {form.number(ends[1]):g}]"
    if one.key not in form.fields:
        return None
    if one.kind == "number" and form.has(one.key):
        return f"{form.number(one.key):.12g}"
    text = form.text(one.key, "")
    if one.kind == "choice" and text not in {name for name, _ in one.choices}:
        raise InputError(f"{text[:40]!r} is none of the choices", code="app-form-value",
                         where=one.key, hint="choose from the list")
    return text


def write(session: Session, answers: list[tuple[str, str]], drop: list[str]) -> None:
    """Answers written at once; what the plan's schema says against them names the control."""
    keys = [key for key, _ in answers] + drop
    try:
        tried = answer_field(session.folder, answers, drop=drop, dry_run=True)[0]
    except PlanError as err:
        raise _beside(err.message, err, keys) from err
    plan_was_good = session.bench.plan is not None
    if tried.faults and plan_was_good:
        raise _beside("; ".join(tried.faults), None, keys)
    session.bench.answer(answers, drop=drop, on=session.bench.state)


def _beside(message: str, err: PlanError | None, keys: list[str]) -> InputError:
    where = next((key for key in sorted(keys, key=len, reverse=True) if key in message), keys[0])
    plain = message.removeprefix(f"{where}: ").removeprefix(f"{where} = ")
    return InputError(plain, code=err.code if err else "plan-value", where=where,
                      hint=err.hint if err else "nothing was written")
