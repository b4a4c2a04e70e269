"""Whether the machine worked: words and numbers of a column of states; none is guessed."""

from __future__ import annotations

import numpy as np

from vrx.errors import InputError
from vrx.intake._numbers import number_of
from vrx.intake._raise import listed
from vrx.intake.yields._columns import LogTable
from vrx.model import BoolArray

_OFF = frozenset({
    "", "off", "up", "false", "no", "n", "f", "out", "raised", "lifted", "inactive", "suspended",
    "paused", "stopped", "idle", "disengaged", "disabled", "not working", "transport", "turning"})
_ON = frozenset({
    "on", "down", "true", "yes", "y", "t", "in", "lowered", "active", "working", "engaged",
    "enabled", "recording", "harvesting", "baling", "cutting"})


def switched(table: LogTable, heading: str | None) -> BoolArray | None:
    """True where the column says that the machine worked, (n,). `InputError` for unknown words."""
    if heading is None:
        return None
    codes, words = table.labels[heading]
    state = [_on(word) for word in words]
    unknown = [word for word, on in zip(words, state, strict=True) if on is None]
    if unknown:
        raise InputError(
            f"{listed([repr(word) for word in unknown[:5]])} may mean working or not",
            code="yield-working-unclear", where=f"{table.file}, column {heading}",
            hint="write 1 where the machine worked and 0 where it did not, or leave "
            "working_column out")
    return np.asarray(np.array([bool(on) for on in state], dtype=bool)[codes])


def _on(word: str) -> bool | None:
    plain = word.strip().casefold()
    if plain in _OFF or plain in _ON:
        return plain in _ON
    value = number_of(plain, ".")
    return None if value is None else value != 0
