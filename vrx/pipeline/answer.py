"""`answer`: lines of a plan filled in, by the user or by what the sample file itself states."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vrx import intake
from vrx.errors import InputError, PlanError
from vrx.formats.soil_methods import nearest
from vrx.model import Finding
from vrx.pipeline.check import try_mapping
from vrx.plan import Answered, Item, answer_plan, plan_path, read_document


def answer_field(
    folder: Path, answers: Sequence[tuple[str, str]], *, drop: Sequence[str] = (),
    take_proposals: bool = False, dry_run: bool = False, items: Sequence[Item] = (),
    for_undo: bool = False,
) -> tuple[Answered, tuple[str, ...]]:
    """Write answers into a field's plan; gives what changed, and where taken proposals stand.

    With `take_proposals` also those open lines are filled that the sample file answers itself: by
    its units row, the words of a heading, a unit column or a method code. Nothing that is only
    plausible is taken, and no line that says something is changed by it. Raises `PlanError`, or
    `InputError` where the sample file is needed and cannot be read.
    """
    plan_file = plan_path(folder)
    _require_columns(plan_file, answers)
    if not take_proposals:
        return answer_plan(plan_file, answers, drop=drop, dry_run=dry_run, items=items,
                           for_undo=for_undo), ()
    document = read_document(plan_file)
    findings: list[Finding] = []
    found = try_mapping(plan_file.parent, document, findings)
    if found is None and findings:
        raise InputError("the sample file cannot be read", code="answer-no-table",
                         where=str(plan_file), hint="mend it, or answer the lines yourself",
                         findings=findings)
    own = {key for key, _ in answers}
    stated = {} if found is None else {k: v for k, v in found.stated() if k not in own}
    sources = () if found is None else tuple(
        f"{line.key}: {line.source}" for block in found.blocks for line in block.lines
        if line.key in stated)
    done = answer_plan(plan_file, [*answers, *stated.items()], drop=drop, dry_run=dry_run,
                       items=items, for_undo=for_undo)
    return done, sources


def _require_columns(plan_file: Path, answers: Sequence[tuple[str, str]]) -> None:
    """A column that the sample table lacks is refused while the table can be read."""
    named = [(key, value) for key, value in answers if key.startswith("soil.")
             and not key.startswith("soil.points.") and key.endswith(("_column", ".column"))]
    soil = read_document(plan_file).get("soil")
    if not named or not isinstance(soil, dict) or not isinstance(soil.get("samples"), str):
        return
    told = dict(answers)
    try:
        sheet = told.get("soil.sheet", soil.get("sheet"))
        table = intake.propose_columns(
            plan_file.parent / str(told.get("soil.samples") or soil["samples"]),
            sheet=sheet if sheet != "?" else None, layer=soil.get("layer"))
    except InputError:
        return
    known = [one.heading for one in table.columns if one.heading]
    plain = {" ".join(heading.split()).casefold() for heading in known}
    plain |= {f"column {one.number}" for one in table.columns}
    for key, value in named:
        if value != "..." and " ".join(value.split()).casefold() not in plain:
            raise PlanError(f"{key}: {table.file} has no column {value!r}",
                            code="answer-column-missing", where="the answer",
                            hint=nearest(value, known))
