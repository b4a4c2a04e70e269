"""Ceilings of the season that the user sets for K2O, N and Cl: hard in every zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

import numpy as np

from vrx.model import Finding, FloatArray, Material, PassRates, stop

TINY = 1e-9
NO_CEILINGS: Mapping[str, float] = MappingProxyType({})


class SeasonCeilings:
    """What the passes so far leave of each ceiling, counted in rates that a machine can set."""

    def __init__(self, most: Mapping[str, float], *, zones: int) -> None:
        self.most = most
        self.brought = {name: np.zeros(zones) for name in most}

    def caps(self, material: Material, step: float) -> list[tuple[str, FloatArray]]:
        """(words, rates (zones,) in the material's unit): on a step, so that rounding keeps it."""
        found = []
        for name, most in self.most.items():
            per = material.nutrient_lb_per_unit(name)
            if per > 0:
                left = np.maximum(most - self.brought[name], 0.0) / per
                found.append((f"what your ceiling of {most:g} lb {name}/ac leaves",
                              np.asarray(np.floor(left / step + TINY) * step)))
        return found

    def book(self, material: Material, planned: FloatArray, step: float) -> None:
        """Count a pass in at the nearest step, as it will be rounded."""
        rates = np.floor(planned / step + 0.5 + TINY) * step
        for name in self.most:
            self.brought[name] += rates * material.nutrient_lb_per_unit(name)


def ceiling_findings(
    passes: Sequence[PassRates], most: Mapping[str, float], *, zone_names: Sequence[str]
) -> tuple[Finding, ...]:
    """A stop for every ceiling that rounded rates break, whoever planned them."""
    found = []
    for name, top in most.items():
        total = sum((one.rates * one.material.nutrient_lb_per_unit(name) for one in passes),
                    start=np.zeros(len(zone_names)))
        over = np.flatnonzero(total > top + 1e-6)
        if len(over):
            named = ", ".join(f"{zone_names[i]} ({total[i]:.4g})" for i in over[:6])
            zones = f"zone{'s' if len(over) > 1 else ''} {named}"
            found.append(stop(
                "pass-above-ceiling", "season",
                f"{name} above your ceiling of {top:g} lb/ac in {zones}",
                value=f"{float(total.max()):.6g} lb {name}/ac",
                todo=f"lower rates or shares, or raise the ceiling of {name} in [limits]"))
    return tuple(found)
