"""Places and lines told in feet from the field's west and south edges, and in compass degrees."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from vrx import units
from vrx.errors import InputError
from vrx.model import Field

MOST_FT = 200_000.0
"""Farther from a field's edge lies no place that somebody means (our choice)."""


def place_from_edges(field: Field, *, west_ft: float, south_ft: float) -> tuple[float, float]:
    """Easting and northing (metres) of a place so far from the field's west and south edges.

    Raises `InputError` (`zones-place-far`) for a place that is miles away.
    """
    for name, told in (("west_ft", west_ft), ("south_ft", south_ft)):
        if not math.isfinite(told) or abs(told) > MOST_FT:
            raise InputError(f"{told:g} ft from the edge is no place of this field",
                             code="zones-place-far", where=name,
                             hint="give feet from the field's west and south edges")
    west, south, _, _ = field.boundary.bounds
    return west + units.m_from_ft(west_ft), south + units.m_from_ft(south_ft)


def line_at_bearing(
    field: Field, *, bearing_deg: float, west_ft: float, south_ft: float
) -> list[tuple[float, float]]:
    """A straight line through a place, at a compass bearing, longer than the field both ways.

    Raises `InputError` as `place_from_edges`, and `zones-bearing` for no bearing of 0 to 360.
    """
    if not 0.0 <= bearing_deg <= 360.0:
        raise InputError(f"{bearing_deg:g} is no compass bearing", code="zones-bearing",
                         where="bearing_deg", hint="north is 0, east 90, south 180, west 270")
    place = np.array(place_from_edges(field, west_ft=west_ft, south_ft=south_ft))
    west, south, east, north = field.boundary.bounds
    corners = np.array([(a, n) for a in (west, east) for n in (south, north)])
    reach = float(np.hypot(*(corners - place).T).max()) + 10.0
    turn = math.radians(bearing_deg)
    step = reach * np.array([math.sin(turn), math.cos(turn)])
    first, last = place - step, place + step
    return [(float(first[0]), float(first[1])), (float(last[0]), float(last[1]))]


def line_from_edges(
    field: Field, places_ft: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """A line through places told as (feet from the west edge, feet from the south edge)."""
    if len(places_ft) < 2:
        raise InputError("a line needs two points at least", code="edit-line", where="points",
                         hint="give one point a line: feet from the west edge, feet from the "
                         "south edge")
    return [place_from_edges(field, west_ft=west, south_ft=south) for west, south in places_ft]
