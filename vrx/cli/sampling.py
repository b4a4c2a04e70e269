"""`vrx sampling`: places for a sampling crew."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from vrx.formats.crew import LAYOUTS

if TYPE_CHECKING:
    from vrx.pipeline.sampling import SamplingResult

_SHOWN = 40


@click.command("sampling")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--layout", type=click.Choice(LAYOUTS),
              help="Where the points go. Left out: where it pays, if the plan has samples and no "
              "open line; else an offset grid.")
@click.option("--points", type=int, help="How many samples to add (where it pays, widest gaps).")
@click.option("--ac-per-sample", type=float,
              help="Acres that one sample stands for (grids, zones).")
@click.option("--edge-ft", type=float, help="Feet to keep from every edge of the field.")
@click.option("--depth", type=float, nargs=2, multiple=True, metavar="TOP BOTTOM",
              help="Inches of a bag of soil; again for a further bag.")
@click.option("--seed", type=int, help="Start the grid at random, by this number.")
@click.option("--json", "as_json", is_flag=True, help="Print the record as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show every point and finding.")
def command(
    *, folder: Path, layout: str | None, points: int | None, ac_per_sample: float | None,
    edge_ft: float | None, depth: tuple[tuple[float, float], ...], seed: int | None, as_json: bool,
    everything: bool,
) -> None:
    """Choose sampling places, and write what a crew takes along.

    FOLDER is a field's folder (with plan.toml) or the plan file itself. A field without samples
    needs only [field] in its plan. Points, labels and a sheet to print are written into
    FOLDER/sampling; earlier ones stay. The options win over [sampling] of the plan.
    """
    from vrx.cli import show
    from vrx.pipeline import plan_sampling

    given = {
        "layout": layout, "points": points, "ac_per_sample": ac_per_sample, "edge_ft": edge_ft,
        "depths_in": depth or None, "seed": seed,
    }
    with show.talk().status("reading the plan") as status:
        result = plan_sampling(
            folder, overrides={key: value for key, value in given.items() if value is not None},
            progress=status.update)
    if as_json:
        show.say_json({"folder": str(result.folder), "manifest": result.manifest})
        return
    _print(result, everything=everything)


def _print(result: SamplingResult, *, everything: bool) -> None:
    from vrx.cli import show

    plan = result.plan
    shown = plan.points if everything else plan.points[:_SHOWN]
    show.table(
        f"{plan.field_name}: {len(plan.points)} points, {plan.layout}",
        ["point", "what for", "zone", "latitude", "longitude", "also"],
        [
            [str(one.number), one.why, one.zone or "-", f"{one.latitude:.6f}",
             f"{one.longitude:.6f}",
             " and ".join((["second bag"] if one.second_bag else [])
                          + (["plants" if one.soil else "plants only"] if one.plants else []))]
            for one in shown
        ],
        left=3,
    )
    if len(shown) < len(plan.points):
        show.say(f"and {len(plan.points) - len(shown)} more: --all shows them")
    if result.worth is not None:
        show.say(f"{result.worth.words}.")
    # The sentence on worth stands above already.
    told = [one for one in plan.findings if one.code != "sampling-worth"]
    show.show_findings(told, everything=everything)
    show.say(f"sheet to print: {result.folder / 'crew.html'}")
    show.say(f"points, labels and record: {result.folder}")
