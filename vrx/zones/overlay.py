"""Zones laid over zones: crossed with another set, or with trial strips on top."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity

from vrx.errors import ComputeError
from vrx.geo import coverage_of_layers, dissolve
from vrx.model import Finding, Zones, note, warn
from vrx.units import FT_M
from vrx.zones._build import build_zones
from vrx.zones._pieces import merge_pieces
from vrx.zones.rules import MachineRules


def cross_zones(
    first: Zones,
    second: Zones,
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    rules: MachineRules,
) -> Zones:
    """Every piece of a zone of `first` in one of `second` becomes a zone, by both labels.

    All edges of both are noded together and polygonised, so that the crossing is a true coverage.
    Pieces under `smallest_ac` join the neighbour with the longest shared edge; if more than
    `most_zones` are left, the smallest area is raised until they are not.

    Findings: those of both, `zones-small-merged`, `zones-field-part-small`, `zones-fewer` (notes),
    `zones-over-most` (warn).

    Raises:
        ComputeError: no true coverage can be made.
    """
    pieces, of = coverage_of_layers(
        [[zone.polygon for zone in one.zones] for one in (first, second)], boundary,
        crs_centre=crs_centre)
    kinds, owner = np.unique(of, axis=0, return_inverse=True)
    names = [
        f"{first.zones[i].label}; {second.zones[j].label}" for i, j in kinds.tolist()
    ]
    polygons, owned, told = merge_pieces(
        pieces, owner.ravel().astype(np.int64), smallest_ac=rules.smallest_ac,
        most=rules.most_zones)
    return build_zones(
        polygons=polygons, labels=[names[n] for n in owned], boundary=boundary,
        crs_centre=crs_centre, findings=[*first.findings, *second.findings, *told],
        basis=f"{first.basis}; crossed with {second.basis}", clusters=first.clusters,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class StripPlan:
    """Trial strips side by side along the driving direction.

    `width_m` of each, `number` of them; `driving_deg` compass degrees. `treatments` are names laid
    out in complete blocks: each block of neighbouring strips holds every treatment once, in an
    order drawn with `seed` (None: in the order given). `start_m` is the distance of the first
    strip's outer edge from the field's left edge, looking along the driving direction (None: the
    strips lie in the middle).

    Raises:
        ComputeError: a width that is not above 0, no strip, or a number that is no multiple of the
            treatments.
    """

    width_m: float
    number: int
    driving_deg: float
    treatments: tuple[str, ...] = ()
    seed: int | None = None
    start_m: float | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.width_m) or self.width_m <= 0 or self.number < 1:
            raise _no_trial(f"{self.number} strips of {self.width_m / FT_M:g} ft are no trial",
                          "give at least one strip and a width above 0")
        if self.treatments and self.number % len(self.treatments):
            raise _no_trial(
                f"{self.number} strips hold no whole blocks of {len(self.treatments)} treatments",
                f"give a multiple of {len(self.treatments)} strips")
        if not math.isfinite(self.driving_deg):
            raise _no_trial(f"driving_deg is {self.driving_deg}", "give compass degrees")

    def labels(self) -> list[str]:
        """Name of each strip from the left, with its block and treatment."""
        if not self.treatments:
            return [f"strip {n}" for n in range(1, self.number + 1)]
        count = len(self.treatments)
        rng = None if self.seed is None else np.random.default_rng(self.seed)
        names: list[str] = []
        for block in range(self.number // count):
            order = range(count) if rng is None else rng.permutation(count).tolist()
            names += [
                f"strip {len(names) + k}, block {block + 1}: {self.treatments[one]}"
                for k, one in enumerate(order, 1)
            ]
        return names


def _no_trial(what: str, hint: str) -> ComputeError:
    return ComputeError(what, code="zones-strips", where="[zones.strips]", hint=hint)


def lay_strips(
    zones: Zones,
    plan: StripPlan,
    *,
    boundary: shapely.MultiPolygon,
    crs_centre: tuple[float, float],
    rules: MachineRules,
) -> Zones:
    """Trial strips cut out of zones, each strip a zone of its own however small.

    What the strips leave of a zone in pieces under `smallest_ac` joins the neighbour with the
    longest shared edge, never a strip.

    Findings: those of the zones, `zones-strips-laid` (note), `zones-strips-cut` (warn),
    `zones-small-merged`, `zones-field-part-small` (notes).

    Raises:
        ComputeError: strips that are wider together than the field, or one without ground.
    """
    shapes, room = _strips(boundary, plan)
    names = plan.labels()
    count = len(zones.zones)
    pieces, of = coverage_of_layers(
        [[zone.polygon for zone in zones.zones], shapes], boundary, crs_centre=crs_centre,
        complete=(True, False))
    strip = of[:, 1] >= 0
    lost = sorted(set(range(len(shapes))) - set(of[strip, 1].tolist()))
    if lost:
        raise _no_trial(f"{names[lost[0]]} has no ground in the field",
                        "take fewer or narrower strips, or another start_ft")
    key = np.where(strip, of[:, 1] + count, of[:, 0])
    joined, index = shapely.get_parts(
        np.array(dissolve(pieces, key), dtype=object), return_index=True)
    keys = np.unique(key)[index]
    polygons, owner, told = merge_pieces(
        list(joined), keys, smallest_ac=rules.smallest_ac, fixed=keys >= count)
    polygons, owner = _whole_strips(polygons, owner, count)
    labels = [zone.label for zone in zones.zones] + names
    return build_zones(
        polygons=polygons, labels=[labels[n] for n in owner], boundary=boundary,
        crs_centre=crs_centre, clusters=zones.clusters,
        findings=[*zones.findings, *told, *_told(plan, polygons, owner, count, room)],
        basis=f"{zones.basis}; on top {plan.number} trial strips of {plan.width_m / FT_M:g} ft "
        f"along {plan.driving_deg:g} degrees",
    )


def _strips(
    boundary: shapely.Geometry, plan: StripPlan
) -> tuple[list[shapely.Geometry], float]:
    """Rectangles right across the field, from the left, and the field's extent across, metres."""
    middle = boundary.centroid
    west, south, east, north = affinity.rotate(
        boundary, plan.driving_deg, origin=middle).bounds
    room, wide = east - west, plan.width_m * plan.number
    start = (room - wide) / 2 if plan.start_m is None else plan.start_m
    if start < -1e-6 or start + wide > room + 1e-6:
        raise _no_trial(
            f"{plan.number} strips of {plan.width_m / FT_M:g} ft need {wide / FT_M:.0f} ft"
            + (f" from {start / FT_M:.0f} ft on" if plan.start_m is not None else "")
            + f", the field is {room / FT_M:.0f} ft across the driving direction",
            "take fewer or narrower strips, or drive the other way")
    edges = west + start + plan.width_m * np.arange(plan.number + 1)
    return [
        affinity.rotate(
            shapely.box(left, south - 1.0, right, north + 1.0), -plan.driving_deg, origin=middle)
        for left, right in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)
    ], room


