"""What a boundary file leaves open, told beside the control that settles it; remedies to press."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TypedDict

from vrx.app.form import Form
from vrx.app.remedies import Remedy, remedies_of
from vrx.app.session import Session
from vrx.app.step import Done
from vrx.errors import InputError, VrxError
from vrx.model import Finding
from vrx.pipeline.answer import answer_field

_CHOICES: Mapping[str, tuple[str, ...]] = {
    "inside_polygons": ("cut out", "keep"), "crossing": ("as drawn", "outline"),
    "close_gap": ("yes",), "join": ("yes",),
}
_ASKED: Mapping[str, tuple[str, str]] = {
    "boundary-several": ("boundary_name", (
        "type the name of the one that is this field, or tick that all of them are one field")),
    "boundary-overlap": ("boundary_name", (
        "type the name of the one that is this field; if a neighbour really overlaps it, mend the "
        "outline in the program that drew it")),
    "boundary-name-unknown": ("boundary_name", "type the name as the file has it"),
    "boundary-polygons-inside": ("inside_polygons", (
        "choose below whether they are cut out of the field or kept as land")),
    "boundary-crosses-itself": ("crossing", (
        "choose below what is meant, or put the corners in order in the program that drew it")),
    "boundary-line-open": ("close_gap", (
        "tick below that the gap is closed with a straight line, or close it in the program that "
        "drew it")),
    "crs-missing": ("boundary_crs", (
        "type the coordinate system, such as EPSG:32615; whoever made the file knows it, or bring "
        "the .prj that belongs to it")),
}
CONTROLS = frozenset({"boundary_layer", "samples_layer", *(name for name, _ in _ASKED.values())})
"""Controls that stay folded away until a file asks for one of them."""


class Choices(TypedDict):
    """What `new_plan` may be told of the two files."""

    boundary_layer: str | None
    boundary_crs: str | None
    boundary_name: str | None
    samples_layer: str | None
    inside_polygons: str | None
    crossing: str | None
    close_gap: bool
    join: bool


def choices_of(form: Form) -> Choices:
    """What a form says of a doubtful file, as `new_plan` takes it."""
    told: dict[str, str] = {}
    for name, known in _CHOICES.items():
        told[name] = form.text(name, "")
        if told[name] and told[name] not in known:
            raise InputError(f"{told[name]!r} is no choice", code="app-form-value", where=name,
                             hint="choose from the list")
    return {"boundary_layer": form.text("boundary_layer", "") or None,
            "boundary_crs": form.text("boundary_crs", "") or None,
            "boundary_name": form.text("boundary_name", "") or None,
            "samples_layer": form.text("samples_layer", "") or None,
            "inside_polygons": told["inside_polygons"] or None,
            "crossing": told["crossing"] or None, "close_gap": bool(told["close_gap"]),
            "join": bool(told["join"])}


def beside(err: VrxError, *, boundary: str) -> VrxError:
    """The same error with the control that settles it; others, or of another file, as they are."""
    codes = {one.code for one in err.findings if one.severity == "stop"} or {err.code}
    if len(codes) != 1 or not err.where.startswith(boundary):
        return err
    asked = _ASKED.get(codes.pop())
    if asked is None:
        return err
    control, hint = asked
    return InputError(f"{err.where}: {err.message}", code=err.code, where=control, hint=hint)


def mend(session: Session, form: Form) -> Done:
    """A remedy that a finding of these files offers, written into the plan."""
    wanted = form.text("remedy", most=2000)
    checked = session.checked
    known = {one.text: one for one in _all(() if checked is None else checked.findings)}
    if wanted not in known:
        raise InputError("is not offered any more", code="app-not-open", where="remedy",
                         hint="load the page again")
    done, _ = answer_field(session.folder, known[wanted].answers, drop=known[wanted].drop)
    count = len(done.changes)
    return Done(f"{count} line{'s' * (count != 1)} written into plan.toml.")


def _all(findings: Iterable[Finding]) -> Iterator[Remedy]:
    return (each for one in findings for each in remedies_of(one))
