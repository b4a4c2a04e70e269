"""`vrx new`: a commented plan from a boundary and a sample file."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--boundary", required=True, type=click.Path(path_type=Path),
    help="GeoJSON, shapefile (also zipped) or GeoPackage.",
)
@click.option(
    "--samples", required=True, type=click.Path(path_type=Path),
    help="CSV, XLSX or a vector file of points.",
)
@click.option("--name", help="The field's name; the folder's name if left out.")
def command(*, folder: Path, boundary: Path, samples: Path, name: str | None) -> None:
    """Make a commented plan from a boundary and a sample file.

    FOLDER gets a plan.toml that names both files. No unit, extractant, depth or nutrient form is
    guessed: such lines say "?", and `vrx check` lists them until they are filled in.
    """
    from vrx.cli import show
    from vrx.pipeline import new_plan

    path, field, peek = new_plan(folder, boundary=boundary, samples=samples, name=name)
    show.show_findings((*field.findings, *peek.findings))
    show.say(f"{field.name}: {field.area_ac:,.2f} ac; {peek.rows} rows in {peek.source}")
    show.say(f"plan: {path}")
    show.say('fill in every line that says "?", then: vrx check ' + str(folder))