def _whole_strips(
    polygons: Sequence[shapely.Geometry], owner: Sequence[int], count: int
) -> tuple[list[shapely.Geometry], list[int]]:
    """The parts of each strip as one zone; other pieces as they are."""
    made, kept = [], []
    for kind in range(count, max(owner) + 1):
        parts = [p for p, n in zip(polygons, owner, strict=True) if n == kind]
        made.append(parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts))
        kept.append(kind)
    rest = [(p, n) for p, n in zip(polygons, owner, strict=True) if n < count]
    return [*(p for p, _ in rest), *made], [*(n for _, n in rest), *kept]


def _told(
    plan: StripPlan, polygons: Sequence[shapely.Geometry], owner: Sequence[int], count: int,
    room: float,
) -> list[Finding]:
    strips = [p for p, n in zip(polygons, owner, strict=True) if n >= count]
    drawn = "" if not plan.treatments else (
        ", in the order given" if plan.seed is None else f", order drawn with seed {plan.seed}")
    told = [note(
        "zones-strips-laid", "[zones.strips]",
        f"{plan.number} strips of {plan.width_m / FT_M:g} ft over a field {room / FT_M:.0f} ft "
        f"across{drawn}: {'; '.join(plan.labels())}",
        done="each strip is a zone; its rates follow the soil like any other zone's",
        todo="set a treatment's own rate at the machine and write it down")]
    parted = [n for n, p in enumerate(strips, 1) if len(shapely.get_parts(p)) > 1]
    if parted:
        told.append(warn(
            "zones-strips-cut", "[zones.strips]",
            f"strips {', '.join(map(str, parted))} are cut into parts by the field's shape",
            value=str(len(parted)), done="each kept as one zone",
            todo="compare only the lengths that all strips have"))
    return told
