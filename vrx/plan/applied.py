"""`applied.toml`: what the user states about as-applied logs of a pass."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, ValidationError, model_validator

from vrx.errors import PlanError
from vrx.plan.base import NotNegative, Positive, Section, Text
from vrx.plan.load import describe

SETTINGS = "applied.toml"
_MOST_BYTES = 1 << 20
_PAIRS = (("rate_column", "rate_unit"), ("width_column", "width_unit"),
          ("speed_column", "speed_unit"), ("time_column", "time_unit"),
          ("longitude_column", "latitude_column"), ("easting_column", "northing_column"))


class AppliedSettings(Section):
    """Columns and units of the logs, the user's tolerance, and what else is known of the pass.

    Time logs of ISO 11783-10 state their own units. `delay_s` are the seconds after which the log
    tells what fell (below 0 where product falls after it is logged). `least_ac` is the least ground
    worth a second trip; without it `smallest_ac` of the plan's zones. `counter_amount` (lb or gal)
    and `counter_ac` are what the machine's own counters say.
    """

    pass_id: Text = Field(alias="pass")
    tolerance_pct: Annotated[float, Field(ge=0, lt=100, strict=True)]
    rate_column: Text | None = None
    rate_unit: Text | None = None
    longitude_column: Text | None = None
    latitude_column: Text | None = None
    easting_column: Text | None = None
    northing_column: Text | None = None
    crs: Text | None = None
    layer: Text | None = None
    sheet: Text | None = None
    decimal_mark: Text | None = None
    width_column: Text | None = None
    width_unit: Text | None = None
    width_ft: Positive | None = None
    speed_column: Text | None = None
    speed_unit: Text | None = None
    time_column: Text | None = None
    time_unit: Text | None = None
    master_column: Text | None = None
    trip_column: Text | None = None
    delay_s: Annotated[float, Field(ge=-120, le=120, strict=True)] = 0.0
    rate_element: Text | None = None
    width_element: Text | None = None
    state_element: Text | None = None
    least_ac: NotNegative | None = None
    tickets: Text | None = None
    counter_amount: NotNegative | None = None
    counter_ac: NotNegative | None = None

    @model_validator(mode="after")
    def _pairs_are_whole(self) -> Self:
        for one, other in _PAIRS:
            if (getattr(self, one) is None) != (getattr(self, other) is None):
                raise ValueError(f"{one} and {other} belong together")
        if self.width_column is not None and self.width_ft is not None:
            raise ValueError("give width_column or width_ft, not both")
        return self


def load_applied(path: Path | None, overrides: Mapping[str, object]) -> AppliedSettings:
    """The settings of a file (None for no file), with `overrides` over them. Raises `PlanError`."""
    held: dict[str, object] = {}
    where = "options" if path is None else str(path)
    if path is not None:
        try:
            if path.exists() and not path.is_file():
                raise PlanError("is a folder, a device or a pipe, not a file",
                                code="plan-unreadable", where=where, hint="name the settings")
            if path.stat().st_size > _MOST_BYTES:
                raise PlanError("has more than 1 MiB", code="plan-too-large", where=where,
                                hint="these settings have some twenty lines")
            held = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except PlanError:
            raise
        except (ValueError, RecursionError) as err:
            raise PlanError(f"not valid TOML: {err}", code="plan-syntax", where=where,
                            hint="texts stand in quotation marks, one key a line") from err
        except OSError as err:
            raise PlanError(f"cannot be read: {err.strerror or err}", code="plan-unreadable",
                            where=where, hint="name the file of settings") from err
    try:
        return AppliedSettings.model_validate({**held, **overrides})
    except ValidationError as err:
        raise PlanError(
            "; ".join(describe(one, root=AppliedSettings)
                      for one in err.errors(include_url=False)),
            code="plan-value", where=where, hint="see vrx reconcile --help") from err


def require_pass(settings: AppliedSettings, known: list[str], *, where: str) -> None:
    """Raise `PlanError` for a pass that the run does not have."""
    if settings.pass_id in known:
        return
    near = difflib.get_close_matches(settings.pass_id, known, n=1)
    raise PlanError(
        f"the run has no pass {settings.pass_id!r}", code="applied-pass", where=where,
        hint=(f"did you mean {near[0]!r}? " if near else "") + f"its passes: {', '.join(known)}")
