"""What a user chooses about task data of ISO 11783-10; pure values."""

from __future__ import annotations

from dataclasses import dataclass

POLYGONS, CODES, VALUES = "polygons", "grid type 1", "grid type 2"


@dataclass(frozen=True, slots=True, kw_only=True)
class FallbackRates:
    """Rates of one pass in its material's unit where the map says nothing.

    `default` where no zone applies, `position_lost` while the machine does not know its place,
    `outside` beyond the field.
    """

    default: float = 0.0
    position_lost: float = 0.0
    outside: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TaskDataOptions:
    """`form` is "polygons", "grid type 1" (zone codes), "grid type 2" (values), or "": polygons
    where a task holds them all, else grid type 2.

    `one_task` puts all passes into one task, else each has its own. `cell_m` is the side of grid
    cells on the ground, metres. `customer` and `farm` are names that the operator picks the task
    by, "" where nobody gave them. `passes` are pass ids, () for all. `fallbacks` is keyed by pass
    id; what is not there is 0 (off).
    """

    form: str = ""
    one_task: bool = False
    cell_m: float = 5.0
    customer: str = ""
    farm: str = ""
    passes: tuple[str, ...] = ()
    fallbacks: tuple[tuple[str, FallbackRates], ...] = ()

    def fallback(self, pass_id: str) -> FallbackRates:
        """The rates of a pass where the map says nothing."""
        return dict(self.fallbacks).get(pass_id, FallbackRates())
