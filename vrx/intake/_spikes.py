"""Rings without repeated vertices and spikes, before they are judged as areas."""

from __future__ import annotations

import numpy as np
import pyproj
from pyproj.exceptions import ProjError

from vrx.geo import WGS84, field_crs, transform_points
from vrx.intake._raise import listed
from vrx.model import BoolArray, Finding, FloatArray, note, stop, warn
from vrx.units import acres_from_m2

SPIKE_DEG = 1.0
SPIKE_M = 0.5
"""A vertex whose edges enclose less than 1 degree and whose base is under 0.5 m is a spike."""

_GEOD = pyproj.Geod(ellps="WGS84")
_TOLD_M = 1.0


def metres_around(ring: FloatArray) -> FloatArray | None:
    """The ring in metres around its first corner, None where PROJ has no answer."""
    # A whole degree will do: only small angles and lengths are asked for.
    centre = (float(np.round(ring[0, 0])), float(np.round(ring[0, 1])))
    if not -90.0 <= centre[1] <= 90.0:
        return None
    try:
        east, north = transform_points(ring[:, 0], ring[:, 1], source=WGS84,
                                       target=field_crs(centre))
    except ProjError:
        return None
    return np.column_stack([east, north])


def _tips(ring: FloatArray) -> tuple[BoolArray, FloatArray, FloatArray]:
    """For an open ring (n, 2) in metres: narrow tips (n,), their base widths and their lengths."""
    back, on = np.roll(ring, 1, axis=0) - ring, np.roll(ring, -1, axis=0) - ring
    cross = np.abs(back[:, 0] * on[:, 1] - back[:, 1] * on[:, 0])
    dot = (back * on).sum(axis=1)
    long_back, long_on = np.hypot(*back.T), np.hypot(*on.T)
    narrow = np.degrees(np.arctan2(cross, dot)) < SPIKE_DEG
    width = cross / np.maximum(np.maximum(long_back, long_on), 1e-12)
    return narrow, width, np.minimum(long_back, long_on)


def _drawn_ac(ring: FloatArray) -> float:
    return acres_from_m2(abs(float(_GEOD.polygon_area_perimeter(ring[:, 0], ring[:, 1])[0])))


def _blunted(ring: FloatArray, metres: FloatArray) -> tuple[FloatArray, FloatArray, list[float]]:
    """An open ring without spikes, the same in metres, and the lengths of what was removed."""
    lengths: list[float] = []
    while len(ring) > 3:
        narrow, width, length = _tips(metres)
        tips = np.flatnonzero(narrow & (width < SPIKE_M))
        if not len(tips):
            break
        # Of neighbours the longest first: the others may be no tips any more once it is gone.
        rank = np.full(len(ring), -1)
        rank[tips[np.argsort(length[tips], kind="stable")]] = np.arange(len(tips))
        gone = (rank >= 0) & (rank > np.roll(rank, 1)) & (rank > np.roll(rank, -1))
        gone &= np.cumsum(gone) <= len(ring) - 3
        lengths += length[gone].tolist()
        ring, metres = ring[~gone], metres[~gone]
        same = (ring == np.roll(ring, 1, axis=0)).all(axis=1)
        if same.any() and len(ring) - same.sum() >= 3:
            ring, metres = ring[~same], metres[~same]
    return ring, metres, lengths


def _places(ring: FloatArray, which: BoolArray) -> str:
    return listed((f"longitude {lon:.6f}, latitude {lat:.6f}" for lon, lat in ring[which]), most=3)


def _without_repeats(ring: FloatArray, *, where: str) -> tuple[FloatArray, list[Finding]]:
    repeated = np.zeros(len(ring), dtype=bool)
    repeated[1:] = (ring[1:] == ring[:-1]).all(axis=1)
    if not repeated.any():
        return ring, []
    return ring[~repeated], [note(
        "boundary-vertices-repeated", where,
        f"{int(repeated.sum())} vertices stand twice in a row",
        done="each counts once; the area is the same")]


def without_spikes(
    ring: FloatArray, *, where: str, safe_change: float, keep: bool
) -> tuple[FloatArray, list[Finding]]:
    """A closed longitude-latitude ring (n, 2) without repeated vertices and narrow spikes.

    A spike narrower than 1 degree and 0.5 m goes with a note if all of them change the area by no
    more than the share `safe_change`, else a stop; `keep` (the user's "as drawn") leaves them. A
    wider tip of less than 1 degree stays and is told: a field may be a wedge. A ring that would be
    left with fewer than three corners comes back as it was.
    """
    ring, findings = _without_repeats(ring, where=where)
    open_ring = ring[:-1]
    metres = metres_around(open_ring) if len(open_ring) > 3 else None
    if metres is None:
        return ring, findings
    blunt, in_metres, lengths = (open_ring, metres, list[float]()) if keep else (
        _blunted(open_ring, metres))
    narrow, width, length = _tips(in_metres)
    wide = narrow & (width >= SPIKE_M)
    if wide.any():
        area = acres_from_m2(float((width * length / 2.0)[wide].sum()))
        findings.append(warn(
            "boundary-narrow-tip", where,
            f"{int(wide.sum())} corners under {SPIKE_DEG:g} degree at {_places(blunt, wide)}, "
            f"about {area:.3f} ac in them", done="kept as drawn",
            todo="a stray position of a receiver? Then take it out of the file"))
    if not lengths:
        return ring, findings
    closed = np.vstack([blunt, blunt[:1]])
    before, after = _drawn_ac(ring), _drawn_ac(closed)
    what = (f"{len(lengths)} spikes narrower than {SPIKE_M:g} m, the longest "
            f"{max(lengths):.1f} m")
    if len(blunt) <= 3 and after <= 0.0:
        return ring, findings
    if abs(before - after) > safe_change * max(after, 1e-12):
        findings.append(stop(
            "boundary-spikes", where, f"{what}: {before:.3f} ac with them, {after:.3f} without",
            todo='take them out of the file, or keep them (crossing = "as drawn")'))
        return ring, findings
    if max(lengths) >= _TOLD_M or before != after:
        findings.append(note("boundary-spikes-removed", where, what,
                             done=f"removed: {before:.3f} ac before, {after:.3f} after"))
    return closed, findings
