"""What is fuzzed: functions that take bytes, feed a reader with them and let only VrxError pass.

Each target comes with seeds: whole small files of its kind, from which a fuzzer sets out. The first
byte of a seed often chooses the part of a set, or of a zip, that the other bytes stand in for, so
that one part is damaged while its kin are whole.
"""

from __future__ import annotations

import json
import tomllib
import zipfile
from dataclasses import replace
from functools import cache
from pathlib import Path

import layer_targets
import tomlkit
from harness import Target, _field, _put, _refused, scratch
from readers import MODUS as _MODUS
from readers import SLIM as _SLIM
from readers import SOIL as _SOIL
from readers import UTM as _UTM
from swaps import json_with, swapped
from wholes import (
    PARTS,
    SQUARE,
    book_parts,
    geojson,
    kml,
    modus_json,
    modus_nested,
    modus_xml,
    shapefile_parts,
    table,
    zipped,
)

from vrx.audit import audit_file
from vrx.intake import SoilSpec, peek_boundary, peek_table, read_boundary, read_soil
from vrx.intake._numbers import degrees_of, mark_of, number_of, reading_of
from vrx.plan.load import load_plan


def _shapefile_with(data: bytes) -> Path:
    own = PARTS[data[0] % len(PARTS)] if data else ".shp"
    for suffix, whole in shapefile_parts().items():
        _put(f"s{suffix}", data[1:] if suffix == own else whole)
    return scratch() / "s.shp"


def _shapefile_seeds() -> list[bytes]:
    return [bytes([k]) + shapefile_parts()[suffix] for k, suffix in enumerate(PARTS)]


def _tables(path: Path, *specs: SoilSpec) -> None:
    _refused(lambda: peek_table(path))
    for spec in specs:
        _refused(lambda spec=spec: read_soil(path=path, field=_field(), spec=spec))


def _table(data: bytes) -> None:
    _tables(_put("t.csv", data), _SOIL)


