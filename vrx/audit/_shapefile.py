"""Shapefiles read back with pyshp (no GDAL): whole or not, rings, records, text of the .prj.

Layout of the files after the published technical description (Esri white paper, July 1998) and the
dBASE III header: lengths in the headers, record headers, winding of rings.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping, Sequence

import numpy as np
import shapely

from vrx.audit import _dbase
from vrx.audit._layers import Layer, Part, Record, make_record, signed_area
from vrx.audit._ledger import Ledger
from vrx.model import FloatArray

NEEDED = (".shp", ".shx", ".dbf")
_POLYGONS = {5: "Polygon", 15: "PolygonZ", 25: "PolygonM"}
_KINDS = {"C": "text", "F": "float", "L": "other", "D": "other", "M": "other"}


def read(parts: Mapping[str, bytes], name: str, ledger: Ledger) -> Layer | None:
    """The layer, or None with faults where a part is missing, cut short or unreadable.

    `parts` maps suffix (".shp") to bytes, `name` is the path of the .shp as shown to people.
    """
    missing = [suffix for suffix in NEEDED if suffix not in parts]
    for suffix in missing:
        ledger.fault(
            "part-missing", _part(name, suffix),
            "is missing: shapes without rates" if suffix == ".dbf" else
            "this part of the shapefile is missing",
            todo="copy the whole set again: .shp, .shx, .dbf and .prj belong together",
        )
    if missing or not _whole(parts, name, ledger):
        return None
    import shapefile

    try:
        with shapefile.Reader(
            shp=io.BytesIO(parts[".shp"]), shx=io.BytesIO(parts[".shx"]),
            dbf=io.BytesIO(parts[".dbf"]), encoding=_dbase.encoding(parts, name, ledger),
            encodingErrors="replace",
        ) as reader:
            columns = {field.name: _kind(field) for field in reader.fields[1:]}
            if len(columns) != len(reader.fields) - 1:
                ledger.fault("column-twice", name, "two columns have the same name")
            found = [(one.shape, one.record.as_dict()) for one in reader.iterShapeRecords()]
    except (shapefile.ShapefileException, struct.error, ValueError, IndexError, KeyError) as err:
        ledger.fault(
            "unreadable", name, f"cannot be read: {err}", todo="copy or export it again"
        )
        return None
    _dbase.check_numbers(parts[".dbf"], name, ledger)
    records = [
        _record(place, shape, values, name, ledger)
        for place, (shape, values) in enumerate(found, start=1)
    ]
    return Layer(name=name, columns=columns, records=tuple(records))


def _part(name: str, suffix: str) -> str:
    return name.removesuffix(".shp") + suffix


def _kind(field: object) -> str:
    letter = str(getattr(field, "field_type", "")).rsplit(".", maxsplit=1)[-1]
    if letter == "N":
        return "float" if getattr(field, "decimal", 0) else "int"
    return _KINDS.get(letter, "other")


def _whole(parts: Mapping[str, bytes], name: str, ledger: Ledger) -> bool:
    counts = {
        ".shp": _shp_records(parts[".shp"], name, ledger),
        ".shx": _shx_records(parts[".shx"], _part(name, ".shx"), ledger),
        ".dbf": _dbf_records(parts[".dbf"], _part(name, ".dbf"), ledger),
    }
    if None in counts.values():
        return False
    if len(set(counts.values())) > 1:
        told = ", ".join(f"{suffix} {count}" for suffix, count in counts.items())
        ledger.fault(
            "record-count", name, f"the parts hold different numbers of records: {told}",
            todo="the parts come from different exports or copies; export again",
        )
        return False
    if not _index_fits(parts[".shp"], parts[".shx"]):
        ledger.fault("unreadable", _part(name, ".shx"), "does not point to the records of the .shp",
                     todo="the parts come from different exports or copies; export again")
        return False
    if counts[".shp"] == 0:
        ledger.fault("empty", name, "no records")
        return False
    return True


def _cut(where: str, says: int, has: int, ledger: Ledger) -> None:
    ledger.fault(
        "cut-short", where, f"the header says {says} bytes, the file has {has}: incomplete",
        todo="copy it again",
    )


def _main_header(data: bytes, where: str, ledger: Ledger) -> bool:
    if len(data) < 100:
        _cut(where, 100, len(data), ledger)
        return False
    code, words = struct.unpack(">i", data[:4])[0], struct.unpack(">i", data[24:28])[0]
    if code != 9994:
        ledger.fault("unreadable", where, f"file code {code} in place of 9994: no shapefile part")
        return False
    if words * 2 != len(data):
        _cut(where, words * 2, len(data), ledger)
        return False
    return True


def _shp_records(data: bytes, where: str, ledger: Ledger) -> int | None:
    if not _main_header(data, where, ledger):
        return None
    kind = struct.unpack("<i", data[32:36])[0]
    if kind not in _POLYGONS:
        ledger.fault("geometry-kind", where, f"shape type {kind}; a prescription holds polygons")
        return None
    if kind != 5:
        ledger.doubt(
            "geometry-kind", where, f"shape type {kind} ({_POLYGONS[kind]}) carries heights or "
            "measures, which simple rate controllers refuse",
        )
    place, count = 100, 0
    while place < len(data):
        if place + 8 > len(data):
            _cut(where, place + 8, len(data), ledger)
            return None
        serial, words = struct.unpack(">ii", data[place : place + 8])
        count += 1
        place += 8 + 2 * words
        if serial != count or words < 2 or place > len(data):
            ledger.fault("unreadable", f"{where}, record {count}", "record header is broken")
            return None
    return count


def _shx_records(data: bytes, where: str, ledger: Ledger) -> int | None:
    return (len(data) - 100) // 8 if _main_header(data, where, ledger) else None


def _index_fits(main: bytes, index: bytes) -> bool:
    """Whether every entry of the index is place and length of its record, in words."""
    expected, place = bytearray(), 100
    while place < len(main):
        words = main[place + 4 : place + 8]
        expected += struct.pack(">i", place // 2) + words
        place += 8 + 2 * struct.unpack(">i", words)[0]
    return index[100:] == bytes(expected)


def _dbf_records(data: bytes, where: str, ledger: Ledger) -> int | None:
    if len(data) < 33:
        _cut(where, 33, len(data), ledger)
        return None
    count, head, width = struct.unpack("<IHH", data[4:12])
    says = head + count * width
    # One end-of-file byte may follow the records.
    if not says <= len(data) <= says + 1 or width < 2:
        _cut(where, says, len(data), ledger)
        return None
    for row in range(count):
        mark = data[head + row * width : head + row * width + 1]
        if mark == b"*":
            ledger.fault("record-deleted", f"{where}, record {row + 1}", "is marked as deleted")
            return None
        if mark != b" ":
            ledger.fault("unreadable", f"{where}, record {row + 1}",
                         f"begins with byte {mark.hex()}, neither blank nor a mark of deletion",
                         todo="the file is damaged: copy it again")
            return None
    return int(count)


def _record(
    place: int, shape: object, values: Mapping[str, object], name: str, ledger: Ledger
) -> Record:
    points = np.asarray(getattr(shape, "points", []), dtype=np.float64).reshape(-1, 2)
    starts = list(getattr(shape, "parts", []))
    # A null shape has no parts, and so no ring.
    ends = [*starts[1:], len(points)] if starts else []
    rings = [points[start:end] for start, end in zip(starts, ends, strict=True)]
    record = make_record(place=place, values=values, parts=_group(rings))
    _check_rings(record, name, ledger)
    _check_box(record, points, getattr(shape, "bbox", None), name, ledger)
    return record


def _check_box(
    record: Record, points: FloatArray, box: Sequence[float] | None, name: str, ledger: Ledger
) -> None:
    """Doubt a record whose stated box is not that of its points: a coordinate was damaged."""
    if box is None or not len(points):
        return
    apart = np.array([*points.min(axis=0), *points.max(axis=0)]) - np.asarray(box)
    if not (np.abs(apart) <= 1e-9 * np.maximum(1.0, np.abs(points).max())).all():
        ledger.doubt(
            "record-box", f"{name}, {record.name}",
            "its points reach elsewhere than the box that it states",
            todo="a coordinate may be damaged: compare the acres, or copy the file again",
        )


def _group(rings: list[FloatArray]) -> list[Part]:
    """Rings into polygons by nesting, whatever their winding: inside an odd number is a hole."""
    faces = [shapely.Polygon(ring) if len(ring) >= 4 else shapely.Polygon() for ring in rings]
    if len(rings) < 2:
        return [(ring,) for ring in rings]
    areas = [face.area for face in faces]
    around: list[list[int]] = []
    for index, face in enumerate(faces):
        inside: list[int] = []
        if not face.is_empty and face.is_valid:
            point = face.representative_point()
            inside = [
                other for other, shell in enumerate(faces)
                if other != index and areas[other] > areas[index] and shell.covers(point)
                and shell.is_valid
            ]
        around.append(inside)
    holes: dict[int, list[int]] = {
        index: [] for index, inside in enumerate(around) if len(inside) % 2 == 0
    }
    for index, inside in enumerate(around):
        if index in holes:
            continue
        shells = [one for one in inside if one in holes]
        if shells:
            holes[min(shells, key=lambda one: areas[one])].append(index)
        else:
            holes[index] = []
    return [(rings[shell], *(rings[hole] for hole in inner)) for shell, inner in holes.items()]


def _check_rings(record: Record, name: str, ledger: Ledger) -> None:
    where = f"{name}, {record.name}"
    for part in record.parts:
        for index, ring in enumerate(part):
            if len(ring) < 4 or not np.array_equal(ring[0], ring[-1]):
                ledger.fault("ring", where, "a ring is not closed or has fewer than four vertices")
                continue
            if (signed_area(ring) < 0) == (index == 0):
                continue
            kind = "an outer ring runs counter-clockwise" if index == 0 else "a hole runs clockwise"
            ledger.fault(
                "winding", where, f"{kind}; a reader that trusts the winding fills the hole or "
                "loses the ring", todo="export again",
            )
