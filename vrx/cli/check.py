"""`vrx check`: what vrx makes of a plan's files, before anything is computed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from vrx.formats.answers import FOLDER

if TYPE_CHECKING:
    from vrx.pipeline.check import Checked, Reading

_NOT_READY = 2


@click.command("check")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show every finding.")
@click.option("--save-layout", type=click.Path(path_type=Path), metavar="FILE",
              help="Save columns, units, forms, extractants and depths as a column map of this "
              "laboratory, to be named as layout in [soil] of other plans.")
@click.option("--columns", is_flag=True,
              help="Show what each column of the sample table may be for a complete plan, too.")
def command(
    *, folder: Path, as_json: bool, everything: bool, save_layout: Path | None, columns: bool
) -> None:
    """Read the files of a plan and show what vrx makes of them.

    Lists the lines still to be filled in, with commands that answer them; the field's acres; which
    column may be or is taken for what in which unit; and findings. Exit code 2 while `vrx run`
    cannot start.
    """
    from vrx.cli import show
    from vrx.pipeline import check_field

    with show.talk().status("reading boundary and samples"):
        checked = check_field(folder, columns=columns)
    if as_json:
        show.say_json(checked.to_json())
    else:
        _print(checked, folder, everything=everything)
    if save_layout is not None and not checked.open_lines and checked.readings:
        # What stops the rates alone does not keep the columns from being right.
        from vrx import plan

        saved = plan.save_layout(checked.plan_file, save_layout)
        if not as_json:
            show.say(f"column map: {saved}")
    elif save_layout is not None:
        show.talk().print("column map not saved: the samples must be read first; fill in what is "
                          "open")
    if not checked.ready:
        sys.exit(_NOT_READY)


def _number(value: float, unit: str) -> str:
    return f"{value:,.1f}" if unit == "pH" else f"{value:,.1f} {unit}"


def _method(one: Reading) -> str:
    depth = "" if one.depth_in == (0, 0) else f"{one.depth_in[0]:g} to {one.depth_in[1]:g} in"
    return ", ".join(word for word in (one.extractant, depth) if word)


def _print(checked: Checked, folder: Path, *, everything: bool) -> None:
    from vrx.cli import show

    field = checked.field
    if field is not None:
        parts = len(field.boundary.geoms)
        holes = sum(len(part.interiors) for part in field.boundary.geoms)
        show.say(f"{field.name}: {field.area_ac:,.2f} ac, {parts} part{'s' * (parts > 1)}, "
                 f"{holes} cut out")
        from vrx.intake import in_words

        show.say(f"  {in_words(field)}")
    if checked.readings:
        show.table(
            f"{checked.samples} sample places",
            ["taken for", "column, unit and form; extractant, depth", "n", "mean", "range",
             "plausible"],
            [
                [
                    one.analyte, f"{one.source}; {_method(one)}".rstrip("; "), str(one.samples),
                    _number(one.mean, one.unit), f"{one.least:,.1f} to {one.greatest:,.1f}",
                    f"{one.plausible[0]:g} to {one.plausible[1]:g}",
                ]
                for one in checked.readings
            ],
            left=2,
        )
    if checked.mapping is not None:
        from vrx.cli.columns import show_columns

        show_columns(checked.mapping, folder)
    for layer in checked.layers:
        show.say(f"layer {layer.name}: {layer.file}")
        for what, value in layer.facts:
            show.say(f"  {what}: {value}")
        show.table("as the file has it (proposals; nothing is used until the plan says so)",
                   list(layer.headings), [list(row) for row in layer.rows], left=2)
    for line in checked.joined:
        show.say(line)
    if checked.open_lines:
        show.say(f"{len(checked.open_lines)} lines of {checked.plan_file.name} are still to be "
                 "filled in:")
        for number, text in checked.open_lines:
            show.say(f"  line {number}: {text}")
        if checked.mapping is not None and checked.mapping.stated():
            show.say("what the sample file itself states is filled in by:")
            show.say(show.in_folder(f"  {FOLDER} --take-proposals", folder))
        if checked.answers:
            show.say('the rest by these, with your values in the place of "...":')
            for answer in checked.answers:
                show.say(show.in_folder(f"  {answer}", folder))
    show.show_findings(checked.findings, everything=everything, folder=folder)
    show.say("ready: vrx run can start" if checked.ready else "not ready yet")
