"""What columns of an unseen soil table may be: proposals with their source, never used alone."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from vrx.formats.lab_methods import lab_method
from vrx.formats.soil_methods import unit_spelled
from vrx.formats.soil_words import heading_role
from vrx.intake._depths import depth_of
from vrx.intake._heading import Fact, Heard, heard
from vrx.intake._lab_file import KIND
from vrx.intake._numbers import reading_of
from vrx.intake._one_cell import holds_positions
from vrx.intake._rows import decimal_mark, summary_word
from vrx.intake._table import Table, read_table
from vrx.intake._usual import Judged, judged
from vrx.intake.spec import SoilSpec
from vrx.model import ANALYTES, Finding

_FIRST = 4
_SURE = frozenset({"id_column", "date_column", "depth_column"})
_CELL_UNIT = re.compile(r"[<>]?\s*[\d.,]+\s*(?P<unit>[^\d\s].*)")
_PAIRS = (("longitude_column", "latitude_column"), ("easting_column", "northing_column"),
          ("analyte_column", "value_column"), ("depth_top_column", "depth_bottom_column"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A column (or, in a table of one result a row, an analyte): what it may be, and what it holds.

    `key` is a key of `[soil]` or an analyte, "" for neither; `proposed` tells whether it is the
    only candidate for that key. Facts carry their source. `values` counts results with a number,
    `censored` those beyond a limit, `text` those that cannot be read; least, mean and greatest are
    in the unit of the file, NaN without values. `judged` compares them with what is usual.
    """

    heading: str
    number: int
    key: str
    proposed: bool
    first_values: tuple[str, ...]
    unit: Fact = field(default_factory=Fact)
    unit_column: str = ""
    form: Fact = field(default_factory=Fact)
    extractant: Fact = field(default_factory=Fact)
    depth: Fact = field(default_factory=Fact)
    analyte_is: str = ""
    method_is: str = ""
    values: int = 0
    missing: int = 0
    censored: int = 0
    text: int = 0
    least: float = math.nan
    mean: float = math.nan
    greatest: float = math.nan
    judged: Judged = field(default_factory=Judged)

    @property
    def is_analyte(self) -> bool:
        """Whether it may be an analyte of the register."""
        return self.key in ANALYTES

    def as_stated(self, analyte: str, *, unit: str, form: str) -> Proposal:
        """Judged in the unit and form that a plan states ("" leaves what the file says)."""
        own = unit_spelled(unit) or self.unit.value
        return replace(self, judged=judged(
            analyte, self.mean, least=self.least, greatest=self.greatest, unit=own,
            form=form or (self.form.value if self.form.states else ""), depth=self.depth.value))


@dataclass(frozen=True, slots=True, kw_only=True)
class TableProposal:
    """All columns of a table; `analytes` of a long table. `depths` are labels with their counts."""

    file: str
    source: str
    long: bool
    rows: int
    columns: tuple[Proposal, ...]
    analytes: tuple[Proposal, ...]
    depths: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    findings: tuple[Finding, ...] = ()

    def column_for(self, key: str) -> Proposal | None:
        """The only column proposed for a key of `[soil]`."""
        return next((c for c in self.columns if c.key == key and c.proposed), None)


def _of_code(heading: str) -> Heard | None:
    """What the method code of a result file says."""
    method = lab_method(heading)
    if method is None:
        return None
    source = "the method code"
    return Heard(
        analyte=method.analyte, unit=Fact(value=method.unit, source=source, states=True),
        form=Fact(value=method.form, source=source, states=True) if method.form else Fact(),
        extractant=Fact(value=method.extractant, source=source, states=True)
        if method.extractant else Fact())


def heard_columns(table: Table) -> list[tuple[str, Heard]]:
    """(key or "", what the words say) of each column of a table."""
    found = []
    for k, heading in enumerate(table.headings):
        said = _of_code(heading) if table.kind == KIND else None
        if said is not None:
            found.append((said.analyte, said))
            continue
        role = heading_role(heading)
        said = Heard() if role or table.kind == KIND else heard(heading)
        key = role or said.analyte
        if key not in _SURE and table.kind != KIND and holds_positions(
                [row.cells[k] for row in table.rows[:200]], "."):
            key, said = "position_column", Heard()
        found.append((key, said))
    return found


