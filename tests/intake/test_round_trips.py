"""Laws of reading back: numbers of any dialect, outlines of any format, degrees of any spelling.

Acres from GeographicLib's own port of Karney's algorithm; short ton and acre as in NIST SP 811.
"""

from __future__ import annotations

import csv
import io
import json
import math
import zipfile
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import openpyxl
import pytest
import shapefile
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from pyogrio.raw import write as write_layer

from vrx.intake import (
    LogColumn,
    PlaceColumns,
    YieldSpec,
    read_boundary,
    read_soil,
    read_yield_log,
)
from vrx.intake._numbers import degrees_of
from vrx.model import Field

ACRE_M2 = 4046.8564224
SHORT_TON_KG = 907.18474
FEW = settings(derandomize=True, max_examples=60, deadline=None)
CODECS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "utf-32")
DIALECT = st.fixed_dictionaries({
    "delimiter": st.sampled_from([",", ";", "\t", "|"]),
    "mark": st.sampled_from([".", ","]),
    "lineterminator": st.sampled_from(["\n", "\r\n", "\r"]),
    "quoting": st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]),
    "codec": st.sampled_from(CODECS),
})
READING = st.integers(1, 9_999_999).map(lambda n: n / 10_000)


def text_table(rows: list[list[str]], *, delimiter: str, mark: str, lineterminator: str,
               quoting: int, codec: str) -> bytes:
    """Rows as bytes; cells of digits and a dot are written with the decimal mark."""
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, delimiter=delimiter, lineterminator=lineterminator,
                        quoting=quoting)
    for row in rows:
        writer.writerow([
            cell.replace(".", mark) if cell.replace(".", "").lstrip("-").isdigit() else cell
            for cell in row])
    return stream.getvalue().encode(codec)


@given(values=st.lists(READING, min_size=9, max_size=9), dialect=DIALECT)
@FEW
def test_soil_numbers(
    *, make: SimpleNamespace, field: Field, tmp_path_factory: pytest.TempPathFactory,
    values: list[float], dialect: dict[str, object],
) -> None:
    places = make.sample_places()[:9]
    rows = [["sample_id", "Länge", "Breite", "K_ppm"]]
    rows += [[f"S{k}", f"{lon:.7f}", f"{lat:.7f}", f"{value:.4f}"]
             for k, ((lon, lat), value) in enumerate(zip(places, values, strict=True))]
    path = Path(tmp_path_factory.mktemp("t")) / "t.csv"
    path.write_bytes(text_table(rows, **dialect))  # type: ignore[arg-type]
    soil = read_soil(path=path, field=field, spec=make.soil_spec(
        {"potassium": make.k_column()}, longitude_column="Länge", latitude_column="Breite",
        id_column="sample_id", date_column=None, depth_column=None,
        decimal_mark=str(dialect["mark"])))
    assert soil.sample_id == tuple(f"S{k}" for k in range(9))
    assert soil.columns["potassium"].values.tolist() == values


@given(values=st.lists(READING, min_size=9, max_size=9), sheets=st.integers(0, 2))
@settings(FEW, max_examples=15)
def test_workbook_numbers(
    *, make: SimpleNamespace, field: Field, tmp_path_factory: pytest.TempPathFactory,
    values: list[float], sheets: int,
) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["sample_id", "lon", "lat", "K_ppm"])
    for k, ((lon, lat), value) in enumerate(zip(make.sample_places(), values, strict=False)):
        sheet.append([f"S{k}", lon, lat, value])
    for number in range(sheets):
        book.create_sheet(f"notes {number}").append(["nothing here"])
    path = Path(tmp_path_factory.mktemp("b")) / "t.xlsx"
    book.save(path)
    soil = read_soil(path=path, field=field, spec=make.soil_spec(
        {"potassium": make.k_column()}, longitude_column="lon", latitude_column="lat",
        id_column="sample_id", date_column=None, depth_column=None))
    assert soil.columns["potassium"].values.tolist() == values


@given(values=st.lists(READING, min_size=4, max_size=9), dialect=DIALECT)
@FEW
def test_yield_numbers(
    *, make: SimpleNamespace, field: Field, tmp_path_factory: pytest.TempPathFactory,
    values: list[float], dialect: dict[str, object],
) -> None:
    rows = [["lon", "lat", "Größe"]]
    rows += [[f"{lon:.7f}", f"{lat:.7f}", f"{value:.4f}"]
             for (lon, lat), value in zip(make.sample_places(), values, strict=False)]
    path = Path(tmp_path_factory.mktemp("y")) / "y.csv"
    path.write_bytes(text_table(rows, **dialect))  # type: ignore[arg-type]
    log = read_yield_log(path=path, field=field, spec=YieldSpec(
        amount=LogColumn(column="Größe", unit="t/ha"), moisture_pct=12.0,
        places=PlaceColumns(longitude_column="lon", latitude_column="lat",
                            decimal_mark=str(dialect["mark"]))))
    want = np.array(values) * 1000 / SHORT_TON_KG * ACRE_M2 / 10_000
    assert log.tons_per_ac == pytest.approx(want, rel=1e-12)


# --- outlines ------------------------------------------------------------------------------------


def karney_ac(ring: list[list[float]]) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring[:-1]:
        polygon.AddPoint(lat, lon)
    return abs(polygon.Compute()[2]) / ACRE_M2


def as_geojson(folder: Path, rings: list[list[list[float]]]) -> Path:
    path = folder / "a.geojson"
    path.write_text(json.dumps({"type": "Polygon", "coordinates": rings}))
    return path


