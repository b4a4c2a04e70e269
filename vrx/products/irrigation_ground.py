"""Which of the wetted ground lies in the field, leg by leg."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from vrx.model import InjectionLeg
from vrx.products.irrigation_pivot import Pivot
from vrx.units import ACRE_M2, FT_M

_STEP_DEG = 0.25
"""Widest angle between vertices; chords then lose less than 1e-6 of the area."""


def leg_polygon(
    pivot: Pivot, leg: InjectionLeg, centre_m: tuple[float, float]
) -> shapely.Polygon:
    """The ground that a pivot's leg wets, in the metres of `centre_m` (easting, northing)."""
    if leg.start_deg is None or leg.sweep_deg is None:
        raise ValueError("a set has no place on the ground")
    steps = max(2, math.ceil(abs(leg.sweep_deg) / _STEP_DEG))
    azimuths = leg.start_deg + np.linspace(0.0, leg.sweep_deg, steps + 1)
    reach = FT_M * np.array([
        pivot.reach_ft(float(one), end_gun=leg.end_gun, corner_arm=leg.corner_arm)
        for one in azimuths])
    turned = np.radians(azimuths)

    def ring(radius: object) -> np.ndarray:
        return np.column_stack([centre_m[0] + radius * np.sin(turned),
                                centre_m[1] + radius * np.cos(turned)])

    inner = pivot.inner_radius_ft * FT_M
    if abs(leg.sweep_deg) >= 360.0 - 1e-9:
        holes = [ring(np.full(len(turned), inner))] if inner > 0 else []
        return shapely.Polygon(ring(reach), holes)
    back = ring(np.full(len(turned), inner))[::-1] if inner > 0 else np.array([centre_m])
    return shapely.Polygon(np.vstack([ring(reach), back]))


def shares_of(
    pivot: Pivot, legs: Sequence[InjectionLeg], centre_m: tuple[float, float],
    polygons: Sequence[shapely.Geometry],
) -> np.ndarray:
    """Acres of each polygon that each leg wets, (legs, polygons)."""
    shapes = np.array([leg_polygon(pivot, leg, centre_m) for leg in legs], dtype=object)
    ground = np.array(list(polygons), dtype=object)
    shapely.prepare(shapes)
    return np.asarray(
        shapely.area(shapely.intersection(shapes[:, None], ground[None, :])) / ACRE_M2)


def with_field_acres(
    pivot: Pivot, legs: Sequence[InjectionLeg], centre_m: tuple[float, float],
    boundary: shapely.Geometry,
) -> tuple[InjectionLeg, ...]:
    """The legs with the acres of the field (in the CRS of `centre_m`) that each wets."""
    acres = shares_of(pivot, legs, centre_m, [boundary])[:, 0]
    return tuple(replace(leg, field_ac=min(float(ac), leg.wetted_ac))
                 for leg, ac in zip(legs, acres, strict=True))
