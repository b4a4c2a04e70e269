"""Needs: the guide of each nutrient, credits, yield goal; what every zone needs, and why."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence

import numpy as np
from markupsafe import Markup

from vrx.app import findings
from vrx.app.form import Form
from vrx.app.known import job_of
from vrx.app.saving import put
from vrx.app.session import Session
from vrx.app.step import Done, Step
from vrx.app.steps import needs_fields
from vrx.errors import InputError, VrxError
from vrx.model import ANALYTES, Job, Need
from vrx.pipeline.guide_choice import Asked, GuideChoice
from vrx.plan import NeedSection
from vrx.report import numbers, words
from vrx.report.need_beside import bound_words
from vrx.report.need_maps import zone_values_map

SECTIONS = {"K2O": "potassium", "S": "sulfur"}
NAMES = {"K2O": "Potassium", "S": "Sulfur"}
_WHY = "needs why"
_MAP = "needs map"


def view(session: Session) -> dict[str, object]:
    """Everything of this step; also where the plan's own guide cannot read the field."""
    bench = session.bench
    job = job_of(session)
    choices: dict[str, tuple[GuideChoice, ...]] = {}
    for nutrient in SECTIONS:
        try:
            choices[nutrient] = bench.guides(nutrient)
        except VrxError:
            choices[nutrient] = ()
    return {
        "nutrients": [_nutrient(one, choices[one]) for one in SECTIONS],
        "table": None if job is None else _table(job),
        "map": None if job is None else _map(session, job),
        "why": None if job is None else _why(session, job, choices),
        "groups": needs_fields.view(session),
        "found": findings.here(job, "needs"),
    }


def _nutrient(nutrient: str, choices: Sequence[GuideChoice]) -> dict[str, object]:
    fits = [one for one in choices if not one.refused or one.of_plan]
    asks = [one for one in choices if one.refused and one.missing and not one.of_plan]
    return {
        "id": nutrient, "name": NAMES[nutrient],
        "own": next((one.book for one in choices if one.of_plan), ""),
        "fits": [_choice(one, nutrient) for one in fits],
        "asks": [_choice(one, nutrient) for one in asks],
        "not_here": [_choice(one, nutrient) for one in choices
                     if one not in fits and one not in asks],
    }


def _choice(one: GuideChoice, nutrient: str) -> dict[str, object]:
    low, high = numbers.fixed(one.low), numbers.fixed(one.high)
    span = low if low == high else f"{low} to {high}"
    return {
        "book": one.book, "name": one.name, "region": one.region, "of_plan": one.of_plan,
        "evidence": ", ".join(map(words.evidence_words, one.evidence)),
        "memory": any(map(words.is_from_memory, one.evidence)),
        "gives": "" if one.refused else f"{span} lb {nutrient}/ac here",
        "refused": one.refused, "todo": one.todo,
        "asks": [_asked(ask, one) for ask in one.asks],
        "missing": ", ".join(one.missing),
    }


def _asked(ask: Asked, one: GuideChoice) -> dict[str, object]:
    kind = {"yes or no": "choice", "name": "choice", "name by zone": "choice",
            "number": "number"}.get(ask.kind, "text")
    choices = [(each, each) for each in ask.choices]
    if ask.kind == "yes or no":
        choices = [("true", "yes"), ("false", "no")]
    value = ask.told
    if value.startswith('"'):
        value = str(json.loads(value))
    if kind == "choice" and value and value not in {name for name, _ in choices}:
        # A name for each zone stands in the plan: shown and kept as it is written.
        kind = "text"
    return {"name": ask.name, "kind": kind, "what": ask.what, "value": value,
            "default": ask.default, "choices": choices, "required": ask.required,
            "form": ask.kind, "missing": ask.name in one.missing}


# Needs by zone


def _table(job: Job) -> dict[str, object]:
    rows = []
    for k, zone in enumerate(job.zones.zones):
        rows.append({
            "zone_id": zone.zone_id, "letter": zone.letter, "acres": numbers.acres(zone.area_ac),
            "needs": [{"nutrient": nutrient, "text": numbers.fixed(needs[k].lb_per_ac),
                       "soil_class": needs[k].soil_class}
                      for nutrient, needs in job.needs.items()],
        })
    totals = [numbers.pounds(sum(
        need.lb_per_ac * zone.area_ac
        for need, zone in zip(needs, job.zones.zones, strict=True)))
        for needs in job.needs.values()]
    return {"nutrients": list(job.needs), "rows": rows, "totals": totals,
            "acres": numbers.acres(job.zones.area_ac)}