def as_shapefile(folder: Path, rings: list[list[list[float]]]) -> Path:
    with shapefile.Writer(str(folder / "a"), shapeType=shapefile.POLYGON) as out:
        out.field("NAME", "C", 8)
        shell, *holes = [shapely.LinearRing(ring) for ring in rings]
        # A shell runs clockwise, a hole the other way (ESRI white paper of 1998).
        out.poly([shapely.get_coordinates(one if one.is_ccw != outer else one.reverse()).tolist()
                  for one, outer in ((shell, True), *((hole, False) for hole in holes))])
        out.record("A")
    (folder / "a.prj").write_text(
        'GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],'
        'PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]')
    return folder / "a.shp"


def as_zip(folder: Path, rings: list[list[list[float]]]) -> Path:
    as_shapefile(folder, rings)
    with zipfile.ZipFile(folder / "b.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        for one in sorted(folder.glob("a.*")):
            archive.write(one, f"inner/{one.name}")
    return folder / "b.zip"


def as_geopackage(folder: Path, rings: list[list[list[float]]]) -> Path:
    shape = shapely.Polygon(rings[0], rings[1:])
    write_layer(folder / "a.gpkg", np.array([shapely.to_wkb(shape)], dtype=object), [], [],
                driver="GPKG", layer="a", crs="EPSG:4326", geometry_type="Polygon")
    return folder / "a.gpkg"


def as_kml(folder: Path, rings: list[list[list[float]]]) -> Path:
    def ring(word: str, one: list[list[float]]) -> str:
        places = " ".join(f"{lon!r},{lat!r},0" for lon, lat in one)
        return (f"<{word}BoundaryIs><LinearRing><coordinates>{places}</coordinates></LinearRing>"
                f"</{word}BoundaryIs>")

    path = folder / "a.kml"
    path.write_text('<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><Polygon>'
                    + ring("outer", rings[0]) + "".join(ring("inner", one) for one in rings[1:])
                    + "</Polygon></Placemark></kml>")
    return path


@given(
    lon=st.integers(-1799, 1799), lat=st.integers(-650, 700), turn=st.floats(0.0, 1.0),
    radii=st.lists(st.integers(250, 420), min_size=5, max_size=12), hole=st.booleans(),
    backwards=st.booleans(),
)
@settings(FEW, max_examples=25)
def test_outlines(
    *, tmp_path_factory: pytest.TempPathFactory, lon: int, lat: int, turn: float,
    radii: list[int], hole: bool, backwards: bool,
) -> None:
    west, south = lon / 10.0, lat / 10.0
    east_m = 111_320.0 * math.cos(math.radians(south))

    def around(sizes: list[float]) -> list[list[float]]:
        at = [(2 * math.pi * (k + turn) / len(sizes), r) for k, r in enumerate(sizes)]
        ring = [[west + r * math.cos(a) / east_m, south + r * math.sin(a) / 110_600.0]
                for a, r in at]
        return [*ring, ring[0]]

    rings = [around([float(r) for r in radii])]
    rings += [around([60.0] * 7)] if hole else []
    want = karney_ac(rings[0]) - (karney_ac(rings[1]) if hole else 0.0)
    if backwards:
        rings = [ring[::-1] for ring in rings]
    for write in (as_geojson, as_shapefile, as_zip, as_geopackage, as_kml):
        path = write(Path(tmp_path_factory.mktemp("o")), rings)
        field = read_boundary(path=path, name="F")
        assert field.area_ac == pytest.approx(want, rel=1e-8), write.__name__


# --- degrees -------------------------------------------------------------------------------------

SPELLINGS = {
    "decimal": "{sign}{whole_deg:.8f}",
    "letter after": "{whole_deg:.8f} {letter}",
    "letter before": "{letter}{whole_deg:.8f}",
    "degree sign": "{whole_deg:.8f}°{letter}",
    "signs": "{d}°{m:02d}'{s:08.5f}\"{letter}",
    "signs and blanks": "{d}° {m}' {s:.5f}\" {letter}",
    "true primes": "{d}°{m}′{s:.5f}″{letter}",
    "curly": "{d}º{m}’{s:.5f}”{letter}",
    "two quotes": "{d}°{m}'{s:.5f}''{letter}",
    "letter first": "{letter} {d} {m} {s:.5f}",
    "colons": "{d}:{m:02d}:{s:08.5f}{letter}",
    "hyphens": "{d}-{m:02d}-{s:08.5f}{letter}",
    "small letter": "{d} {m} {s:.5f} {small}",
    "letter d": "{d}d{m}'{s:.5f}\"{letter}",
    "minutes": "{d}°{minutes:.7f}'{letter}",
    "minutes plain": "{letter}{d} {minutes:.7f}",
    "signed": "{sign}{d}°{m}'{s:.5f}\"",
    "minus of its own": "{minus}{d}°{m}'{s:.5f}\"",
}


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("spelling", SPELLINGS)
@given(seconds=st.integers(0, 180 * 3600 * 10_000 - 1), negative=st.booleans(),
       north=st.booleans())
@settings(FEW, max_examples=40)
def test_degrees(*, mark: str, spelling: str, seconds: int, negative: bool, north: bool) -> None:
    if north:
        seconds //= 2
    whole, rest = divmod(seconds, 10_000)
    d, m, s = whole // 3600, whole // 60 % 60, whole % 60 + rest / 10_000
    letter = ("S" if negative else "N") if north else ("W" if negative else "E")
    sign = "-" if negative else ""
    text = SPELLINGS[spelling].format(
        sign=sign, minus="\u2212" if negative else "", letter=letter, small=letter.lower(), d=d,
        m=m, s=s, minutes=m + s / 60, whole_deg=seconds / 36_000_000)
    size = seconds / 36_000_000
    got = degrees_of(text.replace(".", mark), mark)
    assert got == pytest.approx(-size if negative else size, abs=1e-7), text
