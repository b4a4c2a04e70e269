"""The stand's year, and the table of all that comes before spending on K and S."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any

import numpy as np

from vrx.errors import RuleError
from vrx.model import ANALYTES, Finding, FirstItem, FloatArray, note, warn

WEIGH = "weigh"
_NO_LIMIT = "no limit is held: compare with the guide for this extractant, or give your own in "


@cache
def _held() -> Mapping[str, Any]:
    text = resources.files("vrx.rules").joinpath("fix_first.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _cite(entry: Mapping[str, Any]) -> str:
    if entry["evidence"] == "from memory":
        return f"from memory, check your guide: {entry['locator']}"
    return f"{entry['evidence']}: {entry['locator']}"


def stand_findings(
    stand_year: int | None, last_stand_year: int | None, *, means: Mapping[str, FloatArray],
    zone_names: Sequence[str], extractants: Mapping[str, str],
) -> list[Finding]:
    """What the stand's year says. Raises `RuleError` for a year beyond the last."""
    if stand_year is None:
        return []
    if last_stand_year is not None and stand_year > last_stand_year:
        raise RuleError(
            f"stand_year {stand_year} lies beyond last_stand_year {last_stand_year}",
            code="rules-stand-year", where="[field]", hint="correct one of them")
    if stand_year == last_stand_year:
        entry = _held()["last_year"]
        above = _above(float(entry["k_ppm"]), means, zone_names, extractants)
        return [warn(
            "rules-stand-last-year", "[field] last_stand_year",
            f"year {stand_year} is the stand's last: {entry['words']} ({_cite(entry)}){above}",
            value=str(stand_year), done="rates are not changed",
            todo="weigh whether this year's K and S can still pay in this stand")]
    late = _held()["late_year"]
    if stand_year >= int(late["from_year"]):
        return [note("rules-stand-late", "[field] stand_year",
                     f"year {stand_year} of the stand: {late['words']} ({_cite(late)})",
                     value=str(stand_year), done="rates are not changed",
                     todo="weigh what the stand will still yield")]
    return []


def _above(
    limit: float, means: Mapping[str, FloatArray], names: Sequence[str],
    extractants: Mapping[str, str],
) -> str:
    if "potassium" not in means:
        return ""
    values = np.asarray(means["potassium"], dtype=float)
    high = [name for name, value in zip(names, values, strict=True) if value > limit]
    by = extractants.get("potassium", "")
    where = f"zones {', '.join(high)}" if high else "no zone"
    return f"; above {limit:g} ppm{f' by {by}' if by else ''} here: {where}"


def before_spending(
    *, findings: Sequence[Finding], means: Mapping[str, FloatArray], limits: Mapping[str, Any],
    own: Mapping[str, float], own_source: str, stems_per_ft2: float | None,
    stand_year: int | None, last_stand_year: int | None,
) -> tuple[FirstItem, ...]:
    """One line for pH, P, B, the stand's stems and its year, with what was found.

    `findings` are those of `fix_first` for the same values, `limits` the held ones by id.
    """
    items = [_soil(name, findings, means=means, limits=limits, own=own, own_source=own_source)
             for name in ("ph", "phosphorus", "boron")]
    stems = limits["stems"]
    least = own.get("stems", stems.least)
    source = f"your own limit: {own_source}" if "stems" in own else (
        f"from memory, check your guide: {stems.locator}")
    verdict = "not known" if stems_per_ft2 is None else (
        "do not spend" if stems_per_ft2 < least else "in order")
    items.append(FirstItem(
        item="Stand", verdict=verdict, rule=f"{least:g} stems/ft2 or more", source=source,
        stated="stems_per_ft2 not stated" if stems_per_ft2 is None else
        f"{stems_per_ft2:g} stems/ft2"))
    items.append(_year(stand_year, last_stand_year))
    return tuple(items)


def _soil(
    name: str, findings: Sequence[Finding], *, means: Mapping[str, FloatArray],
    limits: Mapping[str, Any], own: Mapping[str, float], own_source: str,
) -> FirstItem:
    analyte = ANALYTES[name]
    unit = "" if name == "ph" else f" {analyte.unit}"
    title = "Soil pH" if name == "ph" else f"Soil {analyte.substance}"
    held = limits.get(name)
    least = own.get(name, None if held is None else held.least)
    key = {"ph": "ph", "phosphorus": "phosphorus_ppm", "boron": "boron_ppm"}[name]
    if least is None:
        rule, source = f"{_NO_LIMIT}[fix_first] {key}", "no source"
    elif name in own:
        rule, source = f"{least:g}{unit} or more", f"your own limit: {own_source}"
    else:
        locator = "" if held is None else held.locator
        rule, source = f"{least:g}{unit} or more", f"from memory, check your guide: {locator}"
    values = np.asarray(means[name], dtype=float) if name in means else np.array([np.nan])
    known = values[np.isfinite(values)]
    if not len(known):
        return FirstItem(item=title, verdict="not known", stated="no reading", rule=rule,
                         source=source)
    places = max(analyte.decimals, 1)
    stated = f"zones {known.min():.{places}f} to {known.max():.{places}f}{unit}"
    if least is None:
        verdict = "not known"
    else:
        told = any(one.code == "rules-fix-first" and one.where == f"[soil.{name}]"
                   for one in findings)
        verdict = "fix first" if told else (
            "in order" if len(known) == len(values) else "not known")
    if len(known) < len(values):
        stated += f"; {len(values) - len(known)} without a reading"
    return FirstItem(item=title, verdict=verdict, stated=stated, rule=rule, source=source)


def _year(stand_year: int | None, last: int | None) -> FirstItem:
    final, late = _held()["last_year"], _held()["late_year"]
    if stand_year is None:
        return FirstItem(item="Year of the stand", verdict="not known",
                         stated="stand_year not stated", rule=late["words"], source=_cite(late))
    stated = f"year {stand_year}" + (f" of {last}" if last is not None else
                                     "; last_stand_year not stated")
    if stand_year == last:
        return FirstItem(item="Year of the stand", verdict=WEIGH, stated=f"{stated}, the last",
                         rule=final["words"], source=_cite(final))
    verdict = WEIGH if stand_year >= int(late["from_year"]) else (
        "not known" if last is None else "in order")
    return FirstItem(item="Year of the stand", verdict=verdict, stated=stated, rule=late["words"],
                     source=_cite(late))