def _map(session: Session, job: Job) -> dict[str, object] | None:
    if not job.needs:
        return None
    wanted = str(session.kept.get(_MAP, ""))
    nutrient = wanted if wanted in job.needs else next(iter(job.needs))
    values = np.array([one.lb_per_ac for one in job.needs[nutrient]])
    picture = zone_values_map(
        key=f"need-{nutrient.lower()}", field=job.field, zones=job.zones, values=np.round(values),
        texts=[numbers.fixed(float(value)) for value in values], pick=True,
        title=f"Need of {nutrient}", subtitle=f"Printed: lb {nutrient}/ac.",
        unit=f"lb {nutrient}/ac")
    return {"nutrient": nutrient, "choices": list(job.needs),
            "svg": Markup(picture.svg),  # noqa: S704 - svg.py built it and escaped every text
            "remark": picture.remark}


def _chosen(session: Session, job: Job) -> tuple[str, int] | None:
    """(nutrient, position of the zone) whose number is being looked at."""
    nutrient, zone_id = session.kept.get(_WHY, ("", 0))
    position = next((k for k, zone in enumerate(job.zones.zones) if zone.zone_id == zone_id), None)
    return None if nutrient not in job.needs or position is None else (nutrient, position)


def _why(
    session: Session, job: Job, choices: Mapping[str, Sequence[GuideChoice]]
) -> dict[str, object] | None:
    chosen = _chosen(session, job)
    if chosen is None:
        return None
    nutrient, k = chosen
    need, zone = job.needs[nutrient][k], job.zones.zones[k]
    bounds = job.need_beside.bounds.get(nutrient)
    guide = next((one for one in job.guides if one.nutrient == nutrient), None)
    return {
        "nutrient": nutrient, "zone_id": zone.zone_id, "letter": zone.letter,
        "acres": numbers.acres(zone.area_ac), "need": numbers.fixed(need.lb_per_ac, 1),
        "book": need.book, "soil_class": need.soil_class,
        "source": "" if guide is None else guide.source,
        "surplus": numbers.fixed(need.surplus_lb_per_ac, 1) if need.surplus_lb_per_ac else "",
        "lines": [_line(need, n) for n in range(len(need.lines))],
        "bounds": bound_words(bounds, k) or (
            "" if bounds is None or not bounds.refused else f"not known: {bounds.refused}"),
        "readings": _readings(job, k),
        "findings": [one.line() for one in need.findings],
        "others": [_other(one, nutrient, k, need) for one in choices[nutrient]
                   if one.needs and not one.of_plan],
    }


def _line(need: Need, n: int) -> dict[str, object]:
    line = need.lines[n]
    return {"term": words.opening(line.term), "value": numbers.signed(line.lb_per_ac, 1),
            "detail": line.detail, "locator": line.locator,
            "evidence": words.evidence_words(line.evidence),
            "memory": words.is_from_memory(line.evidence)}


def _readings(job: Job, k: int) -> list[str]:
    found = []
    for analyte, reading in job.readings.items():
        mean, error = float(reading.mean[k]), float(reading.standard_error[k])
        if not math.isfinite(mean):
            continue
        register = ANALYTES[analyte]
        by = f", {reading.extractant}" if reading.extractant else ""
        found.append(f"{register.substance} {numbers.reading(mean, analyte)} ± "
                     f"{numbers.spread(error, analyte)} {reading.unit}{by}, "
                     f"{reading.depth_in[0]:g} to {reading.depth_in[1]:g} in")
    return found


def _other(one: GuideChoice, nutrient: str, k: int, need: Need) -> dict[str, str]:
    here = one.needs[k].lb_per_ac
    return {"book": one.book, "name": one.name,
            "need": numbers.fixed(here, 1), "apart": numbers.signed(here - need.lb_per_ac, 1),
            "evidence": ", ".join(map(words.evidence_words, one.evidence))}


# Actions


def guide(session: Session, form: Form) -> Done:
    """Another guide, or other options of the one that is used; nothing is written that fails."""
    nutrient, book = _nutrient_of(form), form.text("book", most=100)
    section = f"need.{SECTIONS[nutrient]}"
    choices = session.bench.guides(nutrient)
    choice = next((one for one in choices if one.book == book), None)
    if choice is None:
        raise InputError(f"there is no guide {book!r} for {nutrient}", code="app-form-value",
                         where="book", hint="choose from the list")
    told = {ask.name: _option(form, ask) for ask in choice.asks}
    given = {name: value for name, value in told.items() if value is not None}
    _try(session, nutrient, NeedSection(book=book, **given), choice)
    plan = session.bench.plan
    own = None if plan is None else getattr(plan.need, SECTIONS[nutrient])
    held = {} if own is None else own.options()
    answers = [(f"{section}.book", json.dumps(book))] + [
        (f"{section}.{name}", _toml(value)) for name, value in given.items()]
    drop = [f"{section}.{name}" for name in held if name not in given]
    put(session, answers, drop)
    return Done(f"{NAMES[nutrient]} by {choice.name}.")


