"""The season plan: passes, materials, limits and prices, with rates, order, cost and balance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from vrx.app import findings
from vrx.app.drawings import touchable
from vrx.app.form import Form
from vrx.app.known import document_of, job_of, materials_of
from vrx.app.saving import save_keys, write
from vrx.app.session import Session
from vrx.app.step import Done, Step
from vrx.app.steps import season_forms as forms
from vrx.errors import InputError
from vrx.model import Job
from vrx.plan import AddItem, DropItem, MoveItem, read_document
from vrx.report import care, in_short, passes, reasons

_SHOWN = "season.shown"


def view(session: Session) -> dict[str, object]:
    """Everything that the templates print; what needs the job is left out where there is none."""
    job, document = job_of(session), document_of(session)
    materials = materials_of(session, document)
    shown: dict[str, object] = {
        "known": job is not None, "passes": [], "shown": None,
        "found": findings.here(job, "season"),
        "forms": forms.pass_forms(document, materials),
        "limit_controls": forms.limit_controls(document),
        "aim_controls": forms.aim_controls(document) if "season_plan" in document else (),
        "prices": forms.price_controls(document), "materials": list(materials),
    }
    return shown | ({} if job is None else _of_job(session, job))


def _of_job(session: Session, job: Job) -> dict[str, object]:
    views = passes.pass_views(job, {})
    shown = next((one for one in views if one.number == session.kept.get(_SHOWN)), views[0])
    return {
        "passes": views, "shown": shown,
        "rate_map": touchable(str(shown.picture), name="season-rates"),
        "order": passes.order_rows(job), "order_sum": passes.order_sum(job),
        "balances": reasons.balance_views(job), "crop": reasons.crop_view(job),
        "flat": in_short.flat_sentences(job), "care": care.care_view(job),
    }


def show(session: Session, form: Form) -> Done:
    """Show the rates of another pass."""
    number = form.whole("number")
    session.kept[_SHOWN] = number
    return Done(f"Rates of pass {number}.")


def save_pass(session: Session, form: Form) -> Done:
    """Write one pass with its machine."""
    bench = session.bench
    document = read_document(bench.plan_file)
    number, materials = form.whole("number"), materials_of(session, document)
    wanted, out, said = forms.pass_answers(document, form, number, materials)
    after = forms.used_materials(document, {number: dict(wanted)})
    gone, more = forms.stale_prices(document, after)
    done = write(session, wanted, [*out, *gone])
    return Done("; ".join([done.said.rstrip("."), *said, *more]) + ".")


def save_limits(session: Session, form: Form) -> Done:
    """Write ceilings and what the season plan is to find."""
    return save_keys(session, form, "limits", "season_plan")


def save_prices(session: Session, form: Form) -> Done:
    """Write prices."""
    return save_keys(session, form, "prices")


def add_pass(session: Session, form: Form) -> Done:
    """Add a pass of one material at the end of the plan."""
    bench = session.bench
    document = read_document(bench.plan_file)
    material = form.text("material")
    known = materials_of(session, document)
    if material not in known:
        raise InputError(f"there is no material {material!r}", code="app-material-unknown",
                         where="material", hint="choose one of the list")
    timing = form.text("timing", most=120)
    unit = "gal" if known[material].form == "liquid" else "lb"
    name = forms.new_pass_id(document, timing)
    entry = {"id": name, "timing": timing, "method": form.text("method"), "material": material}
    if form.text("way", "variable") == "fixed":
        entry[f"rate_{unit}_per_ac"] = _typed(form, "rate")
    else:
        entry |= {"rate": form.text("way"), "serves": form.text("serves"),
                  "share_of_need": "what is left"}
    if form.has("label_most"):
        entry[f"label_most_{unit}_per_ac"] = _typed(form, "label_most")
    machine = [(f"machine.{name}.step_{unit}_per_ac", _typed(form, "step"))] if form.has(
        "step") else []
    write(session, machine, items=[AddItem(key="pass", values=entry)])
    return Done(f"Pass {name} was added. Give it its limits and price below.")


def _typed(form: Form, name: str) -> str:
    """A number of a form as the plan takes it."""
    return f"{form.number(name):.12g}"


def remove_pass(session: Session, form: Form) -> Done:
    """Take a pass out, with what the plan says of its machine, days and injection, and prices that
    it alone needs.
    """
    document = document_of(session)
    number = _pass_number(form, document)
    name = document["pass"][number - 1]["id"]
    left = {**document, "pass": [
        one for k, one in enumerate(document["pass"], 1) if k != number]}
    out, said = forms.stale_prices(document, forms.used_materials(left))
    out += forms.sections_of_pass(document, name)
    write(session, [], out, items=[DropItem(key="pass", number=number)])
    return Done("; ".join([f"Pass {name} was taken out", *said]) + ".")


def move_pass(session: Session, form: Form) -> Done:
    """Move a pass earlier or later in the season."""
    number = _pass_number(form, document_of(session))
    write(session, [], items=[MoveItem(key="pass", number=number, to=number + form.whole("by"))])
    return Done("The order of the passes was changed.")


def _pass_number(form: Form, document: Mapping[str, Any]) -> int:
    number, count = form.whole("number"), len(document.get("pass", []))
    if not 1 <= number <= count:
        raise InputError(f"there is no pass {number}", code="app-pass-unknown", where="number",
                         hint="reload the page")
    return number


STEP = Step(
    id="season", path="/season", title="Season plan", template="season.html.j2", stage="job",
    view=view, even_blocked=True,
    parts={"season-rates-part": "season_rates.html.j2", "season-order": "season_order.html.j2",
           "season-balance": "season_balance.html.j2", "season-passes": "season_passes.html.j2",
           "season-limits": "season_limits.html.j2", "season-prices": "season_prices.html.j2",
           "season-found": "found_part.html.j2"},
    actions={"show": show, "save-pass": save_pass, "save-limits": save_limits,
             "save-prices": save_prices, "add-pass": add_pass, "remove-pass": remove_pass,
             "move-pass": move_pass},
)
