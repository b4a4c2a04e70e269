"""One GeoPackage with all of a run, as fiona (another GDAL), rasterio and sqlite3 read it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree as ET

import export_builders as make
import fiona
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from shapely.geometry import shape

from vrx import geo
from vrx.errors import ExportError
from vrx.export import ExportSet, geopackage, write_formats
from vrx.formats import geopackage as facts
from vrx.formats.legend import MOST_CLASSES


@pytest.fixture(scope="module")
def meant() -> ExportSet:
    return make.full_set()


@pytest.fixture(scope="module")
def path(meant: ExportSet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("package")
    return dict(write_formats(meant=meant, formats=["geopackage"], folder=folder))["geopackage"]


def test_all_layers_and_tables_are_listed_by_another_gdal(path: Path) -> None:
    assert set(fiona.listlayers(path)) == {
        "boundary", "zones", "prescription", "samples", "passes", "order_lines", "findings",
        "column_meanings", "run_record", "layer_styles"}
    assert [one.name for one in path.parent.glob("field.gpkg*")] == ["field.gpkg"]


def test_polygons_and_rates_come_back_through_another_gdal(meant: ExportSet, path: Path) -> None:
    with fiona.open(path, layer="prescription") as source:
        assert source.crs.to_epsg() == 4326
        rows = list(source)
    for name, values in meant.layer.columns.items():
        assert [row["properties"][name] for row in rows] == list(values)
    for row, polygon in zip(rows, meant.layer.polygons, strict=True):
        assert shapely.equals(shape(row["geometry"]), polygon)
    with fiona.open(path, layer="zones") as source:
        assert [row["properties"]["LABEL"] for row in source] == [f"class {k}" for k in range(4)]


def test_the_boundary_is_the_union_of_the_zones(meant: ExportSet, path: Path) -> None:
    with fiona.open(path, layer="boundary") as source:
        (row,) = list(source)
    boundary = shape(row["geometry"])
    assert shapely.coverage_is_valid(meant.layer.polygons)
    union = shapely.union_all(meant.layer.polygons)
    assert shapely.symmetric_difference(boundary, union).area == pytest.approx(0, abs=1e-18)
    assert len(boundary.geoms[0].interiors) == 1
    assert row["properties"]["AREA_AC"] == meant.field.area_ac
    assert row["properties"]["SEASON"] == 2027


def test_samples_keep_place_value_and_how_well_it_is_known(meant: ExportSet, path: Path) -> None:
    assert meant.soil is not None
    with fiona.open(path, layer="samples") as source:
        rows = list(source)
    assert [r["properties"]["sample_id"] for r in rows] == ["S1", "S2", "S3"]
    assert [r["properties"]["k_ppm"] for r in rows] == [110.5, None, 240.0]
    assert [r["properties"]["k_ppm_known"] for r in rows] == [
        "below the limit", None, "above the limit"]
    # By pyproj's own words for the field's system, whose forward and inverse differ by 0.7 mm.
    back = pyproj.Transformer.from_crs(
        4326, "+proj=laea +lat_0=42.1 +lon_0=-85.5 +datum=WGS84", always_xy=True)
    places = [back.transform(*shape(r["geometry"]).coords[0]) for r in rows]
    assert np.allclose(places, np.column_stack([meant.soil.easting_m, meant.soil.northing_m]),
                       atol=2e-3)


def test_maps_keep_values_nodata_unit_and_place(meant: ExportSet, path: Path) -> None:
    # OGC 17-066r2: gridded coverages; GDAL in rasterio is not the one that read the tables.
    inside = meant.field.boundary
    for surface, name in zip(meant.surfaces, ("K_PPM", "SO4S_PPM"), strict=True):
        for table, values in ((f"MAP_{name}", surface.values),
                              (f"MAP_{name}_SE", surface.standard_error)):
            with rasterio.open(f"GPKG:{path}:{table}") as source:
                assert source.nodata == -9999
                read = source.read(1, masked=True)
                assert source.units == ("ppm",)
                assert source.crs.to_dict()["proj"] == "laea"
                for row, column in ((40, 20), (20, 40)):
                    east, north = source.xy(row, column)
                    if not inside.contains(shapely.Point(east, north)):
                        assert read.mask[row, column]
                        continue
                    assert surface.grid.easting_m[column] == pytest.approx(east)
                    assert read[row, column] == np.float32(values[row, column])
            rows, columns = surface.grid.shape
            held = ~np.ma.getmaskarray(read)[:rows, :columns]
            assert (read.data[:rows, :columns][held] == values.astype("f4")[held]).all()
            # Every cell with its centre in the field is there, and none that lies off it.
            cells = geo.cells_within(inside, surface.grid)[1].astype(int)
            assert held[cells[:, 0], cells[:, 1]].all()
            assert 1.0 < held.sum() / len(cells) < 1.1


def test_styles_are_plain_xml_with_the_classes_of_the_page(meant: ExportSet, path: Path) -> None:
    with closing(sqlite3.connect(path)) as base:
        rows = base.execute(
            "SELECT f_table_name, f_geometry_column, f_table_catalog, styleQML, useAsDefault"
            " FROM layer_styles").fetchall()
    # The convention looks a style up by empty texts, never by NULL.
    assert {catalog for _, _, catalog, *_ in rows} == {""}
    defaults = [table for table, *_, default in rows if default]
    assert sorted(defaults) == ["MAP_K_PPM", "MAP_SO4S_PPM", "boundary", "prescription", "samples",
                                "zones"]
    assert {geometry for table, geometry, *_ in rows if table.startswith("MAP")} == {""}
    assert {geometry for table, geometry, *_ in rows if table == "zones"} == {facts.GEOMETRY}
    of_rates = [
        ET.fromstring(qml)  # noqa: S314 - our own text
        for table, _, _, qml, _ in rows if table == "prescription"]
    assert [one.find("renderer-v2").get("attr") for one in of_rates] == [  # type: ignore[union-attr]
        one.column for one in meant.prescription.passes]
    for one in of_rates:
        ranges = one.findall(".//range")
        assert 0 < len(ranges) <= MOST_CLASSES
        names = {symbol.get("name") for symbol in one.findall(".//symbol")}
        assert {each.get("symbol") for each in ranges} == names


def test_styles_show_their_labels_and_say_of_what_a_rate_is(
    meant: ExportSet, path: Path
) -> None:
    # Seen in a desktop GIS of 2022: letters of weight 0 are hair lines, labelled polygons that
    # stand in the way of labels drove every label but one off the map, and classes of a layer
    # that all passes share did not say of which.
    with closing(sqlite3.connect(path)) as base:
        rows = base.execute("SELECT f_table_name, styleQML FROM layer_styles").fetchall()
    parsed = [(table, ET.fromstring(qml)) for table, qml in rows]  # noqa: S314 - our own text
    labelled = [(table, one.find("labeling/settings")) for table, one in parsed
                if one.get("labelsEnabled") == "1"]
    assert {table for table, _ in labelled} == {"prescription", "samples", "zones"}
    for table, settings in labelled:
        assert settings is not None
        assert settings.find("text-style").get("fontWeight") == "50"  # type: ignore[union-attr]
        assert settings.find("rendering").get("obstacle") == "0"  # type: ignore[union-attr]
        placement = settings.find("placement").get("placement")  # type: ignore[union-attr]
        assert placement == ("0" if table == "samples" else "4")
    words = [[each.get("label", "") for each in one.findall(".//range")]
             for table, one in parsed if table == "prescription"]
    for one, each in zip(meant.prescription.passes, words, strict=True):
        assert all(label.endswith(f" {one.material.id}, pass {one.number}") for label in each)


def test_the_file_claims_no_later_standard_than_it_needs(path: Path) -> None:
    # OGC GeoPackage 1.2, requirement 2 (user_version) and requirement 5 (times with milliseconds);
    # a later version or a shorter time is warned of by GDAL before 3.9, on every opening.
    with closing(sqlite3.connect(path)) as base:
        assert base.execute("PRAGMA user_version").fetchone() == (10200,)
        times = {*base.execute("SELECT update_time FROM layer_styles"),
                 *base.execute("SELECT last_change FROM gpkg_contents")}
    assert times == {(facts.PINNED_TIME,)}


def test_findings_order_and_record_are_plain_tables(path: Path) -> None:
    with closing(sqlite3.connect(path)) as base:
        kinds = dict(base.execute("SELECT table_name, data_type FROM gpkg_contents"))
        found = base.execute('SELECT severity, "where", what FROM findings').fetchall()
        order = base.execute("SELECT material, quantity, usd FROM order_lines").fetchall()
        record = dict(base.execute("SELECT name, value FROM run_record"))
        passes = base.execute(
            'SELECT "column", unit, step, treated_ac, rate_outside FROM passes').fetchall()
    assert {kinds[name] for name in ("findings", "order_lines", "passes", "run_record")} == {
        "attributes"}
    assert found[0] == ("warn", "zone A, Größe", '50 % <of> "it"')
    assert found[1] == ("note", "", "line\nbreak and a \ufffd nought")
    assert order == [("muriate of potash 0-0-60", 12345.678, None)]
    assert record["run"] == "run-0"
    assert record["field"] == "Strips"
    assert passes[0] == ("P1_KCL_LB", "lb/ac", 0.5, None, 0.0)
    assert passes[1][:3] == ("P2_KTS_GAL", "gal/ac", 0.1)


@pytest.mark.parametrize("statement", [
    "UPDATE prescription SET P1_KCL_LB = P1_KCL_LB + 0.5 WHERE ZONE_ID = 2",
    "UPDATE findings SET what = 'nothing'",
    "DELETE FROM samples WHERE sample_id = 'S2'",
    "DROP TABLE order_lines",
    "UPDATE gpkg_2d_gridded_coverage_ancillary SET data_null = NULL",
    "UPDATE gpkg_tile_matrix_set SET min_x = min_x + 5",
    "UPDATE MAP_K_PPM SET tile_data = (SELECT tile_data FROM MAP_K_PPM_SE)",
    "UPDATE gpkg_geometry_columns SET srs_id = 0 WHERE table_name = 'zones'",
    "UPDATE zones SET geom = (SELECT geom FROM zones WHERE ZONE_ID = 2) WHERE ZONE_ID = 1",
    "UPDATE gpkg_spatial_ref_sys SET definition = replace(definition, '-85.5', '-85.6')",
])
def test_whatever_reads_back_otherwise_is_never_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, meant: ExportSet, statement: str
) -> None:
    good = geopackage._finish

    def bad(made: object, maps: object, path: Path) -> None:
        good(made, maps, path)  # type: ignore[arg-type]
        with closing(sqlite3.connect(path)) as base:
            # The triggers of the spatial index call functions that only GDAL has.
            for (name,) in base.execute(
                    "SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
                base.execute(f'DROP TRIGGER "{name}"')
            assert base.execute(statement).rowcount != 0
            base.commit()

    monkeypatch.setattr(geopackage, "_finish", bad)
    with pytest.raises(ExportError) as caught:
        write_formats(meant=meant, formats=["geopackage"], folder=tmp_path)
    assert caught.value.code in {"export-differs", "export-write"}
    assert list(tmp_path.iterdir()) == []


def test_two_writers_never_hold_the_file_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, meant: ExportSet
) -> None:
    # An open transaction of Python's sqlite3 while GDAL writes corrupts a GeoPackage.
    import pyogrio
    import rasterio.shutil

    open_now: list[sqlite3.Connection] = []
    connect = sqlite3.connect

    def counted(*args: object, **more: object) -> sqlite3.Connection:
        class Counted(sqlite3.Connection):
            def close(self) -> None:
                super().close()
                open_now.remove(self)

        base = connect(*args, factory=Counted, **more)  # type: ignore[call-overload]
        open_now.append(base)
        return base

    def watched(write):  # type: ignore[no-untyped-def]
        def call(*args: object, **more: object) -> object:
            assert not open_now
            return write(*args, **more)
        return call

    monkeypatch.setattr(sqlite3, "connect", counted)
    monkeypatch.setattr(pyogrio, "write_dataframe", watched(pyogrio.write_dataframe))
    monkeypatch.setattr(rasterio.shutil, "copy", watched(rasterio.shutil.copy))
    write_formats(meant=meant, formats=["geopackage"], folder=tmp_path)
    assert not open_now
