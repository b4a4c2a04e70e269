"""A centre pivot's circle, sector or ring -> the field, without a boundary file.

Areas: acres = radius² × π / 43,560 with feet, a sector θ/360 of it, a ring R2² - R1² (geometry; the
full circle as in extension tables for pivots, see `vrx.units.pivot_area_ac`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely

from vrx.errors import InputError
from vrx.geo import area_ac, field_crs, from_lonlat, to_lonlat, transform
from vrx.intake._finish import field_of, rounded_centre
from vrx.intake._overlay import tangles_told
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rings import assemble, polygons_of
from vrx.intake._vector import choose_layer
from vrx.intake.boundary import feature_name, lonlat_layer
from vrx.model import Field, Finding, FloatArray, note, stop, warn
from vrx.units import acres_from_m2

FT_M = 0.3048
"""International foot, exact."""
STEP_DEG = 1.0
"""Widest angle between two vertices; at 1,300 ft an edge lies at most 1 cm from the circle."""
USUAL_RADIUS_FT = (100.0, 3000.0)
"""Radii outside are asked about (common practice, no source)."""

Arc = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Span:
    """Azimuths from `start` over `sweep` degrees, and the radius there in feet."""

    start: float
    sweep: float
    radius_ft: float

    @property
    def steps(self) -> int:
        return max(1, math.ceil(self.sweep / STEP_DEG - 1e-9))

    def azimuths(self) -> FloatArray:
        """Degrees of all vertices of the span, both ends included; (steps + 1,)."""
        return np.linspace(self.start, self.start + self.sweep, self.steps + 1)


def _sweep(start: float, stop_at: float) -> float:
    """Degrees clockwise from one azimuth to another; a whole turn is written as such."""
    return 360.0 if abs(stop_at - start) == 360.0 else (stop_at - start) % 360.0


def _refuse(what: str, code: str, where: str, hint: str) -> InputError:
    return InputError(what, code=code, where=where, hint=hint)


def _checked_centre(centre: Arc | None, where: str) -> Arc:
    if centre is None:
        raise _refuse("the pivot's centre is not stated", "pivot-centre-missing", where,
                      "give centre = [longitude, latitude] in decimal degrees (WGS 84)")
    lon, lat = (float(value) for value in centre)
    if not (math.isfinite(lon) and math.isfinite(lat) and abs(lon) <= 180 and abs(lat) < 90):
        hint = "give centre = [longitude, latitude] in decimal degrees (WGS 84)"
        if 90 <= abs(lat) <= 180 and abs(lon) < 90:
            hint = f"longitude comes first: did you mean [{lat:g}, {lon:g}]?"
        raise _refuse(f"({lon:g}, {lat:g}) is no longitude and latitude", "pivot-centre", where,
                      hint)
    if lon == 0 and lat == 0:
        raise _refuse("(0, 0) is in the Atlantic, and what empty cells turn into", "pivot-centre",
                      where, "give centre = [longitude, latitude] in decimal degrees (WGS 84)")
    return lon, lat


def _require_lengths(where: str, *, radius_ft: float, **others: float) -> None:
    """A positive radius, the rest not negative, all finite."""
    for key, value in {"radius_ft": radius_ft, **others}.items():
        least = value > 0 if key == "radius_ft" else value >= 0
        if not (math.isfinite(value) and least):
            raise _refuse(f"{key} = {value:g} is no length in feet", "pivot-length", where,
                          "give feet, " + ("above 0" if key == "radius_ft" else "0 or more"))
    if others["inner_radius_ft"] >= radius_ft:
        raise _refuse(
            f"inner_radius_ft = {others['inner_radius_ft']:g} is not below radius_ft = "
            f"{radius_ft:g}", "pivot-length", where, "give the inner edge of a ring in feet")


def _sector(start_deg: float | None, stop_deg: float | None, where: str) -> Arc:
    """(start, sweep) of the watered sector; (0, 360) for the whole circle."""
    if start_deg is None and stop_deg is None:
        return 0.0, 360.0
    if start_deg is None or stop_deg is None:
        raise _refuse("a sector needs start_deg and stop_deg", "pivot-sector", where,
                      "give both as compass degrees, clockwise from north")
    sweep = _sweep(start_deg, stop_deg)
    if not math.isfinite(sweep) or sweep <= 0:
        raise _refuse(f"from {start_deg:g} to {stop_deg:g} degrees is no sector", "pivot-sector",
                      where, "leave both out for a full circle")
    return start_deg % 360.0, sweep


def _gun_arcs(arcs: Sequence[Arc], sector: Arc, end_gun_ft: float, where: str) -> list[Arc]:
    """(from, to) degrees after the sector's start where the end gun runs, checked."""
    if (end_gun_ft > 0) != bool(arcs):
        raise _refuse("an end gun needs end_gun_ft and end_gun_arcs", "pivot-end-gun", where,
                      "give the arcs where it runs, [[0, 360]] for all round")
    found = []
    for begin, end in arcs:
        sweep = _sweep(begin, end)
        if not math.isfinite(sweep) or sweep <= 0:
            raise _refuse(f"end gun from {begin:g} to {end:g} degrees is no arc", "pivot-end-gun",
                          where, "give [from, to] in compass degrees, clockwise from north")
        after = (begin - sector[0]) % 360.0
        if sector[1] < 360.0 and after + sweep > sector[1] + 1e-9:
            raise _refuse(f"the end gun's arc {begin:g} to {end:g} degrees leaves the sector",
                          "pivot-end-gun", where, "end the arc where the sector ends")
        found.append((after, after + sweep))
        if after + sweep > 360.0:
            found.append((after - 360.0, after + sweep - 360.0))
    return found


