"""What a machine can follow: the rules that every source of zones is held to."""

from __future__ import annotations

import math
from dataclasses import dataclass

from vrx.errors import ComputeError
from vrx.units import FT_M


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineRules:
    """Limits of zones. 0 does without a limit.

    `smallest_ac` acres; `narrowest_m` metres, across `driving_deg` (compass degrees of the driving
    direction, clockwise from north) or, without it, in any direction; `most_zones` zones.
    `smooth_m` is the standard deviation in metres of the Gaussian that classes are blurred with
    before they are cut, `simplify_m` how far a traced edge may move from the cells (None: 1.5
    cells, so that stair steps become diagonals).

    Raises:
        ComputeError: a limit below 0 or not finite, `most_zones` below 1.
    """

    smallest_ac: float = 2.0
    narrowest_m: float = 60 * FT_M
    most_zones: int = 12
    driving_deg: float | None = None
    smooth_m: float = 0.0
    simplify_m: float | None = None

    def __post_init__(self) -> None:
        for name in ("smallest_ac", "narrowest_m", "smooth_m", "simplify_m"):
            value = getattr(self, name)
            if value is not None and (not math.isfinite(value) or value < 0):
                raise ComputeError(
                    f"{name} is {value}, it must be 0 or more", code="zones-limit",
                    hint=f"set {name} to 0 to do without it",
                )
        if self.most_zones < 1:
            raise ComputeError(
                f"most_zones is {self.most_zones}, it must be 1 or more", code="zones-limit"
            )
        if self.driving_deg is not None and not math.isfinite(self.driving_deg):
            raise ComputeError(
                f"driving_deg is {self.driving_deg}, no direction", code="zones-limit",
                hint="give compass degrees, 0 for driving north and south, 90 for east and west",
            )

    def width_words(self) -> str:
        """The least width in words."""
        feet = f"{self.narrowest_m / FT_M:.0f} ft"
        if self.driving_deg is None:
            return feet
        return f"{feet} across the driving direction ({self.driving_deg:g} degrees)"

    def words(self) -> str:
        """All rules in words."""
        parts = [f"smallest {self.smallest_ac:g} ac", f"narrowest {self.width_words()}"]
        if self.smooth_m > 0:
            parts.append(f"smoothed over {self.smooth_m / FT_M:.0f} ft")
        if self.simplify_m is not None:
            parts.append(f"edges within {self.simplify_m / FT_M:.0f} ft")
        return ", ".join(parts)
