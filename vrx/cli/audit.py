"""`vrx audit`: judge exported files, ours or somebody else's."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from vrx.cli.audit_options import judged, options

if TYPE_CHECKING:
    from vrx.audit import AuditResult, AuditRow

_DIFFERS = 8


@click.command("audit")
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@options
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--page", type=click.Path(path_type=Path), help="Write the result as a page (HTML).")
@click.option("--all", "everything", is_flag=True, help="Show every figure, not only totals.")
def command(
    *, paths: tuple[Path, ...], as_json: bool, page: Path | None, everything: bool, **asked: Any
) -> None:
    """Judge exported files: recompute acres and totals from them.

    PATHS is a field's folder, its output folder, one run folder, or files that vrx need not have
    written: shapefile, zip, GeoJSON, GeoPackage, GeoParquet, a TASKDATA folder, and an order.csv of
    vrx beside them. Two verdicts are kept apart: whether the arithmetic agrees, and whether the
    delivery is within the trade's tolerance. Exit code 8 if one of them fails.

    Examples:

      vrx audit kettle

      vrx audit kettle --delivered "muriate of potash 0-0-60=31200" --tolerance dry=5

      vrx audit zones.shp TASKDATA order.csv --stated stated.toml --page audit.html
    """
    from vrx.cli import show

    result = judged(paths, **asked)
    if page is not None:
        from vrx.pipeline.audit import write_page

        write_page(result, page)
    if as_json:
        show.say_json(result.to_json())
    else:
        print_result(result, everything=everything)
    if not result.agrees:
        sys.exit(_DIFFERS)


_TOTAL_UNITS = ("ac", "lb", "gal", "kg", "L", "unknown")
_OF_ONE = re.compile(r", (zone|record|feature) ")


def _weighty(rows: Sequence[AuditRow]) -> list[AuditRow]:
    """What a person reads first: all that differs, deliveries, and totals of the first file."""
    totals = [row for row in rows if row.unit in _TOTAL_UNITS and not _OF_ONE.search(row.where)]
    layers = [row.where.partition(",")[0] for row in totals if "manifest" not in row.where]
    first = layers[0] if layers else ""
    return [
        row for row in rows
        if not row.agrees or row.trade
        or (row in totals and row.where.startswith(first))
        or row.what in ("order, quantity", "order, usd", "product total")
        or row.what.startswith("ordered against") or row.what.endswith(" brought")
    ]


def _verdict(row: AuditRow) -> str:
    # A figure with nothing to compare it with is information, no agreement.
    if not row.agrees:
        return "DIFFERS"
    return "" if row.expected is None else "agrees"


def print_result(result: AuditResult, *, everything: bool) -> None:
    """Figures, faults and verdicts to the terminal."""
    from vrx.cli import show

    def text(value: object) -> str:
        return "" if value is None else f"{value:,.4f}" if isinstance(value, float) else str(value)

    shown = list(result.rows) if everything else _weighty(result.rows)
    show.table(
        f"Audit of {result.subject}",
        ["figure", "where", "unit", "found", "expected", "difference", ""],
        [
            [
                row.what, row.where.removeprefix("manifest.json, "), row.unit, text(row.found),
                text(row.expected), text(row.difference), _verdict(row),
            ]
            for row in shown
        ],
        left=3,
    )
    if len(shown) < len(result.rows):
        show.say(f"{len(result.rows) - len(shown)} more figures, none of which differs (each zone, "
                 "every file); --all shows them")
    show.show_findings(result.faults, everything=everything)
    words = {True: "agrees", False: "DIFFERS",
             None: "not judged: no job record, or no file of rates that the audit reads"}
    show.say(f"arithmetic: {words[result.arithmetic]}")
    if result.trade is not None:
        show.say("delivery: " + ("within" if result.trade else "NOT within") + " trade tolerance")
