"""The mapping step: what a table's columns may be, and which keys of the plan would say so.

Nothing here changes a plan. A line whose `states` is true repeats what the file itself says; the
others are suggestions or open questions.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from vrx import intake
from vrx.formats.answers import command
from vrx.formats.soil_methods import FORMS_OF, UNITS_OF, methods_of
from vrx.model import ANALYTES, Finding, stop
from vrx.plan import is_blank

OPEN = "..."
"""The value of an answer that only the user knows; `vrx answer` refuses it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One key of the plan: the answer as typed (`OPEN` if unknown), and whether the file states it.

    `done` means that the plan has it already; `choices` are what it takes, and `suggested` is what
    the file suggests without stating it.
    """

    key: str
    value: str
    source: str
    states: bool
    done: bool
    choices: tuple[str, ...] = ()
    suggested: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One analyte of the table: its column, its lines, its numbers. `in_plan`: the plan reads it.

    `rivals` are other columns that may be the same analyte.
    """

    analyte: str
    column: str
    in_plan: bool
    lines: tuple[Line, ...]
    numbers: intake.Proposal
    rivals: tuple[str, ...] = ()
    drop: tuple[str, ...] = ()

    @property
    def answer(self) -> str:
        """The command that fills what is open, with FOLDER to fill in; "" if nothing is."""
        todo = [(one.key, one.value) for one in self.lines if not one.done]
        return command(*todo, drop=self.drop) if todo else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mapped:
    """The table as proposed, a block for each analyte, and lines of `[soil]` itself."""

    table: intake.TableProposal
    blocks: tuple[Block, ...]
    lines: tuple[Line, ...]

    def stated(self) -> tuple[tuple[str, str], ...]:
        """Open lines of the plan that the file itself answers, as (key, value)."""
        every = [*self.lines, *(line for b in self.blocks if b.in_plan for line in b.lines)]
        return tuple((one.key, one.value) for one in every if one.states and not one.done)

    def columns_json(self) -> list[dict[str, Any]]:
        """All columns of the table as plain values."""
        return [_column(one) for one in self.table.columns]

    def to_json(self) -> dict[str, Any]:
        """Plain values for `--json`."""
        return {
            "source": self.table.source, "one_result_a_row": self.table.long,
            "rows": self.table.rows, "depths": dict(self.table.depths),
            "lines": [asdict(one) for one in self.lines],
            "analytes": [
                {
                    "analyte": one.analyte, "column": one.column, "in_plan": one.in_plan,
                    "lines": [asdict(line) for line in one.lines], "rivals": list(one.rivals),
                    "numbers": _column(one.numbers), "answer": one.answer,
                }
                for one in self.blocks
            ],
        }


def _column(one: intake.Proposal) -> dict[str, Any]:
    told = asdict(one)
    told["may_be"] = told.pop("key")
    judged = told["judged"]
    span = judged["plausible"]
    told["plausible"] = "" if span is None else f"{span[0]:g} to {span[1]:g} {judged['unit']}"
    for key in ("least", "mean", "greatest"):
        told[key] = told[key] if math.isfinite(told[key]) else None
    return told


def mapped(table: intake.TableProposal, soil: Mapping[str, Any]) -> Mapped:
    """A table against the plan's `[soil]`, which may be half filled in."""
    blocks: list[Block] = []
    for analyte in ANALYTES:
        section = soil.get(analyte)
        fit = [one for one in table.analytes if one.key == analyte]
        chosen = _chosen(table, section, fit)
        if chosen is None:
            continue
        by_row = bool(chosen.unit_column) and not table.long and isinstance(section, Mapping) and (
            is_blank(section.get("unit")))
        blocks.append(Block(
            drop=(f"soil.{analyte}.unit",) if by_row else (), analyte=analyte,
            column=chosen.heading, in_plan=isinstance(section, Mapping),
            lines=_lines(table, analyte, chosen, section if isinstance(section, Mapping) else {},
                         soil),
            numbers=_judged(chosen, analyte, section), rivals=tuple(
                f"{one.heading} (column {one.number})" if one.number else one.heading
                for one in fit if one is not chosen)))
    return Mapped(table=table, blocks=tuple(blocks), lines=tuple(_own_lines(table, soil)))


def _judged(one: intake.Proposal, analyte: str, section: Any) -> intake.Proposal:
    """The column judged as the plan states it, where it does."""
    told = {key: value for key in ("unit", "form") if isinstance(section, Mapping)
            and isinstance(value := section.get(key), str) and not is_blank(value)}
    if not told:
        return one
    return one.as_stated(analyte, unit=told.get("unit", ""), form=told.get("form", ""))


def _chosen(
    table: intake.TableProposal, section: Any, fit: list[intake.Proposal]
) -> intake.Proposal | None:
    """The column that the plan names, else the only candidate, else the first of several."""
    if isinstance(section, Mapping):
        column, analyte_is = section.get("column"), section.get("analyte_is")
        every = [*table.analytes, *table.columns]
        named = [one for one in every if (column in {one.heading, f"column {one.number}"})
                 or (analyte_is and one.analyte_is == analyte_is)]
        if named:
            return named[0]
    return next((one for one in fit if one.proposed), fit[0] if fit else None)


_PAIR = ("longitude_column", "latitude_column")
_NAMES = frozenset({"column", "analyte_is", "method_is", "unit_column"})


