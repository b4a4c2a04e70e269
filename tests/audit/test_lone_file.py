"""Files without a job record, also such as other programs write."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapefile
import shapely
from audit_builders import K, Run, T, acres, frame, polygons

from vrx.audit import AuditResult, audit_file
from vrx.errors import InputError

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "data"
TROUBLES = SHARED.parent / "troubles"


def shared(name: str) -> Path:
    path = TROUBLES / name
    if not path.exists():
        pytest.skip(f"open data folder absent: {TROUBLES}")
    return path


def codes(result: AuditResult) -> set[str]:
    return {fault.code for fault in result.faults}


def figure(result: AuditResult, what: str, where: str = "") -> float:
    found = [row.found for row in result.rows if row.what == what and where in row.where]
    assert len(found) == 1, found
    assert isinstance(found[0], float)
    return found[0]


def test_zip_and_geojson_give_the_figures_of_the_loose_file(run: Run) -> None:
    results = [audit_file(path=path) for path in (run.shp, run.zip, run.geojson)]
    for result in results:
        assert result.agrees, result.faults
        assert result.arithmetic is None
        assert result.trade is None
        assert figure(result, "acres in all") == pytest.approx(
            sum(acres(shape) for shape in polygons()), rel=1e-9
        )
        assert figure(result, "mean rate by acres", T) == pytest.approx(5.0, rel=1e-12)
    totals = [figure(result, "total", K) for result in results]
    assert totals == pytest.approx([totals[0]] * 3, rel=1e-12)


@pytest.mark.parametrize("epsg", [32614, 2265, 5070, 4269])
def test_projected_files_are_transformed(tmp_path: Path, epsg: int) -> None:
    """UTM metres, state-plane feet, an equal-area CRS, NAD83: the same acres (1e-6)."""
    path = tmp_path / "zones.shp"
    frame().to_crs(epsg).to_file(path)
    result = audit_file(path=path)
    assert figure(result, "acres in all") == pytest.approx(
        sum(acres(shape) for shape in polygons()), rel=2e-6
    )
    assert "audit-crs-not-wgs84" in codes(result)
    assert result.agrees


def test_without_a_prj_no_acres_are_guessed(run: Run) -> None:
    run.part(".prj").unlink()
    result = audit_file(path=run.shp)
    assert codes(result) == {"audit-crs-missing"}
    assert not [row for row in result.rows if row.unit == "ac"]
    assert not result.agrees


def test_a_hole_wound_like_its_shell_is_a_hole_and_a_fault(tmp_path: Path) -> None:
    """Esri (1998): shells clockwise, holes counter-clockwise. Here both run clockwise."""
    with shapefile.Writer(str(tmp_path / "f.shp"), shapeType=shapefile.POLYGON) as writer:
        writer.field("RATE_LB_AC", "N", 10, 2)
        shell = [(-98.0, 41.0), (-98.0, 41.01), (-97.99, 41.01), (-97.99, 41.0), (-98.0, 41.0)]
        hole = [(-97.996, 41.004), (-97.996, 41.006), (-97.994, 41.006), (-97.994, 41.004),
                (-97.996, 41.004)]
        writer.poly([shell, hole])
        writer.record(100.0)
    (tmp_path / "f.prj").write_text(
        'GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],'
        'PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]', encoding="utf-8",
    )
    result = audit_file(path=tmp_path / "f.shp")
    assert "audit-winding" in codes(result)
    meant = acres(shapely.Polygon(shell)) - acres(shapely.Polygon(hole))
    assert figure(result, "acres in all") == pytest.approx(meant, rel=1e-9)
    assert not result.agrees


def write(path: Path, features: list[dict[str, Any]]) -> Path:
    path.write_text(
        json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8"
    )
    return path


def box(west: float, east: float, **properties: object) -> dict[str, Any]:
    ring = [[west, 41.0], [east, 41.0], [east, 41.004], [west, 41.004], [west, 41.0]]
    return {
        "type": "Feature", "properties": properties,
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


@pytest.mark.parametrize(
    ("column", "rate", "doubted"),
    [
        ("RATE_LB_AC", 2001.0, True), ("RATE_LB_AC", 2000.0, False), ("P1_KCL_LB", 3000.0, True),
        ("GAL_AC", 61.0, True), ("GPA", 60.0, False), ("RATE_GAL", 187.0, True),
        ("KG_HA", 2500.0, False),
    ],
)
def test_rates_that_no_machine_is_asked_for(
    tmp_path: Path, column: str, rate: float, doubted: bool
) -> None:
    """More than 2,000 lb/ac or 60 gal/ac of material (common practice, no source)."""
    path = write(tmp_path / "a.geojson", [box(-98, -97.99, **{column: rate})])
    assert ("audit-rate-implausible" in codes(audit_file(path=path))) is doubted


def test_metric_totals(tmp_path: Path) -> None:
    """100 kg/ha on the same ground: 100 kg x hectares; 1 ha = 10 000 m2."""
    feature = box(-98, -97.99, KG_HA=100.0)
    path = write(tmp_path / "a.geojson", [feature])
    hectares = acres(shapely.geometry.shape(feature["geometry"])) * 0.40468564224
    result = audit_file(path=path)
    assert figure(result, "total", "KG_HA") == pytest.approx(100.0 * hectares, rel=1e-9)


def test_a_unit_is_never_guessed(tmp_path: Path) -> None:
    result = audit_file(path=write(tmp_path / "a.geojson", [box(-98, -97.99, Rate=100.0)]))
    assert "audit-unit-unknown" in codes(result)
    assert next(r.unit for r in result.rows if r.what == "total") == "unknown"


@pytest.mark.parametrize(("column", "factor"), [("AREA_AC", 1.0), ("HA", 0.40468564224)])
def test_acres_in_the_file_are_worked_out_again(
    tmp_path: Path, column: str, factor: float
) -> None:
    feature = box(-98, -97.99)
    true = acres(shapely.geometry.shape(feature["geometry"])) * factor
    for written, agrees in ((true, True), (true * 1.0003, False)):
        feature["properties"] = {column: written}
        assert audit_file(path=write(tmp_path / "a.geojson", [feature])).rows[-1].agrees is agrees


def test_gap_and_overlap_against_a_boundary(tmp_path: Path) -> None:
    zones = write(tmp_path / "z.geojson", [box(-98, -97.995), box(-97.996, -97.991)])
    field = write(tmp_path / "b.geojson", [box(-98, -97.99)])
    result = audit_file(path=zones, boundary=field)
    part = acres(shapely.box(-97.996, 41.0, -97.995, 41.004))
    assert figure(result, "ground in two zones") == pytest.approx(part, rel=1e-6)
    assert figure(result, "field in no zone") == pytest.approx(part, rel=1e-4)
    assert figure(result, "zones outside the field") == pytest.approx(0.0, abs=1e-6)
    assert {"audit-overlap", "audit-gap"} <= codes(result)


def test_kinds_that_cannot_be_audited(tmp_path: Path, run: Run) -> None:
    for name, code in (("none.shp", "audit-no-file"), ("notes.txt", "audit-file-kind")):
        path = tmp_path / name
        if name == "notes.txt":
            path.write_text("x", encoding="utf-8")
        with pytest.raises(InputError) as caught:
            audit_file(path=path)
        assert caught.value.code == code
        assert caught.value.hint
    with pytest.raises(InputError):
        audit_file(path=run.folder)


def test_a_zip_with_a_folder_and_resource_forks(tmp_path: Path, run: Run) -> None:
    path = tmp_path / "mailed.zip"
    with zipfile.ZipFile(path, "w") as archive:
        for suffix in (".shp", ".shx", ".dbf", ".prj"):
            data = run.part(suffix).read_bytes()
            archive.writestr(f"Field 7/rates{suffix}", data)
            archive.writestr(f"__MACOSX/Field 7/._rates{suffix}", b"\0")
    result = audit_file(path=path)
    assert result.agrees, result.faults
    assert figure(result, "acres in all") > 100


def test_the_second_reader_has_the_same_view(run: Run) -> None:
    result = audit_file(path=run.shp)
    looks = [row for row in result.rows if "second reader" in row.where]
    assert len(looks) == 2
    assert all(row.agrees for row in looks)


def test_points_are_no_prescription(tmp_path: Path) -> None:
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(-98, 41)], crs=4326).to_file(
        tmp_path / "p.shp"
    )
    assert codes(audit_file(path=tmp_path / "p.shp")) == {"audit-geometry-kind"}


# Open sample files of known faults; figures as worked out for them elsewhere.


@pytest.mark.shared_data
def test_null_and_nan_in_a_dbf() -> None:
    result = audit_file(path=shared("S26_null_nan_zero_rates/nulls_in_dbf/zones.shp"))
    odd = [fault.where for fault in result.faults if fault.code == "audit-rate-odd"]
    assert [where.split(",")[1].strip()[:6] for where in odd] == ["zone C", "zone D", "zone E"]
    assert figure(result, "acres in all") == pytest.approx(158.264, abs=0.001)


@pytest.mark.shared_data
@pytest.mark.parametrize("name", ["zones", "zones_with_literal_NaN"])
def test_null_negative_and_empty_zones_in_geojson(name: str) -> None:
    result = audit_file(path=shared(f"S26_null_nan_zero_rates/{name}.geojson"))
    odd = {f.where.split(",")[1].strip()[:6] for f in result.faults if f.code == "audit-rate-odd"}
    empty = {f.where.split(",")[1].strip()[:6] for f in result.faults if f.code == "audit-no-area"}
    assert odd == {"zone C", "zone D", "zone G"}
    assert empty == {"zone E", "zone F"}
    assert ("audit-json-number" in codes(result)) is (name != "zones")


@pytest.mark.shared_data
@pytest.mark.parametrize(
    ("folder", "place"),
    [
        ("S28_missing_parts/no_shx", "zones.shx"), ("S28_missing_parts/no_dbf", "zones.dbf"),
        ("S29_interrupted_write/truncated_shp", "zones.shp"),
        ("S29_interrupted_write/truncated_dbf", "zones.dbf"),
        ("S29_interrupted_write/zero_byte_shp", "zones.shp"),
        ("S29_interrupted_write/header_only_record_count_zero", "zones.dbf"),
    ],
)
def test_files_cut_short_or_incomplete(folder: str, place: str) -> None:
    result = audit_file(path=shared(f"{folder}/zones.shp"))
    assert not result.agrees
    assert [fault.where for fault in result.faults] == [place]


@pytest.mark.shared_data
def test_zones_simplified_one_by_one() -> None:
    """0.434 ac in no zone, 0.184 ac in two (within 0.001 ac); the sound zones have neither."""
    sound = shared("S33_zone_polygon_topology/three_zones.geojson")
    result = audit_file(
        path=shared("S33_zone_polygon_topology/simplified_badly.geojson"), boundary=sound
    )
    assert figure(result, "field in no zone") == pytest.approx(0.434, abs=0.001)
    assert figure(result, "ground in two zones") == pytest.approx(0.184, abs=0.001)
    assert not result.agrees
    assert audit_file(path=sound, boundary=sound).agrees


@pytest.mark.shared_data
def test_which_acres() -> None:
    """Geodesic 158.264 ac, 31,653 lb at 200 lb/ac; never those of a map projection."""
    result = audit_file(path=shared("S35_acreage_methods.geojson"))
    assert figure(result, "acres in all") == pytest.approx(158.264, abs=0.001)
    assert figure(result, "total", "rate_lb_ac") == pytest.approx(31653, abs=1)


@pytest.mark.shared_data
def test_overlapping_fields() -> None:
    result = audit_file(path=shared("S20_overlapping_fields.geojson"))
    assert figure(result, "ground in two zones") == pytest.approx(3.957, abs=0.001)


@pytest.mark.shared_data
@pytest.mark.parametrize("kind", ["holes_correct_winding", "holes_wrong_winding"])
def test_holes_with_either_winding(kind: str) -> None:
    result = audit_file(path=shared(f"S16_boundary_holes/{kind}/field.shp"))
    assert ("audit-winding" in codes(result)) is (kind == "holes_wrong_winding")
    assert figure(result, "acres in all") < 158.2


@pytest.mark.shared_data
def test_several_layers_in_a_zip_are_listed() -> None:
    with pytest.raises(InputError) as caught:
        audit_file(path=shared("S30_nested_folder.zip"))
    assert caught.value.code == "audit-several-layers"
    assert "boundary" in caught.value.message
    assert "samples" in caught.value.message
