"""Loading check and equipment sheet made ready for print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from vrx.model import FITS, MAY_NOT, NOT_KNOWN, Job, LoadCheck, MachineFile, SheetLine
from vrx.report import numbers

_WORDS = {
    FITS: "This will load", MAY_NOT: "May not load",
    NOT_KNOWN: "Nothing known speaks against it",
}
MOST_FILES = 24
"""Loading checks that the page shows; the job record holds all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadView:
    """One file against one machine. `lines` are (item, found, limit, verdict, source)."""

    file: str
    format: str
    passes: str
    words: str
    bad: bool
    because: tuple[str, ...]
    unknown: str
    lines: tuple[tuple[str, str, str, str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """The equipment of one pass. Lines are (item, stated, words, source, to be checked)."""

    number: int
    material: str
    lines: tuple[tuple[str, str, str, str, bool], ...]


def machine_view(job: Job) -> dict[str, object] | None:
    """Loading checks, files made for a machine and equipment sheets; None without any."""
    fit = job.fit
    if not fit.loads and not fit.sheets:
        return None
    numbers_of = {one.pass_id: one.number for one in job.prescription.passes}
    ordered = sorted(fit.loads, key=lambda one: (FITS, NOT_KNOWN, MAY_NOT).index(one.verdict))
    return {
        "loads": [_load(one, numbers_of) for one in ordered[:MOST_FILES]],
        "more": max(len(ordered) - MOST_FILES, 0),
        "files": [_file(one, numbers_of) for one in fit.files],
        "sheets": [
            SheetView(number=one.number, material=one.material,
                      lines=tuple(_line(each) for each in one.lines)) for one in fit.sheets],
    }


def _passes(ids: Sequence[str], numbers_of: dict[str, int]) -> str:
    return numbers.listing([str(numbers_of[one]) for one in ids])


def _load(one: LoadCheck, numbers_of: dict[str, int]) -> LoadView:
    return LoadView(
        file=one.file, format=one.format, passes=_passes(one.pass_ids, numbers_of),
        words=_WORDS[one.verdict], bad=one.verdict == MAY_NOT, because=one.because,
        unknown=numbers.listing(list(one.unknown)) if one.unknown else "",
        lines=tuple((line.item, line.found, line.limit, line.verdict, line.source)
                    for line in one.lines))


def _file(one: MachineFile, numbers_of: dict[str, int]) -> tuple[str, str, str]:
    cut = one.reduction
    words = "all corners kept"
    if cut is not None:
        outline = "the outline as it was" if cut.outline_kept else "the outline too"
        totals = "; ".join(f"pass {numbers_of[name]} {numbers.amount(after, unit)} against "
                           f"{numbers.amount(before, unit)}"
                           for name, unit, before, after in cut.totals)
        words = (f"{cut.vertices_before:,} corners came down to {cut.vertices_after:,}, {outline}; "
                 f"edges moved {cut.edge_ft:.1f} ft at most, {cut.moved_ac:.3f} ac have another "
                 f"rate, {cut.outside_ac:.3f} ac lie beyond the field; {totals}")
    return one.folder, _passes(one.pass_ids, numbers_of), words


def _line(one: SheetLine) -> tuple[str, str, str, str, bool]:
    return one.item, one.stated, one.words, one.source, one.verdict == "check"