def chosen_columns(table: Table) -> dict[str, int]:
    """Key -> position of its only candidate. Pairs stand together or not at all."""
    every = heard_columns(table)
    found: dict[str, int] = {}
    for key in dict.fromkeys(key for key, _ in every if key):
        fit = [k for k, (own, _) in enumerate(every) if own == key]
        if len(fit) > 1 and key in ANALYTES:
            # A saturation beside an amount is the amount's company, not its rival.
            fit = [k for k in fit if not every[k][1].saturation] or fit
        if len(fit) > 1 and key == "id_column":
            fit = [k for k in fit if table.headings[k].casefold().startswith("sample")] or fit
        if len(fit) == 1 and table.headings.count(table.headings[fit[0]]) == 1:
            found[key] = fit[0]
    for pair in _PAIRS:
        if len(set(pair) & set(found)) == 1:
            found = {key: k for key, k in found.items() if key not in pair}
    if "analyte_column" in found:
        found = {key: k for key, k in found.items() if key not in ANALYTES}
    return found


def _counted(one: Proposal, cells: Sequence[str], decimal: str) -> Proposal:
    """The proposal with its numbers."""
    kinds = [reading_of(cell, decimal) for cell in cells]
    values = [one.value for one in kinds if math.isfinite(one.value)]
    nothing = not values
    return replace(
        one, values=len(values), missing=sum(r.kind == "missing" for r in kinds),
        censored=sum(r.kind in {"below", "above", "undetected"} for r in kinds),
        text=sum(r.kind == "unreadable" for r in kinds),
        least=math.nan if nothing else min(values), greatest=math.nan if nothing else max(values),
        mean=math.nan if nothing else math.fsum(values) / len(values))


def _cell_unit(cells: Sequence[str]) -> str:
    """The unit that nearly all cells carry behind their number."""
    said = Counter(unit_spelled(m["unit"]) for c in cells if (m := _CELL_UNIT.fullmatch(c)))
    unit, count = said.most_common(1)[0] if said else (None, 0)
    return unit if unit and count >= 0.8 * sum(1 for c in cells if c) else ""


def _unit_of_column(
    table: Table, k: int, cells: Sequence[str], said: Heard, unit_cells: Sequence[str]
) -> Fact:
    if table.units and (unit := unit_spelled(table.units[k])) is not None:
        return Fact(value=unit, source="the units row", states=True)
    if said.unit.value:
        return said.unit
    if unit_cells:
        units = Counter(unit_spelled(text) or text for text in unit_cells if text)
        if len(units) == 1 and all(unit_cells):
            return Fact(value=next(iter(units)), source="the unit column", states=True)
        listed = ", ".join(f"{unit} {n}" for unit, n in units.most_common(4))
        bare = sum(not text for text in unit_cells)
        return Fact(source=f"row by row ({listed}" + (f", none {bare})" if bare else ")"))
    unit = _cell_unit(cells)
    return Fact(value=unit, source="the text of the cells", states=True) if unit else Fact()


def _described(
    *, heading: str, number: int, key: str, proposed: bool, cells: Sequence[str], decimal: str,
    said: Heard, unit: Fact, depth: Fact,
) -> Proposal:
    one = Proposal(heading=heading, number=number, key=key, proposed=proposed,
                   first_values=tuple(c for c in cells if c)[:_FIRST])
    if key and key not in ANALYTES:
        return one
    counted = _counted(one, cells, decimal)
    if not key:
        # Only a column of numbers has a least and a greatest worth showing.
        return one if 2 * counted.text > len(cells) else counted
    depth = said.depth if said.depth.value else depth
    if not ANALYTES[key].needs_extractant:
        depth = Fact()
    one = replace(counted, unit=unit, form=said.form, depth=depth, extractant=said.extractant
                  if ANALYTES[key].needs_extractant else Fact())
    return replace(one, judged=judged(
        key, one.mean, least=one.least, greatest=one.greatest, unit=unit.value,
        form=said.form.value if said.form.states else "", depth=depth.value))


