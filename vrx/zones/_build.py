"""Polygons to `Zones`: order, ids, letters, acres, and the check that they cover the field."""

from __future__ import annotations

from collections.abc import Sequence

import shapely

from vrx.geo import area_ac, require_coverage
from vrx.model import ClusterTable, Finding, Zone, Zones
from vrx.zones._slivers import sliver_findings


def letter_of(zone_id: int) -> str:
    """A for 1, Z for 26, AA for 27."""
    letters = ""
    while zone_id > 0:
        zone_id, rest = divmod(zone_id - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def build_zones(
    *,
    polygons: Sequence[shapely.Geometry],
    labels: Sequence[str],
    boundary: shapely.Geometry,
    crs_centre: tuple[float, float],
    basis: str,
    findings: Sequence[Finding],
    clusters: ClusterTable | None = None,
) -> Zones:
    """Number zones by their centroids, rounded to 1 m: north to south, then west to east.

    Finding: `zones-sliver-kept` (warn).

    Raises:
        ComputeError: the polygons are not a true coverage of the boundary.
    """
    require_coverage(polygons, boundary, where="zones")
    # Normalised, so that the same zones give the same bytes whatever way they were made.
    ordered = sorted(
        ((shapely.normalize(polygon), label) for polygon, label in
         zip(polygons, labels, strict=True)),
        key=lambda pair: _place(pair[0]),
    )
    letters = [letter_of(zone_id) for zone_id in range(1, len(ordered) + 1)]
    slivers = sliver_findings([polygon for polygon, _ in ordered], letters)
    return Zones(
        zones=tuple(
            Zone(
                zone_id=zone_id, letter=letter_of(zone_id), polygon=polygon,
                area_ac=area_ac(polygon, crs_centre), label=label,
            )
            for zone_id, (polygon, label) in enumerate(ordered, start=1)
        ),
        basis=basis, findings=(*findings, *slivers), clusters=clusters,
    )


def _place(polygon: shapely.Geometry) -> tuple[float, float, float]:
    centroid = polygon.centroid
    return -round(float(centroid.y)), round(float(centroid.x)), -float(polygon.area)
