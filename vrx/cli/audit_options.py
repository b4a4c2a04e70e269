"""Options that `vrx audit` and `vrx sign` share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from vrx.audit import AuditResult

Command = TypeVar("Command", bound=Callable[..., Any])


def named(values: Sequence[str], what: str) -> list[tuple[str, str]]:
    """NAME=VALUE pairs; the name may hold "=" itself. Raises `click.BadParameter`."""
    pairs = []
    for text in values:
        name, _, value = text.rpartition("=")
        if not name.strip() or not value.strip():
            raise click.BadParameter(f"{text!r} is not {what}")
        pairs.append((name.strip(), value.strip()))
    return pairs


def amounts(values: Sequence[str], what: str) -> dict[str, float]:
    """NAME=AMOUNT pairs. Raises `click.BadParameter` for what is no number."""
    found = {}
    for name, value in named(values, what):
        try:
            found[name] = float(value.replace(",", ""))
        except ValueError:
            raise click.BadParameter(f"{name}={value} is not {what}") from None
    return found


def options(command: Command) -> Command:
    """What is judged beside the files, and by which measure."""
    path = click.Path(path_type=Path)
    for add in reversed([
        click.option(
            "--delivered", multiple=True, metavar="MATERIAL=AMOUNT",
            help="What was delivered, in the order's unit (lb or gal); repeat for each material."),
        click.option(
            "--tolerance", multiple=True, metavar="MATERIAL=PERCENT",
            help="Trade tolerance by material, or dry=PERCENT and liquid=PERCENT."),
        click.option("--boundary", type=path, help="A boundary file to compare zones with."),
        click.option("--record", type=path, help="The job record (manifest.json) of lone files."),
        click.option("--layer", help="The layer of a GeoPackage that holds several."),
        click.option(
            "--stated", type=path,
            help="A file that states units, products, an order, scale tickets, an invoice."),
    ]):
        command = add(command)
    return command


def judged(
    paths: Sequence[Path], *, delivered: Sequence[str], tolerance: Sequence[str],
    boundary: Path | None, record: Path | None, layer: str | None, stated: Path | None,
) -> AuditResult:
    """The result of an audit as these options ask for it."""
    from vrx.pipeline.audit import judge

    return judge(
        paths, delivered=amounts(delivered, "MATERIAL=AMOUNT") or None,
        tolerance_pct=amounts(tolerance, "MATERIAL=PERCENT") or None, boundary=boundary,
        record=record, layer=layer, stated=stated)