def no_guide(session: Session, form: Form) -> Done:
    """No need is asked for a nutrient any more."""
    nutrient = _nutrient_of(form)
    put(session, [], [f"need.{SECTIONS[nutrient]}"])
    return Done(f"No guide is asked for {NAMES[nutrient].lower()}.")


def _nutrient_of(form: Form) -> str:
    told = form.text("nutrient", most=10)
    if told not in SECTIONS:
        raise InputError(f"{told!r} is no nutrient of a plan", code="app-form-value",
                         where="nutrient", hint="reload the page and do it again")
    return told


def _option(form: Form, ask: Asked) -> object:
    """What was typed for one option, None for nothing."""
    name = f"opt:{ask.name}"
    text = form.text(name, "")
    if not text:
        return None
    if ask.kind == "number":
        return form.number(name)
    if ask.kind == "yes or no":
        if text not in {"true", "false"}:
            raise InputError(f"{text[:40]!r} is neither yes nor no", code="app-form-value",
                             where=name, hint="choose from the list")
        return text == "true"
    if ask.kind in {"name", "text"}:
        return text
    return _parsed(name, text, ask)


def _parsed(name: str, text: str, ask: Asked) -> object:
    """Lists and tables as the plan writes them; one name may stand alone."""
    import tomllib

    try:
        return tomllib.loads(f"v = {text}\n")["v"]
    except (tomllib.TOMLDecodeError, RecursionError):
        if ask.kind == "name by zone" and "\n" not in text:
            return text
        raise InputError(f"{text[:60]!r} cannot be read as {ask.kind}", code="app-form-value",
                         where=name, hint="lists as [80, 120], tables as { low = 40.0 }") from None


def _toml(value: object) -> str:
    from vrx.pipeline.guides import in_toml

    return in_toml(value)


def _try(session: Session, nutrient: str, section: NeedSection, choice: GuideChoice) -> None:
    """Ask the guide before anything is written; what it refuses stands beside its control."""
    tried = next(one for one in session.bench.guides(nutrient, instead=section)
                 if one.book == section.book)
    if not tried.refused:
        return
    named = next((ask.name for ask in choice.asks if ask.name in tried.refused), "")
    where = named or (tried.missing[0] if tried.missing else "")
    raise InputError(tried.refused, code=tried.code or "app-form-value",
                     where=f"opt:{where}" if where else "book", hint=tried.todo)


def keep(session: Session, form: Form) -> Done:
    """Yield goal, credits and the rest."""
    return Done(f"{needs_fields.keep(session, form)}: written into the plan.")


def why(session: Session, form: Form) -> Done:
    """Open what a number rests on."""
    nutrient, zone_id = _nutrient_of(form), form.whole("zone")
    session.kept[_WHY] = (nutrient, zone_id)
    session.kept[_MAP] = nutrient
    job = job_of(session)
    chosen = None if job is None else _chosen(session, job)
    if job is None or chosen is None:
        raise InputError("this zone is not there any more", code="app-form-value", where="zone",
                         hint="look at the table as it is now")
    zone, need = job.zones.zones[chosen[1]], job.needs[nutrient][chosen[1]]
    return Done(f"Zone {zone.letter}: {numbers.fixed(need.lb_per_ac)} lb {nutrient}/ac. What it "
                "rests on stands below the map.")


def close(session: Session, _: Form) -> Done:
    """Close what a number rests on."""
    session.kept.pop(_WHY, None)
    return Done("Closed.")


def show(session: Session, form: Form) -> Done:
    """The map of another nutrient."""
    nutrient = _nutrient_of(form)
    session.kept[_MAP] = nutrient
    return Done(f"The map shows the need of {nutrient}.")


def mark(session: Session) -> str:
    """Done once every nutrient has a guide that reads the field, or is left out on purpose."""
    plan = session.bench.plan
    if plan is None:
        return "to do" if session.bench.open_keys or not session.bench.has_plan else "stopped"
    return "done" if plan.need.potassium or plan.need.sulfur else "to do"


STEP = Step(
    id="needs", path="/needs", title="Needs", template="needs.html.j2", stage="job", view=view,
    parts={
        "needs-map": "needs_map_part.html.j2", "needs-table": "needs_table_part.html.j2",
        "needs-why": "needs_why_part.html.j2", "needs-guides": "needs_guides_part.html.j2",
        "needs-told": "needs_told_part.html.j2", "needs-found": "found_part.html.j2",
    },
    actions={"guide": guide, "no-guide": no_guide, "keep": keep, "why": why, "close": close,
             "show": show},
    mark=mark, even_blocked=True,
)
