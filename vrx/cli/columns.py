"""What the columns of a sample table may be, for the terminal: one table, a block an analyte."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vrx.intake import Proposal
    from vrx.pipeline.mapping import Block, Line, Mapped

_NAMES = {"analyte_is": "analyte", "method_is": "method", "unit_column": "unit",
          "depth_in": "depth"}
_WIDTH = 78
_CHOICES = 8


def show_columns(mapping: Mapped, folder: Path) -> None:
    """All columns in one table, then each analyte with what is known, doubtful and open."""
    from vrx.cli import show

    table = mapping.table
    show.table(
        f"Columns of {table.file} (proposals; nothing is used until the plan says so)",
        ["heading", "first values", "may be", "n", "least", "mean", "greatest"],
        [[one.heading or f"(column {one.number})", ", ".join(one.first_values[:2]),
          _may_be(one), *_numbers(one)] for one in table.columns], left=3)
    if len(table.depths) > 1:
        counted = ", ".join(f"{label} ({n} rows)" for label, n in table.depths.items())
        show.say(f"{len(table.depths)} depths: {counted}; soil.depth chooses one")
    for block in mapping.blocks:
        _show_block(block, folder)


def _may_be(one: Proposal) -> str:
    if not one.key:
        return "-"
    return one.key if one.proposed else f"{one.key}?"


def _numbers(one: Proposal) -> list[str]:
    if not one.values:
        return ["", "", "", ""]
    return [str(one.values), *(f"{v:,.4g}" for v in (one.least, one.mean, one.greatest))]


def _show_block(block: Block, folder: Path) -> None:
    from vrx.cli import show

    head = f"{block.analyte}: {block.column}"
    if not block.in_plan:
        head += " (not in the plan)"
    show.say(head)
    for line in block.lines:
        name = line.key.rpartition(".")[2]
        if name != "column" or (block.in_plan and not line.done):
            _pair(_NAMES.get(name, name), _said(line))
    _pair("values", _counts(block.numbers))
    span = _spans(block.numbers)
    if span:
        _pair("range", span)
    if block.rivals:
        _pair("or else", f"{', '.join(block.rivals)}: choose the column")
    for doubt in block.numbers.judged.doubts:
        _pair("doubt", doubt)
    if not block.numbers.judged.doubts and not _known(block):
        unit = block.numbers.unit.value
        fits = [one for one in block.numbers.judged.fits if one.startswith(unit)]
        if fits:
            _pair("would fit", f"{', '.join(fits)}; only the report tells")
    if block.answer:
        show.say(show.in_folder(f"  {block.answer}", folder))
    show.say()


def _pair(name: str, text: str) -> None:
    from vrx.cli import show

    for line in textwrap.wrap(text, _WIDTH - 14, break_on_hyphens=False) or [""]:
        show.say(f"  {name:<12}{line}")
        name = ""


def _known(block: Block) -> bool:
    """Whether unit and form are both said by file or plan."""
    return all(line.done or line.states for line in block.lines
               if line.key.endswith((".unit", ".form")))


def _said(line: Line) -> str:
    from vrx.pipeline.mapping import OPEN

    if line.done:
        return f"{line.value} (in the plan)"
    known = line.choices[:_CHOICES]
    more = ", ..." if len(line.choices) > _CHOICES else ""
    choices = f"; one of {', '.join(known)}{more}" if known else ""
    if line.suggested:
        return (f"{line.source} suggests {line.suggested}, the report decides{choices}  "
                f"[{line.key}]")
    if line.value == OPEN or " or " in line.value:
        return f"{line.source}{choices}  [{line.key}]"
    return f"{line.value} ({line.source})  [{line.key}]"


def _counts(one: Proposal) -> str:
    parts = [f"{one.values} with a number"]
    parts += [f"{n} {words}" for n, words in (
        (one.missing, "missing"), (one.censored, "beyond a limit (< or >, ND)"),
        (one.text, "that cannot be read")) if n]
    return ", ".join(parts)


def _spans(one: Proposal) -> str:
    judged = one.judged
    if not math.isfinite(one.mean):
        return ""
    parts = [f"{one.least:,.4g} to {one.greatest:,.4g}, mean {one.mean:,.4g}"]
    if judged.usual is not None:
        parts.append(f"usual mean {judged.usual[0]:.3g} to {judged.usual[1]:.3g} {judged.unit}")
    if judged.plausible is not None:
        parts.append(f"vrx stops outside {judged.plausible[0]:.5g} to {judged.plausible[1]:.5g}")
    return "; ".join(parts)
