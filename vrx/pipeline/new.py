"""`new`: a first plan from a boundary and a sample file."""

from __future__ import annotations

import os
from pathlib import Path

from vrx import intake, products, rules
from vrx.errors import InputError, PlanError
from vrx.model import Field
from vrx.plan import PLAN_NAME, DraftFacts, draft


def new_plan(
    folder: Path, *, boundary: Path, samples: Path, name: str | None = None
) -> tuple[Path, Field, intake.TablePeek]:
    """Write `FOLDER/plan.toml`; gives its path, the field and a first look at the samples.

    Nothing is copied: the plan names both files relative to itself. Raises `PlanError` if there is
    a plan already, `InputError` for files that cannot be read.
    """
    target = folder / PLAN_NAME
    if target.exists():
        raise PlanError(
            "there is a plan already", code="plan-exists", where=str(target),
            hint="edit it, or choose another folder",
        )
    field = intake.read_boundary(path=boundary, name=name or folder.resolve().name)
    peek = intake.peek_table(samples)
    books = rules.load_books()
    text = draft(DraftFacts(
        name=field.name,
        boundary=_beside(boundary, folder),
        boundary_ac=field.area_ac,
        centre=field.crs_centre,
        samples=_beside(samples, folder),
        points_have_geometry=peek.points_have_geometry,
        headings=peek.headings,
        proposals=peek.proposals,
        potassium_books=[b.id for b in books.values() if b.nutrient == "K2O"],
        sulfur_books=[b.id for b in books.values() if b.nutrient == "S"],
        materials=list(products.load_materials()),
    ))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        scratch = target.with_suffix(".toml.new")
        scratch.write_text(text, encoding="utf-8", newline="\n")
        os.replace(scratch, target)
    except OSError as err:
        raise InputError(
            f"the plan could not be written: {err.strerror or err}", code="plan-write",
            where=str(target), hint="is the folder writable?",
        ) from err
    return target, field, peek


def _beside(path: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
    except ValueError:
        # Another drive on Windows has no relative path.
        return path.resolve().as_posix()
