"""Zones that the user drew, and the whole field as one zone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.geo import (
    CLOSE_M,
    CoverageFaults,
    coverage_from_polygons,
    fault_place,
    valid_polygon,
    width_across_m,
    width_m,
)
from vrx.model import Finding, Zones, note, warn
from vrx.units import ACRE_M2
from vrx.zones._build import build_zones
from vrx.zones._pieces import merge_pieces
from vrx.zones._slivers import give_slivers
from vrx.zones.rules import MachineRules

# Under a square foot or so nothing changes for anybody; such slivers come from rounded coordinates.
_SPECK_AC = 2.5e-5


def zones_from_polygons(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    polygons: Sequence[shapely.Geometry],
    labels: Sequence[str],
    narrowest_m: float = 0.0,
    smallest_ac: float = 0.0,
    close_m: float = CLOSE_M,
    driving_deg: float | None = None,
    basis: str = "the user's own zones",
) -> Zones:
    """The user's polygons (field's CRS) as a true coverage; nothing else about them is changed.

    Gaps and overlaps nowhere wider than `close_m` are closed with a finding in acres, wider ones
    refused. What lies outside the boundary is cut off with a finding. A separate part of a zone no
    wider than `close_m` on average goes to the zone that it touches longest. Zones narrower than
    `narrowest_m` at their widest place (across `driving_deg` where given), or smaller than
    `smallest_ac`, are only noted.

    Findings: `zones-ring-touches` (note), `zones-slivers-closed` (note), `zones-cut-at-boundary`
    (warn), `zones-sliver-given` (note), `zones-narrow` (note), `zones-small` (note).

    Raises:
        InputError: no polygon, labels that do not match, a polygon that crosses itself, gaps or
            overlaps wider than `close_m` (the message names acres and place), a zone with nothing
            inside the boundary.
        ComputeError: no true coverage can be made.
    """
    valid, findings = _valid(polygons, labels)
    covered = coverage_from_polygons(
        valid, boundary, crs_centre=crs_centre, names=labels, close_m=close_m
    )
    findings += _fault_findings(covered.faults, crs_centre, close_m)
    polygons, given = give_slivers(covered.polygons, labels, width_m=close_m)
    findings += given
    findings += _size_findings(polygons, labels, narrowest_m, smallest_ac, driving_deg)
    return build_zones(
        polygons=polygons, labels=labels, boundary=boundary, crs_centre=crs_centre,
        basis=basis, findings=findings,
    )


def _valid(
    polygons: Sequence[shapely.Geometry], labels: Sequence[str]
) -> tuple[list[shapely.Geometry], list[Finding]]:
    if not polygons or len(polygons) != len(labels):
        raise InputError(
            f"{len(polygons)} zone polygons and {len(labels)} labels",
            code="zones-count", where="zones", hint="give at least one zone, each with a label",
        )
    findings: list[Finding] = []
    valid = []
    for polygon, label in zip(polygons, labels, strict=True):
        made = valid_polygon(polygon, where=f"zone {label!r}")
        if not polygon.is_valid:
            findings.append(note(
                "zones-ring-touches", f"zone {label!r}",
                f"the outline touches itself: {shapely.is_valid_reason(polygon)}",
                done=f"taken as {len(shapely.get_parts(made))} parts of the same area",
            ))
        valid.append(made)
    return valid, findings


def zones_from_map_units(
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    polygons: Sequence[shapely.Geometry],
    labels: Sequence[str],
    rules: MachineRules,
    close_m: float = CLOSE_M,
) -> Zones:
    """Units of a soil map (field's CRS), each connected piece a zone by the unit's name.

    As a soil map goes on beyond the field it is cut at the boundary. Pieces of one name that touch
    are one zone; pieces under `smallest_ac` join the neighbour with the longest shared edge, and if
    more than `most_zones` are left, the smallest area is raised until they are not. A name may
    stand on many polygons.

    Findings: `zones-ring-touches`, `zones-slivers-closed`, `zones-units-cut`,
    `zones-small-merged`, `zones-fewer`, `zones-field-part-small`, `zones-narrow` (notes),
    `zones-over-most` (warn).

    Raises: as `zones_from_polygons`.
    """
    valid, findings = _valid(polygons, labels)
    covered = coverage_from_polygons(
        valid, boundary, crs_centre=crs_centre, names=labels, close_m=close_m)
    findings += [
        one if one.code != "zones-cut-at-boundary" else note(
            "zones-units-cut", "zones", one.what.replace("the zones", "the soil map"),
            value=one.value, done="cut off at the boundary")
        for one in _fault_findings(covered.faults, crs_centre, close_m)
    ]
    units = list(dict.fromkeys(labels))
    parts, index = shapely.get_parts(
        np.array(covered.polygons, dtype=object), return_index=True)
    owner = np.array([units.index(labels[n]) for n in index], dtype=np.int64)
    made, kept, told = merge_pieces(
        list(parts), owner, smallest_ac=rules.smallest_ac, most=rules.most_zones)
    names = [units[n] for n in kept]
    told += _size_findings(made, names, rules.narrowest_m, 0.0, rules.driving_deg)
    return build_zones(
        polygons=made, labels=names, boundary=boundary, crs_centre=crs_centre,
        basis=f"units of a soil map ({', '.join(dict.fromkeys(names))}); smallest "
        f"{rules.smallest_ac:g} ac", findings=[*findings, *told],
    )


def zone_whole_field(
    *, boundary: shapely.MultiPolygon, crs_centre: tuple[float, float], label: str = "whole field"
) -> Zones:
    """One zone with the exact boundary, all its parts and holes."""
    parts = shapely.get_parts(boundary)
    return build_zones(
        polygons=[parts[0] if len(parts) == 1 else boundary], labels=[label], boundary=boundary,
        crs_centre=crs_centre, basis="the whole field as one zone", findings=(),
    )


def _fault_findings(
    faults: CoverageFaults, crs_centre: tuple[float, float], close_m: float
) -> list[Finding]:
    found = []
    closed_ac = faults.gap_ac + faults.overlap_ac
    if closed_ac > _SPECK_AC:
        found.append(note(
            "zones-slivers-closed", "zones",
            f"{len(faults.gaps)} gaps ({faults.gap_ac:.4f} ac) and {len(faults.overlaps)} overlaps "
            f"({faults.overlap_ac:.4f} ac), none wider than {close_m:g} m",
            value=f"{closed_ac:.6f}", done="given to the zone that they touch longest",
        ))
    if faults.outside_ac > _SPECK_AC:
        first = faults.outside[0]
        found.append(warn(
            "zones-cut-at-boundary", "zones",
            f"{faults.outside_ac:.3f} ac of the zones lie outside the boundary, the largest part "
            f"{first.area_ac:.3f} ac at {fault_place(first, crs_centre)}",
            value=f"{faults.outside_ac:.6f}", done="cut off at the boundary",
            todo="check that zones and boundary belong to the same field",
        ))
    return found


def _size_findings(
    polygons: Sequence[shapely.Geometry],
    labels: Sequence[str],
    narrowest_m: float,
    smallest_ac: float,
    driving_deg: float | None,
) -> list[Finding]:
    found = []
    for polygon, label in zip(polygons, labels, strict=True):
        acres = polygon.area / ACRE_M2
        width = width_m(polygon) if driving_deg is None else width_across_m(polygon, driving_deg)
        # The circle is found to 1 %.
        if width < 0.99 * narrowest_m:
            found.append(note(
                "zones-narrow", f"zone {label!r}",
                f"{width:.1f} m wide at its widest, narrower than {narrowest_m:.1f} m "
                f"({acres:.3f} ac)",
                value=f"{width:.2f}", done="kept as drawn",
                todo="join it to a neighbour if the machine cannot follow it",
            ))
        if acres < smallest_ac:
            found.append(note(
                "zones-small", f"zone {label!r}",
                f"{acres:.3f} ac, under the smallest area of {smallest_ac:g} ac",
                value=f"{acres:.4f}", done="kept as drawn",
            ))
    return found
