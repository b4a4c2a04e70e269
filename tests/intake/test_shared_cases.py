"""The shared field-support cases, with the right values of their log; skipped where absent.

Each file was made by other programs than vrx. Tolerances: acres 0.02 %, positions 1e-6 degree.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from vrx.errors import InputError
from vrx.geo import to_lonlat
from vrx.intake import peek_boundary, read_boundary, read_polygons, read_soil
from vrx.model import SoilTable

pytestmark = pytest.mark.shared_data
Case = Callable[[str], Path]
BASE_AC = 158.264
S21 = "S21_lines_and_unclosed_rings"
S24 = "S24_antimeridian_and_utm_edge"


@pytest.mark.parametrize(("name", "choices", "acres", "parts", "holes", "code"), [
    ("S10_missing_prj/projected_no_prj/field.shp", {"crs": "EPSG:32615"}, BASE_AC, 1, 0, None),
    ("S10_missing_prj/geographic_no_prj/field.shp", {}, BASE_AC, 1, 0, "crs-assumed"),
    ("S16_boundary_holes/holes_correct_winding/field.shp", {}, 155.396, 1, 2, None),
    ("S16_boundary_holes/holes_wrong_winding/field.shp", {}, 155.396, 1, 2,
     "boundary-rings-as-holes"),
    ("S16_boundary_holes/holes_as_separate_features/field.shp", {"inside_polygons": "cut out"},
     155.396, 1, 2, "boundary-inside-cut"),
    ("S16_boundary_holes/pivot_corners_only.geojson", {}, 34.014, 4, 0, "boundary-parts"),
    ("S17_multipart_field.geojson", {}, 150.351, 2, 0, "boundary-parts"),
    ("S18_self_intersection/corners_in_wrong_order.geojson", {"crossing": "outline"}, BASE_AC, 1, 0,
     "boundary-repaired"),
    ("S19_z_and_m_coordinates/polygonz_with_m/field.shp", {}, BASE_AC, 1, 0,
     "boundary-heights-ignored"),
    ("S19_z_and_m_coordinates/polygonz_without_m/field.shp", {}, BASE_AC, 1, 0,
     "boundary-heights-ignored"),
    ("S19_z_and_m_coordinates/polygonm/field.shp", {}, BASE_AC, 1, 0, "boundary-heights-ignored"),
    ("S19_z_and_m_coordinates/geojson_4_ordinates.geojson", {}, BASE_AC, 1, 0,
     "boundary-heights-ignored"),
    ("S20_overlapping_fields.geojson", {"several": "join"}, BASE_AC, 1, 0, "boundary-overlap"),
    (f"{S21}/closed_linestring.geojson", {}, BASE_AC, 1, 0, "boundary-from-lines"),
    (f"{S21}/unclosed_polygon_ring.geojson", {}, BASE_AC, 1, 0, "boundary-ring-closed"),
    (f"{S21}/four_separate_lines.geojson", {}, BASE_AC, 1, 0, "boundary-from-lines"),
    (f"{S21}/open_linestring_gap_35m.geojson", {"close_gap": True}, BASE_AC, 1, 0,
     "boundary-gap-closed"),
    ("S22_crs_mismatch/boundary_utm/field.shp", {}, BASE_AC, 1, 0, None),
    (f"{S24}/antimeridian_0_360.geojson", {}, 186.565, 1, 0, "boundary-longitudes"),
    (f"{S24}/antimeridian_split_rfc7946.geojson", {}, 186.565, 1, 0, "boundary-longitudes"),
    (f"{S24}/antimeridian_unsplit.geojson", {}, 186.565, 1, 0, "boundary-longitudes"),
    (f"{S24}/utm_zone_edge_boundary.geojson", {}, 249.338, 1, 0, None),
    ("S28_missing_parts/no_shx/zones.shp", {"several": "join"}, BASE_AC, 1, 0, "shapefile-no-shx"),
    ("S30_nested_folder.zip", {}, BASE_AC, 1, 0, None),
    ("S33_zone_polygon_topology/ring_touches_itself.geojson", {}, 93.9695, 2, 0, "boundary-parts"),
    ("S35_acreage_methods.geojson", {}, BASE_AC, 1, 0, None),
])
def test_boundaries(
    *, make: SimpleNamespace, case: Case, name: str, choices: dict[str, Any], acres: float,
    parts: int, holes: int, code: str | None,
) -> None:
    field = read_boundary(path=case(name), name="F", **choices)
    assert field.area_ac == pytest.approx(acres, rel=2e-4)
    assert len(field.boundary.geoms) == parts
    assert sum(len(part.interiors) for part in field.boundary.geoms) == holes
    assert field.boundary.is_valid
    assert not field.boundary.has_z
    assert field.findings == () if code is None else code in make.codes(field.findings)


@pytest.mark.parametrize(("name", "code", "said"), [
    ("S10_missing_prj/projected_no_prj/field.shp", "crs-missing", "450000…450800"),
    ("S16_boundary_holes/holes_as_separate_features/field.shp", "boundary-polygons-inside",
     "polygons 2 'Yard', 3 'Well' lie inside the field (2.87 ac): cut out, or keep?"),
    ("S18_self_intersection/corners_in_wrong_order.geojson", "boundary-crosses-itself",
     "79.1 ac as drawn"),
    ("S20_overlapping_fields.geojson", "boundary-overlap", "West and East overlap by 3.957 ac"),
    (f"{S21}/open_linestring_gap_35m.geojson", "boundary-line-open", "gap 35.0 m"),
    (f"{S21}/two_point_polygon.geojson", "boundary-degenerate", "fewer than 3 different points"),
    ("S28_missing_parts/no_dbf/zones.shp", "shapefile-no-dbf", "zones.dbf is missing"),
    ("S29_interrupted_write/truncated_shp/zones.shp", "shapefile-incomplete",
     "zones.shp: header says 780 bytes, file has 548"),
    ("S29_interrupted_write/zero_byte_shp/zones.shp", "shapefile-incomplete", "has 0 bytes"),
    ("S29_interrupted_write/truncated_dbf/zones.shp", "shapefile-incomplete",
     "zones.dbf: header says 5 records (152 bytes), file has 125"),
    ("S29_interrupted_write/header_only_record_count_zero/zones.shp", "shapefile-incomplete",
     "holds 0 records, the .shp holds 5"),
])
def test_boundaries_that_stop(case: Case, name: str, code: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        read_boundary(path=case(name), name="F")
    assert caught.value.code == code
    assert said in str(caught.value)


def test_s18_the_small_loop_is_repaired_within_its_bounds(case: Case) -> None:
    field = read_boundary(path=case("S18_self_intersection/small_end_loop.geojson"), name="F")
    assert 158.26 <= field.area_ac <= 158.38


def test_s25_and_s26_and_s27_attributes(make: SimpleNamespace, case: Case) -> None:
    field = read_boundary(path=case("S35_acreage_methods.geojson"), name="F")
    for folder in ("dbf_utf8_cpg_says_1252", "dbf_latin1_no_cpg"):
        _, labels, findings = read_polygons(path=case(f"S25_field_names/{folder}/field.shp"),
                                            field=field)
        assert labels == ("Böschung Süd", "Größe Ñandú")
        assert "shapefile-encoding" in make.codes(findings)
    _, labels, findings = read_polygons(
        path=case("S26_null_nan_zero_rates/zones_with_literal_NaN.geojson"), field=field,
        label_column="zone")
    assert labels == ("A", "B", "C", "D", "G")
    told = {f.code: f.what for f in findings}
    assert told["polygons-no-area"] == "no area: E, F"
    assert "geojson-nan" in told
    _, labels, _ = read_polygons(path=case("S27_dbf_types.geojson"), field=field,
                                 label_column="job_id")
    assert "9007199254740993" in labels


def test_s30_the_zip_shows_both_layers(case: Case) -> None:
    look = peek_boundary(case("S30_nested_folder.zip"))
    assert [(v.name, v.kind, v.features) for v in look.layers] == [
        ("boundary", "polygon", 1), ("samples", "point", 16)]
    assert look.layers[0].names == ("Field 7",)


METRES = {"longitude_column": None, "latitude_column": None, "easting_column": "lon",
          "northing_column": "lat", "crs": "EPSG:32615"}
P = {"form": "P"}


@pytest.mark.parametrize(("name", "columns", "changes", "samples", "sums"), [
    ("S01_encodings/bom_utf8.csv", {"phosphorus": "P_ppm", "potassium": "K_ppm"}, {}, 16,
     {"phosphorus": 413, "potassium": 2874}),
    ("S01_encodings/utf16le_tab.txt", {"phosphorus": "P_ppm", "potassium": "K_ppm"}, {}, 16,
     {"phosphorus": 413, "potassium": 2874}),
    ("S01_encodings/cp1252.csv", {"phosphorus": "P mg/kg", "potassium": "K mg/kg"},
     {"id_column": "Probe-Nr.", "longitude_column": "Länge °", "latitude_column": "Breite °"}, 16,
     {"phosphorus": 413, "potassium": 2874}),
    ("S02_number_formats/semicolon_decimal_comma.csv", {"phosphorus": "P"}, {"id_column": "id"}, 16,
     {"phosphorus": 421.0}),
    # Calcium stands in for an analyte here: the case is about its thousands.
    ("S02_number_formats/thousands_us_quoted.csv", {"potassium": "Ca_ppm"}, {"id_column": "id"}, 16,
     {"potassium": 21200}),
    ("S02_number_formats/thousands_eu.csv", {"potassium": "Ca_ppm"}, {"id_column": "id"}, 16,
     {"potassium": 21200}),
    ("S03_non_data_rows/units_row.csv", {"phosphorus": "P", "potassium": "K"}, {}, 16,
     {"phosphorus": 413, "potassium": 2874}),
    ("S03_non_data_rows/trailing_rows.csv", {"phosphorus": "P_ppm", "potassium": "K_ppm"}, {}, 16,
     {"phosphorus": 413, "potassium": 2874}),
    ("S05_merged_headers_date_serials.xlsx", {"phosphorus": "Nutrients (ppm) P"},
     {"id_column": "Sample ID", "longitude_column": "Location Lon",
      "latitude_column": "Location Lat", "date_column": "Sample Date sampled",
      "sampled_on": None}, 16, {"phosphorus": 413}),
    ("S06_lat_lon_swapped.csv", {"potassium": "K_ppm"},
     {"longitude_column": "lat", "latitude_column": "lon"}, 16, {"potassium": 2874}),
    ("S07_longitude_without_minus/samples.csv", {"potassium": "K_ppm"},
     {"longitudes_are_west": True}, 16, {"potassium": 2874}),
    ("S08_not_decimal_degrees/dms_mixed.csv", {"potassium": "K_ppm"}, {}, 16, {"potassium": 2874}),
    ("S08_not_decimal_degrees/utm_in_latlon_columns.csv", {"potassium": "K_ppm"}, METRES, 16,
     {"potassium": 2874}),
    ("S09_zero_zero_points.csv", {"potassium": "K_ppm"}, {}, 13, {"potassium": 2335}),
    ("S11_duplicate_points.csv", {"phosphorus": "P_ppm", "potassium": "K_ppm"}, {}, 16,
     {"phosphorus": 413 + 3 + 5 + 2, "potassium": 2874 + 15 + 20 - 10}),
    ("S12_two_depths.csv", {"phosphorus": "P_ppm", "potassium": "K_ppm"},
     {"depth_column": "depth", "depth": "0-6 in"}, 16, {"phosphorus": 413, "potassium": 2874}),
    ("S13_censored_values.csv", {"phosphorus": "P_ppm"}, {}, 11,
     {"phosphorus": 1 + 1 + 2 + 500 + 168 + 28 + 0.25 + 1.9 + 0 + 31 + 12}),
    ("S31_degenerate_sample_sets/collinear.csv", {"potassium": "K_ppm"}, {}, 10,
     {"potassium": 1705}),
    ("S31_degenerate_sample_sets/one_sample.csv", {"potassium": "K_ppm"}, {}, 1,
     {"potassium": 144}),
    ("S32_outlier_and_negative_predictions/outlier_typo.csv", {"potassium": "K_ppm"}, {}, 16,
     {"potassium": 2874 - 123 + 1230}),
])
def test_samples(
    *, make: SimpleNamespace, case: Case, name: str, columns: dict[str, str],
    changes: dict[str, Any], samples: int, sums: dict[str, float],
) -> None:
    soil = read(make, case, name, columns, **changes)
    assert len(soil.sample_id) == samples
    for analyte, want in sums.items():
        assert make.total(soil.columns[analyte].values) == pytest.approx(want)


def read(make: SimpleNamespace, case: Case, name: str, columns: dict[str, str], **changes: Any
         ) -> SoilTable:
    field = read_boundary(path=case("S35_acreage_methods.geojson"), name="Field 1")
    given = {a: make.k_column(c, form="P" if a == "phosphorus" else "K")
             for a, c in columns.items()}
    return read_soil(path=case(name), field=field, spec=make.soil_spec(given, **changes))


def test_base_positions_however_they_are_written(make: SimpleNamespace, case: Case) -> None:
    field = read_boundary(path=case("S35_acreage_methods.geojson"), name="Field 1")
    import shapely

    k = {"potassium": "K_ppm"}
    base = read(make, case, "S01_encodings/bom_utf8.csv", k)
    for name, changes, metres in (
        ("S08_not_decimal_degrees/dms_mixed.csv", {}, 0.03),  # 2e-7 degree
        ("S08_not_decimal_degrees/utm_in_latlon_columns.csv", METRES, 0.1),
        ("S07_longitude_without_minus/samples.csv", {"longitudes_are_west": True}, 1e-6),
    ):
        soil = read(make, case, name, k, **changes)
        assert np.hypot(soil.easting_m - base.easting_m,
                        soil.northing_m - base.northing_m).max() < metres
    first = to_lonlat(shapely.Point(base.easting_m[0], base.northing_m[0]), field.crs_centre)
    assert (first.x, first.y) == pytest.approx((-93.593424, 41.010570), abs=1e-7)


@pytest.mark.parametrize(("name", "column", "changes", "code", "said"), [
    ("S04_duplicate_headers.csv", "K", {}, "table-heading-twice",
     "heading 'K' is used twice (columns 5 and 7; first values 134 and 2.9); choose one"),
    ("S06_lat_lon_swapped.csv", "K_ppm", {}, "soil-coordinates-exchanged",
     "-93.593424 (row 2) is outside -90…90; 16 of 16 rows fit if lat and lon are exchanged"),
    ("S07_longitude_without_minus/samples.csv", "K_ppm", {}, "soil-longitude-sign",
     "nearest about 10,900 km away; 16 of 16 inside if the longitudes are negative"),
    ("S08_not_decimal_degrees/utm_in_latlon_columns.csv", "K_ppm", {}, "soil-not-degrees",
     "lat 4540100 (row 2) cannot be degrees; looks like UTM"),
    ("S12_two_depths.csv", "K_ppm", {"depth_column": "depth"}, "soil-several-depths",
     "two depths (0-6 in: 16 rows, 6-24 in: 16 rows); choose one"),
    ("S12_two_depths.csv", "K_ppm", {}, "soil-several-depths", "choose one"),
    ("S15_oxide_forms.csv", "K2O_ppm", {}, "soil-form-conflict", "the heading says K2O"),
])
def test_samples_that_stop(
    *, make: SimpleNamespace, case: Case, name: str, column: str, changes: dict[str, Any],
    code: str, said: str,
) -> None:
    with pytest.raises(InputError) as caught:
        read(make, case, name, {"potassium": column}, **changes)
    assert caught.value.code == code
    assert said in str(caught.value)


def test_s14_units_and_depths_by_row(make: SimpleNamespace, case: Case) -> None:
    field = read_boundary(path=case("S35_acreage_methods.geojson"), name="Field 1")
    columns = {"potassium": make.k_column("K", unit=None, unit_column="unit")}
    soil = read_soil(path=case("S14_ppm_and_lb_per_acre.csv"), field=field,
                     spec=make.soil_spec(columns, depth_column="depth_in", lab_column="lab"))
    assert soil.columns["potassium"].values == pytest.approx(make.k[:15], abs=0.1)
    assert soil.columns["potassium"].values.mean() == pytest.approx(176.53, abs=0.01)
    assert soil.lab == "Lab A, Lab B, Lab C"
    assert any(f.code == "soil-unit-missing" and "S16" in f.what for f in soil.findings)


def test_s15_oxides(make: SimpleNamespace, case: Case) -> None:
    field = read_boundary(path=case("S35_acreage_methods.geojson"), name="Field 1")
    columns = {"potassium": make.k_column("K2O_ppm", form="K2O"),
               "phosphorus": make.k_column("P2O5_ppm", form="P2O5")}
    soil = read_soil(path=case("S15_oxide_forms.csv"), field=field, spec=make.soil_spec(columns))
    assert soil.columns["phosphorus"].values[0] == pytest.approx(17.0, rel=2e-3)
    assert soil.columns["potassium"].values[0] == pytest.approx(134.0, rel=2e-3)


def test_s22_s23_s24_places(make: SimpleNamespace, case: Case) -> None:
    geometry = {"longitude_column": None, "latitude_column": None}
    field = read_boundary(path=case("S22_crs_mismatch/boundary_utm/field.shp"), name="F")
    soil = read_soil(path=case("S22_crs_mismatch/samples_geographic/samples.shp"), field=field,
                     spec=make.soil_spec({"potassium": make.k_column("K")}, id_column="ID",
                                         **geometry))
    assert len(soil.sample_id) == 16
    assert not {"soil-sample-near", "soil-sample-outside"} & set(make.codes(soil.findings))
    field = read_boundary(path=case("S23_samples_outside/boundary.geojson"), name="F")
    soil = read_soil(path=case("S23_samples_outside/samples.csv"), field=field,
                     spec=make.soil_spec())
    told = {f.code: f.what for f in soil.findings}
    assert len(soil.sample_id) == 13
    assert "NEAR 3.0 m" in told["soil-sample-near"]
    assert "FAR 400." in told["soil-sample-outside"]
    assert "YARD1 40.0 m, YARD2 10.0 m" in told["soil-sample-in-hole"]
    field = read_boundary(path=case(f"{S24}/utm_zone_edge_boundary.geojson"), name="F")
    spec = make.soil_spec(**geometry, easting_column="easting", northing_column="northing",
                          zone_column="zone")
    soil = read_soil(path=case(f"{S24}/utm_zone_edge_samples.csv"), field=field, spec=spec)
    assert len(soil.sample_id) == 16
    assert "soil-sample-near" not in make.codes(soil.findings)
