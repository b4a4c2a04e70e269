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
_LABELS = {
    "season": "Year of the harvest", "stand_year": "Year of the stand (seeding year = 1)",
    "lab": "Laboratory", "report_number": "Number of the report", "unit": "Unit", "form": "Form",
    "extractant": "Extractant", "depth_in": "Depth of the sample, inches",
    "depths_in": "Depth of a bag of soil, inches", "column": "Column",
    "net_in": "Net inches of the season", "sulfate_so4_ppm": "Sulfate as SO4, ppm",
    "tons_per_ac": "Tons of hay per acre", "moisture_pct": "Moisture of those tons, percent",
    "book": "Guide", "material": "Material", "least_lb_per_ac": "Least rate, lb/ac",
    "most_lb_per_ac": "Most rate, lb/ac", "step_lb_per_ac": "Rate step, lb/ac",
    "least_gal_per_ac": "Least rate, gal/ac", "most_gal_per_ac": "Most rate, gal/ac",
    "step_gal_per_ac": "Rate step, gal/ac", "longitude_column": "Column of the longitude",
    "latitude_column": "Column of the latitude", "id_column": "Column of the sample's name",
    "date_column": "Column of the date", "label_most_gal_per_ac": "Most that the label allows, "
    "gal/ac", "depth": "Depth that is used", "boundary": "Boundary file",
}
_ABOUT = {
    "unit": "As the report prints it. The same figure in another unit is another rate.",
    "form": "What the figure is of: the report says it beside the unit, or in its notes.",
    "extractant": "What the laboratory shook the soil with. A guide answers to its own extractant "
    "only; the report or the laboratory tells.",
    "depth_in": "Top and bottom of the core.",
    "depths_in": "Top and bottom of each core, as your guide and laboratory read them.",
    "lab": "It is printed with the results.",
    "report_number": "It is printed with the results.",
    "tons_per_ac": "What this stand has reached in good years, the whole season together.",
    "moisture_pct": "0 means dry matter.",
    "material": "By its analysis, as on the label.",
    "least_lb_per_ac": "The least that the machine still spreads evenly.",
    "most_lb_per_ac": "The most that it spreads in one pass.",
    "step_lb_per_ac": "The rate moves in steps of this.",
    "book": "The guide of your state or laboratory, for the extractant of your report.",
    "net_in": "Inches of water that stay in the root zone in the season.",
    "sulfate_so4_ppm": "From the water test. Where it prints sulfate-sulfur (SO4-S), times three "
    "is SO4.",
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
    """One open key. `kind` is "choice", "number", "pair", "date" or "text".

    `stated` is what the sample file says, `said` where it says so; `hint` is what the file only
    suggests, in words.
    """

    key: str
    label: str
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
        key=key, label=_LABELS.get(last, last.replace("_", " ")),
        about=_ABOUT.get(last, comment), kind=kind, choices=choices,
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