def _coordinates(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for decimal in (".", ","):
        for read in (degrees_of, number_of, reading_of):
            read(text, decimal)
    mark_of(text)
    cells = [cell.replace('"', "'") for cell in (text.splitlines() or [""])]
    cells += [""] * (3 - len(cells))
    places = "\n".join(f'"{a}";"{b}";"{c}";150' for a, b, c in (cells[:3], ("1", "2", "15")))
    _tables(_put("c.csv", f"lat;lon;depth;K_ppm\n{places}".encode()),
            replace(_UTM, easting_column=None, northing_column=None, zone_column=None,
                    longitude_column="lon", latitude_column="lat"))
    _tables(_put("u.csv", f"e;n;zone;K_ppm\n{places}".encode()), _UTM)


def _boundaries(path: Path) -> None:
    _refused(lambda: peek_boundary(path))
    _refused(lambda: read_boundary(path=path, name="F", several="join", inside_polygons="keep"))


def _geojson(data: bytes) -> None:
    _boundaries(_put("g.geojson", json_with(_geojson_wholes(), data)))


def _kml(data: bytes) -> None:
    _boundaries(_put("k.kml", data))


def _shapefile(data: bytes) -> None:
    _boundaries(_shapefile_with(data))


def _zip(data: bytes) -> None:
    _boundaries(_put("z.zip", data))
    _boundaries(_put("z.kmz", data))
    _refused(lambda: audit_file(path=scratch() / "z.zip"))


def _modus(data: bytes) -> None:
    if data[:1] == b"J":
        _tables(_put("m.json", json_with([modus_json(), modus_nested()], data[1:])), _SLIM)
    else:
        _tables(_put("m.xml", data[1:]), _MODUS)


def _workbook(data: bytes) -> None:
    parts = dict(book_parts())
    names = sorted(parts)
    at = data[0] if data else 0
    if at == 255:
        path = _put("b.xlsx", data[1:])
    else:
        parts[names[at % len(names)]] = data[1:]
        path = _put("b.xlsx", zipped(parts))
    _tables(path, _SOIL)


def _workbook_seeds() -> list[bytes]:
    parts = book_parts()
    return [*(bytes([k]) + parts[name] for k, name in enumerate(sorted(parts))),
            b"\xff" + zipped(parts, zipfile.ZIP_DEFLATED)]


def _plan(data: bytes) -> None:
    if data[:1] < b"\x20":
        wholes = _plan_seeds()
        whole = tomllib.loads(wholes[sum(data[:1]) % len(wholes)].decode())
        try:
            data = tomlkit.dumps(swapped(json.loads(json.dumps(whole, default=str)), data[1:])
                                 ).encode("utf-8", "surrogatepass")
        except (ValueError, TypeError, RecursionError):
            return  # a value that TOML cannot say
    path = _put("plan.toml", data)
    _refused(lambda: load_plan(path))


def _plan_seeds() -> list[bytes]:
    root = Path(__file__).resolve().parents[2]
    found = sorted(root.glob("sample_geo/**/plan.toml"))
    return [*(path.read_bytes() for path in found), b'[field]\nname = "F"\n']


def _audit_geojson(data: bytes) -> None:
    path = _put("a.geojson", json_with(_geojson_wholes(), data))
    _refused(lambda: audit_file(path=path))


def _audit_shapefile(data: bytes) -> None:
    path = _shapefile_with(data)
    _refused(lambda: audit_file(path=path))


@cache
def _geojson_wholes() -> list[bytes]:
    return _geojson_seeds()[:-2]


def _geojson_seeds() -> list[bytes]:
    crs = {"type": "name", "properties": {"name": "EPSG:4326"}}
    polygon = {"type": "Polygon", "coordinates": [SQUARE]}
    return [
        geojson(), geojson(crs=crs), geojson({"type": "MultiPolygon", "coordinates": [[SQUARE]]}),
        geojson({"type": "LineString", "coordinates": SQUARE}),
        geojson({"type": "GeometryCollection", "geometries": [polygon]}),
        b"\x00\x10\x11\x40\x12", b"\x04\x60\x04\xf0\x20",
    ]


def _zip_seeds() -> list[bytes]:
    own = {f"s{suffix}": data for suffix, data in shapefile_parts().items()}
    return [zipped(own), zipped(own, zipfile.ZIP_DEFLATED), zipped({"doc.kml": kml()}),
            zipped({"a.geojson": geojson()})]


def _coordinate_seeds() -> list[bytes]:
    return [text.encode() for text in (
        "42.004\n-93.596\n0-6", "42°00'14.4\"N\n93°35'45.6\"W\n15", "N42 0.24\nW93 35.76\n15N",
        "450000,5\n4650000,5\n15", "<2\n>500\n168VH", "1.234,5\n1,234.5\nND")]


TARGETS: dict[str, Target] = {
    "audit-geojson": Target(_audit_geojson, _geojson_seeds),
    "audit-shapefile": Target(_audit_shapefile, _shapefile_seeds),
    "coordinates": Target(_coordinates, _coordinate_seeds, 256),
    "geojson": Target(_geojson, _geojson_seeds),
    "kml": Target(_kml, lambda: [kml(), kml("<Point><coordinates>1,2</coordinates></Point>")]),
    "modus": Target(_modus, lambda: [b"X" + modus_xml(), b"J" + modus_json(),
                                     b"J" + modus_nested(), b"J\x00\x20\x01", b"J\x01\x80\x19"]),
    "plan": Target(_plan, _plan_seeds, 16384),
    "shapefile": Target(_shapefile, _shapefile_seeds),
    "table": Target(_table, lambda: [table(), table(";"), table("\t"),
                                     table().decode().encode("utf-16")]),
    "workbook": Target(_workbook, _workbook_seeds, 16384),
    "zip": Target(_zip, _zip_seeds, 8192),
    **layer_targets.TARGETS,
}
