"""Each planted fault must be found and its place named.

Nearly all are sealed again after planting: the job record holds the new hashes of the files and
current.json that of the record, so that the checks of content are proven and not only the hash.
Those that are not sealed prove the hashes themselves.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely
from audit_builders import POTASH, SULFATE, THIO, A, K, Run, T, acres

from vrx.audit import AuditResult, audit_run
from vrx.model import Severity

SHP = "shapefile/prescription.shp"
GEO = "prescription.geojson"
ZIP = "prescription_shapefile.zip"


DOUBTS = {"audit-credit-grade"}
"""Codes that only warn: a printed grade is rounded, so it cannot settle anything."""


@dataclass(frozen=True)
class Case:
    id: str
    plant: Callable[[Run], object]
    places: tuple[str, ...]
    codes: tuple[str, ...] = ()
    sealed: bool = True


def told(result: AuditResult) -> list[str]:
    """Everything the audit complains about, one text each."""
    rows = [f"{row.where} | {row.what}" for row in result.rows if not row.agrees]
    return rows + [f"{fault.where} | {fault.what}" for fault in result.faults]


def rate(zone: int, value: float | None, column: str = K) -> Callable[[Any], None]:
    def change(data: Any) -> None:
        data.loc[data["ZONE_ID"] == zone, column] = value
    return change


def prop(zone: int, column: str, value: object) -> Callable[[dict[str, Any]], None]:
    def change(document: dict[str, Any]) -> None:
        document["features"][zone - 1]["properties"][column] = value
    return change


def scaled(column: str, factor: float) -> Callable[[Any], None]:
    def change(data: Any) -> None:
        data[column] = data[column] * factor
    return change


def swapped(data: Any) -> Any:
    return data.rename(columns={K: A, A: K})[["ZONE_ID", "ZONE", "AREA_AC", K, A, T, "geometry"]]


def moved(
    zone: int, change: Callable[[Any], Any], *, acres_too: bool = False
) -> Callable[[Any], None]:
    """Change one zone's polygon; optionally write its new acres beside it."""
    def edit(data: Any) -> None:
        row = data.index[data["ZONE_ID"] == zone][0]
        shape = change(data.geometry[row])
        data.loc[row, "geometry"] = shape
        if acres_too:
            data.loc[row, "AREA_AC"] = acres(shape)
    return edit


def shifted(east: float, north: float) -> Callable[[Any], None]:
    def change(data: Any) -> None:
        data["geometry"] = shapely.transform(
            data.geometry.to_numpy(), lambda at: np.round(at + np.array([east, north]), 9)
        )
    return change


def flipped(run: Run) -> None:
    """Latitude first in all layers (GeoJSON as plain JSON: GDAL refuses to write it)."""
    def turn(data: Any) -> None:
        data["geometry"] = shapely.transform(data.geometry.to_numpy(), lambda at: at[:, ::-1])

    def turn_json(value: Any) -> Any:
        if isinstance(value[0], float):
            return value[::-1]
        # Turned over, a ring winds the other way; written as RFC 7946 wants it.
        done = [turn_json(inner) for inner in value]
        return done[::-1] if isinstance(value[0][0], float) else done

    def turn_all(document: dict[str, Any]) -> None:
        for feature in document["features"]:
            feature["geometry"]["coordinates"] = turn_json(feature["geometry"]["coordinates"])

    run.edit_shapefile(turn)
    run.edit_geojson(turn_all)


def pulled(shape: Any, east: float) -> Any:
    """The vertex that lies farthest east, moved."""
    points = shapely.get_coordinates(shape)
    corner = points[np.argmax(points[:, 0])]

    def move(at: Any) -> Any:
        hit = (at == corner).all(axis=1)[:, None]
        return np.where(hit, np.round(at + np.array([east, 0.0]), 9), at)
    return shapely.transform(shape, move)


def stretched(shape: Any) -> Any:
    """A corner 11 m farther out."""
    return pulled(shape, 0.00013)


def shrunk(shape: Any) -> Any:
    """A corner 11 m farther in."""
    return pulled(shape, -0.00013)


def with_sliver(shape: Any) -> Any:
    """A second part, 5 cm wide and 60 m long, 100 m beyond the zone."""
    west, _, _, north = shape.bounds
    north = north + 0.0009
    strip = shapely.box(round(west, 9), round(north, 9), round(west + 0.0007, 9),
                        round(north + 4.5e-7, 9))
    return shapely.MultiPolygon([shape, strip])