def _spans(sector: Arc, arcs: Sequence[Arc], radius_ft: float, end_gun_ft: float) -> list[_Span]:
    """The sector parted where the end gun starts and stops."""
    start, sweep = sector
    cuts = sorted({0.0, sweep, *(min(max(end, 0.0), sweep) for arc in arcs for end in arc)})
    spans = []
    for begin, end in itertools.pairwise(cuts):
        middle = (begin + end) / 2.0
        gun = any(low <= middle <= high for low, high in arcs)
        spans.append(_Span(start=start + begin, sweep=end - begin,
                           radius_ft=radius_ft + (end_gun_ft if gun else 0.0)))
    return spans


def _polygon(spans: Sequence[_Span], inner_ft: float) -> tuple[shapely.Polygon, float]:
    """The watered ground in metres around the pivot, north up, and its true area in m².

    Vertices stand outside the circle by the share that makes the polygon's area the circle's.
    """
    turn = math.radians
    true = sum((s.radius_ft**2 - inner_ft**2) * turn(s.sweep) for s in spans)
    chords = sum((s.radius_ft**2 - inner_ft**2) * s.steps * math.sin(turn(s.sweep / s.steps))
                 for s in spans)
    scale = FT_M * math.sqrt(true / chords)

    def ring(radii: Sequence[float]) -> FloatArray:
        rows = []
        for span, radius_ft in zip(spans, radii, strict=True):
            azimuth = np.radians(span.azimuths())
            rows.append(scale * radius_ft * np.column_stack([np.sin(azimuth), np.cos(azimuth)]))
        return np.vstack(rows)

    outer = ring([s.radius_ft for s in spans])
    area_m2 = true * FT_M**2 / 2.0
    inner = ring([inner_ft] * len(spans)) if inner_ft > 0 else np.zeros((1, 2))
    if sum(s.sweep for s in spans) >= 360.0:
        holes = [inner] if inner_ft > 0 else []
        return shapely.remove_repeated_points(shapely.Polygon(outer, holes), 1e-6), area_m2
    sector = shapely.Polygon(np.vstack([outer, inner[::-1]]))
    return shapely.remove_repeated_points(sector, 1e-6), area_m2


def _cut(
    shape: shapely.Geometry, centre: Arc, exclusions: Sequence[shapely.Geometry], where: str
) -> tuple[shapely.Geometry, list[Finding]]:
    """The ground without the excluded polygons (WGS 84), and how many acres each takes."""
    told, missed = [], []
    for number, one in enumerate(exclusions, 1):
        away = polygons_of(from_lonlat(one, centre))
        shared = shape.intersection(away)
        if shared.area <= 0:
            missed.append(str(number))
            continue
        told.append(f"{number} ({area_ac(polygons_of(shared), centre):.3f} ac)")
        shape = shape.difference(away)
    findings = []
    if told:
        findings.append(note("pivot-exclusions-cut", where, f"excluded polygons: {listed(told)}",
                             done="cut out"))
    if missed:
        findings.append(warn("pivot-exclusions-beside", where,
                             f"excluded polygons outside the pivot: {listed(missed)}",
                             done="change nothing", todo="check the pivot's centre and their CRS"))
    return shape, findings


