"""`vrx audit`: judge exported files, ours or somebody else's."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vrx.audit import AuditResult, AuditRow

_DIFFERS = 8


def _amounts(values: Sequence[str], what: str) -> dict[str, float]:
    found = {}
    for text in values:
        name, _, amount = text.rpartition("=")
        try:
            found[name.strip()] = float(amount.replace(",", ""))
        except ValueError:
            name = ""
        if not name.strip():
            raise click.BadParameter(f"{text!r} is not {what}")
    return found


def _require_run(folder: Path) -> None:
    from vrx.cli.show import quoted
    from vrx.errors import PlanError

    if not (folder / "output" / "current.json").is_file():
        raise PlanError(
            "this field has no finished run yet", code="audit-no-run", where=str(folder),
            hint=f"vrx run {quoted(folder)}",
        )


@click.command("audit")
@click.argument("path", type=click.Path(path_type=Path))
@click.option(
    "--delivered", multiple=True, metavar="MATERIAL=AMOUNT",
    help="What was delivered, in the order's unit (lb or gal); repeat for each material.",
)
@click.option(
    "--tolerance", multiple=True, metavar="MATERIAL=PERCENT",
    help="Trade tolerance by material, or dry=PERCENT and liquid=PERCENT.",
)
@click.option(
    "--boundary", type=click.Path(path_type=Path), help="A boundary file to compare zones with."
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option("--all", "everything", is_flag=True, help="Show every figure, not only totals.")
def command(
    *, path: Path, delivered: tuple[str, ...], tolerance: tuple[str, ...], boundary: Path | None,
    as_json: bool, everything: bool,
) -> None:
    """Judge exported files: recompute acres and totals from them.

    PATH is a field's folder, its output folder, one run folder, or a lone shapefile, zip or GeoJSON
    that vrx need not have written. Two verdicts are kept apart: whether the arithmetic agrees, and
    whether the delivery is within the trade's tolerance. Exit code 8 if one of them fails.

    Examples:

      vrx audit kettle

      vrx audit kettle --delivered "muriate of potash 0-0-60=31200" --tolerance dry=5
    """
    from vrx.audit import audit_file, audit_run
    from vrx.cli import show

    brought = _amounts(delivered, "MATERIAL=AMOUNT")
    allowed = _amounts(tolerance, "MATERIAL=PERCENT")
    if path.is_dir():
        if (path / "plan.toml").is_file():
            _require_run(path)
            path /= "output"
        result = audit_run(
            folder=path, delivered=brought or None, trade_tolerance_pct=allowed or None,
            boundary=boundary,
        )
    else:
        if brought:
            raise click.UsageError("--delivered needs a run folder: a lone file holds no order")
        result = audit_file(path=path, boundary=boundary)
    if as_json:
        show.say_json(result.to_json())
    else:
        _print(result, everything=everything)
    if not result.agrees:
        sys.exit(_DIFFERS)


def _weighty(rows: Sequence[AuditRow]) -> list[AuditRow]:
    """What a person reads first: all that differs, deliveries, and totals of the first file."""
    totals = [row for row in rows if row.unit in ("ac", "lb", "gal") and ", zone" not in row.where]
    layers = [row.where.partition(",")[0] for row in totals if "manifest" not in row.where]
    first = layers[0] if layers else ""
    return [
        row for row in rows
        if not row.agrees or row.trade
        or (row in totals and row.where.startswith(first))
        or row.what in ("order, quantity", "order, usd")
    ]


def _verdict(row: AuditRow) -> str:
    # A figure with nothing to compare it with is information, no agreement.
    if not row.agrees:
        return "DIFFERS"
    return "" if row.expected is None else "agrees"


def _print(result: AuditResult, *, everything: bool) -> None:
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
