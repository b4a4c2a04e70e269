"""What a plan still asks, section by section, as a form can ask it: words, choices, what is known.

Nothing is guessed here: a value is filled in beforehand only where the sample file itself states
it, and even that is for the user to send.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from vrx import products, rules
from vrx.formats.soil_methods import FORMS_OF, UNITS_OF
from vrx.model import ANALYTES
from vrx.pipeline.folder import plain_name
from vrx.pipeline.mapping import Block, Line, Mapped
from vrx.plan import blanks, read_document
from vrx.plan.open import choices_at, comments_of, kind_of, may_be_left_out

_TITLES = {
    "field": "Season and stand", "soil": "The laboratory's report", "water": "Irrigation water",
    "yield_goal": "Yield goal", "tissue": "Plant test", "need": "The guide that governs",
    "pass": "Pass", "machine": "The machine of pass", "zones": "Zones", "order": "Order",
    "sampling": "Soil sampling",
}
_DROP_KEYS = frozenset({"soil.lab", "soil.report_number"})
_DROP_SECTIONS = ("water", "tissue", "soil.", "machine.", "manure", "order", "calendar")


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One answer that a question takes: the value, and words that say what it is."""

    value: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One open key, with the plan's own comment `about` it.

    `kind` is "choice", "number", "pair", "date" or "text".
    `stated` is what the sample file says, `said` where it says so; `hint` is what the file only
    suggests, in words.
    """

    key: str
    about: str
    kind: str
    choices: tuple[Choice, ...]
    stated: str = ""
    said: str = ""
    hint: str = ""
    may_be_left_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The open keys of one section. `column` is the sample file's column that it reads.

    `values` are its first values and `numbers` what they come to, in words. `drop` is the section
    where the plan may do without it, else "".
    """

    id: str
    title: str
    about: str
    questions: tuple[Question, ...]
    column: str = ""
    values: tuple[str, ...] = ()
    numbers: str = ""
    doubts: tuple[str, ...] = ()
    drop: str = ""


def open_groups(plan_file: Path, mapping: Mapped | None) -> tuple[Group, ...]:
    """Every open key of a plan, in its order, section by section. Raises `PlanError`."""
    document = read_document(plan_file)
    about = comments_of(plan_file)
    lines = _known_lines(mapping)
    blocks = {f"soil.{one.analyte}": one for one in (mapping.blocks if mapping else ())}
    sections: dict[str, list[str]] = {}
    for key in dict.fromkeys(_whole(one) for one in blanks(document)):
        sections.setdefault(key.rpartition(".")[0], []).append(key)
    return tuple(
        _group(section, keys, about=about, lines=lines, block=blocks.get(section))
        for section, keys in sections.items())


def _whole(key: str) -> str:
    """A key without the place in a list, for lists that are answered as one."""
    return key.rpartition("[")[0] if key.endswith("]") else key


def _known_lines(mapping: Mapped | None) -> Mapping[str, Line]:
    if mapping is None:
        return {}
    return {line.key: line for line in (
        *mapping.lines, *(line for block in mapping.blocks for line in block.lines))}


def _group(
    section: str, keys: list[str], *, about: Mapping[str, str], lines: Mapping[str, Line],
    block: Block | None,
) -> Group:
    first, _, rest = section.partition(".")
    name = first.partition("[")[0]
    told = block.numbers if block is not None else None
    return Group(
        id=section, title=_title(section, name, rest), about=about.get(section, ""),
        questions=tuple(_question(key, about.get(key, ""), lines.get(key), section)
                        for key in keys),
        column="" if block is None else block.column,
        values=() if told is None else told.first_values,
        numbers="" if told is None or not told.values else (
            f"{told.values} results, {told.least:,.4g} to {told.greatest:,.4g}, "
            f"mean {told.mean:,.4g}"),
        doubts=() if told is None else tuple(told.judged.doubts),
        drop=section if any(section == one.rstrip(".") or (
            one.endswith(".") and section.startswith(one)) for one in _DROP_SECTIONS)
        and (section != "soil") else "",
    )


def _title(section: str, name: str, rest: str) -> str:
    if name == "soil" and rest in ANALYTES:
        return f"Soil test: {plain_name(rest)}"
    words = _TITLES.get(name, name.replace("_", " "))
    if name == "need":
        return f"{words}: {rest.partition('.')[0]}"
    if name in {"machine", "pass"}:
        return f"{words} {rest.partition('.')[0] or section.partition('[')[2].rstrip(']')}"
    return words


def _question(key: str, comment: str, line: Line | None, section: str) -> Question:
    last = _whole(key.rpartition(".")[2])
    choices = _choices(key, last, section, line)
    kind = "choice" if choices else kind_of(key)
    return Question(
        key=key, about=comment, kind=kind, choices=choices,
        stated=line.value if line is not None and line.states else "",
        said=line.source if line is not None and line.states else "",
        hint="" if line is None or line.states or not line.suggested else (
            f"{line.source} suggests {line.suggested}; the report decides"),
        may_be_left_out=key in _DROP_KEYS and may_be_left_out(key),
    )


def _choices(
    key: str, last: str, section: str, line: Line | None
) -> tuple[Choice, ...]:
    analyte = section.rpartition(".")[2]
    plain: tuple[str, ...] = ()
    if last == "book" and section.startswith("need."):
        wanted = {"potassium": "K2O", "sulfur": "S"}.get(analyte, "")
        return tuple(Choice(value=one.id, words=_book_words(one))
                     for one in rules.catalogue(rules.load_books())
                     if one.nutrient == wanted)
    if last == "material":
        return tuple(Choice(value=one, words="") for one in products.load_materials())
    if line is not None and line.choices:
        plain = line.choices
    elif section.startswith("soil.") and last == "unit":
        plain = UNITS_OF.get(analyte, ())
    elif section.startswith("soil.") and last == "form":
        plain = FORMS_OF.get(analyte, ())
    else:
        plain = choices_at(key)
    if line is not None and line.states and plain and line.value not in plain:
        plain = (line.value, *plain)
    return tuple(Choice(value=one, words="") for one in plain)


def _book_words(row: rules.BookRow) -> str:
    return "; ".join(one for one in (row.name, row.region, row.extractant) if one)
