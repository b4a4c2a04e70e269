"""How zones are made: the form of `[zones]` in the plan, and what it writes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

from vrx.app.form import Form
from vrx.app.session import Session
from vrx.app.step import Action, Done
from vrx.errors import InputError, PlanError, VrxError
from vrx.pipeline.answer import answer_field
from vrx.plan import read_document
from vrx.plan.keys import key_steps, value_at, value_of
from vrx.plan.zones import Crossed, ZoneSource
from vrx.report import words

SOURCES: tuple[str, ...] = get_args(ZoneSource)
CROSSED: tuple[str, ...] = get_args(Crossed)
_POLYGON_FILES = (".geojson", ".json", ".shp", ".zip", ".gpkg", ".kml", ".kmz", ".gml", ".parquet")
_POLYGONS = ("own polygons", "soil map units")
SOURCE_WORDS = {
    "soil classes": "classes of soil tests", "clusters": "groups of like ground (clusters)",
    "rate classes": "classes of a pass's rate", "own polygons": "own polygons from a file",
    "soil map units": "soil map units from a file", "grid cells": "square cells",
    "pivot sectors": "sectors and rings of the pivot", "whole field": "the whole field as one",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """One line of the form: a key of the plan, its words, and the sources that read it.

    `kind` is "number", "numbers" (a list), "text" or "choice".
    """

    key: str
    label: str
    hint: str = ""
    kind: str = "number"
    of: tuple[str, ...] = ()
    choices: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The control's name."""
        return self.key.removeprefix("zones.").replace(".", "_")


_STATIC: tuple[Ask, ...] = (
    Ask(key="zones.clusters.number", label="How many groups", of=("clusters",),
        hint="empty: the number that the scores point at"),
    Ask(key="zones.clusters.way", label="Way of grouping", kind="choice", of=("clusters",),
        choices=("fuzzy c-means", "k-means")),
    Ask(key="zones.clusters.fewest", label="Fewest groups to try", of=("clusters",)),
    Ask(key="zones.clusters.most", label="Most groups to try", of=("clusters",)),
    Ask(key="zones.clusters.blur_ft", label="Smooth the layers over, ft", of=("clusters",)),
    Ask(key="zones.rate.most_classes", label="Most rate classes", of=("rate classes",)),
    Ask(key="zones.polygons_layer", label="Layer of the file", kind="text", of=_POLYGONS,
        hint="only where the file holds several"),
    Ask(key="zones.polygons_crs", label="Coordinate system of the file", kind="text", of=_POLYGONS,
        hint="only where the file does not say, such as EPSG:26916"),
    Ask(key="zones.label_column", label="Column of the name", kind="text", of=_POLYGONS),
    Ask(key="zones.cell_ac", label="Acres of a cell", of=("grid cells",)),
    Ask(key="zones.sectors.number", label="How many equal sectors", of=("pivot sectors",)),
    Ask(key="zones.sectors.first_deg", label="First dividing line, compass degrees",
        of=("pivot sectors",)),
    Ask(key="zones.sectors.angles_deg", label="Or the dividing lines, compass degrees",
        kind="numbers", of=("pivot sectors",), hint="such as 0, 90, 225"),
    Ask(key="zones.sectors.ring_radii_ft", label="Rings at, ft from the pivot point",
        kind="numbers", of=("pivot sectors",), hint="such as 660, 1000"),
    Ask(key="zones.smallest_ac", label="Smallest zone, ac"),
    Ask(key="zones.narrowest_ft", label="Narrowest zone, ft",
        hint="twice the swath lets a machine turn its rate"),
    Ask(key="zones.most_zones", label="Most zones"),
    Ask(key="zones.smooth_ft", label="Smooth borders over, ft"),
    Ask(key="zones.simplify_ft", label="Straighten borders within, ft",
        hint="empty: as the cells ask for"),
    Ask(key="zones.driving_deg", label="Driving direction, compass degrees",
        hint="empty: none in particular"),
)
_SECTIONS = {"clusters": ("clusters",), "rate": ("rate classes",), "sectors": ("pivot sectors",)}
_LISTS = {"layers": ("clusters",), "breaks": ("soil classes",)}


