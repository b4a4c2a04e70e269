"""Exported files hold exactly what was meant, by readers that did not write them."""

from __future__ import annotations

import json
import re
import resource
import subprocess
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import fiona
import numpy as np
import pytest
import shapefile
import shapely
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import shape

from vrx import geo
from vrx.errors import ExportError
from vrx.export import ExportSet, build_layer, build_set, frames, write_formats
from vrx.export.layer import ExportLayer
from vrx.formats import layer as facts
from vrx.model import Field, Material, PassRates, Prescription, Zone, Zones

CENTRE = (-85.5, 42.1)
KCL = Material(
    id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0, p2o5_pct=0, k2o_pct=60, s_pct=0,
    mg_pct=0, cl_pct=45, density_lb_per_gal=None, s_form="", cautions=(), evidence="", source="",
)


def zones(count: int = 4, hole: bool = True) -> Zones:
    field = shapely.box(0, 0, 400, 400)
    if hole:
        field = field.difference(shapely.Point(110, 210).buffer(45))
    strips = [
        shapely.box(400 * i / count, 0, 400 * (i + 1) / count, 400) for i in range(count)
    ]
    lines = shapely.union_all([field.boundary, *(strip.boundary for strip in strips)])
    faces = [
        face for face in shapely.get_parts(shapely.polygonize([lines]))
        if field.contains(face.representative_point())
    ]
    groups = [
        shapely.union_all([f for f in faces if strip.contains(f.representative_point())])
        for strip in strips
    ]
    made = tuple(
        Zone(
            zone_id=i + 1, letter="ABCDEFGHIJKL"[i], polygon=polygon,
            area_ac=geo.area_ac(polygon, CENTRE), label=f"class {i}",
        )
        for i, polygon in enumerate(groups)
    )
    return Zones(zones=made, basis="test strips")


def prescription(rates: list[float], step: float = 0.5) -> Prescription:
    steps = np.round(np.array(rates) / step).astype(np.int64)
    one = PassRates(
        pass_id="after-first", number=1, timing="stubble of cutting 1", method="broadcast",
        material=KCL, serves="K2O", kind="variable", column="P1_KCL_LB", step=step, steps=steps,
        rates=steps * step, treated_ac=None, wanted_total=0, planned_total=0, prescription_total=0,
        order_total=0,
    )
    ids = tuple(range(1, len(rates) + 1))
    return Prescription(
        zone_ids=ids, zone_area_ac=tuple(1.0 for _ in ids), passes=(one,), order=(), balances=()
    )


def karney_m2(geometry: shapely.Geometry) -> float:
    def ring_m2(ring: shapely.LinearRing) -> float:
        polygon = Geodesic.WGS84.Polygon()
        for longitude, latitude in list(ring.coords)[:-1]:
            polygon.AddPoint(latitude, longitude)
        return abs(float(polygon.Compute(False, True)[2]))

    return sum(
        ring_m2(part.exterior) - sum(ring_m2(hole) for hole in part.interiors)
        for part in shapely.get_parts(geometry)
    )


def field_of(made: Zones) -> Field:
    whole = shapely.coverage_union_all([zone.polygon for zone in made.zones])
    return Field(name="Strips", crs_centre=CENTRE, area_ac=made.area_ac,
                 boundary=shapely.MultiPolygon(shapely.get_parts(whole).tolist()))


def layer(rates: list[float], **more: bool) -> ExportSet:
    made = zones(len(rates), **more)
    return build_set(field=field_of(made), zones=made, prescription=prescription(rates))


def test_shapefile_and_zip_read_back_by_two_readers_that_did_not_write_them(tmp_path: Path) -> None:
    meant = layer([120, 0, 80.5, 300])
    write_formats(meant=meant, formats=["shapefile"], folder=tmp_path)
    loose = tmp_path / "shapefile" / "prescription.shp"
    with shapefile.Reader(str(loose)) as reader:
        assert reader.shapeType == shapefile.POLYGON
        assert [r["P1_KCL_LB"] for r in reader.records()] == [120, 0, 80.5, 300]
        # ESRI Shapefile Technical Description (1998), p. 8: outer rings run clockwise.
        rings = reader.shape(0)
        assert shapefile.signed_area(rings.points[: (rings.parts[1:] or [None])[0]]) < 0
    with fiona.open(loose) as source:
        assert source.crs.to_epsg() == 4326
        assert [f["properties"]["ZONE"] for f in source] == ["A", "B", "C", "D"]
    with zipfile.ZipFile(tmp_path / "prescription_shapefile.zip") as archive:
        names = archive.namelist()
        assert sorted(names) == sorted(f"prescription{s}" for s in facts.SHAPEFILE_PARTS)
        assert archive.read("prescription.dbf") == loose.with_suffix(".dbf").read_bytes()


