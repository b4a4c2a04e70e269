"""Passes of the plan as forms: what each pass, its machine and its prices may say."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vrx.app.controls import Control, answers, as_text, control, controls, typed_of
from vrx.app.form import Form
from vrx.errors import InputError
from vrx.model import Material
from vrx.plan import value_of

PLANNED = ("planned", "planned flat")
_MACHINE = ("least", "most", "step")
_OF_PASSES = ("machine", "calendar.pass", "conditions.pass", "irrigation.inject")
_LIMITS = ("k2o_lb_per_ac", "s_lb_per_ac", "s_reason", "n_lb_per_ac", "cl_lb_per_ac",
           "k2o_split_lb_per_ac")


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A material that a planned pass may carry; `most` is what its label allows, as typed."""

    material: str
    chosen: bool
    most: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PassForm:
    """One pass: `number` counts from 1; `candidates` stand where the season plan chooses."""

    number: int
    id: str
    title: str
    controls: tuple[Control, ...]
    machine: tuple[Control, ...]
    candidates: tuple[Candidate, ...]


def unit_of(told: Mapping[str, Any], materials: Mapping[str, Material]) -> str:
    """ "gal" or "lb" by the material of a pass; "" where that is not known or not one."""
    named = materials.get(str(told.get("material", "")))
    return "" if named is None else "gal" if named.form == "liquid" else "lb"


def pass_forms(
    document: Mapping[str, Any], materials: Mapping[str, Material]
) -> tuple[PassForm, ...]:
    """Every pass of the plan, in order."""
    return tuple(_pass_form(document, told, number, materials)
                 for number, told in enumerate(document.get("pass", []), start=1))


def _pass_form(
    document: Mapping[str, Any], told: Mapping[str, Any], number: int,
    materials: Mapping[str, Material],
) -> PassForm:
    unit, planned = unit_of(told, materials), told.get("rate") in PLANNED
    units = [unit] if unit else ["lb", "gal"]
    keys = ["timing", "method", "rate"]
    if not planned:
        keys += ["serves", "share_of_need", *(f"rate_{one}_per_ac" for one in units),
                 *(f"label_most_{one}_per_ac" for one in units)]
        if "gal" in units:
            keys += ["label_most_season_gal_per_ac", "density_lb_per_gal"]
    keys += ["treated_ac"]
    at = f"pass[{number}]"
    shown = [control(document, f"{at}.{key}") for key in keys]
    if not planned:
        shown.insert(2, control(document, f"{at}.material", options=[
            (name, name) for name in materials]))
    machine = [f"machine.{told['id']}.{name}_{one}_per_ac" for name in _MACHINE for one in units]
    machine += [f"machine.{told['id']}.{name}" for name in ("below_least", "swath_ft")]
    return PassForm(
        number=number, id=str(told["id"]), title=str(told.get("timing", "")),
        controls=tuple(shown), machine=controls(document, machine),
        candidates=_candidates(told, materials) if planned else ())


def _candidates(
    told: Mapping[str, Any], materials: Mapping[str, Material]
) -> tuple[Candidate, ...]:
    held = {one if isinstance(one, str) else one["material"]: one
            for one in told.get("materials", [])}
    found = []
    for name, material in materials.items():
        unit = "gal" if material.form == "liquid" else "lb"
        one = held.get(name)
        most = one.get(f"label_most_{unit}_per_ac") if isinstance(one, Mapping) else None
        found.append(Candidate(
            material=name, chosen=one is not None, most=as_text(most), unit=f"{unit}/ac"))
    return tuple(sorted(found, key=lambda one: not one.chosen))


def limit_controls(document: Mapping[str, Any]) -> tuple[Control, ...]:
    """Ceilings of the season."""
    return controls(document, [f"limits.{key}" for key in _LIMITS])


def aim_controls(document: Mapping[str, Any]) -> tuple[Control, ...]:
    """What the season plan is to find."""
    return controls(document, ["season_plan.aim", "season_plan.steps"])


def price_controls(document: Mapping[str, Any]) -> tuple[tuple[str, tuple[Control, ...]], ...]:
    """Price, its unit and its day for every material that a pass may carry."""
    return tuple(
        (name, controls(document, [f"prices.{json.dumps(name)}.{key}"
                                   for key in ("usd", "per", "as_of")]))
        for name in used_materials(document))


def used_materials(
    document: Mapping[str, Any], wanted: Mapping[int, Mapping[str, str]] | None = None
) -> tuple[str, ...]:
    """Materials that the passes name, in their order; `wanted` are answers by pass number."""
    named: list[Any] = []
    for number, told in enumerate(document.get("pass", []), start=1):
        typed = (wanted or {}).get(number, {})
        own = {key: tomllib.loads(f"v = {typed[name]}")["v"] if (
                   name := f"pass[{number}].{key}") in typed else told.get(key)
               for key in ("material", "materials")}
        named += [own["material"], *(one if isinstance(one, str) else one.get("material")
                                     for one in own["materials"] or [])]
    return tuple(dict.fromkeys(str(name) for name in named if name))


