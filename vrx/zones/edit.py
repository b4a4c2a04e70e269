"""Zones changed by hand: every operation takes zones and gives new ones, a true coverage again.

Pure functions, for a program that shows zones and for scripts; undo is the caller's, who keeps the
zones from before. An id names one zone for ever: zones that are split or merged retire theirs, the
new ones get ids that no zone had (`Zones.highest_id` remembers). Where only a border moves, ids
stay. Letters are labels. Zones that an operation does not touch are the same objects afterwards.
Everything is in the field's CRS, metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import shapely

from vrx.errors import ComputeError, InputError
from vrx.geo import dissolve, shared_edges
from vrx.model import BoolArray, Field, Finding, Grid, Zone, Zones, note
from vrx.units import ACRE_M2
from vrx.zones._border import redrawn
from vrx.zones._build import letter_of
from vrx.zones._corner import corner_near, moved, target_of, turned
from vrx.zones._recut import (
    Edited,
    carried,
    checked_line,
    cut,
    dissolved,
    first_that_holds,
    position_of,
    rebuilt,
    same_outline,
    without_slivers,
)
from vrx.zones._split import pieces_of

REACH_M = 1.0
"""Ends of a line that stop this short of an edge are carried to it (common practice, no source)."""


def split_zone(
    zones: Zones, *, field: Field, zone_id: int, line: shapely.LineString,
    reach_m: float = REACH_M,
) -> Zones:
    """A zone cut along a line (or around a closed one); every piece is a zone of its own.

    The line may be longer than the zone and cross it several times; other zones are not cut. Parts
    of the zone that the line does not cut stay with the largest piece; a line that runs between
    parts and cuts none divides the parts by side. Slivers under 2 cm of mean width stay with the
    next piece. All pieces get new ids, the largest keeps the letter.

    Raises:
        InputError: `edit-zone-unknown`, `edit-line`, `edit-line-misses` (the line does not meet the
            zone, or only grazes it), `edit-line-short` (it ends inside the zone).
        ComputeError: `edit-failed`, no true coverage.
    """
    position = position_of(zones, zone_id)
    zone = zones.zones[position]
    line = checked_line(line)
    line = carried(line, zone.polygon, shapely.boundary(zone.polygon), reach_m)
    return first_that_holds(zones, field, partial(_split, zones, field, position, line))


def _split(
    zones: Zones, field: Field, position: int, line: shapely.LineString, *, everyone: bool
) -> Edited:
    zone = zones.zones[position]
    found = cut(zones, field, area=[position], line=line, everyone=everyone)
    own = np.flatnonzero(found.held == position)
    owner = found.held.copy()
    owner[own] = len(zones.zones) + np.arange(len(own))
    owner, _ = without_slivers(found, owner, [position])
    labels = pieces_of(zone, found.faces[own], owner[own], line)
    owner[own] = labels
    made = dissolved(zones, found, owner, [position])
    pieces = [made.pop(label) for label in np.unique(labels).tolist()]
    pieces.sort(key=lambda piece: (
        -piece.area, -round(float(piece.centroid.y)), float(piece.centroid.x)))
    fresh = _named(zones, pieces, zone)
    return Edited(
        zones=_put(zones, made, {position: fresh}), highest_id=fresh[-1].zone_id)


def merge_zones(
    zones: Zones, *, field: Field, zone_ids: Sequence[int], apart: bool = False
) -> Zones:
    """Several zones as one, with a new id, the letter of the largest and the labels of all.

    Zones that are not all connected along edges (a corner is none) are refused unless `apart`; the
    result is then one zone in several parts, with one rate.

    Raises:
        InputError: `edit-merge-count` (fewer than two different zones), `edit-zone-unknown`,
            `edit-merge-apart`.
        ComputeError: `edit-failed`, no true coverage.
    """
    if len(set(zone_ids)) < 2:
        raise InputError(f"{len(set(zone_ids))} zones to merge", code="edit-merge-count",
                         where="zones", hint="name two or more different zones")
    positions = sorted({position_of(zones, zone_id) for zone_id in zone_ids})
    members = [zones.zones[position] for position in positions]
    polygons = [zone.polygon for zone in members]
    [joined] = dissolve(polygons, [0] * len(polygons))
    if not apart and not _connected(polygons):
        raise InputError(
            f"zones {', '.join(zone.letter for zone in members)} are not all neighbours: they "
            "share no edge", code="edit-merge-apart", where="zones",
            hint="name the zones between them too, or allow one zone in several parts",
        )
    largest = max(members, key=lambda zone: zone.polygon.area)
    whole = Zone(
        zone_id=zones.next_id, letter=largest.letter, polygon=joined, area_ac=0.0,
        label=" and ".join(dict.fromkeys(zone.label for zone in members)),
    )
    held: dict[int, list[Zone]] = {position: [] for position in positions}
    held[positions[0]] = [whole]
    return rebuilt(zones, field, Edited(
        zones=_put(zones, {}, held), highest_id=whole.zone_id))


def move_corner(
    zones: Zones, *, field: Field, corner: tuple[float, float], to: tuple[float, float],
    reach_m: float = REACH_M,
) -> Zones:
    """The corner nearest to a place moved in all zones that share it; ids and letters stay.

    A corner where a border meets the field's edge goes along that edge, up to the next corner on
    it; a corner of the field itself stays.

    Raises:
        InputError: `edit-corner-none` (none within `reach_m`), `edit-corner-field`,
            `edit-corner-edge`, `edit-corner-flips` (a zone would cross itself or turn over, or the
            corner or its edges would come into a zone that they do not belong to).
    """
    old = corner_near(zones, corner, reach_m)
    new = target_of(zones, field, old, to)
    if np.array_equal(old, new):
        return zones
    made = {}
    for position, zone in enumerate(zones.zones):
        if (shapely.get_coordinates(zone.polygon) == old).all(axis=1).any():
            made[position] = moved(zone.polygon, old, new)
    wrong = [zones.zones[p].letter for p, polygon in made.items()
             if turned(zones.zones[p].polygon, polygon)]
    place = shapely.Point(new)
    if not wrong:
        wrong = [
            zone.letter for position, zone in enumerate(zones.zones)
            if position not in made and zone.polygon.intersects(place)
        ]
    if wrong:
        raise InputError(
            f"zone {', '.join(wrong)} would be crossed or turned over",
            code="edit-corner-flips", where=f"zone {wrong[0]}",
            hint="move the corner less far, or redraw the border",
        )
    try:
        return rebuilt(zones, field, Edited(zones=_put(zones, made, {})))
    except ComputeError as err:
        raise InputError(
            f"an edge at the corner would cross another zone: {err.message}",
            code="edit-corner-flips", where=f"corner at E {old[0]:.2f}, N {old[1]:.2f}",
            hint="move the corner less far, or redraw the border",
        ) from err


def redraw_border(
    zones: Zones, *, field: Field, between: tuple[int, int], line: shapely.LineString,
    reach_m: float = REACH_M,
) -> Zones:
    """The border between two neighbours replaced by a line; ids and letters stay.

    A line from edge to edge of the two zones together replaces the whole border. An end on the old
    border keeps the border beyond it: with both ends there only the stretch between them is
    replaced. Where that leaves two ways (one end on the border, or a border that is a ring), the
    one that moves less area is taken. Only these two zones change, but for corners that neighbours
    get where the new border meets them.

    Raises:
        InputError: `edit-zone-unknown`, `edit-line`, `edit-border-none` (the zones share no edge),
            `edit-border-lost` (the line does not divide the two zones in two).
        ComputeError: `edit-failed`, no true coverage.
    """
    one, two = (position_of(zones, zone_id) for zone_id in between)
    line = checked_line(line)

    def edit(*, everyone: bool) -> Edited:
        found, owner = redrawn(
            zones, field, one=one, two=two, line=line, reach_m=reach_m, everyone=everyone)
        return Edited(zones=_put(zones, dissolved(zones, found, owner, [one, two]), {}))

    return first_that_holds(zones, field, edit)


def assign_area(
    zones: Zones, *, field: Field, zone_id: int, area: shapely.Polygon | shapely.MultiPolygon
) -> Zones:
    """What lies in a polygon given to one zone; the other zones keep the rest.

    What lies outside the field is passed over. A zone left with nothing is retired
    (`zones-edit-emptied`); one left in several parts stays one zone (`zones-edit-parts`).
    Remainders under 2 cm of mean width join a neighbour (`zones-edit-slivers`). An area that is
    the zone's already changes nothing: the zones themselves come back.

    Raises:
        InputError: `edit-zone-unknown`, `edit-area` (no valid polygon), `edit-area-outside`.
        ComputeError: `edit-failed`, no true coverage.
    """
    target = position_of(zones, zone_id)
    area = _checked_area(area, field)
    after = first_that_holds(
        zones, field, partial(_assign, zones, field, target, area))
    return zones if after.zones == zones.zones else after


def _assign(
    zones: Zones, field: Field, target: int, area: shapely.Geometry, *, everyone: bool
) -> Edited:
    polygons = np.array([zone.polygon for zone in zones.zones], dtype=object)
    touched = shapely.STRtree(polygons).query(area, predicate="intersects")
    reached = np.union1d(touched, [target])
    found = cut(zones, field, area=reached.tolist(), line=shapely.boundary(area),
                everyone=everyone)
    shapely.prepare(area)
    inside = shapely.intersects(area, shapely.point_on_surface(found.faces))
    given = inside & np.isin(found.held, reached)
    owner, moved = without_slivers(
        found, np.where(given, target, found.held), reached.tolist())
    if np.array_equal(owner, found.held):
        return Edited(zones=zones.zones)
    made = dissolved(zones, found, owner, reached.tolist())
    # Zones that the polygon only touched are as they were.
    for position in set(reached.tolist()) & set(made):
        if same_outline(made[position], zones.zones[position].polygon):
            del made[position]
    emptied = [int(p) for p in reached if not (owner == p).any()]
    gone: dict[int, list[Zone]] = {position: [] for position in emptied}
    return Edited(zones=_put(zones, made, gone), findings=tuple(_told(zones, made, emptied, moved)))


def assign_cells(
    zones: Zones, *, field: Field, zone_id: int, grid: Grid, cells: BoolArray
) -> Zones:
    """Cells of a grid given to one zone: `assign_area` of the chosen cells' exact outline.

    `cells` (rows, columns) is true where a cell is chosen. Raises as `assign_area`, and
    `edit-area` for a shape other than the grid's or no cell.
    """
    if cells.shape != grid.shape or not cells.any():
        what = "no cell is chosen" if cells.shape == grid.shape else (
            f"cells have {cells.shape} rows and columns, the grid {grid.shape}")
        raise InputError(what, code="edit-area", where="zones", hint="choose cells of the grid")
    rows, columns = np.nonzero(cells)
    west = grid.west_m + columns * grid.cell_m
    north = grid.north_m - rows * grid.cell_m
    # Edges of neighbours from one formula, so that they are equal to the last bit.
    boxes = shapely.box(west, grid.north_m - (rows + 1) * grid.cell_m,
                        grid.west_m + (columns + 1) * grid.cell_m, north)
    outline = shapely.coverage_union_all(boxes)
    return assign_area(zones, field=field, zone_id=zone_id, area=outline)


def rename_zone(
    zones: Zones, *, zone_id: int, label: str | None = None, letter: str | None = None
) -> Zones:
    """Another label or letter for a zone; nothing else changes.

    Raises:
        InputError: `edit-zone-unknown`, `edit-letter` (empty, or another zone's).
    """
    position = position_of(zones, zone_id)
    zone = zones.zones[position]
    if letter is not None:
        letter = letter.strip()
        taken = {z.letter.casefold() for z in zones.zones if z is not zone}
        if not letter or letter.casefold() in taken:
            raise InputError(
                f"{letter!r} is another zone's letter" if letter else "the letter is empty",
                code="edit-letter", where=f"zone {zone.letter}",
                hint="give each zone a letter of its own",
            )
    renamed = replace(
        zone, label=zone.label if label is None else label,
        letter=zone.letter if letter is None else letter,
    )
    return replace(zones, zones=tuple(renamed if z is zone else z for z in zones.zones))


def _connected(polygons: Sequence[shapely.Geometry]) -> bool:
    pairs, _ = shared_edges(polygons)
    reached, fresh = {0}, {0}
    while fresh:
        at = pairs[np.isin(pairs, list(fresh)).any(axis=1)]
        fresh = set(at.ravel().tolist()) - reached
        reached |= fresh
    return len(reached) == len(polygons)


def _named(zones: Zones, pieces: Sequence[shapely.Geometry], old: Zone) -> list[Zone]:
    """New zones of a split one: new ids, the first keeps the letter."""
    taken = {zone.letter for zone in zones.zones}
    fresh = []
    for number, piece in enumerate(pieces):
        zone_id = zones.next_id + number
        letter, following = old.letter, zone_id
        while number and letter in taken:
            letter, following = letter_of(following), following + 1
        taken.add(letter)
        fresh.append(Zone(zone_id=zone_id, letter=letter, polygon=piece, area_ac=0.0,
                          label=old.label))
    return fresh


def _put(
    zones: Zones, made: dict[int, shapely.Geometry], instead: dict[int, list[Zone]]
) -> tuple[Zone, ...]:
    """All zones in their order: replaced, with a new polygon, or as they were."""
    out: list[Zone] = []
    for position, zone in enumerate(zones.zones):
        if position in instead:
            out += instead[position]
        elif position in made:
            out.append(replace(zone, polygon=made[position]))
        else:
            out.append(zone)
    return tuple(out)


def _checked_area(area: shapely.Geometry, field: Field) -> shapely.Geometry:
    kind = getattr(area, "geom_type", type(area).__name__)
    good = kind in ("Polygon", "MultiPolygon") and not area.is_empty and area.is_valid
    if not good or not np.isfinite(shapely.get_coordinates(area)).all():
        raise InputError(f"the area is no valid polygon ({kind})", code="edit-area", where="zones",
                         hint="draw one closed outline that does not cross itself")
    flat = shapely.force_2d(area)
    if not shapely.relate_pattern(flat, field.boundary, "T********"):
        raise InputError("the area lies outside the field", code="edit-area-outside",
                         where="zones", hint="draw it over the field; is it in the field's system?")
    return flat


def _told(
    zones: Zones, made: dict[int, shapely.Geometry], emptied: Sequence[int], moved_m2: float
) -> list[Finding]:
    found = []
    for position in emptied:
        zone = zones.zones[position]
        found.append(note(
            "zones-edit-emptied", f"zone {zone.letter}",
            f"all {zone.area_ac:.3f} ac of it were given away", value=f"{zone.area_ac:.4f}",
            done=f"the zone is gone, its id {zone.zone_id} is not used again"))
    for position, polygon in made.items():
        zone = zones.zones[position]
        parts, before = shapely.get_num_geometries(polygon), shapely.get_num_geometries(
            zone.polygon)
        if parts > before:
            found.append(note(
                "zones-edit-parts", f"zone {zone.letter}",
                f"the edit leaves it in {parts} parts", value=str(parts),
                done="kept as one zone with one rate",
                todo="split it if the parts shall have rates of their own"))
    if moved_m2 / ACRE_M2 > 2.5e-5:
        found.append(note(
            "zones-edit-slivers", "zones", f"slivers of {moved_m2:.2f} m² in all lay between the "
            "drawn outline and a border", value=f"{moved_m2:.3f}",
            done="given to the neighbouring zone"))
    return found
