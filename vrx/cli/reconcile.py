"""`vrx reconcile`: what a machine applied against what was planned."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vrx.pipeline import ReconcileResult


@click.command("reconcile")
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("logs", type=click.Path(path_type=Path), nargs=-1, required=True)
@click.option("--settings", type=click.Path(path_type=Path),
              help="Columns, units, tolerance. Left out: applied.toml in FOLDER, if there is one.")
@click.option("--pass", "pass_id", help="The pass of the plan that the logs are of.")
@click.option("--tolerance", type=float, help="Percent of each zone's rate.")
@click.option("--rate", nargs=2, metavar="COLUMN UNIT", help='Rate applied, for example Rate lb/ac')
@click.option("--width", nargs=2, metavar="COLUMN UNIT", help="Width that product went over.")
@click.option("--width-ft", type=float, help="One width for the whole log.")
@click.option("--time", nargs=2, metavar="COLUMN UNIT", help="Time of each row.")
@click.option("--speed", nargs=2, metavar="COLUMN UNIT", help="Speed of each row.")
@click.option("--place", nargs=2, metavar="LONGITUDE LATITUDE", help="Columns of degrees.")
@click.option("--master", help="Column that is 0 where the machine is off.")
@click.option("--delay-s", type=float, help="Seconds after which the log tells what fell.")
@click.option("--least-ac", type=float, help="Least ground worth a second trip.")
@click.option("--tickets", help="CSV of scale or tank tickets, in FOLDER.")
@click.option("--json", "as_json", is_flag=True, help="Print the record as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show every finding.")
def command(
    *, folder: Path, logs: tuple[Path, ...], settings: Path | None, as_json: bool,
    everything: bool, **told: object,
) -> None:
    """Compare as-applied logs with the current run of a field.

    FOLDER is a field's folder with a finished run. LOGS are what the machine wrote: points or
    polygons (CSV, shapefile, GeoJSON, GeoPackage) or task data of ISO 11783 (the TASKDATA
    folder). Units are stated here or in applied.toml; time logs state their own. Written into
    FOLDER/applied: a page with a map, a table by zone, the record, and what is left as a
    prescription.

    Example:

      vrx reconcile kettle log.csv --pass after-first --tolerance 10 --rate Applied lb/ac
      --width-ft 60 --place lon lat --time t s
    """
    from vrx.cli import show
    from vrx.pipeline import reconcile

    with show.talk().status("reading the plan") as status:
        result = reconcile(folder, logs, settings=settings, overrides=_overrides(told),
                           progress=status.update)
    if as_json:
        show.say_json({"folder": str(result.folder), "record": result.record})
        return
    _print(result, everything=everything)


def _overrides(told: dict[str, object]) -> dict[str, object]:
    """Options that were given, as keys of the settings."""
    found: dict[str, object] = {}
    plain = {"pass_id": "pass", "tolerance": "tolerance_pct", "width_ft": "width_ft",
             "master": "master_column", "delay_s": "delay_s", "least_ac": "least_ac",
             "tickets": "tickets"}
    for name, key in plain.items():
        if told[name] is not None:
            found[key] = told[name]
    for name in ("rate", "width", "time", "speed"):
        pair = told[name]
        if isinstance(pair, tuple) and pair:
            found[f"{name}_column"], found[f"{name}_unit"] = pair
    place = told["place"]
    if isinstance(place, tuple) and place:
        found["longitude_column"], found["latitude_column"] = place
    return found


def _print(result: ReconcileResult, *, everything: bool) -> None:
    from vrx.cli import show

    done, zones = result.reconciliation, result.reconciliation.zones
    unit = done.unit.removesuffix("/ac")
    show.table(
        f"{done.material}: applied against planned",
        ["zone", "acres", f"target {done.unit}", "applied", f"difference {unit}", "within ac",
         "over", "under", "skipped", "twice"],
        [[letter, f"{zones.area_ac[k]:.2f}", f"{zones.target_rate[k]:g}",
          f"{zones.applied_rate[k]:.1f}", f"{zones.difference[k]:+,.0f}",
          *(f"{part[k]:.2f}" for part in (zones.as_planned_ac, zones.over_ac, zones.under_ac,
                                          zones.missed_ac, zones.repeated_ac))]
         for k, letter in enumerate(zones.letters)], left=1)
    show.table("product", ["", "amount", "by"],
               [[one.what, f"{one.amount:,.1f} {one.unit}", one.source] for one in done.amounts],
               left=1)
    show.show_findings(done.findings, everything=everything)
    if result.second.prescription is not None:
        total = result.second.prescription.passes[0].prescription_total
        show.say(f"left: {total:,.0f} {unit}, as a prescription in "
                 f"{result.folder / 'second_pass'}")
    show.say(f"page: {result.folder / 'page.html'}")
