"""Cells of one column -> numbers, seconds or label codes; what cannot be read is gathered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from vrx.intake._numbers import MISSING, Number, degrees_of, number_of
from vrx.intake._raise import listed
from vrx.model import Finding, FloatArray, IntArray, note, stop

if TYPE_CHECKING:
    import pandas as pd

CLOCK = "hh:mm:ss"
_DAY_1900_S = -2208988800.0
SPELLED_MISSING = tuple(sorted({s for m in MISSING for s in (m, m.upper(), m.capitalize())}))


@dataclass(slots=True, kw_only=True)
class NumberColumn:
    """Numbers of a column, piece by piece."""

    heading: str
    decimal: str
    degrees: bool = False
    pieces: list[FloatArray] = field(default_factory=list)
    bad: list[tuple[int, str]] = field(default_factory=list)
    bad_count: int = 0

    def add(self, cells: pd.Series, record: IntArray) -> None:
        """Append a piece; cells are numbers already or text."""
        import pandas as pd

        if pd.api.types.is_numeric_dtype(cells.dtype) and cells.dtype != bool:
            values = cells.to_numpy(dtype=np.float64, na_value=np.nan)
            self._note_bad(np.isinf(values), values.astype(object), record)
            self.pieces.append(np.where(np.isinf(values), np.nan, values))
            return
        codes, spelled = pd.factorize(cells.astype(object))
        read = degrees_of if self.degrees else number_of
        known = np.full(len(spelled) + 1, np.nan)
        wrong = np.zeros(len(spelled) + 1, dtype=bool)
        for k, word in enumerate(spelled):
            text = str(word).strip()
            if text.casefold() in MISSING:
                continue
            value = read(word if isinstance(word, Number) else text, self.decimal)
            known[k], wrong[k] = (np.nan, True) if value is None else (value, False)
        # Code -1 (no cell) reads the last place, which is NaN.
        self._note_bad(wrong[codes], cells.to_numpy(dtype=object), record)
        self.pieces.append(known[codes])

    def _note_bad(self, which: FloatArray, cells: FloatArray, record: IntArray) -> None:
        found = np.flatnonzero(which)
        self.bad_count += len(found)
        self.bad += [(int(record[k]), str(cells[k])) for k in found[: 20 - len(self.bad)]]

    def values(self) -> FloatArray:
        """All numbers, (n,)."""
        return np.concatenate(self.pieces) if self.pieces else np.empty(0)


@dataclass(slots=True, kw_only=True)
class LabelColumn:
    """Words of a column as codes into `words`, piece by piece."""

    heading: str
    pieces: list[IntArray] = field(default_factory=list)
    words: dict[str, int] = field(default_factory=dict)

    def add(self, cells: pd.Series) -> None:
        """Append a piece."""
        import pandas as pd

        codes, spelled = pd.factorize(cells.astype(object))
        own = [self.words.setdefault(str(w).strip(), len(self.words)) for w in spelled]
        if (codes < 0).any():
            own.append(self.words.setdefault("", len(self.words)))
        self.pieces.append(np.asarray(own or [0], dtype=np.int64)[codes])

    def values(self) -> tuple[IntArray, tuple[str, ...]]:
        """Codes (n,) and what they mean."""
        codes = np.concatenate(self.pieces) if self.pieces else np.empty(0, dtype=np.int64)
        return codes, tuple(self.words)


@dataclass(slots=True, kw_only=True)
class TimeColumn:
    """Written moments as seconds since 1970 (or of the day), piece by piece."""

    heading: str
    unit: str = "ISO 8601"
    pieces: list[FloatArray] = field(default_factory=list)
    bad: list[tuple[int, str]] = field(default_factory=list)
    bad_count: int = 0

    def add(self, cells: pd.Series, record: IntArray) -> None:
        """Append a piece; moments without a time zone are taken as UTC (only gaps matter)."""
        import pandas as pd

        text = cells.astype(object)
        words = text.where(text.isna(), text.astype(str).str.strip())
        way = {"ISO 8601": "ISO8601", CLOCK: "%H:%M:%S"}.get(self.unit, self.unit)
        if self.unit == CLOCK:
            # Tenths are written now and then; they are taken off and put back.
            parts = words.astype(object).str.partition(".")
            words, rest = parts[0], pd.to_numeric("0." + parts[2].fillna("") + "0", errors="coerce")
        moments = pd.to_datetime(words, format=way, utc=True, errors="coerce")
        seconds = moments.to_numpy(dtype="datetime64[ns]").astype(np.int64) / 1e9
        if self.unit == CLOCK:
            seconds = seconds - _DAY_1900_S + rest.to_numpy(dtype=np.float64)
        missing = moments.isna().to_numpy()
        blank = (text.isna() | (text.astype(str).str.strip() == "")).to_numpy()
        found = np.flatnonzero(missing & ~blank)
        self.bad_count += len(found)
        self.bad += [(int(record[k]), str(text.iloc[k])) for k in found[: 20 - len(self.bad)]]
        self.pieces.append(np.where(missing, np.nan, seconds))

    def values(self) -> FloatArray:
        """All moments, (n,), NaN where missing."""
        return np.concatenate(self.pieces) if self.pieces else np.empty(0)


def unreadable(
    columns: Sequence[NumberColumn | TimeColumn], *, file: str, row_word: str, first: int
) -> tuple[bool, list[Finding]]:
    """Whether the first row holds units, and a stop for every column with unreadable cells."""
    numbers = [c for c in columns if isinstance(c, NumberColumn)]
    units = bool(numbers) and all(c.bad and c.bad[0][0] == first for c in numbers)
    findings: list[Finding] = []
    for column in columns:
        skip = int(units and bool(column.bad) and column.bad[0][0] == first)
        bad, count = column.bad[skip:], column.bad_count - skip
        if count:
            shown = listed(f"{text!r} ({row_word} {row})" for row, text in bad[:5])
            more = f" and {count - 5} more" if count > 5 else ""
            what = f"no time as {column.unit}" if isinstance(column, TimeColumn) else "no number"
            findings.append(stop("layer-value-unreadable", f"{file}, column {column.heading}",
                                 f"{what}: {shown}{more}",
                                 todo="mend these cells, or empty them where nothing was measured"))
    if units:
        words = "; ".join(c.bad[0][1] for c in numbers)
        findings.append(note("layer-units-row", f"{file} {row_word} {first}",
                             f"holds units, no reading ({words})",
                             done="left out; the units that you state are used"))
    return units, findings
