"""Samples of several years: chosen, never averaged."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from datetime import date
from itertools import pairwise

import numpy as np

from vrx.intake._merge import place_of_each
from vrx.intake._raise import listed
from vrx.intake.spec import SoilSpec
from vrx.model import BoolArray, Finding, FloatArray, stop, warn

_CAMPAIGN_DAYS = 183
"""Dates at one place further apart than this are two samplings, not one over New Year."""


def _year(text: str) -> str:
    match = re.fullmatch(r"((?:19|20)\d\d)(?:\.0+)?", text.strip())
    return match[1] if match else ""


def years_said(
    spec: SoilSpec, *, year_texts: Sequence[str], dates: Sequence[str]
) -> tuple[str, ...]:
    """The years of rows, ascending; () unless the plan chooses one of several."""
    if spec.use_year is None:
        return ()
    years = [_year(text) for text in year_texts] if spec.year_column is not None \
        else [day[:4] for day in dates]
    found = tuple(sorted(set(years) - {""}))
    return found if len(found) > 1 else ()


def _apart(labels: set[str], dates: set[str]) -> bool:
    """True if one place was sampled in several campaigns."""
    if len(labels) < 2:
        return False
    days = sorted(date.fromisoformat(day) for day in dates if day)
    if len(days) < 2:
        return True
    return any((b - a).days > _CAMPAIGN_DAYS for a, b in pairwise(days))


def chosen_years(
    spec: SoilSpec, *, ids: Sequence[str], year_texts: Sequence[str], dates: Sequence[str],
    depths: Sequence[str], east: FloatArray, north: FloatArray, where: str,
) -> tuple[BoolArray, list[Finding]]:
    """Which rows (n,) are of the year to use, and findings; a stop where nobody chose.

    `dates` are ISO or "". The latest year is that of each place and depth.
    """
    every = np.ones(len(ids), dtype=bool)
    column = spec.year_column or spec.date_column
    if column is None:
        return every, [] if spec.use_year is None else [
            stop("soil-year-no-column", where, f"use_year = {spec.use_year!r}, but no column tells "
                 "the year", todo="state year_column or date_column")]
    at = f"{where}, column {column}"
    years = [day[:4] for day in dates]
    if spec.year_column is not None:
        years = [_year(text) for text in year_texts]
        bad = [repr(t) for t, y in zip(year_texts, years, strict=True) if t and not y]
        if bad:
            return every, [stop("soil-year-unreadable", at, f"no year: {listed(bad, most=5)}",
                                todo="write years as 2026; dates belong into date_column")]
    counts = Counter(years)
    said = ", ".join(f"{year or 'no year'}: {counts[year]} rows" for year in sorted(counts))
    group = place_of_each(east, north, within_m=spec.merge_within_m)
    spots = list(zip(group.tolist(), depths, strict=True))
    if spec.use_year is None:
        return every, _unchosen(spots, years, dates, by_column=spec.year_column is not None,
                                said=said, at=at)
    if spec.use_year == "latest":
        last: dict[tuple[int, str], str] = {}
        for spot, year in zip(spots, years, strict=True):
            last[spot] = max(last.get(spot, ""), year)
        keep = np.array([year == last[s] for s, year in zip(spots, years, strict=True)], dtype=bool)
        how = "the latest year of each place kept"
    else:
        wanted = str(spec.use_year)
        keep = np.array([year == wanted for year in years], dtype=bool)
        how = f"{wanted} kept"
        if not keep.any():
            return every, [stop("soil-year-unknown", at, f"no sample is of {wanted} ({said})",
                                todo="state a year of the table as use_year")]
    left = int((~keep).sum())
    return keep, [warn("soil-year-chosen", at, f"samples of several years ({said})",
                       value=str(left), done=f"{how}, {left} rows left out, as you chose")
                  ] if left else []


def _unchosen(
    spots: Sequence[tuple[int, str]], years: Sequence[str], dates: Sequence[str], *,
    by_column: bool, said: str, at: str,
) -> list[Finding]:
    known = set(years) - {""}
    if len(known) < 2:
        return []
    todo = 'state use_year: a year, or "latest" for the latest of each place'
    if by_column:
        return [stop("soil-several-years", at, f"samples of several years ({said}); choose",
                     todo=todo)]
    seen: dict[tuple[int, str], tuple[set[str], set[str]]] = {}
    for spot, year, day in zip(spots, years, dates, strict=True):
        found = seen.setdefault(spot, (set(), set()))
        if year:
            found[0].add(year)
            found[1].add(day)
    twice = sum(_apart(*found) for found in seen.values())
    if twice:
        return [stop("soil-several-years", at, f"{twice} places were sampled in several years "
                     f"({said}); choose", todo=todo)]
    if _apart(known, {day for day in dates if day}):
        return [warn("soil-years-mixed", at, f"samples differ in year ({said})",
                     done="used together, one year at each place", todo=todo)]
    return []
