"""Results without coordinates: places come from a file of points, joined on the sample's name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from vrx.errors import InputError
from vrx.geo import WGS84, transform_points
from vrx.intake._ids import better, date_parts, key_of, matches, melted, trimmed, twice
from vrx.intake._inside import distances
from vrx.intake._one_cell import split_positions
from vrx.intake._places import Places, in_field_crs, read_places, subset
from vrx.intake._raise import listed, raise_stops
from vrx.intake._rows import decimal_mark, sample_ids
from vrx.intake._table import Table, read_table
from vrx.intake.spec import PointsSpec, SoilSpec
from vrx.model import Field, Finding, FloatArray, note, stop, warn

_LON = re.compile(r"(gps )?(long?|longitude|lng|easting|utm e)( dd| deg| degrees| m)?")
_LAT = re.compile(r"(gps )?(lat|latitude|northing|utm n)( dd| deg| degrees| m)?")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Points:
    """Named places: one name and one position (n, 2) a point, as written in `places`' system."""

    file: str
    names: tuple[str, ...]
    places: Places
    findings: tuple[Finding, ...]


def _own_positions(table: Table, spec: SoilSpec) -> str:
    """What gives the samples positions of their own, "" if nothing does."""
    stated = [h for h in (spec.position_column, spec.longitude_column, spec.latitude_column,
                          spec.easting_column, spec.northing_column) if h]
    if stated:
        return f"the plan states {listed(stated)}"
    if table.kind == "points":
        return "it is a file of points"
    words = [re.sub(r"[\s_]+", " ", heading).casefold().strip() for heading in table.headings]
    for kinds in ((_LON, _LAT), (re.compile(r"point coordinate 1"),
                                 re.compile(r"point coordinate 2"))):
        fit = [next((k for k, w in enumerate(words) if kind.fullmatch(w)), None) for kind in kinds]
        if None not in fit and any(
                all(row.cells[k] for k in fit if k is not None) for row in table.rows):
            return "columns " + " and ".join(table.headings[k] for k in fit if k is not None)
    return ""


def require_one_position(table: Table, spec: SoilSpec) -> tuple[SoilSpec, list[Finding]]:
    """The statement with places of one file only. Raises `InputError` where nobody chose which."""
    if spec.points is None:
        return spec, []
    own = _own_positions(table, spec)
    if not own:
        return spec, []
    points = spec.points.path.name
    if not spec.points.over_own_positions:
        raise_stops([stop("soil-positions-twice", table.file,
                          f"has positions of its own ({own}), and {points} gives others",
                          todo="take [soil.points] out of the plan to use its own, or say "
                          "over_own_positions = true in [soil.points] to use the points")])
    bare = replace(spec, position_column=None, degrees_as=None, longitude_column=None,
                   latitude_column=None, easting_column=None, northing_column=None,
                   zone_column=None, crs=None)
    return bare, [note("soil-positions-not-used", table.file, f"has positions of its own ({own})",
                       done=f"not used, as you chose; those of {points} are")]


def _read(points: PointsSpec, field: Field) -> _Points:
    try:
        return _read_points(points, field)
    except InputError as err:
        # The readers' hints name keys of [soil]; the keys of this file stand one section deeper.
        raise InputError(
            err.message, code=err.code, where=err.where,
            hint=err.hint.replace("[soil]", "[soil.points]"), findings=err.findings) from err


def _read_points(points: PointsSpec, field: Field) -> _Points:
    spec = points.places
    table = read_table(points.path, needed=spec.needed, sheet=spec.sheet, layer=spec.layer,
                       crs=spec.crs, need_places=spec.by_geometry)
    decimal, said = decimal_mark(table, spec)
    findings = [*table.findings, *said]
    raise_stops(findings)
    table, spec, said = split_positions(table, spec, field, decimal, section="soil.points")
    findings += said
    index = table.index(spec.id_column or "")
    named = [k for k, row in enumerate(table.rows) if trimmed(row.cells[index])]
    bare = [str(row.number) for row in table.rows if not trimmed(row.cells[index])]
    if bare:
        findings.append(warn("soil-point-unnamed", f"{table.file}, column {spec.id_column}",
                             f"points without a name: {table.row_word} {listed(bare)}",
                             done="left out"))
    at = [table.index(h) for h in (spec.longitude_column, spec.latitude_column,
                                   spec.easting_column, spec.northing_column) if h]
    if at:
        empty = [k for k in named if not any(table.rows[k].cells[c] for c in at)]
    elif table.places is not None:
        empty = [k for k in named if not np.isfinite(table.places[k]).all()]
    else:
        empty = []
    if empty:
        findings.append(warn("soil-point-no-position", table.file, "points without a position: "
                             + listed(table.rows[k].cells[index] for k in empty), done="left out"))
    rows = [k for k in named if k not in set(empty)]
    if not rows:
        raise_stops([*findings, stop("soil-no-points", table.file, "no point has name and position",
                                     todo="check id_column and the columns of coordinates")])
    places, said = read_places(table, rows, spec, field, decimal, section="soil.points")
    return _Points(file=table.file, places=places, findings=(*findings, *said),
                   names=tuple(sample_ids(table, [table.rows[k] for k in rows], spec)))


