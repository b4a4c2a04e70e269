"""Where a field lies on earth, in words that a person can check at a glance."""

from __future__ import annotations

from vrx.geo import to_lonlat
from vrx.model import Field


def _degrees(value: float, letters: str, places: int) -> str:
    return f"{abs(value):.{places}f} {letters[0] if value >= 0 else letters[1]}"


def in_words(field: Field) -> str:
    """Hemispheres and the box of degrees: "north of the equator, west of Greenwich: 41.0104 N ...".
    """
    west, south, east, north = to_lonlat(field.boundary, field.crs_centre).bounds
    lon, lat = (west + east) / 2.0, (south + north) / 2.0
    return (f"{'north' if lat >= 0 else 'south'} of the equator, "
            f"{'east' if lon >= 0 else 'west'} of Greenwich: latitude "
            f"{_degrees(south, 'NS', 4)} to {_degrees(north, 'NS', 4)}, longitude "
            f"{_degrees(west, 'EW', 4)} to {_degrees(east, 'EW', 4)}")