def bow_tie(shape: Any) -> Any:
    points = shapely.get_coordinates(shape).copy()
    points[[1, 2]] = points[[2, 1]]
    return shapely.Polygon(points)


def filled(shape: Any) -> Any:
    return shapely.Polygon(shape.exterior)


def wkt(run: Run, epsg: int) -> None:
    run.part(".prj").write_text(pyproj.CRS.from_epsg(epsg).to_wkt("WKT1_ESRI"), encoding="utf-8")
    run.pack()


def cut(run: Run, suffix: str, *, by: int) -> None:
    run.part(suffix).write_bytes(run.part(suffix).read_bytes()[:-by])
    run.pack()


def drop(run: Run, suffix: str) -> None:
    run.part(suffix).unlink()
    run.pack()


def nan_text(run: Run) -> None:
    """The text nan in a numeric field, as some writers leave it."""
    data = run.part(".dbf").read_bytes()
    stood = b"120.000000000000000"
    assert data.count(stood) == 1
    run.part(".dbf").write_bytes(data.replace(stood, b"nan".rjust(len(stood))))
    run.pack()


def deleted(run: Run) -> None:
    data = bytearray(run.part(".dbf").read_bytes())
    head, width = int.from_bytes(data[8:10], "little"), int.from_bytes(data[10:12], "little")
    data[head + 2 * width] = ord("*")
    run.part(".dbf").write_bytes(bytes(data))
    run.pack()


def set_zip(run: Run, change: Callable[[dict[str, bytes]], None]) -> None:
    with zipfile.ZipFile(run.zip) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    change(members)
    with zipfile.ZipFile(run.zip, "w") as archive:
        for name, data in members.items():
            archive.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), data)


def other_rates(members: dict[str, bytes]) -> None:
    data = members["prescription.dbf"]
    members["prescription.dbf"] = data.replace(b"120.000000000000000", b"130.000000000000000")


def in_pass(index: int, **values: object) -> Callable[[Run], None]:
    return lambda run: run.edit_record(lambda r: r["passes"][index].update(values))


def in_order(index: int, key: str, factor: float) -> Callable[[Run], None]:
    def change(record: dict[str, Any]) -> None:
        record["order"][index][key] *= factor
    return lambda run: run.edit_record(change)


def steps(record: dict[str, Any]) -> None:
    record["passes"][0]["steps"][2]["steps"] += 1


def zone_area(record: dict[str, Any]) -> None:
    record["zones"][3]["area_ac"] *= 1.001


def csv_cell(run: Run) -> None:
    path = run.folder / "order.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    cells = lines[2].split(",")
    cells[3] = str(float(cells[3]) + 1)
    path.write_text("\n".join([*lines[:2], ",".join(cells), *lines[3:]]) + "\n", encoding="utf-8")


def csv_units(run: Run) -> None:
    path = run.folder / "order.csv"
    path.write_text(
        path.read_text(encoding="utf-8").replace(f"{POTASH},lb", f"{POTASH},kg"), encoding="utf-8"
    )


def csv_line(run: Run) -> None:
    path = run.folder / "order.csv"
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[:-1]), encoding="utf-8")


