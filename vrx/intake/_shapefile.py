"""Shapefiles: first whether they are whole, then their records (pyshp, which needs no .shx).

Layout of the headers: Esri Shapefile Technical Description (1998), lengths in 16-bit words; dBASE
III header: record count at byte 4, header length at 8, record length at 10 (all from memory; the
tests hold files made by an independent writer).
"""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from itertools import zip_longest

import numpy as np
import pyproj
from pyproj.exceptions import CRSError

from vrx.errors import InputError
from vrx.intake._crs import unit_quarrel
from vrx.intake._files import Part
from vrx.intake._raise import raise_stops
from vrx.intake._shape import NO_POINTS, Feature, Layer, Rings, Shape, flat
from vrx.model import Finding, note, stop

KIND_OF_TYPE = {0: "none", 1: "point", 3: "line", 5: "polygon", 8: "point"}
_LANGUAGE = {0x01: "cp437", 0x02: "cp850", 0x03: "cp1252", 0x57: "cp1252", 0x58: "cp1252",
             0x64: "cp852", 0xC8: "cp1250", 0x4D: "cp936", 0x13: "cp932", 0xC9: "cp1251"}


def _broken(name: str, what: str, code: str = "shapefile-incomplete") -> Finding:
    return stop(code, name, what, todo="the set is incomplete: copy all its files again")


def _count_shapes(data: bytes) -> int:
    count, at = 0, 100
    while at + 8 <= len(data):
        words = struct.unpack(">i", data[at + 4 : at + 8])[0]
        at += 8 + 2 * words
        count += 1
        if words < 2 or at > len(data):
            return -1
    return count if at == len(data) else -1


def _main_faults(name: str, data: bytes) -> tuple[list[Finding], int]:
    if len(data) < 100:
        return [_broken(name, f"has {len(data)} bytes, its header alone takes 100")], -1
    if struct.unpack(">i", data[:4])[0] != 9994:
        return [stop("shapefile-not-one", name, "does not begin as a shapefile does",
                     todo="check that it was not renamed from another format")], -1
    said = 2 * struct.unpack(">i", data[24:28])[0]
    if said != len(data):
        return [_broken(name, f"header says {said} bytes, file has {len(data)}")], -1
    count = _count_shapes(data)
    if count < 0:
        return [_broken(name, "its records do not fill the file as their lengths say")], -1
    return [], count


def _index_faults(name: str, data: bytes, records: int, main_bytes: int) -> list[Finding]:
    said = 2 * struct.unpack(">i", data[24:28])[0] if len(data) >= 100 else -1
    if said != len(data):
        return [_broken(name, f"header says {max(said, 100)} bytes, file has {len(data)}")]
    count, odd = divmod(len(data) - 100, 8)
    if odd:
        return [_broken(name, f"ends {odd} bytes after its last whole entry")]
    if records >= 0 and count != records:
        return [_broken(name, f"indexes {count} records, the .shp holds {records}")]
    pairs = np.frombuffer(data[100:], dtype=">i4").reshape(-1, 2).astype(np.int64)
    if records >= 0 and len(pairs) and int((2 * pairs.sum(axis=1) + 8).max()) > main_bytes:
        return [_broken(name, "points beyond the end of the .shp")]
    return []


def _table_faults(name: str, data: bytes, records: int) -> list[Finding]:
    if len(data) < 32:
        return [_broken(name, f"has {len(data)} bytes, its header alone takes 32")]
    rows, header, width = struct.unpack("<IHH", data[4:12])
    said = header + rows * width
    found = []
    if len(data) < said:
        found.append(_broken(
            name, f"header says {rows} records ({said} bytes), file has {len(data)}"))
    elif len(data) > said + 1:
        found.append(_broken(
            name, f"header says {rows} records ({said} bytes), file has {len(data)}: more than "
            "it says, so the header was not finished"))
    if records >= 0 and rows != records:
        found.append(_broken(name, f"holds {rows} records, the .shp holds {records}"))
    return found


def check_whole(stem: str, parts: Mapping[str, Part]) -> tuple[dict[str, bytes], list[Finding]]:
    """Bytes of .shp, .shx, .dbf and what must be said. Stops are raised as one `InputError`."""
    data = {suffix: parts[suffix].read() for suffix in (".shp", ".shx", ".dbf") if suffix in parts}
    findings: list[Finding] = []
    if ".shp" not in data:
        raise InputError(
            f"{stem}.shp is missing: there are no shapes", code="shapefile-no-shp",
            where=f"{stem}.dbf", hint="copy all files of the set: .shp, .shx, .dbf, .prj")
    main_name = parts[".shp"].name
    found, records = _main_faults(main_name, data[".shp"])
    findings += found
    if records == 0:
        findings.append(stop("shapefile-empty", main_name, "holds no record",
                             todo="export it again; the writing was probably interrupted"))
    if ".shx" in data:
        findings += _index_faults(parts[".shx"].name, data[".shx"], records, len(data[".shp"]))
    else:
        findings.append(note(
            "shapefile-no-shx", main_name, f"{stem}.shx (the index) is missing",
            done="the records were read in order without it; nothing was written"))
    if ".dbf" in data:
        findings += _table_faults(parts[".dbf"].name, data[".dbf"], records)
    else:
        findings.append(stop(
            "shapefile-no-dbf", main_name, f"{stem}.dbf is missing: shapes without attributes",
            todo="copy all files of the set: .shp, .shx, .dbf, .prj"))
    raise_stops(findings)
    return data, findings


