"""KML and KMZ: shapes and attributes as written, by our own writer and by GDAL's reader.

The grammar is OGC KML 2.2 (OGC 07-147r2; from memory): coordinates are longitude,latitude with an
optional altitude in metres, tuples parted by white space; the outer boundary of a Polygon and each
inner one hold one LinearRing.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace
from xml.sax.saxutils import escape

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import InputError
from vrx.intake import (
    input_files,
    peek_boundary,
    peek_table,
    read_boundary,
    read_polygons,
    read_soil,
)
from vrx.intake._kml import read_kml
from vrx.model import Field

OPEN = "http://www.opengis.net/kml/2.2"
SPACES = ["", OPEN, "http://maps.example/kml/2.0", "http://maps.example/kml/2.1"]
Ring = Sequence[Sequence[float]]


def tuples(ring: Ring, *, gap: str = " ", altitude: str = "") -> str:
    return gap.join(f"{p[0]!r},{p[1]!r}{altitude}" for p in ring)


def polygon_xml(*rings: Ring, **style: str) -> str:
    outer, *inner = [
        f"<LinearRing><coordinates>{tuples(r, **style)}</coordinates></LinearRing>" for r in rings]
    holes = "".join(f"<innerBoundaryIs>{h}</innerBoundaryIs>" for h in inner)
    return f"<Polygon><outerBoundaryIs>{outer}</outerBoundaryIs>{holes}</Polygon>"


def point_xml(lon: float, lat: float) -> str:
    return f"<Point><coordinates>{lon!r},{lat!r}</coordinates></Point>"


def placemark(name: str, geometry: str, extra: str = "") -> str:
    return f"<Placemark><name>{escape(name)}</name>{extra}{geometry}</Placemark>"


def data_xml(**values: str) -> str:
    return "<ExtendedData>" + "".join(
        f'<Data name="{k}"><value>{escape(v)}</value></Data>' for k, v in values.items()
    ) + "</ExtendedData>"


def schema_xml(**values: str) -> str:
    return '<ExtendedData><SchemaData schemaUrl="#s">' + "".join(
        f'<SimpleData name="{k}">{escape(v)}</SimpleData>' for k, v in values.items()
    ) + "</SchemaData></ExtendedData>"


def kml(*marks: str, space: str = OPEN) -> bytes:
    at = f' xmlns="{space}"' if space else ""
    body = "".join(marks)
    return (f'<?xml version="1.0" encoding="UTF-8"?>\n<kml{at}><Document>{body}</Document></kml>'
            ).encode()


def kmz(path: Path, **members: bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name.replace("__", "/") + ".kml", data)
    return path


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn"]), max_size=20)


@given(
    west=st.floats(-179, 170), south=st.floats(-80, 79), sides=st.integers(3, 12),
    size=st.floats(1e-4, 0.5), hole=st.booleans(), name=NAMES, space=st.sampled_from(SPACES),
    gap=st.sampled_from([" ", "\n", "\t  "]), altitude=st.sampled_from(["", ",0", ",312.5"]))
@settings(derandomize=True, max_examples=40, deadline=None)
def test_what_was_written_is_what_is_read(
    *, west: float, south: float, sides: int, size: float, hole: bool, name: str, space: str,
    gap: str, altitude: str,
) -> None:
    turn = np.linspace(0, 2 * np.pi, sides + 1)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    unit[-1] = unit[0]
    rings = [unit * size + (west, south)] + ([unit * size / 4 + (west, south)] if hole else [])
    rows = [[(float(a), float(b)) for a, b in ring] for ring in rings]
    mark = placemark(name, polygon_xml(*rows, gap=gap, altitude=altitude),
                     schema_xml(yield_goal="7 < 8 & more", Name=name.strip()))
    (layer,) = read_kml(kml(mark, space=space), file="f.kml", name="f")
    (feature,) = layer.features
    assert layer.crs is not None
    assert layer.crs.to_epsg() == 4326
    assert feature.properties.get("name", "") == name.strip()
    assert feature.properties["yield_goal"] == "7 < 8 & more"
    (read,) = feature.shape.polygons
    assert len(read) == len(rings)
    for got, want in zip(read, rings, strict=True):
        assert np.array_equal(got, want)
    assert [f.code for f in layer.findings] == (
        ["kml-altitude-dropped"] if altitude == ",312.5" else [])


def test_another_reader_sees_the_same(make: SimpleNamespace, tmp_path: Path) -> None:
    pyogrio = pytest.importorskip("pyogrio")
    if not {"KML", "LIBKML"} & set(pyogrio.list_drivers()):
        pytest.skip("this GDAL reads no KML")
    hole = make.square(make.west + 100, make.south + 100, 90)
    two = make.square(make.west + 1000)
    path = tmp_path / "f.kml"
    path.write_bytes(kml(
        placemark("Größe & Co", polygon_xml(make.square(), hole)),
        placemark("two", f"<MultiGeometry>{polygon_xml(two)}"
                  f"{polygon_xml(make.square(make.west + 2000))}</MultiGeometry>")))
    theirs = pyogrio.read_dataframe(path)
    (ours,) = read_kml(path.read_bytes(), file=path.name, name="f")
    assert [f.properties["name"] for f in ours.features] == list(theirs["Name"])
    for feature, geometry in zip(ours.features, theirs.geometry, strict=True):
        mine = shapely.MultiPolygon([(p[0], p[1:]) for p in feature.shape.polygons])
        assert mine.equals(shapely.MultiPolygon(shapely.get_parts(geometry).tolist()))


def test_boundary_samples_and_zones_out_of_one_file(make: SimpleNamespace, tmp_path: Path) -> None:
    half = [make.lonlat(make.west + e, make.south + n)
            for e, n in ((0, 0), (400, 0), (400, 800), (0, 800), (0, 0))]
    marks = [
        "<Folder><name>Fields</name>",
        placemark("North", polygon_xml(make.square())),
        placemark("Far", polygon_xml(make.square(make.west + 2000))),
        "</Folder><Folder><name>Samples</name>",
        *(placemark(f"S{n:02d}", point_xml(lon, lat), schema_xml(K_ppm=str(k)))
          for n, ((lon, lat), k) in enumerate(zip(make.sample_places(), make.k, strict=True), 1)),
        "</Folder>",
        placemark("Fence", f"<LineString><coordinates>{tuples(half[:2])}</coordinates>"
                  "</LineString>"),
    ]
    path = tmp_path / "farm.kml"
    path.write_bytes(kml(*marks))
    field = read_boundary(path=path, name="F", select="North")
    assert field.area_ac == pytest.approx(158.264, rel=2e-4)
    assert set(make.codes(field.findings)) == {"kml-other-kinds", "boundary-others-left-out"}
    assert "16 points (layer 'farm points')" in field.findings[0].what
    assert "1 lines (layer 'farm lines')" in field.findings[0].what
    assert read_boundary(path=path, name="F", select="Fields", several="join").area_ac == (
        pytest.approx(2 * 158.264, rel=2e-4))
    spec = make.soil_spec(id_column="name", longitude_column=None, latitude_column=None)
    soil = read_soil(path=path, field=field, spec=spec)
    assert list(soil.sample_id) == [f"S{n:02d}" for n in range(1, 17)]
    assert list(soil.columns["potassium"].values) == list(make.k)
    assert make.total(soil.easting_m) == pytest.approx(16 * float(np.mean(soil.easting_m)))
    assert peek_table(path).points_have_geometry
    zones = tmp_path / "zones.kml"
    zones.write_bytes(kml(placemark("A", polygon_xml(half), data_xml(rank="1")),
                          placemark("B", polygon_xml(make.square()), data_xml(rank="2"))))
    polygons, labels, _ = read_polygons(path=zones, field=field, label_column="rank")
    assert labels == ("1", "2")
    assert polygons[0].area == pytest.approx(polygons[1].area / 2, rel=1e-6)
    layers = peek_boundary(path).layers
    assert [(layer.name, layer.kind, layer.features) for layer in layers] == [
        ("farm polygons", "polygon", 2), ("farm lines", "line", 1), ("farm points", "point", 16)]


def test_kmz_alone_in_a_zip_and_in_a_folder(make: SimpleNamespace, tmp_path: Path) -> None:
    text = kml(placemark("North", polygon_xml(make.square())))
    path = kmz(tmp_path / "Farm.KMZ", doc=text)
    nested = tmp_path / "sent.zip"
    with zipfile.ZipFile(nested, "w") as archive:
        archive.write(path, "mail/Farm.KMZ")
    folder = tmp_path / "folder"
    folder.mkdir()
    (folder / "Farm.kmz").write_bytes(path.read_bytes())
    for source in (path, nested, folder):
        field = read_boundary(path=source, name="F")
        assert field.area_ac == pytest.approx(158.264, rel=2e-4)
        assert field.findings == ()
    assert input_files(path) == (path,)
    assert input_files(folder) == (folder / "Farm.kmz",)
    two = kmz(tmp_path / "two.kmz", doc=text, files__other=text)
    with pytest.raises(InputError, match=r"'doc'.*'other'") as caught:
        read_boundary(path=two, name="F")
    assert caught.value.code == "file-several-layers"
    assert read_boundary(path=two, name="F", layer="other").area_ac == pytest.approx(
        field.area_ac, rel=1e-12)


def test_what_a_kml_holds_besides_is_told(make: SimpleNamespace) -> None:
    ring, track = make.square(), make.square()[:2]
    layers = read_kml(kml(
        "<NetworkLink><Link><href>http://example.org/more.kml</href></Link></NetworkLink>",
        "<GroundOverlay><Icon><href>a.png</href></Icon></GroundOverlay>",
        placemark("F", f"<MultiGeometry>{polygon_xml(ring)}{point_xml(*ring[0])}"
                  "<Model/></MultiGeometry>"),
        placemark("walk", '<g:Track xmlns:g="http://maps.example/kml/ext/2.2">' + "".join(
            f"<g:coord>{lon!r} {lat!r} 0</g:coord>" for lon, lat in track) + "</g:Track>"),
        placemark("nothing", "")), file="f.kml", name="f")
    assert [(layer.name, layer.kind) for layer in layers] == [
        ("f polygons", "polygon"), ("f lines", "line"), ("f records", "none")]
    assert [f.code for f in layers[0].findings] == [
        "kml-link-not-followed", "kml-images-left-out", "kml-models-left-out", "kml-other-kinds"]
    assert np.array_equal(layers[1].features[0].shape.lines[0], track)


BOMB = (b'<?xml version="1.0"?><!DOCTYPE k [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;">]>'
        b"<kml><Placemark><name>&b;</name></Placemark></kml>")
FETCH = (b'<!DOCTYPE k [<!ENTITY a SYSTEM "file:///etc/passwd">]><kml><Placemark><name>&a;</name>'
         b"</Placemark></kml>")


def with_coordinates(text: str) -> bytes:
    return kml(placemark("F", f"<Polygon><outerBoundaryIs><LinearRing><coordinates>{text}"
                         "</coordinates></LinearRing></outerBoundaryIs></Polygon>"))


@pytest.mark.parametrize(("data", "code"), [
    (b"", "file-empty"),
    (b"  \n", "file-empty"),
    (b"<kml><Document>", "xml-broken"),
    (b"not xml", "xml-broken"),
    (kml().replace(b"UTF-8", b"no-such"), "xml-broken"),
    (BOMB, "xml-doctype"),
    (BOMB.decode().replace('?>', ' encoding="UTF-16"?>', 1).encode("utf-16"), "xml-doctype"),
    (FETCH, "xml-doctype"),
    (b"<!DOCTYPE kml><kml/>", "xml-doctype"),
    (b"<a>" * 150 + b"</a>" * 150, "xml-too-large"),
    (b"<html><body/></html>", "kml-not-one"),
    (b'<kml xmlns="http://example.org/other"/>', "kml-not-one"),
    (with_coordinates("1,2,3,4 5,6 7,8"), "kml-coordinates"),
    (with_coordinates("1 2 3"), "kml-coordinates"),
    (with_coordinates("1,x 2,3 4,5"), "kml-coordinates"),
    (with_coordinates("nan,2 2,3 4,5"), "kml-coordinates"),
    (with_coordinates("41.9,-185.5 41.9,-185.6 42,-185.6"), "crs-not-degrees"),
    (with_coordinates("1,2 2,3"), "boundary-degenerate"),
    (with_coordinates(""), "boundary-no-polygon"),
    (kml(placemark("P", point_xml(1.0, 2.0))), "boundary-no-polygon"),
    (kml(), "boundary-no-polygon"),
])
def test_what_is_refused(tmp_path: Path, data: bytes, code: str) -> None:
    (tmp_path / "f.kml").write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_boundary(path=tmp_path / "f.kml", name="F")
    assert caught.value.code == code
    zipped = io.BytesIO()
    with zipfile.ZipFile(zipped, "w") as archive:
        archive.writestr("doc.kml", data)
    (tmp_path / "f.kmz").write_bytes(zipped.getvalue())
    with pytest.raises(InputError) as caught:
        read_boundary(path=tmp_path / "f.kmz", name="F")
    assert caught.value.code == code


def test_limits_and_broken_archives(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "f.kml").write_bytes(kml())
    monkeypatch.setattr("vrx.intake._kml.MOST_BYTES", 10)
    with pytest.raises(InputError) as caught:
        read_boundary(path=tmp_path / "f.kml", name="F")
    assert caught.value.code == "xml-too-large"
    cases: list[tuple[Callable[[Path], object], str]] = [
        (lambda p: p.write_bytes(b"PK but no zip"), "zip-broken"),
        (lambda p: kmz(p, **{"..__..__doc": kml()}), "zip-unsafe-path"),
        (lambda p: kmz(p, **{f"f{n}": b"" for n in range(2001)}), "zip-too-large"),
    ]
    for number, (write, code) in enumerate(cases):
        path = tmp_path / f"{number}.kmz"
        write(path)
        with pytest.raises(InputError) as caught:
            read_boundary(path=path, name="F")
        assert caught.value.code == code


@given(at=st.floats(0, 1, exclude_max=True), value=st.integers(0, 255),
       cut=st.booleans(), archive=st.booleans())
@settings(derandomize=True, max_examples=40, deadline=None)
def test_damaged_bytes_give_an_error_or_a_field(
    *, make: SimpleNamespace, tmp_path_factory: pytest.TempPathFactory, at: float, value: int,
    cut: bool, archive: bool,
) -> None:
    folder = tmp_path_factory.mktemp("d")
    path = folder / ("f.kmz" if archive else "f.kml")
    text = kml(placemark("F", polygon_xml(make.square())))
    if archive:
        kmz(path, doc=text)
    else:
        path.write_bytes(text)
    data = bytearray(path.read_bytes())
    data[int(at * len(data))] = value
    path.write_bytes(bytes(data[: int(at * len(data))] if cut else data))
    try:
        field: Field = read_boundary(path=path, name="F")
    except InputError as err:
        assert err.code  # noqa: PT017 - both outcomes are right
    else:
        assert field.boundary.is_valid
