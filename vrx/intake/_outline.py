"""Features as areas, and what they are to each other: twins, inner ones, overlaps, parts."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import shapely

from vrx.errors import InputError
from vrx.intake._raise import listed
from vrx.intake._rings import SAFE_CHANGE, acres, polygons_of
from vrx.intake._shape import Layer
from vrx.model import Finding, note, stop, warn

_TOLD_AC = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """One feature as a valid area on the longitude-latitude plane."""

    record: int
    name: str
    values: tuple[object, ...]
    area: shapely.MultiPolygon
    properties: Mapping[str, object] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """ "2 'Yard'"."""
        return f"{self.record} {self.name!r}" if self.name else str(self.record)


def beside_polygons(layer: Layer) -> list[Finding]:
    """Notes on lines and points that stand beside the polygons of a layer."""
    findings = []
    lines = [f.record for f in layer.features for _ in f.shape.lines]
    if lines:
        records = listed(map(str, dict.fromkeys(lines)))
        findings.append(note("boundary-lines-left-out", layer.file,
                             f"{len(lines)} lines beside the polygons (records {records})",
                             done="left out"))
    dots = [f.record for f in layer.features if len(f.shape.points)]
    if dots:
        count = sum(len(f.shape.points) for f in layer.features)
        findings.append(note("boundary-points-left-out", layer.file,
                             f"{count} points beside the polygons (records "
                             f"{listed(map(str, dots))})", done="left out"))
    return findings


def _plain(text: object) -> str:
    """A name as people compare names: no case, no doubled blanks, one spelling of an accent."""
    if isinstance(text, float) and text.is_integer():
        text = int(text)
    return " ".join(unicodedata.normalize("NFKC", str(text)).casefold().split())


def named(outlines: Sequence[Outline], select: str | None, where: str) -> list[Outline]:
    """The outlines that a name means: by name, by any value, then in any case and spacing.

    Where no polygon has a name, its number in the file counts as one: errors list them so.
    """
    if select is None:
        return []
    plain = _plain(select)
    fit = [o for o in outlines if o.name == select] or [
        o for o in outlines if select in map(str, o.values)
    ] or [o for o in outlines if _plain(o.name) == plain] or [
        o for o in outlines if plain in {_plain(value) for value in o.values}
    ] or [o for o in outlines if not o.name and str(o.record) == plain]
    if not fit:
        names = listed(o.name or str(o.record) for o in outlines)
        raise InputError(f"no polygon is called {select!r}", code="boundary-name-unknown",
                         where=where, hint=f"polygons: {names}")
    return fit


def _nearly_same(one: Outline, other: Outline) -> bool:
    """Whether two areas differ by no more than the share that is repaired without asking."""
    large, small = max(one.area.area, other.area.area), min(one.area.area, other.area.area)
    if large - small > SAFE_CHANGE * large:
        return False
    return bool(one.area.symmetric_difference(other.area).area <= SAFE_CHANGE * large)


def without_twins(
    outlines: Sequence[Outline], *, chosen: Sequence[Outline], where: str
) -> tuple[list[Outline], list[Finding]]:
    """Outlines without those drawn a second time, or nearly so; of twins a chosen one is kept."""
    order = sorted(outlines, key=lambda o: o not in chosen)
    tree = shapely.STRtree([o.area for o in order])
    kept: dict[int, Outline] = {}
    twins: list[str] = []
    near: list[str] = []
    for k, one in enumerate(order):
        others = [kept[j] for j in sorted(tree.query(one.area).tolist()) if j in kept]
        twin = next((o for o in others if o.area.equals(one.area)), None)
        if twin is not None:
            twins.append(f"{one.label} as {twin.label} ({acres(one.area):.3f} ac)")
            continue
        near_twin = next((o for o in others if _nearly_same(o, one)), None)
        if near_twin is None:
            kept[k] = one
            continue
        near.append(f"{one.label} ({acres(one.area):.3f} ac) is nearly {near_twin.label} "
                    f"({acres(near_twin.area):.3f} ac)")
    findings: list[Finding] = []
    if twins:
        findings.append(note("boundary-drawn-twice", where,
                             f"the same polygon twice: {listed(twins)}", done="counts once"))
    if near:
        findings.append(warn("boundary-nearly-twice", where,
                             f"{listed(near)}: under {100 * SAFE_CHANGE:g} % of the area apart",
                             done="the first is read, the other left out",
                             todo="name the one that is right as the field"))
    return sorted(kept.values(), key=lambda o: o.record), findings


def without_scraps(
    outlines: Sequence[Outline], *, least_ac: float, where: str
) -> tuple[list[Outline], list[Finding]]:
    """Outlines without those too small to be a field, where there are larger ones."""
    sizes = [acres(o.area) for o in outlines]
    large = [o for o, ac in zip(outlines, sizes, strict=True) if ac >= least_ac]
    # A small one inside a large one is a well or a pole, and asked about like any other.
    small = {id(o): f"{o.label} ({ac:.4f} ac)" for o, ac in zip(outlines, sizes, strict=True)
             if ac < least_ac and not any(big.area.covers(o.area) for big in large)}
    if not small or not large:
        return list(outlines), []
    return [o for o in outlines if id(o) not in small], [
        warn("boundary-scraps", where, f"polygons below {least_ac:g} ac: {listed(small.values())}",
             done="left out: too small for a field")]


def inner_and_outer(outlines: Sequence[Outline]) -> tuple[list[Outline], list[Outline]]:
    """Outlines that lie wholly in another, and the others."""
    inner: list[Outline] = []
    outer: list[Outline] = []
    tree = shapely.STRtree([o.area for o in outlines])
    for one in outlines:
        inside = any(
            outlines[j].area.area > one.area.area and outlines[j].area.covers(one.area)
            for j in tree.query(one.area).tolist()
        )
        (inner if inside else outer).append(one)
    return inner, outer


def _shared(one: Outline, other: Outline) -> float:
    return acres(polygons_of(one.area.intersection(other.area)))


def _overlaps(outer: Sequence[Outline]) -> list[str]:
    tree = shapely.STRtree([o.area for o in outer])
    found = []
    for i, one in enumerate(outer):
        for j in sorted(int(k) for k in tree.query(one.area, predicate="intersects")):
            if j > i and (shared := _shared(one, outer[j])) > _TOLD_AC:
                names = f"{one.name or one.record} and {outer[j].name or outer[j].record}"
                found.append(f"{names} overlap by {shared:.3f} ac")
    return found


def several_parts(outer: Sequence[Outline], *, join: bool, where: str) -> list[Finding]:
    """Several polygons, none inside another: parts of one field, or several fields?"""
    if len(outer) < 2:
        return []
    overlaps = _overlaps(outer)
    parts = listed(f"{o.name or o.record} ({acres(o.area):.3f} ac)" for o in outer)
    if join:
        found = [note("boundary-joined", where, f"{len(outer)} polygons: {parts}",
                      done="joined into one field, as you chose")]
        if overlaps:
            found.append(warn("boundary-overlap", where, "; ".join(overlaps),
                              done="the shared strip counts once"))
        return found
    if overlaps:
        return [stop("boundary-overlap", where, "; ".join(overlaps),
                     todo="name one of them as the field, after its neighbour gives up the strip")]
    return [stop("boundary-several", where, f"{len(outer)} polygons: {parts}",
                 todo="name one of them as the field (boundary_name), or ask for all to be joined "
                 "(several = \"join\")")]


def against_others(
    chosen: Sequence[Outline], rest: Sequence[Outline], where: str
) -> list[Finding]:
    """What is left out beside the chosen polygons, and acres that both claim."""
    if not rest:
        return []
    findings = [note("boundary-others-left-out", where,
                     f"other polygons: {listed(o.label for o in rest)}", done="left out")]
    shared = [
        f"{one.name or one.record} and {other.name or other.record} overlap by {ac:.3f} ac"
        for one in chosen for other in rest
        # A field within a farm's outline is no quarrel.
        if not other.area.covers(one.area) and (ac := _shared(one, other)) > _TOLD_AC
    ]
    if shared:
        findings.append(warn("boundary-overlap", where, "; ".join(shared),
                             done="the strip counts as the chosen field's",
                             todo="take it out of the neighbour's, or it is spread twice"))
    return findings
