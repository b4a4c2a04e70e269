"""What is fuzzed: functions that take bytes, feed a reader with them and let only VrxError pass.

Each target comes with seeds: whole small files of its kind, from which a fuzzer sets out. The first
byte of a seed often chooses the part of a set, or of a zip, that the other bytes stand in for, so
that one part is damaged while its kin are whole.
"""

from __future__ import annotations

import io
import json
import tempfile
import tomllib
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

import openpyxl
import pyproj
import shapefile
import tomlkit
from swaps import json_with, swapped

from vrx.audit import audit_file
from vrx.errors import VrxError
from vrx.intake import ColumnSpec, SoilSpec, peek_boundary, peek_table, read_boundary, read_soil
from vrx.intake._numbers import degrees_of, mark_of, number_of, reading_of
from vrx.model import Field
from vrx.plan.load import load_plan

WEST, SOUTH, SIDE = -93.6, 42.0, 0.008
SQUARE = [[WEST, SOUTH], [WEST + SIDE, SOUTH], [WEST + SIDE, SOUTH + SIDE], [WEST, SOUTH + SIDE],
          [WEST, SOUTH]]
PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")


@dataclass(frozen=True, slots=True)
class Target:
    """A reader under test, the whole files it starts from, and the longest input tried."""

    run: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    most_bytes: int = 4096


@cache
def scratch() -> Path:
    """One private folder for the life of the process."""
    folder = tempfile.TemporaryDirectory(prefix="vrx-fuzz-")
    _KEPT.append(folder)
    return Path(folder.name)


_KEPT: list[tempfile.TemporaryDirectory[str]] = []


def _put(name: str, data: bytes) -> Path:
    path = scratch() / name
    path.write_bytes(data)
    return path


@cache
def _field() -> Field:
    return read_boundary(path=_put("field.geojson", geojson()), name="F")


def _refused(read: Callable[[], object]) -> bool:
    """True if the reader refused; whatever is no `VrxError` passes on: it is a fault of ours."""
    try:
        read()
    except VrxError as err:
        if not err.code:
            raise AssertionError("a refusal without a code") from err
        return True
    return False


def geojson(geometry: object = None, **top: object) -> bytes:
    """A FeatureCollection of one feature, a square of 800 m unless told otherwise."""
    feature = {"type": "Feature", "properties": {"name": "N", "RATE_LB": 20.5},
               "geometry": geometry or {"type": "Polygon", "coordinates": [SQUARE]}}
    return json.dumps({"type": "FeatureCollection", **top, "features": [feature]}).encode()


def kml(inside: str = "") -> bytes:
    """A KML document of one polygon, with more inside its placemark if told."""
    text = " ".join(f"{lon},{lat},0" for lon, lat in SQUARE)
    return (
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>F</name>'
        f"{inside}<Polygon><outerBoundaryIs><LinearRing><coordinates>{text}</coordinates>"
        "</LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>").encode()


@cache
def shapefile_parts() -> dict[str, bytes]:
    """The bytes of a whole shapefile of one polygon, by suffix."""
    shp, shx, dbf = io.BytesIO(), io.BytesIO(), io.BytesIO()
    with shapefile.Writer(shp=shp, shx=shx, dbf=dbf, shapeType=shapefile.POLYGON) as writer:
        writer.field("NAME", "C", 12)
        writer.field("RATE_LB", "N", 10, 3)
        writer.poly([SQUARE[::-1]])
        writer.record("Nörd", 20.5)
    prj = pyproj.CRS.from_epsg(4326).to_wkt("WKT1_ESRI").encode()
    return dict(zip(PARTS, (shp.getvalue(), shx.getvalue(), dbf.getvalue(), prj, b"UTF-8"),
                    strict=True))


def _shapefile_with(data: bytes) -> Path:
    own = PARTS[data[0] % len(PARTS)] if data else ".shp"
    for suffix, whole in shapefile_parts().items():
        _put(f"s{suffix}", data[1:] if suffix == own else whole)
    return scratch() / "s.shp"


def _shapefile_seeds() -> list[bytes]:
    return [bytes([k]) + shapefile_parts()[suffix] for k, suffix in enumerate(PARTS)]


