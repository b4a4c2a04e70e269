"""Invented zones, ways and logs in plain metres around the field's centre."""

from __future__ import annotations

import numpy as np
import shapely

from vrx import geo
from vrx.model import AppliedGround, Zone, Zones

CENTRE = (-93.6, 41.02)
AC_M2 = 4046.8564224


def zones_of(*polygons: shapely.Geometry) -> Zones:
    return Zones(basis="invented", zones=tuple(
        Zone(zone_id=k, letter=chr(64 + k), polygon=polygon, area_ac=geo.area_ac(polygon, CENTRE),
             label=f"zone {k}")
        for k, polygon in enumerate(polygons, 1)))


def ground_of(polygons: object, rate: object, unit: str = "lb/ac") -> AppliedGround:
    shapes = np.empty(len(polygons), dtype=object)
    shapes[:] = list(polygons)
    rates = np.broadcast_to(np.asarray(rate, dtype=np.float64), (len(shapes),)).copy()
    return AppliedGround(
        files=("log.csv",), unit=unit, polygons=shapes, rate=rates,
        record=np.arange(1, len(shapes) + 1), log=np.zeros(len(shapes), dtype=np.int64),
        left_out={})


def to_and_fro(*, passes: int, length_m: float, apart_m: float, step_m: float) -> tuple:
    """Places (n, 2) and trips (n,) of a machine that drives north and south, side by side."""
    along = np.arange(0.0, length_m + step_m / 2, step_m)
    at, run = [], []
    for k in range(passes):
        way = along if k % 2 == 0 else along[::-1]
        at.append(np.column_stack([np.full(len(way), (k + 0.5) * apart_m), way]))
        run.append(np.full(len(way), k))
    return np.vstack(at), np.concatenate(run)
