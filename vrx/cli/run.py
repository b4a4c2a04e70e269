"""`vrx run`: the whole job of one field."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("run")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the job record as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show every finding.")
def command(*, folder: Path, as_json: bool, everything: bool) -> None:
    """The whole job: maps, zones, needs, rates, files, order, page.

    FOLDER is a field's folder (with plan.toml) or the plan file itself. Everything is written into
    FOLDER/output; an earlier run stays.
    """
    from vrx.cli import show
    from vrx.pipeline import run_field

    with show.talk().status("reading the plan") as status:
        result = run_field(folder, progress=status.update)
    if as_json:
        show.say_json({"folder": str(result.folder), "manifest": result.manifest})
        return
    show.show_job(result.job)
    show.show_findings(result.job.findings, everything=everything)
    show.say(f"page: {result.folder / 'page.html'}")
    if (printed := result.folder / "page.pdf").exists():
        show.say(f"to print: {printed}")
    show.say(f"files and job record: {result.folder}")
