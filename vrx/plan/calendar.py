"""`[calendar]`: cuttings, frost and days of passes."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import date
from typing import Annotated

from pydantic import Field

from vrx.plan.base import Section, Text

Days = Annotated[int, Field(ge=0, le=60, strict=True)]


class CalendarCutting(Section):
    """`[[calendar.cutting]]`, in order: the first is cutting 1.

    `regrowth_2_in` is the day, seen or expected, with about 2 in of regrowth.
    """

    cut: date
    bales_off: date
    water_on: date | None = None
    regrowth_2_in: date | None = None


class CalendarPass(Section):
    """`[calendar.pass.<pass id>]`: the planned day, and days that a label or adviser forbids.

    `not_before` and `not_after` say why in `reason` (for example an injury date).
    """

    on: date | None = None
    not_before: date | None = None
    not_after: date | None = None
    reason: Text | None = None


class CalendarSection(Section):
    """`[calendar]`: the season's days; what is left out is not known.

    `regrowth_days` and `wheels_days` are days from the cut: to about 2 in of regrowth, and until
    wheels hurt. Dormant passes of the fall before the season need `killing_frost_last_fall`.
    """

    killing_frost: date | None = None
    killing_frost_last_fall: date | None = None
    green_up: date | None = None
    ground_freezes: date | None = None
    regrowth_days: Days | None = None
    wheels_days: Days | None = None
    cuttings: Annotated[tuple[CalendarCutting, ...], Field(alias="cutting", max_length=12)] = ()
    passes: dict[str, CalendarPass] = Field(default_factory=dict, alias="pass")

    def require_passes(self, ids: Sequence[str]) -> None:
        """Raises `ValueError` for a pass that the plan does not have."""
        require_passes(self.passes, ids, "calendar.pass")


def require_passes(told: Collection[str], ids: Sequence[str], section: str) -> None:
    """Raises `ValueError` for a section of a pass that the plan does not have."""
    strangers = sorted(set(told) - set(ids))
    if strangers:
        raise ValueError(f"[{section}.{strangers[0]}] fits no pass; the pass ids are "
                         f"{', '.join(ids)}")
