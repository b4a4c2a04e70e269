"""The applicator's sheet of each pass: what one person carries, fills in and signs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from vrx.model import Job, PassRates, TankFills
from vrx.report import care, numbers, passes, words

_ROWS = 3
_COLUMNS = 4
ZoneCells = tuple[str, str, str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """What stands on one sheet beside the pass itself (`passes.PassView` of the same number).

    `zones` are rows of letter, acres, rate and amount in columns of about equal height; `window` is
    "" where the job holds none. `cautions` are those of this pass, general ones among them.
    """

    number: int
    zones: tuple[tuple[ZoneCells, ...], ...]
    amount_unit: str
    window: str
    window_bad: bool
    planned: str
    fills: str
    cautions: tuple[str, ...]


def sheet_views(job: Job, cautions: Mapping[str, Sequence[str]]) -> dict[int, SheetView]:
    """By pass number; `cautions` by pass id."""
    windows = {one.number: one for one in care.care_view(job).windows}
    fills = {one.number: one for one in job.money.fills}
    found = {}
    for rates in job.prescription.passes:
        window = windows.get(rates.number)
        told = window is not None and window.window != "not known"
        found[rates.number] = SheetView(
            number=rates.number, zones=_columns(_zones(job, rates)),
            amount_unit=words.product_unit(rates.material),
            window=f"{window.window}" if window is not None and told else "",
            window_bad=window is not None and window.bad,
            planned="" if window is None or window.planned == "no day" else
            f"{window.planned}: {window.verdict}",
            fills=_fills(fills.get(rates.number)),
            cautions=tuple(cautions.get(rates.pass_id, ())),
        )
    return found


def _zones(job: Job, rates: PassRates) -> list[ZoneCells]:
    return [
        (zone.letter, numbers.acres(area), passes.rate_text(rates, zone.zone_id, value),
         numbers.fixed(value * area))
        for zone, area, value in zip(
            job.zones.zones, job.prescription.zone_area_ac, rates.rates.tolist(), strict=True)
    ]


def _columns(rows: list[ZoneCells]) -> tuple[tuple[ZoneCells, ...], ...]:
    count = min(max(1, -(-len(rows) // _ROWS)), _COLUMNS)
    tall = -(-len(rows) // count)
    return tuple(tuple(rows[k:k + tall]) for k in range(0, len(rows), tall))


def _fills(one: TankFills | None) -> str:
    """Tank fills of a liquid; "" where no tank is stated."""
    if one is None:
        return ""
    text = f"{one.fills:,} of at most {numbers.amount(one.tank, one.unit)}"
    if one.fills > 1:
        text += f", the last {numbers.amount(one.last_fill, one.unit)}"
    held = "tank" if one.unit == "gal" else "hopper"
    return (f"{text}; a full {held} covers {numbers.fixed(one.acres_per_fill, 1)} ac at the "
            f"average rate where it spreads, {numbers.fixed(one.acres_at_most, 1)} ac at the "
            "highest")
