"""The application record as a table for spreadsheets, one line a field of each pass."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vrx.export.tables import write_table
from vrx.formats.application import COLUMNS, STEM
from vrx.model.application import ApplicationRecord


def write_application(
    records: Sequence[ApplicationRecord], folder: Path
) -> tuple[tuple[str, Path], ...]:
    """`application_record.csv` in `folder`, read back; gives (format, path). Raises `ExportError`.

    Blanks are empty cells; rates by zone follow the fields of their pass.
    """
    path = folder / f"{STEM}.csv"
    rows: list[list[object]] = []
    for one in records:
        head: list[object] = [one.pass_id, str(one.number)]
        rows += [[*head, field.section, field.key, field.label, field.value, field.unit,
                  field.filled_by] for field in one.fields]
        rows += [[*head, "Rates", f"rate_{letter}", f"Zone {letter}, {acres} ac", rate,
                  one.rate_unit, "vrx"] for letter, acres, rate in one.zones]
    write_table(path, COLUMNS, rows)
    return (("csv", path),)
