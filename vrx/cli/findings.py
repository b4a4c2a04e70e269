"""`vrx findings`: what a code of a finding or an error means, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from vrx.formats.catalogue import CodeEntry

_TOUCHES = {
    "safety": "touches crop, animals, water, label or where product goes",
    "pounds": "changes pounds or dollars",
    "data": "about files, samples, maps or zones",
    "note": "for the record",
}


@click.command("findings")
@click.argument("code", required=False)
@click.option("--json", "as_json", is_flag=True, help="Print the entries as JSON.")
def command(*, code: str | None, as_json: bool) -> None:
    """List the codes of findings and errors, or explain one.

    CODE is the code in brackets behind a finding, the beginning of one, or a room. Kinds: stop
    ends the run, warn changes pounds or safety, note informs, error is a message of its own.

    Examples:

      vrx findings pass-s-ceiling

      vrx findings soil
    """
    from vrx.cli import show
    from vrx.formats import catalogue

    every = catalogue.catalogue()
    found = tuple(every.codes.values()) if code is None else catalogue.find_codes(code.lower())
    if not found:
        near = ", ".join(catalogue.nearest_codes(code or ""))
        families = ", ".join(every.families)
        raise click.UsageError(
            f"there is no code {code!r}; "
            + (f"nearest: {near}" if near else f"codes begin with: {families}")
        )
    if as_json:
        show.say_json([asdict(one) for one in found])
    elif len(found) == 1:
        _explain(found[0])
    else:
        _list(found)


def _explain(one: CodeEntry) -> None:
    from vrx.cli import show

    show.say(f"{one.code} ({', '.join(one.severity)}; {_TOUCHES[one.weight]}; told by {one.room})")
    show.say(f"  {one.meaning}")
    show.say(f"  To do: {one.remedy}")


def _list(found: Sequence[CodeEntry]) -> None:
    from vrx.cli import show
    from vrx.formats import catalogue

    titles = catalogue.catalogue().rooms
    for room in sorted({one.room for one in found}):
        show.table(
            f"{room}: {titles.get(room, '')}", ["code", "kind", "meaning"],
            [[one.code, ", ".join(one.severity), one.meaning]
             for one in found if one.room == room],
            left=3,
        )
    show.say(f"{len(found)} codes; vrx findings CODE says what to do")