CASES = (
    # Rates.
    Case("rate in the shapefile only", lambda r: r.edit_shapefile(rate(2, 130.0)),
         (SHP, "zone 2 (B)", K), ("audit-layers-differ",)),
    Case("rate in GeoJSON only", lambda r: r.edit_geojson(prop(2, K, 130.0)),
         (GEO, "zone 2 (B)", K), ("audit-layers-differ",)),
    Case("rate in both", lambda r: r.edit_both(rate(2, 130.0)), (SHP, GEO, "zone 2 (B)", K)),
    Case("rate by one part in a million", lambda r: r.edit_both(rate(2, 120.00012)),
         ("zone 2 (B)", K), ("audit-rate-off-step",)),
    Case("rate off step", lambda r: r.edit_both(rate(2, 123.0)),
         ("zone 2 (B)", K), ("audit-rate-off-step",)),
    Case("null rate", lambda r: r.edit_both(rate(4, None)),
         ("zone 4 (D)", K), ("audit-rate-odd",)),
    Case("null rate in GeoJSON only", lambda r: r.edit_geojson(prop(4, K, None)),
         (GEO, "zone 4 (D)", K), ("audit-rate-odd", "audit-layers-differ")),
    Case("rate member left out", lambda r: r.edit_geojson(
        lambda d: d["features"][3]["properties"].pop(T)),
        (GEO, "zone 4 (D)", T), ("audit-rate-odd",)),
    Case("literal NaN in GeoJSON", lambda r: r.edit_geojson(prop(2, K, float("nan"))),
         (GEO, "zone 2 (B)", K), ("audit-json-number", "audit-rate-odd")),
    Case("nan in the dbf", nan_text, (SHP, "zone 2 (B)", K), ("audit-rate-odd",)),
    Case("negative rate", lambda r: r.edit_both(rate(1, -80.0)),
         ("zone 1 (A)", K), ("audit-rate-odd",)),
    Case("rate as text", lambda r: r.edit_geojson(prop(1, K, "80")),
         (GEO, "zone 1 (A)", K), ("audit-rate-odd", "audit-column-kind")),
    Case("columns swapped", lambda r: r.edit_both(swapped), (SHP, GEO, K, A),
         ("audit-columns-swapped",)),
    Case("column renamed", lambda r: r.edit_both(lambda d: d.rename(columns={K: "P1_KCL_KG"})),
         (SHP, K, "P1_KCL_KG"), ("audit-column-missing", "audit-column-unrecorded")),
    Case("column missing", lambda r: r.edit_both(lambda d: d.drop(columns=[T])),
         (SHP, GEO, T), ("audit-column-missing",)),
    Case("column added", lambda r: r.edit_both(lambda d: d.assign(RATE=1.0)),
         ("RATE",), ("audit-column-unrecorded",)),
    Case("pounds written as kg", lambda r: r.edit_both(scaled(K, 1.12085)),
         (K, "kg/ha in place of lb/ac"), ("audit-rate-unit",)),
    Case("gallons written as liters", lambda r: r.edit_both(scaled(T, 9.353956)),
         (T, "L/ha in place of gal/ac"), ("audit-rate-unit", "audit-rate-off-step")),
    Case("a pass as flat that varies", in_pass(0, kind="flat"), (K,), ("audit-flat-varies",)),
    # Zones and their labels.
    Case("zone dropped from both", lambda r: r.edit_both(lambda d: d[d["ZONE_ID"] != 3]),
         (SHP, GEO, "zone 3 (C)"), ("audit-zone-missing",)),
    Case("zone dropped from GeoJSON", lambda r: r.edit_geojson(lambda d: d["features"].pop(2)),
         (GEO, "zone 3"), ("audit-zone-missing",)),
    Case("zone duplicated", lambda r: r.edit_geojson(
        lambda d: d["features"].append(d["features"][1])),
        (GEO, "zone 2 (B)"), ("audit-zone-twice", "audit-duplicate-zone")),
    Case("zone id altered", lambda r: r.edit_geojson(prop(5, "ZONE_ID", 9)),
         (GEO, "zone 9", "zone 5 (E)"), ("audit-zone-unrecorded", "audit-zone-missing")),
    Case("letter altered", lambda r: r.edit_both(rate(6, "X", "ZONE")),
         (SHP, GEO, "zone 6 (X)", "column ZONE")),
    Case("AREA_AC altered", lambda r: r.edit_both(rate(1, 20.0, "AREA_AC")),
         ("zone 1 (A)", "AREA_AC")),
    Case("acres as hectares", lambda r: r.edit_both(scaled("AREA_AC", 0.40468564224)),
         ("zone 1 (A)", "AREA_AC", "hectares"), ("audit-hectares",)),
    # Where the polygons lie.
    Case("projected .prj", lambda r: wkt(r, 32614), ("prescription.prj", "UTM"),
         ("audit-crs-wrong",)),
    Case("NAD27 .prj", lambda r: wkt(r, 4267), ("prescription.prj", "1927"),
         ("audit-crs-wrong",)),
    Case("NAD83 .prj", lambda r: wkt(r, 4269), ("prescription.prj", "1983"),
         ("audit-crs-wrong",)),
    Case(".prj is no CRS", lambda r: r.part(".prj").write_text("LOCAL", encoding="utf-8"),
         ("prescription.prj",), ("audit-crs-wrong", "audit-zip-content")),
    Case("longitude and latitude swapped", flipped,
         (SHP, GEO, "swapped"), ("audit-place",)),
    Case("crs member", lambda r: r.edit_geojson(lambda d: d.update(
        crs={"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}})),
        (GEO, "member crs"), ("audit-geojson-crs",)),
    Case("shapefile shifted 10 m", lambda r: r.edit_shapefile(shifted(0.000119, 0.0)),
         (SHP, "zone 1 (A)"), ("audit-layers-differ",)),
    Case("both on another field", lambda r: r.edit_both(shifted(0.2, 0.0)),
         (SHP, GEO, "centre"), ("audit-place",)),
    # Coverage.
    Case("vertex moved out: overlap", lambda r: r.edit_both(moved(3, stretched, acres_too=True)),
         ("zone 3 (C)", "zone 2 (B)", "overlap"), ("audit-overlap", "audit-edge-mismatch")),
    Case("vertex moved in: gap", lambda r: r.edit_both(moved(3, shrunk, acres_too=True)),
         (SHP, GEO, "zone 3 (C)", "lie in none"), ("audit-gap",)),
    Case("vertex moved 0.2 mm in one layer", lambda r: r.edit_geojson(
        lambda d: d["features"][0]["geometry"]["coordinates"][0][1].__setitem__(
            0, d["features"][0]["geometry"]["coordinates"][0][1][0] + 2e-9)),
        (GEO, "zone 1 (A)"), ("audit-layers-differ",)),
    Case("zones overlap", lambda r: r.edit_both(
        moved(4, lambda shape: shapely.transform(
            shape, lambda at: np.round(at + np.array([2e-4, 0]), 9)))),
        ("zone 4 (D)", "zone 5 (E)"), ("audit-overlap",)),
    Case("sliver", lambda r: r.edit_both(moved(1, with_sliver)), ("zone 1 (A)",),
         ("audit-sliver",)),
    Case("hole filled in the shapefile", lambda r: r.edit_shapefile(moved(5, filled)),
         (SHP, "zone 5 (E)"), ("audit-layers-differ",)),
    Case("hole filled in both", lambda r: r.edit_both(moved(5, filled, acres_too=True)),
         (SHP, GEO, "zone 5 (E)", "acres")),
    Case("hole wound as a shell", lambda r: r.edit_geojson(
        lambda d: d["features"][4]["geometry"]["coordinates"][1].reverse()),
        (GEO, "zone 5 (E)"), ("audit-winding",)),
    Case("bow tie", lambda r: r.edit_shapefile(moved(4, bow_tie)), (SHP, "zone 4 (D)"),
         ("audit-invalid-ring",)),
    Case("ring not closed", lambda r: r.edit_geojson(
        lambda d: d["features"][3]["geometry"]["coordinates"][0].pop()),
        (GEO, "feature 4"), ("audit-ring",)),
    Case("zone without a polygon", lambda r: r.edit_geojson(
        lambda d: d["features"][3].update(geometry=None)), (GEO, "zone 4 (D)"),
        ("audit-no-area",)),
    # The job record gone stale; its hash in current.json is right.
    Case("recorded area of a zone", lambda r: r.edit_record(zone_area), ("zone 4 (D)", "acres")),
    Case("recorded area of the field", lambda r: r.edit_record(
        lambda d: d["field"].update(area_ac=d["field"]["area_ac"] + 0.01)),
        (SHP, GEO, "acres of the field")),
    Case("recorded total", in_pass(0, prescription_total=12000.0), ("pass-1", K)),
    Case("recorded order total", in_pass(1, order_total=9000.0), ("pass-2", A)),
    Case("recorded steps", lambda r: r.edit_record(steps), ("zone 3 (C)", K)),
    Case("recorded step", in_pass(1, step=2.5), ("pass-2", A)),
    Case("recorded unit", in_pass(0, unit="gal/ac"), ("pass-1", K, "unit")),
    Case("recorded treated acres", in_pass(2, treated_ac=120.0), ("pass-3", T, "treated acres")),
    Case("treated acres taken out", in_pass(2, treated_ac=None), ("pass-3", T)),
    Case("K2O credit", in_pass(0, k2o_lb_per_unit=0.62), (POTASH, "k2o_lb", "zone 1 (A)"),
         ("audit-credit-grade",)),
    Case("S credit", in_pass(2, s_lb_per_unit=1.9), (THIO, "s_lb")),
    Case("density", in_pass(2, lb_per_unit=11.0), (THIO, "short_tons")),
    Case("pounds that weigh more", in_pass(1, lb_per_unit=1.1), (SULFATE, "pass-2")),
    Case("quantity ordered", in_order(0, "quantity", 1.001), (POTASH, "quantity")),
    Case("tons ordered", in_order(0, "short_tons", 1.1023), (POTASH, "short_tons")),
    Case("nitrogen ordered", in_order(1, "n_lb", 0.9), (SULFATE, "n_lb")),
    Case("money", in_order(0, "usd", 1.01), (POTASH, "usd")),
    Case("order line gone", lambda r: r.edit_record(lambda d: d["order"].pop(1)),
         (SULFATE,), ("audit-order-line", "audit-order-csv")),
    Case("nutrient brought", lambda r: r.edit_record(
        lambda d: d["nutrients"][1]["zones"][4].update(brought_lb_per_ac=1.0)),
        ("nutrients, S", "zone 5 (E)")),
    Case("recorded zone missing", lambda r: r.edit_record(lambda d: d["zones"].pop(5)),
         (SHP, GEO, "zone 6 (F)"), ("audit-zone-unrecorded",)),
    Case("recorded pass missing", lambda r: r.edit_record(lambda d: d["passes"].pop(1)),
         (A, SULFATE), ("audit-column-unrecorded", "audit-order-line")),
    Case("a key gone", lambda r: r.edit_record(lambda d: d["passes"][0].pop("step")),
         (K, "step"), ("audit-record-key",)),
    Case("record cut short", lambda r: (r.folder / "manifest.json").write_text(
        (r.folder / "manifest.json").read_text(encoding="utf-8")[:900], encoding="utf-8"),
        ("manifest.json",), ("audit-record-unreadable",), sealed=False),
    Case("unknown schema", lambda r: r.edit_record(lambda d: d.update(schema=2)),
         ("manifest.json, schema",), ("audit-record-schema",)),
    # Files.
    Case("zip with other rates", lambda r: set_zip(r, other_rates),
         (ZIP, "prescription.dbf", "zone 2 (B)", K), ("audit-zip-content", "audit-layers-differ")),
    Case("zip without .dbf", lambda r: set_zip(r, lambda m: m.pop("prescription.dbf")),
         (ZIP, "prescription.dbf"), ("audit-zip-content", "audit-part-missing")),
    Case("zip without .prj", lambda r: set_zip(r, lambda m: m.pop("prescription.prj")),
         (ZIP, "prescription.prj"), ("audit-zip-content",)),
    Case("zip with a stranger", lambda r: set_zip(r, lambda m: m.update({"old.shp": b"x"})),
         (ZIP, "old.shp"), ("audit-zip-content",)),
    Case("zip cut short", lambda r: r.zip.write_bytes(r.zip.read_bytes()[:-60]),
         (ZIP,), ("audit-unreadable",)),
    *(
        Case(f"{suffix} missing", lambda r, suffix=suffix: drop(r, suffix),
             (f"shapefile/prescription{suffix}",))
        for suffix in (".dbf", ".shx", ".prj", ".cpg", ".shp")
    ),
    Case(".shp cut short", lambda r: cut(r, ".shp", by=50), ("prescription.shp",),
         ("audit-cut-short",)),
    Case(".dbf cut short", lambda r: cut(r, ".dbf", by=30), ("prescription.dbf",),
         ("audit-cut-short",)),
    Case(".shx cut short", lambda r: cut(r, ".shx", by=8), ("prescription.shx",),
         ("audit-cut-short",)),
    Case("record marked as deleted", deleted, ("prescription.dbf, record 3",),
         ("audit-record-deleted",)),
    Case("GeoJSON cut short", lambda r: r.geojson.write_bytes(r.geojson.read_bytes()[:-300]),
         (GEO, "line"), ("audit-unreadable",)),
    Case("GeoJSON in another encoding", lambda r: r.geojson.write_text(
        r.geojson.read_text(encoding="utf-8"), encoding="utf-16"), (GEO,), ("audit-unreadable",)),
    Case("order.csv figure", csv_cell, ("order.csv", SULFATE, "column lb"), ("audit-order-csv",)),
    Case("order.csv unit", csv_units, ("order.csv", POTASH, "column unit"), ("audit-order-csv",)),
    Case("order.csv line", csv_line, ("order.csv", THIO), ("audit-order-csv",)),
    # What only the hashes tell: not sealed.
    Case("page altered", lambda r: (r.folder / "page.html").write_text("x", encoding="utf-8"),
         ("page.html",), ("audit-file-changed",), sealed=False),
    Case("both layers shifted 10 m", lambda r: r.edit_both(shifted(0.000119, 0.0)),
         (SHP, GEO), ("audit-file-changed",), sealed=False),
    Case("file lost", lambda r: (r.folder / "page.html").unlink(), ("page.html",),
         ("audit-file-missing",), sealed=False),
    Case("extra prescription", lambda r: (r.folder / "old.geojson").write_bytes(
        r.geojson.read_bytes()), ("old.geojson",), ("audit-file-unlisted",), sealed=False),
    Case("record changed after the run", lambda r: r.edit_record(
        lambda d: d["field"].update(name="Other")), ("current.json", "manifest.json"),
        ("audit-current-hash",), sealed=False),
    Case("current.json points to no run", lambda r: (r.output / "current.json").write_text(
        json.dumps({"run": "run-ffffffffffff", "manifest_sha256": "0" * 64}), encoding="utf-8"),
        ("current.json", "run-ffffffffffff"), ("audit-current-run",), sealed=False),
    Case("current.json leads out", lambda r: (r.output / "current.json").write_text(
        json.dumps({"run": "../output/" + r.folder.name, "manifest_sha256": "0"}),
        encoding="utf-8"), ("current.json",), ("audit-current-run",), sealed=False),
    Case("current.json cut short", lambda r: (r.output / "current.json").write_text(
        '{"run":', encoding="utf-8"), ("current.json",), ("audit-current-unreadable",),
        sealed=False),
)


def test_there_are_enough_cases() -> None:
    assert len(CASES) >= 36
    assert len({case.id for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", CASES, ids=[case.id for case in CASES])
def test_a_planted_fault_is_found_and_its_place_named(run: Run, case: Case) -> None:
    case.plant(run)
    if case.sealed:
        run.seal()
    result = audit_run(folder=run.output)
    complaints = told(result)
    assert result.arithmetic is False, "says that all agrees"
    assert not result.agrees
    assert result.trade is None
    for place in case.places:
        assert any(place in text for text in complaints), (place, complaints)
    codes = {
        fault.code for fault in result.faults
        if fault.severity is Severity.STOP or fault.code in DOUBTS
    }
    assert codes >= set(case.codes), complaints
    if case.sealed:
        assert not codes & {"audit-file-changed", "audit-current-hash"}, complaints


def test_current_json_that_points_to_another_run(run: Run) -> None:
    """Two runs lie in the folder; the pointer names one with the hash of the other."""
    other = run.output / "run-aaaaaaaaaaaa"
    run.folder.rename(other)
    other_run = json.loads((other / "manifest.json").read_text(encoding="utf-8"))
    other_run["run"] = other.name
    (other / "manifest.json").write_text(json.dumps(other_run), encoding="utf-8")
    pointer = json.loads((run.output / "current.json").read_text(encoding="utf-8"))
    (run.output / "current.json").write_text(
        json.dumps({**pointer, "run": other.name}), encoding="utf-8"
    )
    result = audit_run(folder=run.output)
    assert result.arithmetic is False
    assert [f.code for f in result.faults] == ["audit-current-hash"]


def test_a_shift_of_both_layers_shows_against_the_boundary(run: Run, tmp_path: Any) -> None:
    from audit_builders import frame

    frame().dissolve()[["geometry"]].to_file(
        tmp_path / "b.geojson", driver="GeoJSON", RFC7946="YES", COORDINATE_PRECISION=9
    )
    run.edit_both(shifted(0.000119, 0.0))
    run.seal()
    # Sealed and shifted alike, the files agree with each other; the record's bounds tell.
    result = audit_run(folder=run.output)
    assert result.arithmetic is False
    assert {f.code for f in result.faults} == {"audit-bounds"}
    # A forged record as well: only the boundary tells.
    run.edit_record(lambda d: d["field"].update(
        bounds_deg=[edge + move for edge, move in zip(
            d["field"]["bounds_deg"], (0.000119, 0, 0.000119, 0), strict=True)]))
    run.seal()
    assert audit_run(folder=run.output).arithmetic is True
    result = audit_run(folder=run.output, boundary=tmp_path / "b.geojson")
    assert result.arithmetic is False
    assert {"audit-gap", "audit-outside"} <= {f.code for f in result.faults}
