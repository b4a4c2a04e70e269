"""What is to be put right before potash and sulfur: pH, phosphorus, boron, and the stand itself."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from vrx.errors import RuleError
from vrx.model import ANALYTES, Finding, FloatArray, note, warn
from vrx.rules.names import advice
from vrx.rules.stand import stand_findings


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Below `least`, something else comes first. `kind` is "fix first" or "do not spend"."""

    id: str
    unit: str
    least: float
    kind: str
    words: str
    locator: str
    evidence: str


@cache
def _held() -> Mapping[str, Any]:
    text = resources.files("vrx.rules").joinpath("fix_first.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def fix_first_limits() -> dict[str, Limit]:
    """The limits that vrx holds, by id ("ph", "stems"), each with its evidence label."""
    return {one["id"]: Limit(**one) for one in _held()["limits"]}


def fix_first(
    *, zone_names: Sequence[str], means: Mapping[str, FloatArray],
    extractants: Mapping[str, str], stems_per_ft2: float | None = None,
    own: Mapping[str, float] | None = None, own_source: str = "",
    stand_year: int | None = None, last_stand_year: int | None = None,
) -> tuple[Finding, ...]:
    """Warnings where something else limits the crop, and a note where no limit is held.

    `means` are arrays (zones,) by analyte in vrx's units, NaN where a zone has no reading. `own`
    holds limits of the user by id ("ph", "phosphorus", "boron", "stems"); they win over those of
    `fix_first.toml`, and `own_source` is told with them. RuleError for an unknown id, or for an
    array of another length than `zone_names`. `stand_year` is the year of the stand (seeding 1),
    `last_stand_year` the year it is to end. No rate is changed.
    """
    limits = fix_first_limits()
    shown = {one["id"]: one["words"] for one in _held()["shown"]}
    given = dict(own or {})
    for name in given:
        if name not in limits and name not in shown:
            raise RuleError(f"no limit is known by the name {name!r}", code="rules-fix-first-input",
                            where="[fix_first]", hint=advice(name, [*limits, *shown]))
    found: list[Finding] = []
    for name in ("ph", "phosphorus", "boron"):
        if name not in means:
            continue
        values = np.asarray(means[name], dtype=float)
        if values.shape != (len(zone_names),):
            raise RuleError(f"{name}: {values.shape} means for {len(zone_names)} zones",
                            code="rules-fix-first-input", where=f"[soil.{name}]",
                            hint="give one mean for every zone")
        limit = _limit(name, limits, given, own_source)
        method = extractants.get(name, "")
        if limit is None:
            found += _shown(name, shown[name], values, zone_names, method)
        else:
            found += _below(name, limit, values, zone_names, method)
    if stems_per_ft2 is not None:
        stand = _limit("stems", limits, given, own_source)
        if stand is not None and stems_per_ft2 < stand.least:
            found.append(warn(
                "rules-stand-thin", "[field] stems_per_ft2",
                f"do not spend: {stems_per_ft2:g} stems/ft2 is below {_cited(stand)}",
                value=f"{stems_per_ft2:g}", done="rates are not changed", todo=stand.words))
    return (*found, *stand_findings(stand_year, last_stand_year, means=means,
                                    zone_names=zone_names, extractants=extractants))


def _limit(
    name: str, limits: Mapping[str, Limit], own: Mapping[str, float], source: str
) -> Limit | None:
    held = limits.get(name)
    if name not in own:
        return held
    words = held.words if held else "put it right first, as your guide says"
    unit = held.unit if held else ANALYTES[name].unit
    return Limit(id=name, unit=unit, least=own[name], kind="fix first", words=words,
                 locator=source, evidence="your own limit")


def _cited(limit: Limit) -> str:
    label = limit.evidence
    if label == "from memory":
        label = "from memory, check your guide"
    where = f": {limit.locator}" if label == "your own limit" and limit.locator else ""
    return f"{limit.least:g} {limit.unit}".rstrip() + f" ({label}{where})"


def _zones(values: FloatArray, names: Sequence[str], at: Sequence[bool], analyte: str) -> str:
    places = ANALYTES[analyte].decimals
    return ", ".join(f"{name} {value:.{max(places, 1)}f}"
                     for name, value, here in zip(names, values, at, strict=True) if here)


def _below(
    name: str, limit: Limit, values: FloatArray, names: Sequence[str], method: str
) -> list[Finding]:
    low = [bool(value < limit.least) for value in values]
    if not any(low):
        return []
    substance = ANALYTES[name].substance
    by = f" by {method}" if method else ""
    return [warn(
        "rules-fix-first", f"[soil.{name}]",
        f"fix first: {substance}{by} is below {_cited(limit)} in zones "
        f"{_zones(values, names, low, name)}",
        value=f"{float(np.nanmin(values)):g}", done="rates are not changed", todo=limit.words)]


def _shown(
    name: str, words: str, values: FloatArray, names: Sequence[str], method: str
) -> list[Finding]:
    known = [bool(np.isfinite(value)) for value in values]
    if not any(known):
        return []
    analyte = ANALYTES[name]
    by = f", {method}" if method else ""
    return [note(
        "rules-fix-first-shown", f"[soil.{name}]",
        f"{analyte.substance} ({analyte.unit}{by}) by zone: {_zones(values, names, known, name)}; "
        f"{words}", done="moves no rate",
        todo=f"set {name}_ppm and source in [fix_first] to have it judged")]
