"""`[limits]`: ceilings of the season that the user sets."""

from __future__ import annotations

from vrx.plan.base import Positive, Section, Text


class LimitsSection(Section):
    """`[limits]`: pounds an acre over the whole season, hard in every zone.

    `k2o_split_lb_per_ac` is the K2O of one pass above which a split is advised.
    """

    s_lb_per_ac: Positive | None = None
    s_reason: Text | None = None
    k2o_lb_per_ac: Positive | None = None
    n_lb_per_ac: Positive | None = None
    cl_lb_per_ac: Positive | None = None
    k2o_split_lb_per_ac: Positive | None = None

    def ceilings(self) -> dict[str, float]:
        """Ceilings beside that of S, by nutrient."""
        held = {"K2O": self.k2o_lb_per_ac, "N": self.n_lb_per_ac, "Cl": self.cl_lb_per_ac}
        return {name: most for name, most in held.items() if most is not None}
