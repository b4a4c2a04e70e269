"""`new`: a first plan from a boundary and, where there is one, a sample file."""

from __future__ import annotations

import os
from pathlib import Path

from vrx import intake, products, rules
from vrx.errors import InputError, PlanError
from vrx.model import Field
from vrx.pipeline.inputs import require_one_side
from vrx.plan import PLAN_NAME, DraftFacts, draft, draft_field

WORKBOOKS = (".xlsx", ".xlsm")
RESULT_FILES = (".xml", ".json")


def new_plan(
    folder: Path, *, boundary: Path, samples: Path | None, name: str | None = None,
    boundary_layer: str | None = None, boundary_crs: str | None = None,
    boundary_name: str | None = None, join: bool = False, samples_layer: str | None = None,
    inside_polygons: str | None = None, crossing: str | None = None, close_gap: bool = False,
) -> tuple[Path, Field, intake.TablePeek | None]:
    """Write `FOLDER/plan.toml`; gives its path, the field and a first look at the samples.

    Without `samples` the plan is for `vrx sampling` alone, and there is nothing to look at.

    `boundary_layer` and `samples_layer` name a layer, or a workbook's sheet, where a file holds
    several; `boundary_crs`, `boundary_name`, `join`, `inside_polygons`, `crossing` and `close_gap`
    are the choices of `[field]` that the boundary file may ask for (`intake.read_boundary`).
    Nothing is copied: the plan names both files relative to itself. Raises `PlanError` if there is
    a plan already, `InputError` for files that cannot be read.
    """
    target = folder / PLAN_NAME
    if target.exists():
        raise PlanError(
            "there is a plan already", code="plan-exists", where=str(target),
            hint="edit it, or choose another folder",
        )
    field = intake.read_boundary(
        path=boundary, name=name or folder.resolve().name, layer=boundary_layer,
        crs=boundary_crs, select=boundary_name, several="join" if join else None,
        inside_polygons=inside_polygons, crossing=crossing, close_gap=close_gap,
    )
    require_one_side(field, where=boundary.name)
    choices = {
        key: value for key, value in (
            ("boundary_layer", boundary_layer), ("boundary_crs", boundary_crs),
            ("boundary_name", boundary_name), ("several", "join" if join else None),
            ("inside_polygons", inside_polygons), ("crossing", crossing),
            ("close_gap", close_gap or None),
        ) if value is not None
    }
    if samples is None:
        text = draft_field(
            name=field.name, boundary=_beside(boundary, folder), boundary_choices=choices,
            boundary_ac=field.area_ac, centre=field.crs_centre)
        return _write(target, text), field, None
    workbook = samples.suffix.lower() in WORKBOOKS
    peek = intake.peek_table(
        samples, sheet=samples_layer if workbook else None,
        layer=None if workbook else samples_layer,
    )
    itself = samples.suffix.lower() in RESULT_FILES
    table = intake.propose_columns(
        samples, sheet=samples_layer if workbook else None,
        layer=None if workbook else samples_layer)
    books = rules.load_books()
    text = draft(DraftFacts(
        name=field.name,
        boundary=_beside(boundary, folder),
        boundary_choices=choices,
        boundary_ac=field.area_ac,
        centre=field.crs_centre,
        samples=_beside(samples, folder),
        sheet=samples_layer if workbook else None,
        layer=None if workbook else samples_layer,
        points_have_geometry=peek.points_have_geometry,
        headings=peek.headings,
        proposals=peek.proposals,
        long_names={} if not table.long else {
            one.key: (one.analyte_is, one.method_is) for one in table.analytes if one.proposed},
        units_by_row=table.long and "unit_column" in peek.proposals,
        depths=() if itself else tuple(table.depths),
        answers_itself=itself,
        cells_tell_order=peek.cells_tell_order,
        potassium_books=[b.id for b in books.values() if b.nutrient == "K2O"],
        sulfur_books=[b.id for b in books.values() if b.nutrient == "S"],
        materials=list(products.load_materials()),
    ))
    return _write(target, text), field, peek


def _write(target: Path, text: str) -> Path:
    """The plan file, whole or not at all."""
    if any("\ud800" <= letter <= "\udfff" for letter in text):
        # Bytes of a name that are no text of this system come as lone surrogates.
        raise InputError(
            "the name of a file or folder is not valid text on this system", code="plan-name-text",
            where=ascii(str(target)), hint="rename it with plain letters",
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        scratch = target.with_suffix(".toml.new")
        scratch.write_text(text, encoding="utf-8", newline="\n")
        os.replace(scratch, target)
    except OSError as err:
        raise InputError(
            f"the plan could not be written: {err.strerror or err}", code="plan-write",
            where=str(target), hint="is the folder writable?",
        ) from err
    return target


def _beside(path: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        # Another drive on Windows has no relative path.
        return path.resolve().as_posix()
