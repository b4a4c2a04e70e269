"""`vrx compare`: the same zones under several guides."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

_HEAD = 10  # characters of a head's line
_BESIDE = 4  # guides that fit beside each other

@click.command("compare")
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("books", nargs=-1)
@click.option(
    "--option", "options", multiple=True, metavar="BOOK.KEY=VALUE",
    help="What a book asks for beside its name; repeat for several.")
@click.option("--json", "as_json", is_flag=True, help="Print the comparison as JSON.")
def command(*, folder: Path, books: tuple[str, ...], options: tuple[str, ...],
            as_json: bool) -> None:
    """The same zones under several guides: rates, field totals, cost, and why they differ.

    FOLDER is a field's folder (with plan.toml) or the plan file itself, BOOKS are ids of rule books
    (`vrx books` lists them); without them those of [compare] in the plan are taken. The plan's own
    guide stands first. Zones stay as the plan cuts them, and nothing is written. A guide that
    cannot read the soil test is listed with its reason.
    """
    from vrx.cli import show
    from vrx.pipeline import compare_field
    from vrx.pipeline.manifest import twelve_digits
    from vrx.pipeline.need_record import comparison_json

    with show.talk().status("reading the plan, comparing guides"):
        job, found = compare_field(folder, books=books, options=_options(options))
    if as_json:
        show.say_json(twelve_digits({
            "field": job.field.name, "area_ac": job.field.area_ac,
            "zones": [{"zone_id": one.zone_id, "letter": one.letter, "area_ac": one.area_ac}
                      for one in job.zones.zones],
            "comparisons": [comparison_json(one, job.zones) for one in found]}))
        return
    for one in found:
        _show(one, job)


_EVIDENCE = {"from memory": "from memory (check your guide)", "user": "your own"}


def _options(given: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    import tomllib

    found: dict[str, dict[str, Any]] = {}
    for text in given:
        name, _, rest = text.partition(".")
        key, equals, value = rest.partition("=")
        if not (name and key and equals):
            raise click.BadParameter(f"{text!r} is not BOOK.KEY=VALUE", param_hint="--option")
        try:
            read = tomllib.loads(f"v = {value}")["v"]
        except tomllib.TOMLDecodeError:
            read = value.strip()
        found.setdefault(name.strip(), {})[key.strip()] = read
    return found


def _table(one: Any, job: Any, guides: Sequence[Any], title: str) -> None:
    from vrx.cli import show

    heads = ["zone", "acres", *(_head(guide.book) + ("\n(plan)" if guide.of_plan else "")
                                for guide in guides), "spread"]
    rows = [
        [zone.letter, f"{zone.area_ac:,.2f}", *(f"{guide.need[k]:,.0f}" for guide in guides),
         f"{one.spread[k]:,.0f}"]
        for k, zone in enumerate(job.zones.zones)]
    rows.append([f"field, lb {one.nutrient}", f"{job.zones.area_ac:,.2f}",
                 *(f"{guide.total_lb:,.0f}" for guide in guides), ""])
    rows.append(["season's order, USD", "", *(
        "none" if guide.order_refused else "nothing" if not guide.order else "no price"
        if guide.usd is None else f"{guide.usd:,.0f}" for guide in guides), ""])
    show.table(title, heads, rows, width=show.PAGE)


def _head(name: str) -> str:
    """A book's id in short lines, broken after its hyphens: columns stay narrow, words whole."""
    lines = [""]
    for part in name.replace("-", "-\n").splitlines():
        if lines[-1] and len(lines[-1] + part) > _HEAD:
            lines.append("")
        lines[-1] += part
    return "\n".join(lines)


def _show(one: Any, job: Any) -> None:
    from vrx.cli import show

    read = [guide for guide in one.guides if not guide.refused]
    for first in range(0, len(read), _BESIDE):
        held = read[first:first + _BESIDE]
        title = f"Need of {one.nutrient}, lb/ac, by zone and guide"
        if len(read) > _BESIDE:
            title += (f" ({first + 1} to {first + len(held)} of {len(read)} guides; the spread is "
                      "that of all)")
        _table(one, job, held, title)
    if read and not one.followed:
        show.say(f"No pass of this plan follows the need of {one.nutrient}, so its products are "
                 "the same by every guide.")
    for guide in one.guides:
        if guide.refused:
            show.say_wrapped(f"{guide.book} cannot read this field: {guide.refused}")
            if guide.todo:
                show.say_wrapped(guide.todo, indent=2)
            continue
        parts = ", ".join(f"{term} {value:+,.1f}" for term, value in guide.parts) or "nothing"
        show.say_wrapped(f"{guide.book}: {parts} (mean lb/ac); "
                         + ", ".join(_EVIDENCE.get(label, label) for label in guide.evidence))
        for line in (*guide.why, *guide.notes):
            show.say_wrapped(line, indent=2)
        if guide.order_refused:
            show.say_wrapped(f"no order by this need: {guide.order_refused}", indent=2)
    show.say()
