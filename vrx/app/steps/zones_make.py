"""How zones are made: the form of `[zones]` in the plan, and what it writes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from vrx.app.controls import Control, answers, control, typed_of
from vrx.app.form import Form
from vrx.app.known import document_of
from vrx.app.saving import put, require_fit
from vrx.app.session import Session
from vrx.app.step import Action, Done
from vrx.errors import InputError, VrxError
from vrx.plan import key_steps, value_of
from vrx.report import words

_POLYGON_FILES = (".geojson", ".json", ".shp", ".zip", ".gpkg", ".kml", ".kmz", ".gml", ".parquet")
_POLYGONS = ("own polygons", "soil map units")
_SOURCES = ("zones.from", "zones.cross_with")
# Keys in the form's order, and the sources of zones that read them (none: all of them do).
_KEYS: Mapping[str, tuple[str, ...]] = MappingProxyType({
    "zones.nutrients": ("soil classes", "clusters"), "zones.layers": ("clusters",),
    "zones.breaks": ("soil classes",), "zones.rate.pass": ("rate classes",),
    "zones.polygons": _POLYGONS,
    **{f"zones.clusters.{key}": ("clusters",)
       for key in ("number", "way", "fewest", "most", "blur_ft")},
    "zones.rate.most_classes": ("rate classes",),
    **{f"zones.{key}": _POLYGONS for key in ("polygons_layer", "polygons_crs", "label_column")},
    "zones.cell_ac": ("grid cells",),
    **{f"zones.sectors.{key}": ("pivot sectors",)
       for key in ("number", "first_deg", "angles_deg", "ring_radii_ft")},
    **{f"zones.{key}": () for key in (
        "smallest_ac", "narrowest_ft", "most_zones", "smooth_ft", "simplify_ft", "driving_deg")},
})


def _controls(
    session: Session, document: Mapping[str, Any]
) -> list[tuple[Control, tuple[str, ...]]]:
    """Every control of the form with the sources that read it."""
    plan, soil = session.bench.plan, tuple(session.bench.drawn().maps)
    options: dict[str, Iterable[str]] = {
        "zones.layers": (one.name for one in (plan.layers if plan else ())),
        "zones.rate.pass": (one.id for one in (plan.passes if plan else ())),
        "zones.polygons": sorted(
            path.name for path in session.folder.iterdir()
            if path.suffix.lower() in _POLYGON_FILES and path.is_file()),
    }
    named: dict[str, list[tuple[str, str]]] = {
        key: [(one, one) for one in each] for key, each in options.items()}
    named["zones.nutrients"] = [(key, words.analyte_name(key)) for key in soil]
    found = []
    for key, of in _KEYS.items():
        if key == "zones.breaks":
            found += [(control(document, f"{key}.{one}",
                               label=f"Breaks of {words.analyte_name(one)}"), of) for one in soil]
        elif key != "zones.layers" or named[key]:
            found.append((control(document, key, options=named.get(key)), of))
    return found


def make_view(session: Session) -> dict[str, Any]:
    """The form as the plan stands."""
    document = document_of(session)
    return {
        "sources": [control(document, key) for key in _SOURCES],
        "several": [one for one in _controls(session, document) if one[0].kind == "several"],
        "lines": [(*one, one[0].name.removeprefix("zones.breaks.")
                   if one[0].name.startswith("zones.breaks.") else "")
                  for one in _controls(session, document) if one[0].kind != "several"],
    }


def _answers(
    session: Session, form: Form, document: Mapping[str, Any]
) -> tuple[list[tuple[str, str]], list[str]]:
    """Keys to set and keys to take out, so that the plan holds what the form says.

    What the chosen sources do not read goes out of the plan.
    """
    reads = {form.text("zones.from", most=60), form.text("zones.cross_with", "", most=60)}
    known = _controls(session, document)
    mine = {one.name for one, of in known if not of or reads & set(of)} | set(_SOURCES)
    # The form is always sent whole: what is not there is empty.
    typed = dict.fromkeys(mine, "") | typed_of(form, lambda key: key in mine)
    for one, _ in known:
        told = form.list(one.name) if one.kind in {"several", "choice"} else ()
        wrong = next((each for each in told if each not in dict(one.options)), None)
        if one.name in mine and wrong is not None:
            raise InputError(f"{wrong!r} is none of the list", code="app-form-value",
                             where=one.name, hint="choose one of the list")
    if typed["zones.from"] == "soil classes" and not typed["zones.nutrients"]:
        raise InputError("no soil test is chosen", code="app-form-value",
                         where="zones.nutrients", hint="choose what the classes are of")
    wanted, out = answers(document, typed)
    idle = {".".join(key.split(".")[:2]): None for key, of in _KEYS.items()
            if of and not reads & set(of) and key != "zones.nutrients"}
    out += [key for key in idle if value_of(document, key_steps(key)) is not None]
    return wanted, out


def make(session: Session, form: Form) -> Done:
    """Write how zones are made into the plan; edits by hand are set aside first, if that is meant.

    What makes no zones is taken back, so that the step stays usable.
    """
    bench = session.bench
    wanted, out = _answers(session, form, document_of(session))
    if not require_fit(session, wanted, out).changes:
        return Done("The plan says so already; nothing was changed.")
    log = bench.edits
    count = len(log.path()) if log is not None else 0
    if count and not form.has("aside"):
        raise InputError(
            f"{count} change{'s' if count != 1 else ''} made by hand would be set aside: other "
            "zones cannot take them over", code="zones-make-edits", where="aside",
            hint="tick the box if that is meant; they stay in the folder, in a file of their own")
    before = _sum_of(session)
    put(session, wanted, out)
    try:
        bench.base()
    except VrxError as err:
        bench.undo_plan(on=bench.state)
        raise InputError(err.message, code=err.code, where="zones.from",
                         hint=f"{err.hint}. The plan is as it was." if err.hint
                         else "The plan is as it was.") from err
    kept: Path | None = bench.set_edits_aside(on=bench.state) if count else None
    made = bench.zones()
    where = f" The changes by hand are kept in {kept.name}." if kept is not None else ""
    return Done(f"{len(made.zones)} zones instead of {before}.{where}")


def _sum_of(session: Session) -> int:
    try:
        return len(session.bench.zones().zones)
    except VrxError:
        return 0


ACTIONS: Mapping[str, Action] = MappingProxyType({"make": make})
