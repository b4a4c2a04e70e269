"""Layers with circular arcs (curve polygons): arcs become short chords, and that is told."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pyproj
import shapely

from vrx.intake._raise import listed
from vrx.intake._rings import acres, polygons_of
from vrx.intake._shape import shape_of
from vrx.model import Finding, note

ARC_STEP_DEG = 0.25
"""Angle of one chord: a full circle loses 3.2e-6 of its area, a chord 2.4e-6 of the radius."""
_COARSE_DEG = 4.0
_SETTING = "OGR_ARC_STEPSIZE"

Curved = list[tuple[int, shapely.Geometry, shapely.Geometry]]


def _read(path: Path, layer: str, step_deg: float, **options: Any) -> tuple[Any, Any, Any, Any]:
    import pyogrio
    import pyogrio.raw

    before = pyogrio.get_gdal_config_option(_SETTING)
    pyogrio.set_gdal_config_options({_SETTING: str(step_deg)})
    try:
        found: tuple[Any, Any, Any, Any] = pyogrio.raw.read(
            path, layer=layer, return_fids=True, **options)
        return found
    finally:
        pyogrio.set_gdal_config_options({_SETTING: None if before is None else str(before)})


def read_with_arcs(path: Path, *, layer: str) -> tuple[Any, list[Any], Any, Curved]:
    """Meta, WKB, values; and (record, fine, coarse) of features with arcs.

    GDAL turns arcs into chords without a word, by default of 4 degrees (0.08 % of a circle's area).
    Reading with two steps tells which features have any: straight ones come out the same.
    """
    meta, fids, fine, values = _read(path, layer, ARC_STEP_DEG)
    if fine is None:
        return meta, [None] * len(fids), values, []
    coarse = _read(path, layer, _COARSE_DEG, columns=[])[2]
    curved = [
        (number, shapely.from_wkb(a), shapely.from_wkb(b))
        for number, (a, b) in enumerate(zip(fine, coarse, strict=True), 1) if a != b
    ]
    return meta, list(fine), values, curved


def _ac(geometry: shapely.Geometry, crs: pyproj.CRS | None) -> float | None:
    """Geodesic acres, None where the layer does not say its system."""
    if crs is None:
        return None
    move = pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform
    flat = polygons_of(shapely.force_2d(geometry))
    return acres(shapely.transform(flat, move, interleaved=False))


def arc_findings(curved: Curved, crs: pyproj.CRS | None, *, where: str) -> list[Finding]:
    """One note: which records have arcs, the tolerance of the chords, and their acres."""
    told = []
    for number, fine, coarse in curved:
        if not shape_of(fine).polygons:
            told.append(str(number))
            continue
        ac, rough = _ac(fine, crs), _ac(coarse, crs)
        if ac is None or rough is None or not math.isfinite(ac + rough):
            told.append(str(number))
            continue
        # A chord's loss grows with the square of its angle, so two steps give the arc's own area.
        short = (ac - rough) / ((_COARSE_DEG / ARC_STEP_DEG) ** 2 - 1.0)
        sign = "less" if short >= 0 else "more"
        told.append(f"{number} ({ac:.3f} ac, {abs(short):.5f} ac {sign} than the arcs)")
    if not told:
        return []
    share = 1.0 - math.cos(math.radians(ARC_STEP_DEG / 2.0))
    return [note("boundary-arcs-as-chords", where, f"records with circular arcs: {listed(told)}",
                 done=f"each arc drawn as chords of {ARC_STEP_DEG:g} degree, at most "
                 f"{share:.1e} of its radius off")]
