"""The operator's schedule as CSV, one step a row, read back before it is kept."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from vrx.errors import ExportError
from vrx.export.write import write_together
from vrx.formats.crew import safe_cell
from vrx.formats.irrigation import COLUMNS, STEM
from vrx.model import INJECT, OFF, InjectionSchedule, ScheduleStep


def write_schedules(
    schedules: Sequence[InjectionSchedule], folder: Path
) -> tuple[tuple[str, Path], ...]:
    """Write `irrigation_<pass id>.csv` of each schedule; gives (format, path) of each.

    Texts are safe against spreadsheet formulas, numbers have 8 significant digits. Raises
    `ExportError`; `folder` then holds what it held before.
    """
    return write_together(folder, [("csv", partial(_write, one)) for one in schedules])


def _write(made: InjectionSchedule, folder: Path) -> Sequence[Path]:
    path = folder / f"{STEM}_{made.pass_id}.csv"
    meant = [[safe_cell(cell) if isinstance(cell, str) else _number(cell)
              for cell in _row(made, number, step)] for number, step in enumerate(made.steps, 1)]
    # The mark at the beginning lets spreadsheets read the degree sign rightly.
    with path.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(COLUMNS)
        writer.writerows(meant)
    _compare(path, meant)
    return (path,)


def _row(
    made: InjectionSchedule, number: int, step: ScheduleStep
) -> list[str | float | None]:
    leg = made.legs[step.leg]
    fill = step.fill
    place = f"set {step.leg + 1}" if not made.is_pivot else (
        "" if step.what not in (INJECT, OFF) else leg.label)
    day = None if not made.sets_per_day else float(step.leg // made.sets_per_day + 1)
    head: list[str | float | None] = [float(number), step.what, place]
    if fill is not None:
        told: list[str | float | None] = [fill.at_deg, None, step.start_h, None, day]
        return [*head, *told, *[None] * 11, (fill.number - 1) * (made.tank_gal or 0.0),
                fill.gallons, None, None, None]
    if step.what not in (INJECT, OFF):
        return [*head, None, None, step.start_h, step.hours, day, *[None] * 16]
    return [
        *head, leg.start_deg, leg.stop_deg, step.start_h, step.hours, day, leg.wetted_ac,
        leg.field_ac, leg.ac_per_h, leg.gross_in, leg.net_in, leg.speed_pct,
        _on(leg.end_gun) if made.is_pivot else "", _on(leg.corner_arm) if made.is_pivot else "",
        leg.gal_per_ac, leg.gal_per_h, leg.gallons, leg.cumulative_gal, None, leg.hold_gal_per_h,
        leg.one_setting_gal_per_ac, leg.hold_hours,
    ]


def _on(running: bool) -> str:  # noqa: FBT001 - the one thing that it is about
    return "on" if running else "off"


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.8g}"


def _compare(path: Path, meant: Sequence[Sequence[str]]) -> None:
    import pandas as pd

    read = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    if list(read.columns) != list(COLUMNS) or read.to_numpy().tolist() != [*map(list, meant)]:
        raise ExportError(
            "read back after writing, it differs: cells are not those that were written",
            code="export-differs", where=str(path),
            hint="nothing was replaced; try again, and on another disk")