def _encoding(parts: Mapping[str, Part], table: bytes) -> tuple[str, list[Finding]]:
    name = parts[".dbf"].name
    body = table[32:]
    if body.isascii():
        return "ascii", []
    said = ""
    if ".cpg" in parts:
        said = parts[".cpg"].read().decode("ascii", "replace").strip()
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        pass
    else:
        if said and said.casefold().replace("-", "") not in {"utf8", "65001"}:
            return "utf-8", [note("shapefile-encoding", name,
                                  f"the .cpg says {said}, but the text is valid UTF-8",
                                  done="read as UTF-8")]
        return "utf-8", []
    digits = said.upper().removeprefix("ANSI").strip()
    for guess in (said, f"cp{digits}", _LANGUAGE.get(table[29], "")):
        try:
            if guess and body.decode(guess):
                return guess, []
        except (LookupError, ValueError):
            continue  # also what codecs say that are no text encodings
    return "cp1252", [note("shapefile-encoding", name, "nothing says how its text is encoded",
                           done="read as Windows-1252", todo="check names with accents")]


def _is_clockwise(ring: np.ndarray) -> bool:
    # Shifted to the ring's own origin: products of large coordinates lose their last digits.
    east, north = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    twice = float(np.dot(east, np.roll(north, -1)) - np.dot(north, np.roll(east, -1)))
    return twice <= 0


def _meet(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether the boxes around two rings have a point in common."""
    return bool((one.min(axis=0) <= other.max(axis=0)).all()
                and (other.min(axis=0) <= one.max(axis=0)).all())


def _rings(points: np.ndarray, starts: list[int]) -> tuple[Rings, ...]:
    """Rings as polygons: a clockwise ring opens one, the others are holes of the last opened.

    A counter-clockwise ring apart from every clockwise one is a hole in nothing, so it is land.
    """
    rings = [points[begin:end] for begin, end in zip_longest(starts, starts[1:],
                                                             fillvalue=len(points))]
    rings = [ring for ring in rings if len(ring)]
    land = [ring for ring in rings if _is_clockwise(ring)]
    polygons: list[list[np.ndarray]] = []
    for ring in rings:
        hole = polygons and not _is_clockwise(ring) and any(_meet(ring, one) for one in land)
        if hole:
            polygons[-1].append(ring)
        else:
            polygons.append([ring])
    return tuple(tuple(rings) for rings in polygons)


def _shape(raw: object, *, where: str) -> Shape:
    kind_number = int(raw.shapeType)  # type: ignore[attr-defined]
    kind = KIND_OF_TYPE.get(kind_number % 10 if kind_number != 31 else 31)
    if kind is None:
        raise InputError(f"shape type {kind_number} is not a plain point, line or polygon",
                         code="shapefile-type", where=where, hint="export it as polygons")
    if kind == "none":
        return Shape()
    points = flat(raw.points)  # type: ignore[attr-defined]
    heights = kind_number > 10
    if kind == "point" or not len(points):
        return Shape(points=points, had_heights=heights)
    starts = [int(start) for start in raw.parts]  # type: ignore[attr-defined]
    if kind == "polygon":
        return Shape(polygons=_rings(points, starts), points=NO_POINTS, had_heights=heights)
    lines = tuple(points[b:e] for b, e in zip_longest(starts, starts[1:], fillvalue=len(points)))
    return Shape(lines=lines, had_heights=heights)


def crs_of_prj(part: Part) -> pyproj.CRS:
    """The CRS of a .prj. Raises `InputError` if PROJ cannot read it."""
    text = part.read().decode("utf-8", "replace").strip("\ufeff\x00 \r\n")
    hint = "give the CRS in the plan, for example EPSG:32615"
    try:
        crs = pyproj.CRS.from_wkt(text)
    except CRSError as err:
        raise InputError("its coordinate system cannot be read", code="crs-unreadable",
                         where=part.name, hint=hint) from err
    quarrel = unit_quarrel(crs)
    if quarrel:
        raise InputError(f"its coordinate system contradicts itself: {quarrel}",
                         code="crs-unreadable", where=part.name, hint=hint)
    return crs


def header_kind(part: Part) -> str:
    """ "polygon", "line", "point" or "none", from the .shp header alone."""
    head = part.read()[:36]
    if len(head) < 36:
        return "none"
    return KIND_OF_TYPE.get(struct.unpack("<i", head[32:36])[0] % 10, "none")


def read_shapefile(stem: str, parts: Mapping[str, Part]) -> Layer:
    """All records of one shapefile whose parts are given by suffix, after `check_whole`."""
    import shapefile

    data, findings = check_whole(stem, parts)
    encoding, said = _encoding(parts, data[".dbf"])
    findings += said
    name = parts[".shp"].name
    features = []
    try:
        with shapefile.Reader(shp=io.BytesIO(data[".shp"]), dbf=io.BytesIO(data[".dbf"]),
                              encoding=encoding) as reader:
            columns = tuple(field[0] for field in reader.fields if field[0] != "DeletionFlag")
            rows = reader.iterRecords(deleted_as_None=True)
            for number, (raw, row) in enumerate(zip(reader.iterShapes(), rows, strict=True), 1):
                if row is None:
                    findings.append(note("shapefile-deleted-record", f"{name} record {number}",
                                         "is marked as deleted", done="left out"))
                    continue
                features.append(Feature(
                    record=number, properties=dict(zip(columns, row, strict=True)),
                    shape=_shape(raw, where=f"{name} record {number}")))
    except (shapefile.ShapefileException, struct.error, ValueError, LookupError) as err:
        raise InputError(f"cannot be read: {err}", code="shapefile-broken", where=name,
                         hint="export it again") from err
    crs, fault = None, None
    if ".prj" in parts:
        try:
            crs = crs_of_prj(parts[".prj"])
        except InputError as err:
            fault = err  # only who states the system may read on
    return Layer(file=name, name=stem, crs=crs, columns=columns, features=tuple(features),
                 findings=tuple(findings), crs_fault=fault)
