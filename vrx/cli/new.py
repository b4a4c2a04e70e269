"""`vrx new`: a commented plan from a boundary and a sample file."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("new")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--boundary", required=True, type=click.Path(path_type=Path),
    help="GeoJSON, shapefile (also zipped), GeoPackage, KML or KMZ.",
)
@click.option(
    "--samples", type=click.Path(path_type=Path),
    help="CSV, XLSX or a vector file of points. Left out: a plan for `vrx sampling` alone.",
)
@click.option("--boundary-layer", help="The layer, where the boundary file holds several.")
@click.option("--boundary-crs", help="Its system where the file states none: EPSG:32615")
@click.option("--boundary-name", help="The polygon's name, where the file holds several fields.")
@click.option("--join", is_flag=True, help="All polygons of the file are one field.")
@click.option("--inside-polygons", type=click.Choice(["cut out", "keep"]),
              help="What polygons inside the field are: cut out of it, or kept as land.")
@click.option("--crossing", type=click.Choice(["as drawn", "outline"]),
              help="How an outline that crosses itself is meant.")
@click.option("--close-gap", is_flag=True, help="Close an outline that is an open line.")
@click.option("--samples-layer", help="The layer or sheet, where the sample file holds several.")
@click.option("--name", help="The field's name; the folder's name if left out.")
def command(
    *, folder: Path, boundary: Path, samples: Path | None, boundary_layer: str | None,
    boundary_crs: str | None, boundary_name: str | None, join: bool, samples_layer: str | None,
    name: str | None, inside_polygons: str | None, crossing: str | None, close_gap: bool,
) -> None:
    """Make a commented plan from a boundary and a sample file.

    FOLDER gets a plan.toml that names both files. No unit, extractant, depth or nutrient form is
    guessed: such lines say "?", and `vrx check` lists them until they are filled in.
    """
    from vrx.cli import show
    from vrx.intake import in_words
    from vrx.pipeline import new_plan

    path, field, peek = new_plan(
        folder, boundary=boundary, samples=samples, name=name, boundary_layer=boundary_layer,
        boundary_crs=boundary_crs, boundary_name=boundary_name, join=join,
        samples_layer=samples_layer, inside_polygons=inside_polygons, crossing=crossing,
        close_gap=close_gap,
    )
    where = in_words(field)
    show.show_findings((*field.findings, *(() if peek is None else peek.findings)))
    rows = "no samples yet" if peek is None else f"{peek.rows} rows in {peek.source}"
    show.say(f"{field.name}: {field.area_ac:,.2f} ac; {rows}")
    show.say(f"it lies {where}; is that right?")
    show.say(f"plan: {path}")
    command = "sampling" if peek is None else "check"
    show.say(f'fill in every line that says "?", then: vrx {command} ' + show.quoted(folder))