def pass_answers(
    document: Mapping[str, Any], form: Form, number: int, materials: Mapping[str, Material]
) -> tuple[list[tuple[str, str]], list[str], list[str]]:
    """What the form of a pass changes: answers, keys to take out, and words on what goes with it.

    A material in the other unit takes rates, limits and machine keys of the old unit out; a price
    that no pass needs any more goes too. Raises `InputError` for a pass that is not there.
    """
    passes = document.get("pass", [])
    if not 1 <= number <= len(passes):
        raise InputError(f"there is no pass {number}", code="app-pass-unknown", where="number",
                         hint="reload the page")
    told, at = passes[number - 1], f"pass[{number}]"
    own = f"machine.{told['id']}."
    wanted, out = answers(document, typed_of(form, lambda key: key.startswith(
        (f"{at}.", own)) and not key.endswith(".materials")))
    said: list[str] = []
    if form.has("planned"):
        wanted += _candidate_answer(told, form, at)
    new = {**told, **{key.removeprefix(f"{at}."): text.strip('"') for key, text in wanted}}
    before, after = unit_of(told, materials), unit_of(new, materials)
    if before and after and before != after:
        gone = [f"{at}.{key}" for key in told if key.endswith(f"_{before}_per_ac")]
        machine = document.get("machine", {}).get(told["id"], {})
        gone += [own + key for key in machine if key.endswith(f"_{before}_per_ac")]
        wanted = [one for one in wanted if one[0] not in gone]
        out += [key for key in gone if key not in out]
        said.append(f"what was said in {before}/ac went with the old material")
    return wanted, out, said


def _candidate_answer(
    told: Mapping[str, Any], form: Form, at: str
) -> list[tuple[str, str]]:
    """The list of materials of a planned pass, as TOML, where it changed."""
    held = {one if isinstance(one, str) else one["material"]: one
            for one in told.get("materials", [])}
    entries, plain = [], []
    for name in form.list("candidates"):
        one = held.get(name)
        entry = dict(one) if isinstance(one, Mapping) else {"material": name}
        for unit in ("lb", "gal"):
            field = f"most {unit} {name}"
            if field not in form.fields:
                continue
            entry.pop(f"label_most_{unit}_per_ac", None)
            if form.has(field):
                entry[f"label_most_{unit}_per_ac"] = form.number(field)
        entries.append(entry)
        plain.append(entry if len(entry) > 1 else name)
    if not entries:
        raise InputError("a planned pass names what it may carry", code="app-no-candidate",
                         where="candidates", hint="tick at least one material")
    before = [one if isinstance(one, str) or len(one) > 1 else one["material"]
              for one in told.get("materials", [])]
    if plain == before:
        return []
    return [(f"{at}.materials", "[" + ", ".join(map(_toml, plain)) + "]")]


def _toml(entry: str | Mapping[str, Any]) -> str:
    if isinstance(entry, str):
        return json.dumps(entry, ensure_ascii=False)
    return "{ " + ", ".join(
        f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in entry.items()) + " }"


def stale_prices(
    document: Mapping[str, Any], materials_after: tuple[str, ...]
) -> tuple[list[str], list[str]]:
    """Keys of prices and order lines whose material no pass carries any more, and words for it."""
    out, said = [], []
    for section in ("prices", "order.material"):
        held: Any = document
        for step in section.split("."):
            held = held.get(step, {}) if isinstance(held, Mapping) else {}
        for name in held:
            if name not in materials_after:
                out.append(f"{section}.{json.dumps(name)}")
                said.append(f"{'the price of' if section == 'prices' else 'what was said of'} "
                            f"{name} went with it")
    return out, said


def sections_of_pass(document: Mapping[str, Any], name: str) -> list[str]:
    """Keys of the plan's sections that belong to one pass."""
    return [f"{section}.{name}" for section in _OF_PASSES
            if value_of(document, [*section.split("."), name]) is not None]


def new_pass_id(document: Mapping[str, Any], timing: str) -> str:
    """A name for a new pass, made from its timing, that no pass has."""
    base = re.sub(r"[^a-z0-9]+", "-", timing.lower()).strip("-")[:32].strip("-") or "pass"
    taken = {str(one.get("id")) for one in document.get("pass", [])}
    return next(name for name in [base, *(f"{base}-{k}" for k in range(2, 1000))]
                if name not in taken)