def asks(session: Session) -> tuple[Ask, ...]:
    """Every line of the form for this plan."""
    plan = session.bench.plan
    soil = tuple(session.bench.drawn().maps)
    breaks = tuple(
        Ask(key=f"zones.breaks.{key}", label=f"Breaks of {words.analyte_name(key)}",
            kind="numbers", of=("soil classes",),
            hint="empty: those of the guide, where it has any")
        for key in soil)
    passes = tuple(one.id for one in plan.passes) if plan else ()
    files = tuple(sorted(
        path.name for path in session.folder.iterdir()
        if path.suffix.lower() in _POLYGON_FILES and path.is_file()))
    return (
        *breaks,
        Ask(key="zones.rate.pass", label="Rate of the pass", kind="choice", of=("rate classes",),
            choices=("", *passes)),
        Ask(key="zones.polygons", label="File of the polygons", kind="choice", of=_POLYGONS,
            choices=("", *files)),
        *_STATIC)


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, list | tuple):
        return ", ".join(_shown(one) for one in value)
    return f"{value:.12g}" if isinstance(value, float) else str(value)


def make_view(session: Session) -> dict[str, Any]:
    """The form as the plan stands; a value that the plan leaves open shows what holds without."""
    bench = session.bench
    document, plan = read_document(bench.plan_file), bench.plan
    lines = []
    for ask in asks(session):
        own = value_of(document, key_steps(ask.key))
        lines.append({
            "nutrient": ask.key.removeprefix("zones.breaks.")
            if ask.key.startswith("zones.breaks.") else "",
            "ask": ask, "value": _shown(own),
            "default": "" if own is not None else _shown(_default(plan, ask.key)),
            "choices": [(one, one or "none") for one in ask.choices],
        })
    told = plan.zones if plan is not None else None
    chosen = () if told is None else told.nutrients
    return {
        "from": told.source if told else "", "cross": (told.cross_with or "") if told else "",
        "sources": [(one, SOURCE_WORDS[one]) for one in SOURCES],
        "crossed": [("", "nothing"), *((one, SOURCE_WORDS[one]) for one in CROSSED)],
        "nutrients": [(key, words.analyte_name(key), key in chosen) for key in bench.drawn().maps],
        "layers": [(one.name, told is not None and one.name in told.layers)
                   for one in (plan.layers if plan else ())],
        "lines": lines, "strips": bool(told and told.strips),
    }


def _default(plan: Any, key: str) -> Any:
    at: Any = plan
    for step in key.split("."):
        at = at.get(step) if isinstance(at, Mapping) else getattr(at, step, None)
        if at is None:
            return None
    return at


# ---- what is sent

def _list_text(values: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{one}"' for one in values) + "]"


def _text_of(ask: Ask, text: str) -> str:
    """A value as the plan's language writes it."""
    if ask.kind == "numbers":
        return "[" + text.strip("[] ").replace(";", ",") + "]"
    return text