def zipped(members: dict[str, bytes], how: int = zipfile.ZIP_STORED) -> bytes:
    """A zip of these members."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", how) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return stream.getvalue()


def table(delimiter: str = ",") -> bytes:
    """A soil table of nine samples inside the square."""
    rows = [["sample_id", "lat", "lon", "date", "depth", "K_ppm"]]
    for k in range(9):
        lat, lon = SOUTH + 0.002 * (1 + k // 3), WEST + 0.002 * (1 + k % 3)
        rows.append([f"S{k}", f"{lat:.5f}", f"{lon:.5f}", "2026-10-01", "0-6", str(120 + 7 * k)])
    return "\n".join(delimiter.join(row) for row in rows).encode()


_K = ColumnSpec(column="K_ppm", unit="ppm", form="K", extractant="mehlich-3", depth_in=(0.0, 6.0))
_SOIL = SoilSpec(columns={"potassium": _K}, id_column="sample_id", longitude_column="lon",
                 latitude_column="lat", date_column="date", depth_column="depth")
_UTM = SoilSpec(columns={"potassium": _K}, easting_column="e", northing_column="n",
                zone_column="zone", sampled_on=date(2026, 10, 1))
_MODUS = SoilSpec(columns={"potassium": ColumnSpec(column="S-K-M3.04", unit="ppm", form="K",
                                                   extractant="mehlich-3", depth_in=(0.0, 6.0))},
                  point_order="longitude latitude")
_SLIM = replace(_MODUS, longitude_column="longitude", latitude_column="latitude")


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
            SoilSpec(columns={"potassium": _K}, longitude_column="lon", latitude_column="lat",
                     sampled_on=date(2026, 10, 1)))
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


def modus_xml() -> bytes:
    """A laboratory's result file of one sample."""
    return b"""<ModusResult Version="1.0"><Events><Event><EventMetaData><EventDate>2026-10-01
</EventDate></EventMetaData><LabMetaData><LabName>L</LabName></LabMetaData><EventSamples><Soil>
<DepthRefs><DepthRef><DepthID>1</DepthID><StartingDepth>0</StartingDepth><EndingDepth>6</EndingDepth>
<DepthUnit>in</DepthUnit></DepthRef></DepthRefs><SoilSample><SampleMetaData><SampleNumber>7
</SampleNumber><Geometry>POINT(-93.596 42.004)</Geometry></SampleMetaData><Depths><Depth><DepthID>1
</DepthID><NutrientResults><NutrientResult><ModusTestID>S-K-M3.04</ModusTestID><Element>K</Element>
<Value>150</Value><ValueUnit>ppm</ValueUnit></NutrientResult></NutrientResults></Depth></Depths>
</SoilSample></Soil></EventSamples></Event></Events></ModusResult>"""


def modus_json() -> bytes:
    """The flat layout of one sample."""
    return json.dumps({"type": "soil", "date": "2026-10-01", "samples": {"a": {
        "depth": {"top": 0, "bottom": 6, "units": "in"}, "lab": {"sampleid": "7"},
        "geolocation": {"lat": 42.004, "lon": -93.596},
        "results": {"k": {"analyte": "K", "modusTestID": "S-K-M3.04", "value": 150,
                          "units": "ppm"}}}}}).encode()


def modus_nested() -> bytes:
    """The nested layout of one sample, as JSON."""
    result = {"ModusTestID": "S-K-M3.04", "Element": "K", "Value": 150, "ValueUnit": "ppm"}
    sample = {"SampleMetaData": {"SampleNumber": 7, "Geometry": "POINT(-93.596 42.004)"},
              "Depths": [{"DepthID": 1, "NutrientResults": [result]}]}
    depth = {"DepthID": 1, "StartingDepth": 0, "EndingDepth": 6, "DepthUnit": "in"}
    event = {"EventMetaData": {"EventDate": "2026-10-01"}, "LabMetaData": {"LabName": "L"},
             "EventSamples": {"Soil": {"DepthRefs": [depth], "SoilSamples": [sample]}}}
    return json.dumps({"Events": [event]}).encode()


def _modus(data: bytes) -> None:
    if data[:1] == b"J":
        _tables(_put("m.json", json_with([modus_json(), modus_nested()], data[1:])), _SLIM)
    else:
        _tables(_put("m.xml", data[1:]), _MODUS)


@cache
def book_parts() -> dict[str, bytes]:
    """The parts of a whole workbook with a formula and a merged cell."""
    book = openpyxl.Workbook()
    for line in table().decode().splitlines():
        book.active.append(line.split(","))
    book.active["H3"] = "=F2*2"
    book.active.merge_cells("H5:I5")
    stream = io.BytesIO()
    book.save(stream)
    with zipfile.ZipFile(stream) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


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
}