def _inside(found: _Points, field: Field, within_m: float) -> list[int]:
    away = distances(*in_field_crs(found.places, field), field)
    return [int(k) for k in np.flatnonzero(away <= within_m)]


def _chosen(found: _Points, keep: list[int]) -> _Points:
    good = np.zeros(len(found.names), dtype=bool)
    good[keep] = True
    return replace(found, names=tuple(found.names[k] for k in keep),
                   places=subset(found.places, good))


def _dates_told(names: Sequence[str]) -> str:
    odd = [name for name in dict.fromkeys(names) if date_parts(trimmed(name))]
    if not odd:
        return ""
    parts = date_parts(trimmed(odd[0])) or (0, 0)
    return (f"; {len(odd)} names such as {odd[0]!r} look like dates that a spreadsheet made out of "
            f"names such as '{parts[0]}-{parts[1]}'")


def _match_stop(
    results: Sequence[str], found: _Points, points: PointsSpec, *, where: str
) -> list[Finding]:
    """Stops where names do not meet as stated: melted, none, or more under a way not stated."""
    said = [(where, melted(results, points.id_match)),
            (found.file, melted(found.names, points.id_match))]
    for at, alike in said:
        if alike:
            return [stop("soil-points-melted", at, f"id_match makes one of {listed(alike)}",
                         todo="take that way out of id_match, or rename them in the file")]
    count = len(dict.fromkeys(map(trimmed, results)))
    fit = matches(results, found.names, points.id_match)
    mangled = _dates_told([*results, *found.names]) if fit < count else ""
    if fit < count and not points.id_match:
        ways, more = better(results, found.names)
        if ways:
            words = ", ".join(f'"{way}"' for way in ways)
            other = ', or id_match = ["exact"] if the others are other samples' if fit else ""
            return [stop(
                "soil-points-id-match", f"{where} and {found.file}",
                f"{fit} of {count} names match; {more} of {count} match by {words}{mangled}",
                todo=f"state id_match = [{words}] in [soil.points]{other}")]
    if fit:
        return []
    return [stop("soil-points-no-match", f"{where} and {found.file}",
                 f"no name of a result is a name of a point; results: {listed(results, most=4)}; "
                 f"points: {listed(found.names, most=4)}{mangled}",
                 todo="is id_column right in [soil] and in [soil.points], and are both files of "
                 "this field?")]


def _twice_stop(
    results: Sequence[str], found: _Points, points: PointsSpec, field: Field, within_m: float
) -> list[Finding]:
    ways = points.id_match
    used = {key_of(name, ways) for name in results}
    double = [name for name in twice(found.names, ways) if name in used]
    if not double:
        return []
    inside = twice((found.names[k] for k in _inside(found, field, within_m)), ways)
    todo = "delete or rename the wrong ones in the points file"
    if not points.only_inside and not any(name in used for name in inside):
        todo += ("; all are single if only points inside this field count: only_inside = true in "
                 "[soil.points]")
    return [stop("soil-points-twice", found.file, "points that stand several times: "
                 + listed(double), todo=todo)]