def test_geojson_follows_rfc_7946_by_an_independent_validator(tmp_path: Path) -> None:
    # RFC 7946 by PyPI geojson-validator 0.7; it does not look for the crs member, so we do.
    from geojson_validator import validate_geometries, validate_structure

    write_formats(meant=layer([1, 2, 3]), formats=["geojson"], folder=tmp_path)
    document = json.loads((tmp_path / "prescription.geojson").read_text(encoding="utf-8"))
    assert validate_structure(document) == {}
    assert validate_geometries(document)["invalid"] == {}
    assert "crs" not in document
    position = document["features"][0]["geometry"]["coordinates"][0][0]
    assert len(position) == 2


def test_exported_acres_agree_with_the_model(tmp_path: Path) -> None:
    meant = layer([1, 2, 3, 4])
    write_formats(meant=meant, formats=["shapefile", "geojson"], folder=tmp_path)
    document = json.loads((tmp_path / "prescription.geojson").read_text(encoding="utf-8"))
    # Acres by GeographicLib (Karney 2013, J. Geodesy 87:43-55), a reference of its own.
    found = [karney_m2(shape(f["geometry"])) / 4046.8564224 for f in document["features"]]
    model = np.array(meant.layer.columns[facts.AREA_AC], dtype=float)
    assert np.abs(np.array(found) / model - 1).max() < 1e-6
    assert abs(sum(found) / model.sum() - 1) < 1e-6
    polygons = [shape(f["geometry"]) for f in document["features"]]
    assert shapely.coverage_is_valid(polygons)


def test_a_coordinate_with_a_run_of_nines_is_not_rounded_away(tmp_path: Path) -> None:
    # The southern edge of a box on the centre line comes out as 42.09999999 degrees.
    meant = layer([0.0] * 5, hole=False)
    wanted = {round(y, 9) for _, y in shapely.get_coordinates(meant.layer.polygons[0])}
    assert 42.09999999 in wanted
    write_formats(meant=meant, formats=["geojson"], folder=tmp_path)
    document = json.loads((tmp_path / "prescription.geojson").read_text(encoding="utf-8"))
    ring = document["features"][0]["geometry"]["coordinates"][0]
    assert {y for _, y in ring} == wanted


@settings(max_examples=15, derandomize=True, deadline=None)
@given(
    rates=st.lists(st.integers(0, 1000).map(lambda n: n * 0.5), min_size=1, max_size=6),
    hole=st.booleans(),
)
def test_export_then_read_back_is_identity(
    tmp_path_factory: pytest.TempPathFactory, rates: list[float], hole: bool
) -> None:
    folder = tmp_path_factory.mktemp("identity")
    meant = layer(rates, hole=hole)
    write_formats(meant=meant, formats=["shapefile", "geojson"], folder=folder)
    document = json.loads((folder / "prescription.geojson").read_text(encoding="utf-8"))
    assert [f["properties"]["P1_KCL_LB"] for f in document["features"]] == rates
    with shapefile.Reader(str(folder / "shapefile" / "prescription.shp")) as reader:
        assert [r["P1_KCL_LB"] for r in reader.records()] == rates


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -5.0])
def test_a_rate_that_is_no_rate_is_refused_before_writing(bad: float) -> None:
    wrong = prescription([1, 2])
    rates = np.array([1.0, bad])
    broken = PassRates(**{
        name: getattr(wrong.passes[0], name) for name in wrong.passes[0].__slots__
    } | {"rates": rates})
    with pytest.raises(ExportError) as caught:
        build_layer(
            zones=zones(2), crs_centre=CENTRE,
            prescription=Prescription(
                zone_ids=(1, 2), zone_area_ac=(1, 1), passes=(broken,), order=(), balances=()
            ),
        )
    assert caught.value.code == "export-value"
    assert "zone B" in str(caught.value)


