"""`vrx check`: what vrx makes of a plan's files, before anything is computed."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vrx.pipeline.check import Checked

_NOT_READY = 2


@click.command("check")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show every finding.")
@click.option("--save-layout", type=click.Path(path_type=Path), metavar="FILE",
              help="Save columns, units, forms, extractants and depths as a column map of this "
              "laboratory, to be named as layout in [soil] of other plans.")
def command(
    *, folder: Path, as_json: bool, everything: bool, save_layout: Path | None
) -> None:
    """Read the files of a plan and show what vrx makes of them.

    Lists the lines still to be filled in, the field's acres, which column is taken for what in
    which unit, and every finding. Exit code 2 while `vrx run` cannot start.
    """
    from vrx.cli import show
    from vrx.pipeline import check_field

    with show.talk().status("reading boundary and samples"):
        checked = check_field(folder)
    if as_json:
        show.say_json(checked.to_json())
    else:
        _print(checked, everything=everything)
    if not checked.ready:
        sys.exit(_NOT_READY)
    if save_layout is not None:
        from vrx import plan

        saved = plan.save_layout(checked.plan_file, save_layout)
        if not as_json:
            show.say(f"column map: {saved}")


def _print(checked: Checked, *, everything: bool) -> None:
    from vrx.cli import show

    field = checked.field
    if field is not None:
        parts = len(field.boundary.geoms)
        holes = sum(len(part.interiors) for part in field.boundary.geoms)
        show.say(f"{field.name}: {field.area_ac:,.2f} ac, {parts} part{'s' * (parts > 1)}, "
                 f"{holes} cut out")
    if checked.readings:
        show.table(
            f"{checked.samples} sample places",
            ["taken for", "column, unit and form", "extractant", "depth in", "n", "least", "mean",
             "greatest", "in", "plausible"],
            [
                [
                    one.analyte, one.source, one.extractant or "-",
                    "-" if one.depth_in == (0, 0) else
                    f"{one.depth_in[0]:g} to {one.depth_in[1]:g}",
                    str(one.samples), f"{one.least:,.1f}", f"{one.mean:,.1f}",
                    f"{one.greatest:,.1f}", one.unit,
                    f"{one.plausible[0]:g} to {one.plausible[1]:g}",
                ]
                for one in checked.readings
            ],
            left=4,
        )
    for line in checked.joined:
        show.say(line)
    if checked.columns:
        show.table(
            "Columns of the sample table (proposals; units and methods are never guessed)",
            ["heading", "first values", "may be", "plausible"],
            [
                [one.heading, ", ".join(one.first_values), one.may_be or "-", one.plausible or "-"]
                for one in checked.columns
            ],
            left=4,
        )
    if checked.open_lines:
        show.say(f"{len(checked.open_lines)} lines of {checked.plan_file.name} are still to be "
                 "filled in:")
        for number, text in checked.open_lines:
            show.say(f"  line {number}: {text}")
    show.show_findings(checked.findings, everything=everything)
    show.say("ready: vrx run can start" if checked.ready else "not ready yet")