def joined(
    table: Table, rows: Sequence[int], spec: SoilSpec, field: Field
) -> tuple[Table, list[int], list[Finding]]:
    """The table with the places of the points file, the rows that have one, and findings.

    Names meet as `id_match` says; nothing is matched by likeness. Raises `InputError` where the
    points file cannot be read, names stand in it twice, or other ways of matching fit more.
    """
    points = spec.points
    if points is None:
        return table, list(rows), []
    if spec.id_column is None:
        raise InputError("the samples have no column of names to join on", code="soil-points-no-id",
                         where=table.file, hint="state id_column in [soil]")
    found = _read(points, field)
    findings = [*found.findings]
    every = len(found.names)
    if points.only_inside:
        found = _chosen(found, _inside(found, field, spec.keep_outside_m))
        findings.append(note("soil-points-only-inside", found.file, f"{every} points, "
                             f"{len(found.names)} in the field", done="only those are used"))
    index = table.index(spec.id_column)
    bare = [str(table.rows[r].number) for r in rows if not trimmed(table.rows[r].cells[index])]
    if bare:
        findings.append(warn("soil-result-unnamed-row", f"{table.file}, column {spec.id_column}",
                             f"results without a name: {table.row_word} {listed(bare)}",
                             done="left out", todo="write their names"))
    rows = [r for r in rows if trimmed(table.rows[r].cells[index])]
    names = [table.rows[r].cells[index] for r in rows]
    findings += _repeats(table, rows, spec, names)
    findings += _match_stop(names, found, points, where=table.file)
    findings += _twice_stop(names, found, points, field, spec.keep_outside_m)
    raise_stops(findings)
    ways = points.id_match
    place_of = {key_of(name, ways): k for k, name in enumerate(found.names)}
    east, north = _one_system(found.places)
    places = np.full((len(table.rows), 2), np.nan)
    kept: list[int] = []
    for row, name in zip(rows, names, strict=True):
        at = place_of.get(key_of(name, ways))
        if at is not None:
            places[row] = east[at], north[at]
            kept.append(row)
    findings += _told(table, spec, points, found, names)
    crs = found.places.systems[0] if len(found.places.systems) == 1 else WGS84
    return replace(table, places=places, crs=crs, places_file=found.file,
                   places_names=found.places.names,
                   position_order=found.places.one_cell), kept, findings


def _repeats(
    table: Table, rows: Sequence[int], spec: SoilSpec, names: Sequence[str]
) -> list[Finding]:
    """A stop for names that stand twice at one depth and time: two fields in one report?"""
    apart = [spec.depth_column, spec.year_column, spec.date_column if spec.use_year else None]
    at = [table.index(heading) for heading in apart if heading]
    seen = [" ".join([trimmed(name), *(table.rows[r].cells[k] for k in at)]).strip()
            for r, name in zip(rows, names, strict=True)]
    double = twice(seen, ())
    if not double or spec.points is None:
        return []
    if spec.points.repeats == "mean":
        return [note("soil-results-repeated", table.file, "results that stand several times: "
                     + listed(double), done="their mean is used, as you chose")]
    return [stop("soil-results-twice", table.file, "results that stand several times: "
                 + listed(double), todo="do they belong to several fields? Keep those of this one. "
                 'If they are repeats of one sample, say repeats = "mean" in [soil.points]')]


def _one_system(places: Places) -> tuple[FloatArray, FloatArray]:
    if len(places.systems) == 1:
        return places.east, places.north
    east, north = places.east.copy(), places.north.copy()
    for k, crs in enumerate(places.systems):
        own = places.system_of == k
        east[own], north[own] = transform_points(
            places.east[own], places.north[own], source=crs, target=WGS84)
    return east, north


def _told(
    table: Table, spec: SoilSpec, points: PointsSpec, found: _Points, names: Sequence[str]
) -> list[Finding]:
    """What was joined, results without a point, points without a result."""
    ways = points.id_match
    known = {key_of(name, ways) for name in found.names}
    wanted = {key_of(name, ways) for name in [*names, *spec.leave_out]}
    each = list(dict.fromkeys(map(trimmed, names)))
    without = [name for name in each if key_of(name, ways) not in known]
    spare = [name for name in found.names if key_of(name, ways) not in wanted]
    how = "letter by letter" if not set(ways) - {"exact"} else "by " + ", ".join(ways)
    other = next((f"{name} = {mate}" for name in each for mate in found.names
                  if key_of(name, ways) == key_of(mate, ways) and name != trimmed(mate)), "")
    findings = [note(
        "soil-points-joined", found.file, f"{len(each) - len(without)} of {len(each)} samples of "
        f"{table.file} have their position here, {spec.id_column} = {points.places.id_column} "
        f"{how}" + (f" (such as {other})" if other else ""), done="joined")]
    if without:
        findings.append(warn("soil-result-no-point", table.file, "results without a point in "
                             f"{found.file}: {listed(without, most=40)}", value=str(len(without)),
                             done="left out", todo="add their points, or mend the names"))
    if spare:
        findings.append(warn("soil-point-no-result", found.file, "points without a result in "
                             f"{table.file}: {listed(spare, most=40)}", value=str(len(spare)),
                             done="not used", todo="ask the laboratory if they were sent in"))
    return findings
