"""Samples of other years and depths in the same soil table, beside those that move the rates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType

from vrx.errors import InputError
from vrx.intake._depths import depth_of
from vrx.intake.soil import read_soil
from vrx.intake.spec import ColumnSpec, Depth, SoilSpec
from vrx.model import Field, Finding, SoilTable, note


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoilHistory:
    """Tables by year ("2024", the chosen one too) and of the other depths by (top, bottom), inches.

    The chosen year's or depth's own table is what `read_soil` gave; nothing here moves a rate.
    """

    years: Mapping[str, SoilTable] = field(default_factory=lambda: MappingProxyType({}))
    depths: Mapping[Depth, SoilTable] = field(default_factory=lambda: MappingProxyType({}))
    findings: tuple[Finding, ...] = ()


NO_HISTORY = SoilHistory()


def read_history(
    *, path: Path, field: Field, spec: SoilSpec, chosen: SoilTable
) -> SoilHistory:
    """The years and depths of a soil table that the plan did not choose.

    Each year is read as if the plan had chosen it, with all that `read_soil` checks; a year or
    depth that cannot be read so is left out with a note (`soil-year-unread`, `soil-depth-unread`).
    Where the file has one year and one depth, nothing is read again.
    """
    years: dict[str, SoilTable] = {}
    depths: dict[Depth, SoilTable] = {}
    findings: list[Finding] = []
    for year in chosen.years:
        try:
            years[year] = read_soil(path=path, field=field, spec=replace(spec, use_year=int(year)))
        except InputError as err:
            findings.append(_unread(
                "soil-year-unread", f"{chosen.file}, {year}", err, "the trend is without it"))
    for label in chosen.depths:
        depth = depth_of(label, heading=spec.depth_column or "")
        if depth is None:
            continue
        try:
            depths[depth] = read_soil(path=path, field=field, spec=_of_depth(spec, label, depth))
        except InputError as err:
            findings.append(_unread("soil-depth-unread", f"{chosen.file}, depth {label}", err,
                                    "the profile is without it"))
    return SoilHistory(
        years=MappingProxyType(years), depths=MappingProxyType(depths), findings=tuple(findings))


def _of_depth(spec: SoilSpec, label: str, depth: Depth) -> SoilSpec:
    columns: dict[str, ColumnSpec] = {
        analyte: replace(column, depth=None, depth_in=depth)
        for analyte, column in spec.columns.items()
    }
    return replace(spec, columns=MappingProxyType(columns), depth=label)


def _unread(code: str, where: str, err: InputError, done: str) -> Finding:
    first = err.findings[0].what if err.findings else err.message
    return note(code, where, f"these samples cannot be read like the chosen ones: {first}",
                done=f"{done}; no rate is touched")