def test_two_exports_of_the_same_are_equal_byte_for_byte(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write_formats(
            meant=layer([5, 10]), formats=["shapefile", "geojson"], folder=tmp_path / name
        )
    for path in sorted((tmp_path / "a").rglob("*.*")):
        twin = tmp_path / "b" / path.relative_to(tmp_path / "a")
        assert path.read_bytes() == twin.read_bytes(), path.name


def test_an_unwritable_folder_names_the_place(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    with pytest.raises(ExportError) as caught:
        write_formats(meant=layer([1]), formats=["geojson"], folder=plain / "in")
    assert caught.value.code == "export-write"
    assert "plain" in str(caught.value)


def test_what_is_there_already_stays_and_nothing_is_added(tmp_path: Path) -> None:
    write_formats(meant=layer([5, 10]), formats=["shapefile"], folder=tmp_path)
    before = {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    with pytest.raises(ExportError) as caught:
        write_formats(meant=layer([7, 10]), formats=["geojson", "shapefile"], folder=tmp_path)
    assert caught.value.code == "export-exists"
    assert {p: p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()} == before


def test_a_format_that_fails_takes_the_good_ones_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = frames.write

    def full(layer: ExportLayer, path: Path, *, driver: str, **options: str) -> None:
        if driver == "GeoJSON":
            raise OSError(28, "No space left on device", str(path))
        good(layer, path, driver=driver, **options)

    monkeypatch.setattr(frames, "write", full)
    with pytest.raises(ExportError, match="No space left") as caught:
        write_formats(meant=layer([5]), formats=["shapefile", "geojson"], folder=tmp_path)
    assert caught.value.code == "export-write"
    assert list(tmp_path.iterdir()) == []


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-40])


def _other_rate(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b"80.5", b"81.5"))


def _moved(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    first = re.search(r"-85\.\d{9,}", text)
    assert first is not None
    path.write_text(text.replace(first[0], first[0][:-4] + "0000"), encoding="utf-8")


@pytest.mark.parametrize(
    ("kind", "suffix", "damage"),
    [
        ("geojson", ".geojson", _cut), ("geojson", ".geojson", _other_rate),
        ("geojson", ".geojson", _moved), ("shapefile", ".dbf", _cut),
        ("shapefile", ".dbf", _other_rate), ("shapefile", ".shp", _cut),
    ],
)
def test_a_file_that_reads_back_otherwise_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, suffix: str,
    damage: Callable[[Path], None],
) -> None:
    good = frames.write

    def bad(layer: ExportLayer, path: Path, *, driver: str, **options: str) -> None:
        good(layer, path, driver=driver, **options)
        before = path.with_suffix(suffix).read_bytes()
        damage(path.with_suffix(suffix))
        assert path.with_suffix(suffix).read_bytes() != before

    monkeypatch.setattr(frames, "write", bad)
    with pytest.raises(ExportError) as caught:
        write_formats(meant=layer([120, 80.5]), formats=[kind], folder=tmp_path)
    assert caught.value.code == "export-differs"
    assert list(tmp_path.iterdir()) == []


def test_the_text_beside_the_files_names_every_column_and_the_rate_outside(tmp_path: Path) -> None:
    meant = layer([1, 2])
    write_formats(meant=meant, formats=["geojson"], folder=tmp_path)
    text = (tmp_path / "prescription_columns.txt").read_text(encoding="utf-8")
    assert all(f"\n{name:<10}  " in text for name in meant.layer.columns)
    assert "muriate of potash 0-0-60, lb/ac of material" in text
    assert "the rate is 0 (off)" in text


def test_an_unknown_format_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    with pytest.raises(ExportError, match="shapefile, geojson") as caught:
        write_formats(meant=layer([1]), formats=["geojson", "dxf"], folder=tmp_path)
    assert caught.value.code == "export-format"
    assert list(tmp_path.iterdir()) == []


def test_two_passes_with_one_column_name_are_refused() -> None:
    once = prescription([1, 2])
    twice = replace(once, passes=once.passes * 2)
    with pytest.raises(ExportError, match="P1_KCL_LB") as caught:
        build_layer(zones=zones(2), prescription=twice, crs_centre=CENTRE)
    assert caught.value.code == "export-name-collision"


def _limit_file_size() -> None:
    import signal

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1024, 1024))


@pytest.mark.parametrize("kind", ["shapefile", "geojson"])
def test_a_full_disk_is_an_error_and_leaves_nothing(tmp_path: Path, kind: str) -> None:
    # RLIMIT_FSIZE makes every write past 1 KiB fail as a full disk does.
    code = (
        "import sys\nfrom pathlib import Path\n"
        f"sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from test_write import layer\nfrom vrx.export import write_formats\n"
        "from vrx.errors import ExportError\n"
        "meant = layer([float(i) for i in range(12)])\n"
        "import test_write; test_write._limit_file_size()\n"
        "try:\n"
        f"    write_formats(meant=meant, formats=[{kind!r}], folder=Path(sys.argv[1]))\n"
        "except ExportError as err:\n    print('ExportError', err.code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-B", "-c", code, str(tmp_path / "out")], capture_output=True, text=True,
        check=False,
    )
    assert "ExportError export-" in done.stdout, done.stderr[-2000:]
    left = [p.name for p in (tmp_path / "out").rglob("*")] if (tmp_path / "out").exists() else []
    assert left == []