def _lines(
    table: intake.TableProposal, analyte: str, one: intake.Proposal, section: Mapping[str, Any],
    soil: Mapping[str, Any],
) -> tuple[Line, ...]:
    at = f"soil.{analyte}"
    found: list[Line] = []

    def add(key: str, fact: intake.Fact, choices: tuple[str, ...] = ()) -> None:
        told = section.get(key)
        done = told is not None and not is_blank(told)
        value = fact.value or (" or ".join(choices) if 0 < len(choices) <= 3 else OPEN)
        suggested = fact.value if not (fact.states or done or key in _NAMES) else ""
        if suggested:
            # Copied as it stands it is refused: the user takes the "?" away, and so says it.
            value = f"{suggested}?"
        found.append(Line(
            key=f"{at}.{key}", value=_typed(told) if done else value,
            source="in the plan" if done else fact.source,
            states=bool(fact.value) and fact.states and not done, done=done, choices=choices,
            suggested=suggested))

    named = intake.Fact(value=one.heading, source="the heading")
    twice = sum(c.heading == one.heading for c in table.columns) > 1
    if table.long:
        add("analyte_is", intake.Fact(value=one.analyte_is, source="the analyte's name"))
        if one.method_is and (one.proposed is False or "method_is" in section):
            add("method_is", intake.Fact(value=one.method_is, source="the method column"))
    else:
        add("column", intake.Fact(value=f"column {one.number}", source="its place")
            if twice else named)
    by_row = bool(one.unit_column) or "unit_column" in section
    if by_row and not table.long:
        if not ("unit" in section and not is_blank(section["unit"])):
            add("unit_column", intake.Fact(
                value=one.unit_column, source=one.unit.source if not one.unit.value
                else "its heading"))
    elif not (table.long and (one.unit_column or soil.get("unit_column"))):
        add("unit", one.unit, UNITS_OF[analyte])
    if ANALYTES[analyte].needs_extractant:
        if FORMS_OF[analyte]:
            add("form", one.form, FORMS_OF[analyte])
        add("extractant", one.extractant, methods_of(analyte))
        if not (table.depths and len(table.depths) > 1 and soil.get("depth")
                and not is_blank(soil.get("depth"))):
            add("depth_in", one.depth)
    return tuple(found)


def _own_lines(table: intake.TableProposal, soil: Mapping[str, Any]) -> list[Line]:
    """Keys of `[soil]` itself that a column of the table may answer."""
    found: list[Line] = []

    def add(key: str, value: str, source: str, choices: tuple[str, ...] = ()) -> None:
        found.append(Line(key=f"soil.{key}", value=value, source=source, states=False, done=False,
                          choices=choices))

    for key in ("id_column", "longitude_column", "latitude_column", "date_column",
                "analyte_column", "value_column", "unit_column", "method_column"):
        own = table.column_for(key)
        told = soil.get(key)
        if own is None or (key in {"unit_column", "method_column"} and not table.long):
            continue
        if is_blank(told) or (told is None and table.long and key in {
                "analyte_column", "value_column", "unit_column", "method_column"}):
            add(key, own.heading, "its heading")
    position = table.column_for("position_column")
    if position is not None and soil.get("position_column") is None and any(
            is_blank(soil.get(key)) for key in _PAIR):
        add("position_column", position.heading, "both coordinates stand in each cell")
    if len(table.depths) > 1:
        depth = table.column_for("depth_column")
        if depth is not None and soil.get("depth_column") is None:
            add("depth_column", depth.heading, "its heading")
        if soil.get("depth") is None or is_blank(soil.get("depth")):
            add("depth", OPEN, "the plan must choose one", tuple(table.depths))
    return found


def without_places(table: intake.TableProposal, soil: Mapping[str, Any]) -> list[Finding]:
    """A stop for a table without coordinates whose plan still asks for their columns."""
    asked = [key for key in _PAIR if is_blank(soil.get(key))]
    if not asked or any(table.column_for(key) for key in (
            *_PAIR, "position_column", "easting_column", "northing_column")):
        return []
    said = [f"column {one.heading} looks like {words}, which vrx does not read"
            for one in table.columns if (words := intake.codes_of_places(one.first_values))]
    return [stop(
        "soil-no-coordinates", table.file, "no heading reads like longitude, latitude, easting or "
        "northing" + "".join(f"; {one}" for one in said),
        todo="answer with the headings of its columns of coordinates; if the places are in another "
        "file, take longitude_column and latitude_column out of the plan and write [soil.points] "
        'with file = "..." and id_column = "..."')]


def _typed(value: Any) -> str:
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_typed(one) for one in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, float) else str(value)


def other_answers(open_keys: tuple[str, ...], mapping: Mapped | None) -> tuple[str, ...]:
    """Commands for open keys that no block covers, one for each section of the plan."""
    covered = {line.key for b in mapping.blocks if b.in_plan for line in b.lines} if mapping else (
        set())
    own = {line.key: line.value for line in mapping.lines} if mapping else {}
    sections: dict[str, dict[str, str]] = {}
    drop: tuple[str, ...] = ()
    if "soil.position_column" in own:
        drop = tuple(key for key in (f"soil.{one}" for one in _PAIR) if key in open_keys)
        open_keys = tuple(key for key in open_keys if key not in drop)
    for key in dict.fromkeys(one.partition("[")[0] if one.endswith("]") else one
                             for one in open_keys):
        if key not in covered:
            sections.setdefault(key.partition(".")[0].partition("[")[0], {})[key] = own.get(
                key, OPEN)
    extra = {key: value for key, value in own.items() if key not in open_keys}
    if extra:
        sections.setdefault("soil", {}).update(extra)
    return tuple(command(*keys.items(), drop=drop if name == "soil" else ())
                 for name, keys in sections.items())