def _answers(
    session: Session, form: Form, document: Mapping[str, Any]
) -> tuple[list[tuple[str, str]], list[str]]:
    """Keys to set and keys to take out, so that the plan holds what the form says."""
    source, cross = form.text("from", most=60), form.text("cross", "", most=60)
    for name, told, known in (("from", source, SOURCES), ("cross", cross, ("", *CROSSED))):
        if told not in known:
            raise InputError(f"{told!r} is no source of zones", code="app-form-value", where=name,
                             hint="choose one of the list")
    reads = {source, cross}
    answers, drop = [("zones.from", source)], []
    held = document.get("zones", {})
    gone = [name for name, of in (_SECTIONS | _LISTS).items()
            if name in held and not reads & set(of)]
    drop += [f"zones.{name}" for name in gone]
    _one(answers, drop, document, "zones.cross_with", cross)
    nutrients = form.list("nutrients")
    if reads & {"soil classes", "clusters"}:
        if source == "soil classes" and not nutrients:
            raise InputError("no soil test is chosen", code="app-form-value", where="nutrients",
                             hint="choose what the classes are of")
        _one(answers, drop, document, "zones.nutrients",
             _list_text(nutrients) if nutrients else "")
    if "clusters" in reads:
        layers = form.list("layers")
        _one(answers, drop, document, "zones.layers", _list_text(layers) if layers else "")
    for ask in asks(session):
        if ask.of and not reads & set(ask.of):
            if not any(ask.key.startswith(f"zones.{name}.") for name in (*_SECTIONS, *_LISTS)):
                _one(answers, drop, document, ask.key, "")
            continue
        text = form.text(ask.name, "", most=400)
        if text and ask.kind == "choice" and text not in ask.choices:
            raise InputError(f"{text!r} is none of the list", code="app-form-value",
                             where=ask.name, hint="choose one of the list")
        if text:
            text = _text_of(ask, text)
            try:
                value_at(key_steps(ask.key), text)
            except PlanError as err:
                raise InputError(err.message, code=err.code, where=ask.name, hint=err.hint) from err
        _one(answers, drop, document, ask.key, text)
    return answers, drop


def _one(
    answers: list[tuple[str, str]], drop: list[str], document: Mapping[str, Any], key: str,
    text: str,
) -> None:
    if text:
        answers.append((key, text))
    elif value_of(document, key_steps(key)) is not None:
        drop.append(key)


def make(session: Session, form: Form) -> Done:
    """Write how zones are made into the plan; edits by hand are set aside first, if that is meant.

    What makes no zones is taken back, so that the step stays usable.
    """
    bench = session.bench
    document = read_document(bench.plan_file)
    answers, drop = _answers(session, form, document)
    tried, _ = answer_field(session.folder, answers, drop=drop, dry_run=True)
    if not tried.changes:
        return Done("The plan says so already; nothing was changed.")
    if tried.faults:
        raise InputError(tried.faults[0], code="zones-make", where="zones",
                         hint="nothing was written")
    log = bench.edits
    shaped = log is not None and bool(log.path())
    if shaped and not form.has("aside"):
        count = len(log.path()) if log is not None else 0
        raise InputError(
            f"{count} change{'s' if count != 1 else ''} made by hand would be set aside: other "
            "zones cannot take them over", code="zones-make-edits", where="aside",
            hint="tick the box if that is meant; they stay in the folder, in a file of their own")
    before = _sum_of(session)
    bench.answer(answers, drop=drop, on=bench.state)
    try:
        bench.base()
    except VrxError as err:
        bench.undo_plan(on=bench.state)
        raise InputError(err.message, code=err.code, where="zones",
                         hint=f"{err.hint}. The plan is as it was." if err.hint
                         else "The plan is as it was.") from err
    kept: Path | None = bench.set_edits_aside(on=bench.state) if shaped else None
    made = bench.zones()
    where = f" The changes by hand are kept in {kept.name}." if kept is not None else ""
    return Done(f"{len(made.zones)} zones instead of {before}.{where}")


def _sum_of(session: Session) -> int:
    try:
        return len(session.bench.zones().zones)
    except VrxError:
        return 0


def aside(session: Session, form: Form) -> Done:
    """Set the edits by hand aside, so that the plan's own zones hold."""
    bench = session.bench
    kept = bench.set_edits_aside(on=bench.state)
    return Done(f"The changes by hand are kept in {kept.name}; the zones are the plan's.")


ACTIONS: Mapping[str, Action] = MappingProxyType({"make": make, "aside": aside})
