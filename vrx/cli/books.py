"""`vrx books`: what each rule book says, asks and refuses; templates and checks of your own."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from vrx import rules

_WORDS = ("explain", "template", "check")
_SHORT = {"read": "read", "computed": "computed", "from memory": "memory",
          "common practice, no source": "practice", "user": "yours"}
_SAID = {"from memory": "from memory, check your guide", "user": "of the book's author"}
_FOR = {"K2O": "Potassium (K2O)", "S": "Sulfur (S)"}
_LEGEND = (
    "evidence: read in the source, computed from it, memory: from memory (check your",
    "guide), practice: common practice without a source. rates: \"plan's\" where the",
    "guide, or what could be read of it, gives no lb/ac.",
)


@click.command("books")
@click.argument("words", nargs=-1, metavar="[explain] [NAME] | template [KIND] | check FILE...")
@click.option(
    "--from", "folders", multiple=True, type=click.Path(path_type=Path),
    help="A folder or file of your own rule books; repeat for several.",
)
@click.option("--json", "as_json", is_flag=True, help="The same as JSON.")
@click.option("--template", is_flag=True, help="Print a commented rule book to start your own.")
def command(*, words: tuple[str, ...], folders: tuple[Path, ...], as_json: bool,
            template: bool) -> None:
    """List the rule books, or explain one: table or equation, source, examples, refusals.

    NAME is a book's id as in the list. What is from memory says so.

    `vrx books template` lists the kinds of rule, `vrx books template KIND` prints a commented rule
    book of that kind to start your own. `vrx books check FILE` reads rule books of yours, runs
    their examples and tries the rate over the whole range of soil tests.
    """
    from vrx import rules
    from vrx.cli import show

    head, rest = (words[0], words[1:]) if words and words[0] in _WORDS else ("explain", words)
    if head == "check":
        _check([Path(word) for word in rest] or list(folders), as_json=as_json)
        return
    if len(rest) > 1:
        near = difflib.get_close_matches(rest[0], _WORDS, n=1)
        raise click.UsageError(f"one name is wanted, not {len(rest)}: {' '.join(rest)}"
                               + (f"; did you mean {near[0]!r} {rest[1]}?" if near else ""))
    if template or head == "template":
        _template(rest[0] if rest else "class-table" if template else "")
        return
    books = rules.load_books(folders)
    if rest:
        _explain(rest[0], books, as_json=as_json)
        return
    if as_json:
        show.say_json([asdict(row) for row in rules.catalogue(books)])
        return
    _list(books)


def _list(books: Mapping[str, rules.Book]) -> None:
    from vrx import rules
    from vrx.cli import show

    rows = rules.catalogue(books)
    for nutrient, title in _FOR.items():
        held = [row for row in rows if row.nutrient == nutrient]
        show.table(
            f"{title}: {len(held)} rule books",
            ["id", "region", "extractant", "depth in", "evidence", "rates"],
            [[row.id, row.region.replace("no region stated", "-"),
              row.extractant.replace("reads no soil test", "-"), row.depth_in or "-",
              ", ".join(_SHORT[label] for label in row.evidence.split(" + ")),
              "yes" if row.has_rates else "plan's"] for row in held],
            left=6, width=80,
        )
    for line in _LEGEND:
        show.say(line)
    show.say("`vrx books NAME` explains one; `vrx books template` starts one of your own.")


def _template(kind: str) -> None:
    from vrx import rules
    from vrx.cli import show

    if kind:
        show.say(rules.own_book_template(kind))
        return
    show.table("Kinds of rule", ["kind", "what it does"],
               [[name, what] for name, what in rules.kinds_in_words().items()], left=2, width=80)
    show.say("`vrx books template KIND > my-guide.toml` starts a book; `vrx books check "
             "my-guide.toml` tries it.")


def _check(paths: list[Path], *, as_json: bool) -> None:
    from vrx import rules
    from vrx.cli import show

    if not paths:
        raise click.UsageError("name the files or folders to check")
    books = [b for b in rules.load_books(paths).values() if b.origin == "user"]
    checks = [rules.check_book(book) for book in books]
    if as_json:
        show.say_json([{**asdict(one), "good": one.good} for one in checks])
    for one in () if as_json else checks:
        show.say(f"{one.id}: {'holds together' if one.good else 'DOES NOT HOLD'}")
        for result in one.examples:
            mark = "ok  " if result.passed else "FAIL"
            show.say(f"  {mark} {result.title}" + "".join(f"\n       {d}"
                                                          for d in result.differences))
        if not one.examples:
            show.say("  no examples in the book, so nothing was compared with the guide")
        for fault in one.faults:
            show.say(f"  FAIL {fault}")
        for doubt in one.doubts:
            show.say_wrapped(f"?    {doubt}", indent=2)
        show.say(f"  rate tried over {one.swept}" if one.swept else
                 f"  rate not tried over soil tests: {one.not_swept}")
    if not all(one.good for one in checks):
        raise SystemExit(1)


def _explain(name: str, books: Mapping[str, rules.Book], *, as_json: bool) -> None:
    from vrx import rules
    from vrx.cli import show
    from vrx.pipeline.ground import find_book

    page = rules.explain(find_book(books, name))
    if as_json:
        show.say_json(asdict(page))
        return
    show.say_wrapped(f"{page.row.id}: {page.row.name}")
    show.say_wrapped(f"{page.source.title}. {page.source.publisher}, "
                     + (f"{page.source.year}" if page.source.year != "not stated" else "no year")
                     + f"; {page.source.locator} ({page.source.evidence})", indent=2)
    if page.ton:
        show.say_wrapped(f"ton: {page.ton}", indent=2)
    for each in page.tables:
        show.say()
        show.say_wrapped(f"{each.heading} ({_SAID.get(each.evidence, each.evidence)}: "
                         f"{each.locator})")
        show.table("", each.columns, each.rows, left=len(each.columns), width=show.PAGE)
    parts: tuple[tuple[str, tuple[Any, ...]], ...] = (
        ("Reads", page.soil), ("Options", page.options), ("Examples", page.examples),
        ("Refuses", page.refusals), ("Cautions", page.cautions),
    )
    for title, lines in parts:
        if lines:
            show.say(f"{title}:")
        for line in lines:
            show.say_wrapped(line if isinstance(line, str) else ": ".join(line), indent=2)
    if page.no_published_example_because:
        show.say_wrapped(f"No published example: {page.no_published_example_because}")
