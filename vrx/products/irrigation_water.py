"""Water and injection arithmetic: acre-inches, hours, pump settings, catch tubes.

Definitions only: the acre-inch is the international acre times an inch, the gallon 231 cubic
inches; 1 acre-inch is 27,154.286 gal and 452.571 gpm put on one acre-inch in an hour.
"""

from __future__ import annotations

import math

from vrx.units import ACRE_M2, GAL_M3, IN_M

GAL_PER_AC_IN = ACRE_M2 * IN_M / GAL_M3
"""US gallons in an acre-inch, 27,154.286."""
GPM_PER_AC_IN_PER_H = GAL_PER_AC_IN / 60.0
"""Gallons a minute that put on one acre-inch in an hour, 452.571."""
ML_PER_GAL = GAL_M3 * 1e6


def gross_in(flow_gpm: float, *, hours: float, acres: float) -> float:
    """Inches that a flow puts on `acres` in `hours`, nothing lost."""
    return flow_gpm * hours / (GPM_PER_AC_IN_PER_H * acres)


def hours_for_depth(depth_in: float, *, flow_gpm: float, acres: float) -> float:
    """Hours that a flow needs to put `depth_in` on `acres`: 6 gpm on 1.8 ac need 136 h an inch."""
    return depth_in * GPM_PER_AC_IN_PER_H * acres / flow_gpm


def net_in(gross: float, *, efficiency_pct: float) -> float:
    """Inches that stay in the root zone, by an application efficiency that the user states."""
    return gross * efficiency_pct / 100.0


def tower_ft_per_h(degrees_per_h: float, *, last_tower_ft: float) -> float:
    """Feet an hour of the last tower on its circle."""
    return degrees_per_h / 360.0 * 2.0 * math.pi * last_tower_ft


def degrees_per_h(tower_speed_ft_per_h: float, *, last_tower_ft: float) -> float:
    """Degrees an hour at a speed of the last tower."""
    return tower_speed_ft_per_h / (2.0 * math.pi * last_tower_ft) * 360.0


def catch_tube_ml_per_min(gal_per_h: float) -> float:
    """What a calibration tube must lose in a minute at a pump setting."""
    return gal_per_h * ML_PER_GAL / 60.0


def minutes_per_gal(gal_per_h: float) -> float:
    """Minutes to draw one gallon; North Dakota's calibration: gal/h = 60 / minutes per gallon."""
    return 60.0 / gal_per_h
