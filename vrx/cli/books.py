"""`vrx books`: what each rule book says, asks and refuses."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("books")
@click.argument("name", required=False)
@click.option(
    "--from", "folders", multiple=True, type=click.Path(path_type=Path),
    help="A folder or file of your own rule books; repeat for several.",
)
@click.option("--template", is_flag=True, help="Print a commented rule book to start your own.")
def command(*, name: str | None, folders: tuple[Path, ...], template: bool) -> None:
    """List the rule books, or explain one: table or equation, source, examples, refusals.

    NAME is a book's id as in the list. What is from memory says so.
    """
    from vrx import rules
    from vrx.cli import show

    if template:
        show.say(rules.own_book_template())
        return
    books = rules.load_books(folders)
    if name is None:
        show.table(
            "Rule books",
            ["id", "for", "region", "extractant", "depth in", "evidence", "rates"],
            [
                [
                    row.id, row.nutrient, row.region, row.extractant, row.depth_in, row.evidence,
                    "yes" if row.has_rates else "classes only",
                ]
                for row in rules.catalogue(books)
            ],
            left=7,
        )
        return
    _explain(name, books)


def _explain(name: str, books: object) -> None:
    from typing import cast

    from vrx import rules
    from vrx.cli import show
    from vrx.pipeline.ground import find_book

    book = find_book(cast("dict[str, rules.Book]", books), name)
    page = rules.explain(book)
    show.say(f"{page.row.id}: {page.row.name}")
    show.say(f"{page.source.title}. {page.source.publisher}, {page.source.year}; "
             f"{page.source.locator} ({page.source.evidence})")
    for each in page.tables:
        show.table(f"{each.heading} [{each.evidence}; {each.locator}]", each.columns, each.rows,
                   left=len(each.columns))
    for title, lines in (
        ("Options", page.options), ("Examples", page.examples), ("Refuses", page.refusals),
    ):
        if lines:
            show.say(f"{title}:")
        for line in lines:
            show.say("  " + (line if isinstance(line, str) else ": ".join(line)))
    if page.no_published_example_because:
        show.say(f"No published example: {page.no_published_example_because}")
