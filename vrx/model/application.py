"""The application record of a pass: what is known is filled in, the rest the operator writes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordField:
    """One line. `key` is stable; `value` "" is a blank that the operator fills in by hand.

    `filled_by` is "plan" (stated by the user), "vrx" (computed) or "operator".
    """

    section: str
    key: str
    label: str
    value: str = ""
    unit: str = ""
    filled_by: str = "operator"


@dataclass(frozen=True, slots=True, kw_only=True)
class ApplicationRecord:
    """The record of one pass over one field; `zones` are (letter, acres, rate) as text."""

    pass_id: str
    number: int
    field: str
    fields: tuple[RecordField, ...]
    rate_unit: str
    zones: tuple[tuple[str, str, str], ...]
