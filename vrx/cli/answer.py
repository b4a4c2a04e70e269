"""`vrx answer`: lines of a plan filled in from the command line."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vrx.plan import Answered


@click.command("answer")
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("answers", nargs=-1, metavar="[KEY=VALUE]...")
@click.option("--take-proposals", is_flag=True,
              help='Also fill each "?" that the sample file itself answers: by its units row, the '
              "words of a heading, a unit column or a method code. Takes no guess and changes no "
              "line that says something.")
@click.option("--drop", multiple=True, metavar="KEY", help="Take a key or a section out.")
@click.option("--dry-run", is_flag=True, help="Show the lines, write nothing.")
@click.option("--json", "as_json", is_flag=True, help="Print what changed as JSON.")
def command(
    *, folder: Path, answers: tuple[str, ...], take_proposals: bool, drop: tuple[str, ...],
    dry_run: bool, as_json: bool,
) -> None:
    """Fill in lines of a plan; its comments and order stay.

    KEY is the path of a key, VALUE what stands behind it: numbers plain, dates as 2026-10-14,
    lists as [0, 6], text with or without quotation marks. Sections that are not there are made.
    Every value is checked before the file is replaced, and each line is shown before and after.

    Examples:

      vrx answer FIELD soil.potassium.unit=ppm soil.potassium.form=K

      vrx answer FIELD "soil.potassium.depth_in=[0, 8]" field.season=2027

      vrx answer FIELD --take-proposals --dry-run
    """
    from vrx.cli import show
    from vrx.pipeline import answer_field

    pairs = []
    for answer in answers:
        key, found, value = answer.partition("=")
        if not found or not key.strip():
            raise click.UsageError(f"{answer!r} is no answer; write KEY=VALUE")
        pairs.append((key.strip(), value))
    if not pairs and not drop and not take_proposals:
        raise click.UsageError("nothing to answer: give KEY=VALUE, --drop KEY or --take-proposals; "
                               "vrx check FOLDER tells what is open")
    done, sources = answer_field(folder, pairs, drop=drop, take_proposals=take_proposals,
                                 dry_run=dry_run)
    if as_json:
        show.say_json({
            "plan": done.plan_file.name, "written": done.written,
            "changes": [{"key": c.key, "before": c.before, "after": c.after}
                        for c in done.changes],
            "unchanged": list(done.same), "still_to_fill_in": list(done.open_keys),
            "faults": list(done.faults), "sources": list(sources)})
        return
    _print(done, dict(one.split(": ", 1) for one in sources), folder)


def _print(done: Answered, sources: dict[str, str], folder: Path) -> None:
    from vrx.cli import show

    for one in done.changes:
        source = f"  ({sources[one.key]})" if one.key in sources else ""
        show.say(f"{one.key}: {one.before or 'not there'} -> {one.after or 'taken out'}{source}")
    for key in done.same:
        show.say(f"{key}: says so already")
    if not done.changes:
        show.say("no line changed")
    elif not done.written:
        show.say(f"nothing written (dry run): {done.plan_file}")
    else:
        show.say(f"written: {done.plan_file}")
    for fault in done.faults:
        show.say(f"to mend before vrx run: {fault}")
    left = len(done.open_keys)
    if left:
        show.say(f"{left} line{'s' * (left != 1)} still to be filled in: "
                 f"vrx check {show.quoted(folder)}")
    else:
        show.say(f"nothing is left to fill in: vrx check {show.quoted(folder)}")
