"""Words and tables for the terminal: results to stdout, talk to stderr."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from vrx.formats.answers import FOLDER
from vrx.model.finding import Finding, Severity

if TYPE_CHECKING:
    from vrx.errors import VrxError
    from vrx.model import Job

MOST_FINDINGS = 7
MOST_STOPS = 25
_LEAST = 4
_MARK = {Severity.STOP: "STOP", Severity.WARN: "warn", Severity.NOTE: "note"}
_STYLE = {Severity.STOP: "bold red", Severity.WARN: "yellow", Severity.NOTE: "dim"}


def talk() -> Console:
    """The console for everything that is no result."""
    return Console(stderr=True, highlight=False, soft_wrap=True)


def say(text: str = "") -> None:
    """One line of result to stdout."""
    click.echo(text)


def quoted(path: Path) -> str:
    """A path as it can be typed into a command line of any system."""
    text = str(path)
    return f'"{text}"' if any(not (c.isalnum() or c in "/\\:._-") for c in text) else text


def in_folder(text: str, folder: Path) -> str:
    """Text with the folder in the place of FOLDER in the commands that it holds."""
    return text.replace(FOLDER, FOLDER.replace("FOLDER", quoted(folder)))


def say_json(value: Any) -> None:
    """One JSON document to stdout."""
    say(json.dumps(value, indent=1, sort_keys=True, ensure_ascii=False))


def table(
    title: str, heads: Sequence[str], rows: Iterable[Sequence[str]], *, left: int = 1,
    width: int | None = None,
) -> None:
    """A table to stdout; the first `left` columns lean left, the rest right.

    `width` is that of a table outside a terminal, in characters.
    """
    shown = Table(
        title=title, title_justify="left", title_style="bold", pad_edge=False, box=box.SIMPLE_HEAD,
        collapse_padding=True,
    )
    console = Console(highlight=False, width=None if sys.stdout.isatty() else width or 110)
    cells = [list(row) for row in rows]
    widths = _widths([list(heads), *cells], console.width)
    for number, head in enumerate(heads):
        shown.add_column(
            head, justify="left" if number < left else "right", overflow="fold", no_wrap=False,
            width=widths[number],
        )
    for row in cells:
        shown.add_row(*(Text(cell) for cell in row))
    console.print(shown)


def _widths(rows: Sequence[Sequence[str]], width: int) -> list[int]:
    """A width for each column, so that together they fit and no text is cut off at the right.

    Where all is too wide, each column keeps its longest word as long as there is room; words of
    other columns are broken before those of the first, which name things. What room is left goes to
    the columns evenly, up to their longest line.
    """
    columns = list(zip(*rows, strict=False))
    natural = [max((len(line) for cell in column for line in cell.splitlines()), default=1) or 1
               for column in columns]
    room = width - 2 * len(natural)  # two blanks between columns, one at each edge
    if sum(natural) <= room:
        return natural
    found = [max((len(word) for cell in column for word in cell.split()), default=1)
             for column in columns]
    while sum(found) > room and max(found[1:], default=0) > _LEAST:
        found[1 + found[1:].index(max(found[1:]))] -= 1
    found[0] = max(_LEAST, min(found[0], room - sum(found[1:])))
    while sum(found) < room:
        short = [k for k in range(len(found)) if found[k] < natural[k]]
        if not short:
            break
        found[min(short, key=lambda k: found[k])] += 1
    return found


def show_findings(
    found: Sequence[Finding], *, everything: bool = False, folder: Path | None = None
) -> None:
    """Findings to stderr, gravest first, each with its code in brackets.

    A handful of lines, what is alike in one, unless `everything` is asked for; of stops a screen
    full. In a terminal words wrap beside their mark; elsewhere a finding is one line.
    """
    from vrx.cli import grouping

    told = grouping.single(found) if everything else grouping.grouped(found)
    stopping = sum(one.severity is Severity.STOP for one in told)
    most = len(told) if everything else max(MOST_FINDINGS, min(stopping, MOST_STOPS))
    console = talk()
    for one in told[:most]:
        mark = Text(f"{_MARK[one.severity]:<5}", style=_STYLE[one.severity])
        said = one.text if folder is None else in_folder(one.text, folder)
        _beside(console, mark, Text(said).append(f" [{one.code}]", style="dim"))
    if told[most:]:
        more = (f"and {grouping.counted(told[most:], _MARK)} more: --all shows them, "
                "vrx findings CODE explains one")
        _beside(console, Text("     "), Text(more))


def _beside(console: Console, mark: Text, text: Text) -> None:
    """Text behind its mark, wrapped at words in a terminal, one line elsewhere."""
    if not console.is_terminal:
        console.print(mark.append(text))
        return
    indent = len(mark.plain)
    lines = text.wrap(console, max(20, console.width - indent))
    for number, line in enumerate(lines):
        line.rstrip()
        console.print((mark if number == 0 else Text(" " * indent)).append(line))


def show_error(err: VrxError) -> None:
    """An error with its findings, to stderr."""
    console = talk()
    if [one.what for one in err.findings] != [err.message]:
        show_findings(err.findings, everything=True)
    text = Text("vrx: ", style="bold red").append(str(err), style="none")
    console.print(text.append(f" [{err.code}]", style="dim") if err.code else text)


def show_job(job: Job) -> None:
    """Zones, rates and the order of a run."""
    passes = job.prescription.passes
    heads = ["zone", "what it is", "acres"]
    heads += [f"{need} need lb/ac" for need in job.needs]
    heads += [f"{one.column} {one.material.unit}" for one in passes]
    rows = []
    for index, zone in enumerate(job.zones.zones):
        row = [zone.letter, zone.label, f"{zone.area_ac:,.2f}"]
        row += [f"{need[index].lb_per_ac:,.0f}" for need in job.needs.values()]
        row += [f"{one.rates[index]:g}" for one in passes]
        rows.append(row)
    table(f"{job.field.name}: {job.field.area_ac:,.2f} ac", heads, rows, left=2)
    table(
        "Order",
        ["material", "lb", "gal", "short tons", "K2O lb", "S lb", "N lb", "USD"],
        [
            [
                line.material, f"{line.lb:,.0f}",
                f"{line.quantity:,.1f}" if line.unit == "gal" else "",
                f"{line.short_tons:,.2f}", f"{line.k2o_lb:,.0f}", f"{line.s_lb:,.0f}",
                f"{line.n_lb:,.0f}", "no price" if line.usd is None else f"{line.usd:,.2f}",
            ]
            for line in job.prescription.order
        ],
    )
    bought = [one for one in job.money.purchases if one.left_over > 1e-6 * one.net]
    if bought:
        table(
            "To buy, with overage and whole packages",
            ["material", "amount", "of it left over", "USD"],
            [
                [
                    one.material, f"{one.bought:,.1f} {one.unit}",
                    f"{one.left_over:,.1f} {one.unit}",
                    "not known" if one.usd_bought is None else f"{one.usd_bought:,.2f}",
                ]
                for one in bought
            ],
        )
