"""One term of a need, over all zones or cells."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from vrx.model import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term:
    """What a rule adds (or, negative, subtracts): `lb_per_ac` in the shape of the question.

    `detail(i)` writes the arithmetic of zone i; `locator` and `evidence` as in `NeedLine`.
    `at_zero` holds locator and evidence of what makes the term 0, where that is another part of the
    guide. `credit` marks what comes by itself and is taken off the base need.
    """

    term: str
    lb_per_ac: FloatArray
    detail: Callable[[int], str]
    locator: str
    evidence: str
    at_zero: tuple[str, str] | None = None
    credit: bool = False

    def cited(self, i: int) -> tuple[str, str]:
        """(locator, evidence) for zone i."""
        if self.at_zero is not None and at(self.lb_per_ac, i) == 0:
            return self.at_zero
        return self.locator, self.evidence


def at(values: object, i: int) -> float:
    """Value i of an array of any shape, or the number itself."""
    held = np.asarray(values, dtype=np.float64)
    return float(held.ravel()[i] if held.size > 1 else held.ravel()[0])
