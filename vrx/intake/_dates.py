"""Dates of sampling -> ISO text. A date that reads two ways needs a stated order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, datetime, timedelta

from vrx.model import Finding, note, stop, warn

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?")
_COMPACT = re.compile(r"(19|20)\d{6}")
_TWO_WAYS = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4}|\d{2})(?:[T ].*)?")
_WORDS = ("%d-%b-%Y", "%d-%b-%y", "%d %b %Y", "%d %B %Y", "%b %d, %Y", "%B %d, %Y", "%b %d %Y",
          "%B %d %Y")
OLD_YEARS = 3
"""Soil tests older than this before the season are warned of (common practice, no source)."""


def _made(year: int, month: int, day: int) -> date | None:
    if year < 100:
        year += 2000
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _both_ways(text: str) -> dict[str, date]:
    match = _TWO_WAYS.fullmatch(text)
    if match is None:
        return {}
    first, second, year = (int(group) for group in match.groups())
    ways = {"mdy": _made(year, first, second), "dmy": _made(year, second, first)}
    return {order: found for order, found in ways.items() if found is not None}


def _one_way(text: str, epoch: datetime | None) -> date | None:
    match = _ISO.fullmatch(text)
    if match:
        return _made(*(int(group) for group in match.groups()))
    if _COMPACT.fullmatch(text):
        return _made(int(text[:4]), int(text[4:6]), int(text[6:]))
    if epoch is not None and re.fullmatch(r"[2-6]\d{4}(\.\d+)?", text):
        return (epoch + timedelta(days=int(float(text)))).date()
    for pattern in _WORDS:
        try:
            return datetime.strptime(text, pattern).date()  # noqa: DTZ007 - a day, no moment
        except ValueError:
            continue
    ways = set(_both_ways(text).values())
    return ways.pop() if len(ways) == 1 else None


def _order(doubtful: Sequence[str], sure: Sequence[date]) -> str | None:
    """ "mdy" or "dmy": the only one that puts all doubtful dates among the sure ones."""
    if not sure:
        return None
    low, high = min(sure), max(sure)
    fits = [
        order for order in ("mdy", "dmy")
        if all(low <= _both_ways(text)[order] <= high for text in doubtful)
    ]
    return fits[0] if len(fits) == 1 else None


def _order_of_others(texts: Sequence[str]) -> str | None:
    """The order that dates such as 10/25/2025 prove for a whole column."""
    proofs = {next(iter(ways)) for text in texts if len(ways := _both_ways(text)) == 1}
    return proofs.pop() if len(proofs) == 1 else None


def iso_dates(
    texts: Sequence[str], *, where: str, order: str | None, epoch: datetime | None
) -> tuple[list[str], list[Finding]]:
    """ISO dates, "" where missing or unreadable, and findings (a stop for a two-way date)."""
    findings: list[Finding] = []
    known = [_one_way(text, epoch) if text else None for text in texts]
    doubtful = [
        t for t, k in zip(texts, known, strict=True) if k is None and len(_both_ways(t)) > 1
    ]
    if doubtful:
        proved = _order_of_others(texts)
        found = order or proved or _order(doubtful, [k for k in known if k is not None])
        if found is None:
            findings.append(stop(
                "soil-date-two-ways", where, f"{len(doubtful)} dates such as {doubtful[0]!r} can "
                "be read as month/day or day/month", todo='state date_order, "mdy" or "dmy"'))
            return [k.isoformat() if k else "" for k in known], findings
        known = [k if k is not None else _both_ways(t).get(found)
                 for t, k in zip(texts, known, strict=True)]
        why = "as stated" if order else "as the other dates of the column show"
        words = "month/day" if found == "mdy" else "day/month"
        findings.append(note("soil-date-order", where, f"{len(doubtful)} dates such as "
                             f"{doubtful[0]!r} read two ways", done=f"read as {words}, {why}"))
    serial = sum(1 for text in texts if epoch and re.fullmatch(r"[2-6]\d{4}(\.\d+)?", text))
    if serial:
        findings.append(note("soil-date-serial", where, f"{serial} dates are serial numbers",
                             done=f"counted from {epoch.date() if epoch else ''}"))
    unread = [t for t, k in zip(texts, known, strict=True) if t and k is None]
    if unread:
        findings.append(warn("soil-date-unreadable", where,
                             f"{len(unread)} dates cannot be read, such as {unread[0]!r}",
                             done="taken as missing", todo="write them as 2026-10-14"))
    return [k.isoformat() if k else "" for k in known], findings


def age_findings(dates: Sequence[str], *, season: int | None, where: str) -> list[Finding]:
    """Warnings for tests without a date or more than three years older than 1 January."""
    findings: list[Finding] = []
    missing = sum(1 for day in dates if not day)
    if missing:
        findings.append(warn("soil-test-no-date", where,
                             f"{missing} of {len(dates)} samples have no date of sampling",
                             done="their age is not known",
                             todo="give date_column or sampled_on"))
    if season is None:
        return findings
    limit = date(season - OLD_YEARS, 1, 1).isoformat()
    old = sorted(day for day in dates if day and day < limit)
    late = sorted(day for day in dates if day > date(season, 12, 31).isoformat())
    if old:
        findings.append(warn(
            "soil-test-old", where, f"{len(old)} of {len(dates)} samples were taken more than "
            f"{OLD_YEARS} years before the season {season}, the oldest on {old[0]}",
            done="used as they are", todo="sample again before relying on these rates"))
    if late:
        findings.append(warn("soil-date-late", where, f"{len(late)} samples are dated after the "
                             f"season {season}, such as {late[-1]}", done="used as they are",
                             todo="check the dates and the season"))
    return findings