def _depth_fact(table: Table, chosen: Mapping[str, int], rows: Sequence[int]
                ) -> tuple[Fact, dict[str, int]]:
    k = chosen.get("depth_column")
    if k is None:
        return Fact(), {}
    heading = table.headings[k]
    labels = Counter(c for r in rows if (c := table.rows[r].cells[k]))
    layers = {depth_of(label, heading=heading) for label in labels}
    layer = next(iter(layers)) if len(layers) == 1 else None
    in_words = bool(re.search(r"(?i)(?<![a-z])(in|inch|inches|cm)(?![a-z])",
                              heading.replace("_", " ")))
    with_unit = in_words or all(re.search(r"""(?i)(in|inches|"|cm|ft)\.?$""", t) for t in labels)
    tops = {layer and layer[0] for layer in layers}
    if len(labels) > 1 and len(tops) == 1 and None not in tops:
        # "0-6" beside "0-8": laboratories that differ, not layers to choose from.
        return Fact(), {}
    if layer is None or not with_unit:
        return Fact(), dict(labels)
    return Fact(value=f"[{layer[0]:g}, {layer[1]:g}]", source=f"column {heading}",
                states=True), dict(labels)


def propose_columns(
    path: Path, *, sheet: str | None = None, layer: str | None = None
) -> TableProposal:
    """What every column of a table may be. Raises `InputError` for what is no table."""
    table = read_table(Path(path), sheet=sheet, layer=layer)
    decimal, said = decimal_mark(table, SoilSpec())
    rows = [k for k, row in enumerate(table.rows)
            if sum(map(bool, row.cells)) > 1 and not any(map(summary_word, row.cells[:2]))]
    chosen = chosen_columns(table)
    long = "analyte_column" in chosen
    depth, labels = _depth_fact(table, chosen, rows)
    unit_at = None if long else chosen.get("unit_column")
    columns = []
    for k, (key, words) in enumerate(heard_columns(table)):
        cells = [table.rows[r].cells[k] for r in rows]
        units = [table.rows[r].cells[unit_at] for r in rows] if unit_at is not None else []
        own = _unit_of_column(table, k, cells, words, units if key in ANALYTES else [])
        one = _described(heading=table.headings[k], number=k + 1, key=key,
                         proposed=chosen.get(key) == k, cells=cells, decimal=decimal, said=words,
                         unit=own, depth=depth)
        if units and key in ANALYTES and key != "ph" and not words.unit.value and not table.units:
            one = replace(one, unit_column=table.headings[unit_at or 0])
        columns.append(one)
    return TableProposal(
        file=table.file, source=table.source, long=long, rows=len(rows), columns=tuple(columns),
        analytes=tuple(_long(table, rows, chosen, decimal=decimal, depth=depth)) if long else
        tuple(one for one in columns if one.is_analyte),
        depths=MappingProxyType(labels), findings=(*table.findings, *said))


def _long(
    table: Table, rows: Sequence[int], chosen: Mapping[str, int], *, decimal: str, depth: Fact
) -> list[Proposal]:
    """One proposal for each analyte (and method) of a table of one result a row."""
    at = chosen["analyte_column"], chosen.get("method_column")
    groups: dict[tuple[str, str], list[int]] = {}
    for row in rows:
        cells = table.rows[row].cells
        groups.setdefault((cells[at[0]], "" if at[1] is None else cells[at[1]]), []).append(row)
    found: list[Proposal] = []
    for (analyte, method), own in groups.items():
        said = heard(analyte, source="the analyte's name")
        by_method = _of_code(method) or heard(f"{said.analyte} {method}",
                                              source="the method column")
        if not said.extractant.value and by_method.extractant.value:
            said = replace(said, extractant=by_method.extractant)
        if by_method.form.states and by_method.form.source == "the method code":
            said = replace(said, form=by_method.form)
        values = [table.rows[r].cells[chosen["value_column"]] for r in own]
        unit_at = chosen.get("unit_column")
        units = [table.rows[r].cells[unit_at] for r in own] if unit_at is not None else []
        unit = _unit_of_column(replace(table, units=()), 0, values, said, units)
        one = _described(heading=", ".join(w for w in (analyte, method) if w), number=0,
                         key=said.analyte, proposed=True, cells=values, decimal=decimal, said=said,
                         unit=unit, depth=depth)
        found.append(replace(one, analyte_is=analyte, method_is=method,
                             unit_column="" if unit_at is None else table.headings[unit_at]))
    twice = Counter(one.key for one in found)
    return [replace(one, proposed=bool(one.key) and twice[one.key] == 1) for one in found]