def pivot_boundary(
    *,
    name: str,
    centre: tuple[float, float] | None,
    radius_ft: float,
    inner_radius_ft: float = 0.0,
    start_deg: float | None = None,
    stop_deg: float | None = None,
    end_gun_ft: float = 0.0,
    end_gun_arcs: Sequence[tuple[float, float]] = (),
    corner_arm_ft: float = 0.0,
    square_side_ft: float | None = None,
    exclusions: Sequence[shapely.Polygon | shapely.MultiPolygon] = (),
    crs_centre: tuple[float, float] | None = None,
    findings: Sequence[Finding] = (),
) -> Field:
    """The ground under a centre pivot: circle, sector or ring, with end gun, corners, exclusions.

    `centre` is (longitude, latitude) in WGS 84 degrees, lengths are international feet, azimuths
    compass degrees clockwise from true north. The radius grows by `end_gun_ft` within
    `end_gun_arcs` and by `corner_arm_ft` all round; `square_side_ft` clips to a square around the
    pivot with sides north and east. `exclusions` are WGS 84 polygons, cut out. The polygon's area
    is the true figure's. `findings` come first in the field's. Raises `InputError`.
    """
    where = f"pivot {name!r}"
    lon_lat = _checked_centre(centre, where)
    side_ft = 0.0 if square_side_ft is None else square_side_ft
    _require_lengths(where, radius_ft=radius_ft, inner_radius_ft=inner_radius_ft,
                     end_gun_ft=end_gun_ft, corner_arm_ft=corner_arm_ft, square_side_ft=side_ft)
    if (corner_arm_ft > 0) and not side_ft:
        raise _refuse("a corner arm needs square_side_ft", "pivot-corners", where,
                      "give the side of the square parcel that it fills, in feet")
    sector = _sector(start_deg, stop_deg, where)
    arcs = _gun_arcs(end_gun_arcs, sector, end_gun_ft, where)
    shape: shapely.Geometry
    shape, area_m2 = _polygon(
        _spans(sector, arcs, radius_ft + corner_arm_ft, end_gun_ft), inner_radius_ft)
    said = [*findings]
    low, high = USUAL_RADIUS_FT
    if not low <= radius_ft <= high:
        said.append(warn("pivot-radius-unusual", where, f"radius {radius_ft:g} ft",
                         done="used as it stands", todo="check that it is feet"))
    edges = shapely.get_num_coordinates(shape) - 1
    said.append(note(
        "pivot-drawn", where, f"radius {radius_ft:g} ft"
        + (f" and a corner arm of {corner_arm_ft:g} ft" if corner_arm_ft > 0 else "")
        + f" around longitude {lon_lat[0]:g}, latitude {lon_lat[1]:g}",
        done=f"drawn with {edges} edges, {acres_from_m2(area_m2):.3f} ac"))
    if side_ft:
        half = side_ft * FT_M / 2.0
        clipped = shape.intersection(shapely.box(-half, -half, half, half))
        said.append(note("pivot-square", where, f"a square of {side_ft:g} ft, sides true north",
                         done=f"clipped: {acres_from_m2(clipped.area):.3f} ac remain"))
        shape = clipped
    shape, cut = _cut(shape, lon_lat, exclusions, where)
    said += cut
    area = polygons_of(shape)
    if area.is_empty:
        raise _refuse("the exclusions leave nothing", "boundary-zero-area", where,
                      "check the excluded polygons")
    target = crs_centre or rounded_centre(to_lonlat(area.centroid, lon_lat))
    moved = transform(area, source=field_crs(lon_lat), target=field_crs(target))
    return field_of(polygons_of(moved), name=name, crs_centre=target,
                    centre_given=crs_centre is not None, where=where, findings=said)


@tangles_told
def read_exclusions(
    *, path: Path, layer: str | None = None, crs: str | None = None
) -> tuple[tuple[shapely.MultiPolygon, ...], tuple[Finding, ...]]:
    """The polygons of a file as WGS 84 areas, for `pivot_boundary`. Raises `InputError`."""
    found = choose_layer(Path(path), layer=layer, kinds=("polygon",))
    moved, findings = lonlat_layer(found, crs=crs)
    areas = []
    for feature in moved.features:
        label = feature_name(feature)
        where = f"{found.file} polygon {feature.record}" + (f" {label!r}" if label else "")
        area, said = assemble(feature.shape.polygons, where=where)
        findings += said
        if area.is_empty:
            findings.append(warn("pivot-exclusions-no-area", where, "has no area",
                                 done="left out"))
        else:
            areas.append(area)
    if not areas:
        findings.append(stop("pivot-exclusions-none", found.file, "holds no polygon with an area",
                             todo="give the file of the ground to leave out"))
    raise_stops(findings)
    return tuple(areas), tuple(findings)
