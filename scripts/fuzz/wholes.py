"""Whole small files of every kind that vrx reads, as bytes; a fuzzer and the tests set out from."""

from __future__ import annotations

import io
import json
import struct
import tempfile
import zipfile
from functools import cache
from pathlib import Path

import openpyxl
import pyproj
import shapefile

WEST, SOUTH, SIDE = -93.6, 42.0, 0.008
SQUARE = [[WEST, SOUTH], [WEST + SIDE, SOUTH], [WEST + SIDE, SOUTH + SIDE], [WEST, SOUTH + SIDE],
          [WEST, SOUTH]]
PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
ROOT = Path(__file__).resolve().parents[2]


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


def _written(name: str, write: object) -> bytes:
    """What a library writes to a path, as bytes."""
    with tempfile.TemporaryDirectory(prefix="vrx-fuzz-") as folder:
        path = Path(folder) / name
        write(path)  # type: ignore[operator]
        return path.read_bytes()


def _table_of(layer: str) -> dict[str, object]:
    import numpy as np
    import shapely

    polygon = layer == "polygons"
    lines = [one.split(",") for one in table().decode().splitlines()[1:]]
    shapes = [shapely.Polygon(SQUARE)] if polygon else [
        shapely.Point(float(row[2]), float(row[1])) for row in lines]
    fields = {"name": ["Nörd"], "RATE_LB": [20.5]} if polygon else {
        "sample_id": [row[0] for row in lines], "date": [row[3] for row in lines],
        "depth": [row[4] for row in lines], "K_ppm": [float(row[5]) for row in lines]}
    return {"geometry": shapely.to_wkb(np.array(shapes)), "fields": list(fields),
            "crs": "EPSG:4326", "field_data": [
                np.array(v, dtype=object if isinstance(v[0], str) else float)
                for v in fields.values()],
            "geometry_type": "Polygon" if polygon else "Point"}


@cache
def geopackage(layer: str = "polygons") -> bytes:
    """A GeoPackage of one layer: the square ("polygons"), or the nine samples ("points")."""
    from pyogrio.raw import write

    told = _table_of(layer)
    return _written("g.gpkg", lambda path: write(path, driver="GPKG", layer="one", **told))


@cache
def points_shapefile() -> dict[str, bytes]:
    """A shapefile of the nine samples, by suffix."""
    shp, shx, dbf = io.BytesIO(), io.BytesIO(), io.BytesIO()
    with shapefile.Writer(shp=shp, shx=shx, dbf=dbf, shapeType=shapefile.POINT) as writer:
        writer.field("sample_id", "C", 12)
        writer.field("date", "C", 12)
        writer.field("depth", "C", 12)
        writer.field("K_ppm", "N", 10, 3)
        for line in table().decode().splitlines()[1:]:
            name, lat, lon, day, depth, value = line.split(",")
            writer.point(float(lon), float(lat))
            writer.record(name, day, depth, float(value))
    return {".shp": shp.getvalue(), ".shx": shx.getvalue(), ".dbf": dbf.getvalue(),
            ".prj": shapefile_parts()[".prj"], ".cpg": b"UTF-8"}


@cache
def raster(nodata: float | None = -9.0) -> bytes:
    """A GeoTIFF of 24 by 24 pixels that reaches beyond the square."""
    import numpy as np
    import rasterio

    place = rasterio.Affine(0.0005, 0.0, WEST - 0.001, 0.0, -0.0005, SOUTH + SIDE + 0.001)

    def write(path: Path) -> None:
        with rasterio.open(path, "w", driver="GTiff", width=24, height=24, count=1,
                           dtype="float32", crs="EPSG:4326", transform=place,
                           nodata=nodata) as out:
            out.write(np.arange(576, dtype="float32").reshape(1, 24, 24))

    return _written("r.tif", write)


@cache
def machine_log() -> bytes:
    """A log of two passes: yield, rate, speed, width, master, pass and second of each reading."""
    rows = ["t,lat,lon,speed,width,pass,applied,master,yield"]
    for k in range(60):
        lane, along = divmod(k, 30)
        north = along if lane == 0 else 29 - along
        rows.append(f"{k},{SOUTH + 0.002 + 4e-5 * north:.7f},{WEST + 0.004 + 1e-4 * lane:.7f},4.4,"
                    f"9,{lane + 1},{160 + along},1,{6 + 0.05 * (k % 7):.2f}")
    return "\n".join(rows).encode()


def task_xml(grid: str = 'E="3" F="4" G="GRD00007" H="12" I="1"', zones: str = "") -> bytes:
    """The record of a task of one grid of 4 rows and 3 columns."""
    zones = zones or ('<TZN A="1"><PDV A="0006" B="17935"/></TZN>'
                      '<TZN A="2"><PDV A="0006" B="0"/></TZN>')
    return ('<ISO11783_TaskData VersionMajor="4" VersionMinor="3" DataTransferOrigin="1">'
            f'<TSK A="TSK3" G="1">{zones}<GRD A="42.0" B="-93.6" C="0.001" D="0.002" {grid}/></TSK>'
            "</ISO11783_TaskData>").encode()


TASK_CELLS = bytes([1, 1, 2, 1, 2, 2, 1, 1, 1, 2, 1, 2])
TASK_VALUES = task_xml('E="3" F="4" G="GRD00007" H="48" I="2" J="1"')


def log_header() -> bytes:
    """The header of a time log: place, status, a rate and a width."""
    return (b'<TIM A="" D="4"><PTN A="" B="" D=""/><DLV A="0007" B="" C="DET1"/>'
            b'<DLV A="0043" B="" C="DET1"/></TIM>')


def log_records() -> bytes:
    """Ten records of that log, a second apart; the width stands in the first."""
    return b"".join(
        struct.pack("<IHiiBB", 1000 * k, 16906, 420_000_000 + k, -936_000_000, 4, 1 + (k == 0))
        + struct.pack("<Bi", 0, 11209) + (struct.pack("<Bi", 1, 18288) if k == 0 else b"")
        for k in range(10))


def layout() -> bytes:
    """A laboratory's column map."""
    return b"""schema = 1
laboratory = "L"

[soil]
id_column = "sample_id"
longitude_column = "lon"
latitude_column = "lat"
date_column = "date"
depth_column = "depth"

[soil.potassium]
column = "K_ppm"
unit = "ppm"
form = "K"
extractant = "mehlich-3"
depth_in = [0, 6]
"""


def book() -> bytes:
    """A rule book of a user: the commented template."""
    return (ROOT / "vrx" / "rules" / "templates" / "class-table.toml").read_bytes()


def materials() -> bytes:
    """A user's list of one material and one blend."""
    return b"""schema = 1

[[material]]
id = "own potash 0-0-50"
code = "OWN"
form = "dry"
s_form = ""

[material.analysis]
n_pct = 0.0
p2o5_pct = 0.0
k2o_pct = 50.0
s_pct = 0.0
mg_pct = 0.0
evidence = "user"
source = "label"

[material.salt_index]
value = 100.0
basis = "sodium nitrate = 100"
evidence = "user"
source = "label"

[[material.caution]]
text = "keep dry"
evidence = "user"
source = "label"

[[blend]]
id = "own mix 0-0-55"
code = "MIX"

[[blend.part]]
material = "own potash 0-0-50"
parts = 1

[[blend.part]]
material = "muriate of potash 0-0-60"
parts = 1
"""


def plan() -> bytes:
    """The first of the sample plans."""
    return sorted(ROOT.glob("sample_geo/**/plan.toml"))[0].read_bytes()
