"""What is left to apply: never below 0, nothing where the ground is within tolerance."""

from __future__ import annotations

import numpy as np

from vrx.model import AppliedZones, FloatArray


def left_rates(*, zones: AppliedZones, tolerance_pct: float) -> FloatArray:
    """Rate (zones,) that brings each zone's mean to its target; 0 within the tolerance of it.

    A zone's mean is what all its ground got, skipped ground included, so zones should be cut along
    the ground that is short before this is asked.
    """
    short = np.maximum(zones.target_rate - zones.applied_rate, 0.0)
    enough = short <= zones.target_rate * tolerance_pct / 100.0
    return np.asarray(np.where(enough, 0.0, short), dtype=np.float64)
