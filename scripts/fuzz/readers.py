"""Every reader of users' files, with the whole files that it reads rightly."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import wholes

from vrx.audit import AuditResult, TableStated, audit_file, chain
from vrx.audit._ledger import Ledger
from vrx.audit._table import read as read_table
from vrx.geo import grid_over
from vrx.intake import (
    AppliedSpec,
    ColumnSpec,
    LogColumn,
    PlaceColumns,
    PointSpec,
    SoilSpec,
    YieldSpec,
    applied_totals,
    peek_boundary,
    peek_table,
    read_applied,
    read_boundary,
    read_exclusions,
    read_point_layer,
    read_polygons,
    read_prescription,
    read_raster_layer,
    read_soil,
    read_task_grids,
    read_tickets,
    read_time_logs,
    read_yield_logs,
)
from vrx.model import Field, Grid, Zones
from vrx.pipeline import edits
from vrx.pipeline.signing import check as check_chain
from vrx.plan.edits import read_edit_file, read_edits
from vrx.plan.layout import with_layout
from vrx.plan.load import load_plan
from vrx.products import load_materials
from vrx.rules import load_books
from vrx.zones import zone_whole_field

K = ColumnSpec(column="K_ppm", unit="ppm", form="K", extractant="mehlich-3", depth_in=(0.0, 6.0))
POINTS = SoilSpec(columns={"potassium": K}, id_column="sample_id", date_column="date",
                  depth_column="depth")
SOIL = replace(POINTS, longitude_column="lon", latitude_column="lat")
UTM = SoilSpec(columns={"potassium": K}, easting_column="e", northing_column="n",
               zone_column="zone", sampled_on=date(2026, 10, 1))
MODUS = SoilSpec(columns={"potassium": ColumnSpec(column="S-K-M3.04", unit="ppm", form="K",
                                                  extractant="mehlich-3", depth_in=(0.0, 6.0))},
                 point_order="longitude latitude")
SLIM = replace(MODUS, longitude_column="longitude", latitude_column="latitude")
PLACES = PlaceColumns(longitude_column="lon", latitude_column="lat")
YIELD = YieldSpec(amount=LogColumn(column="yield", unit="t/ha"), places=PLACES, moisture_pct=12.0,
                  time=LogColumn(column="t", unit="s"), pass_column="pass")
APPLIED = AppliedSpec(
    applied=LogColumn(column="applied", unit="lb/ac"), places=PLACES, master_column="master",
    width=LogColumn(column="width", unit="m"), speed=LogColumn(column="speed", unit="m/s"),
    time=LogColumn(column="t", unit="s"), pass_column="pass")
LAYER = PointSpec(name="EC", value=LogColumn(column="yield", unit="mS/m"), places=PLACES)
BY_SHAPE = PointSpec(name="EC", value=LogColumn(column="K_ppm", unit="mS/m"), places=PlaceColumns())


@cache
def the_field(folder: Path) -> Field:
    """The square as a field; `folder` takes its file."""
    path = folder / "field.geojson"
    path.write_bytes(wholes.geojson())
    return read_boundary(path=path, name="F")


@cache
def the_grid(folder: Path) -> Grid:
    """A grid over the square."""
    return grid_over(the_field(folder).boundary, cell_m=40.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """A reader, its whole files by suffix, and what of a result must be equal for equal content.

    `place(folder, stem, data, suffix)` puts a file, with its kin, and returns the path to read.
    `tells` is for readers that put damage into their result instead of raising: it must be told.
    """

    read: Callable[[Path, Path, str], Any]
    wholes: Callable[[], dict[str, bytes]]
    figure: Callable[[Any], object]
    place: Callable[[Path, str, bytes, str], Path] = field(
        default_factory=lambda: placed)
    tells: Callable[[Any], bool] | None = None
    kin: dict[str, Callable[[], dict[str, bytes]]] = field(default_factory=dict)


def placed(folder: Path, stem: str, data: bytes, suffix: str) -> Path:
    """A lone file."""
    path = folder / f"{stem}{suffix}"
    path.write_bytes(data)
    return path


def _tasked(folder: Path, stem: str, data: bytes, suffix: str) -> Path:
    """A task folder; its record is what the data stand for, unless the suffix says the cells."""
    own = folder / (stem or "x")
    own.mkdir(exist_ok=True)
    (own / "TASKDATA.XML").write_bytes(data if suffix != ".BIN" else wholes.task_xml())
    (own / "GRD00007.BIN").write_bytes(data if suffix == ".BIN" else wholes.TASK_CELLS)
    return own


def _timed(folder: Path, stem: str, data: bytes, suffix: str) -> Path:
    """A time log in a folder of its own; the data are its header (.TLX) or its records (.TLB)."""
    own = folder / (stem or "x")
    own.mkdir(exist_ok=True)
    (own / "TASKDATA.XML").write_bytes(
        b'<ISO11783_TaskData><TSK A="TSK1"><TLG A="TLG00001" C="1"/></TSK></ISO11783_TaskData>')
    (own / "TLG00001.xml").write_bytes(data if suffix == ".TLX" else wholes.log_header())
    (own / "TLG00001.bin").write_bytes(data if suffix == ".TLB" else wholes.log_records())
    return own


def _soil(path: Path, home: Path, suffix: str) -> Any:
    spec = {".gpkg": POINTS, ".geojson": POINTS, ".shp": POINTS, ".xml": MODUS, ".json": SLIM,
            }.get(suffix, SOIL)
    return read_soil(path=path, field=the_field(home), spec=spec)


def _points(path: Path, home: Path, suffix: str) -> Any:
    spec = LAYER if suffix not in {".gpkg", ".geojson", ".shp"} else BY_SHAPE
    return read_point_layer(path=path, field=the_field(home), grid=the_grid(home), spec=spec)


def _raster(path: Path, home: Path, _: str) -> Any:
    return read_raster_layer(path=path, field=the_field(home), grid=the_grid(home), name="z",
                             unit="m")


def _boundary(path: Path, *_: object) -> Any:
    return read_boundary(path=path, name="F", several="join", inside_polygons="keep")


def book_of(data: bytes) -> bytes:
    """A workbook of the text table in `data`."""
    import io

    import openpyxl

    book = openpyxl.Workbook()
    for line in data.decode().splitlines():
        book.active.append(line.split(","))
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


@cache
def _samples() -> dict[str, bytes]:
    return {".csv": wholes.table(), ".txt": wholes.table("\t"),
            ".xlsx": wholes.zipped(wholes.book_parts()), ".gpkg": wholes.geopackage("points"),
            ".shp": wholes.points_shapefile()[".shp"], ".xml": wholes.modus_xml(),
            ".json": wholes.modus_json(), ".geojson": points_geojson(),
            ".zip": wholes.zipped({"a.csv": wholes.table()})}


@cache
def points_geojson() -> bytes:
    """The nine samples as GeoJSON."""
    features = []
    for line in wholes.table().decode().splitlines()[1:]:
        name, lat, lon, day, depth, value = line.split(",")
        features.append({
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [float(lon), float(lat)]},
            "properties": {"sample_id": name, "date": day, "depth": depth, "K_ppm": float(value)}})
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


@cache
def _outlines() -> dict[str, bytes]:
    return {".geojson": wholes.geojson(), ".shp": wholes.shapefile_parts()[".shp"],
            ".gpkg": wholes.geopackage(), ".kml": wholes.kml(),
            ".kmz": wholes.zipped({"doc.kml": wholes.kml()}),
            ".zip": wholes.zipped({f"s{k}": v for k, v in wholes.shapefile_parts().items()})}


@cache
def _logs() -> dict[str, bytes]:
    return {".csv": wholes.machine_log(), ".txt": wholes.machine_log().replace(b",", b"\t"),
            ".xlsx": book_of(wholes.machine_log()),
            ".zip": wholes.zipped({"a.csv": wholes.machine_log()})}


@cache
def _layers() -> dict[str, bytes]:
    return {**_logs(), ".gpkg": wholes.geopackage("points"), ".geojson": points_geojson(),
            ".shp": wholes.points_shapefile()[".shp"]}


@cache
def _columnar() -> bytes:
    """The square as GeoParquet, without compression so that its bytes are plain."""
    import io

    import geopandas
    from shapely.geometry import shape

    outlines = json.loads(wholes.geojson())["features"]
    frame = geopandas.GeoDataFrame({"Rate": [100.0] * len(outlines)}, crs=4326,
                                   geometry=[shape(one["geometry"]) for one in outlines])
    stream = io.BytesIO()
    frame.to_parquet(stream, compression=None)
    return stream.getvalue()


def _prescription(path: Path, home: Path, suffix: str) -> Any:
    columns = {".parquet": ["Rate"], ".tif": ["RATE"]}.get(suffix, [])
    return read_prescription(path=path, field=the_field(home), columns=columns, unit="lb/ac")


def _audited() -> dict[str, bytes]:
    return {key: _outlines()[key] for key in (".geojson", ".shp", ".zip", ".gpkg")}


def _acres(result: AuditResult) -> list[object]:
    return [row.found for row in result.rows if row.what == "acres in all"]


def _table(path: Path, *_: object) -> Any:
    stated = TableStated(path=path, product_column="what", amount_column="n", unit="lb")
    ledger = Ledger()
    return read_table(stated, "order", ledger), ledger.faults


def _signed() -> bytes:
    told = AuditResult(subject="run", rows=(), faults=(), arithmetic=True, trade=None)
    who = chain.Signature(who="A. Grower", role="grower", signed_at="2027-04-15T08:00:00-06:00",
                          accepted={})
    return chain.line_of(chain.make(told, who, paths=(), before=(), vrx="0"))


def _folded(path: Path, home: Path, _: str) -> Any:
    """The edits and the zones that they lead to, from the square as one zone."""
    log, field_ = read_edit_file(path), the_field(home)
    return log, edits.apply_zones(_one_zone(field_), log, field_)


def _one_zone(of: Field) -> Zones:
    return zone_whole_field(boundary=of.boundary, crs_centre=of.crs_centre)


@cache
def _edits() -> bytes:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        of = the_field(folder)
        base = _one_zone(of)
        for east in (0.0, 100.0):
            held = edits.apply_zones(base, read_edits(folder), of)
            edits.split(folder, base=base, field=of, zone_id=held.zones[0].zone_id,
                        line=[(east, -900.0), (east + 5.0, 900.0)])
        edits.undo(folder, base=base)
        return (folder / "edits.jsonl").read_bytes()


def _layout(path: Path, *_: object) -> Any:
    return with_layout({"soil": {"layout": str(path.absolute())}}, folder=path.parent)


_SHAPE = {".shp": wholes.shapefile_parts}
_POINT = {".shp": wholes.points_shapefile}
READERS: dict[str, Reader] = {
    "read_soil": Reader(read=_soil, wholes=_samples, kin=_POINT,
                        figure=lambda r: len(r.sample_id)),
    "peek_table": Reader(read=lambda p, *_: peek_table(p), wholes=_samples, kin=_POINT,
                         figure=lambda r: r.rows),
    "read_boundary": Reader(read=_boundary, wholes=_outlines, kin=_SHAPE,
                            figure=lambda r: round(r.area_ac, 6)),
    "peek_boundary": Reader(
        read=lambda p, *_: peek_boundary(p), wholes=_outlines, kin=_SHAPE,
        figure=lambda r: round(sum(x.area_ac or 0 for x in r.layers), 6),
        tells=lambda r: any(x.severity == "stop" or x.code for y in r.layers for x in y.findings)),
    "read_polygons": Reader(
        read=lambda p, home, _: read_polygons(path=p, field=the_field(home)), wholes=_outlines,
        kin=_SHAPE, figure=lambda r: round(sum(x.area for x in r[0]), 2)),
    "read_exclusions": Reader(read=lambda p, *_: read_exclusions(path=p), wholes=_outlines,
                              kin=_SHAPE, figure=lambda r: len(r[0])),
    "read_yield_logs": Reader(
        read=lambda p, home, _: read_yield_logs(path=p, field=the_field(home), spec=YIELD),
        wholes=_logs, figure=lambda r: sum(len(x.record) for x in r)),
    "read_point_layer": Reader(read=_points, wholes=_layers, kin=_POINT,
                               figure=lambda r: int(r.count.sum())),
    "read_raster_layer": Reader(read=_raster, wholes=lambda: {".tif": wholes.raster()},
                                figure=lambda r: int(r.count.sum())),
    "applied_totals": Reader(
        read=lambda p, home, _: applied_totals(path=p, field=the_field(home), spec=APPLIED),
        wholes=_logs, figure=lambda r: round(r.product, 6)),
    "read_applied": Reader(
        read=lambda p, home, _: read_applied(path=p, field=the_field(home), unit="lb/ac",
                                             spec=APPLIED),
        wholes=_logs, figure=lambda r: len(r.polygons)),
    "read_prescription": Reader(
        read=_prescription, wholes=lambda: {
            ".parquet": _columnar(), ".tif": wholes.raster(), ".geojson": wholes.geojson()},
        figure=lambda r: round(sum(x.area for x in r.polygons), 2)),
    "read_tickets": Reader(
        read=lambda p, *_: read_tickets(path=p, lb_per_gal={"potash": None}),
        wholes=lambda: {".csv": b"ticket,material,amount,unit,what\nT1,potash,12,lb,delivered\n"},
        figure=lambda r: [x.amount for x in r]),
    "read_task_grids": Reader(
        read=lambda p, *_: read_task_grids(path=p), place=_tasked,
        wholes=lambda: {".XML": wholes.task_xml(), ".BIN": wholes.TASK_CELLS},
        figure=lambda r: [x.raw.tolist() for x in r]),
    "read_time_logs": Reader(
        read=lambda p, *_: read_time_logs(path=p), place=_timed,
        wholes=lambda: {".TLX": wholes.log_header(), ".TLB": wholes.log_records()},
        figure=lambda r: [x.rate("lb/ac").tolist() for x in r],
        tells=lambda r: any(x.severity == "warn" for y in r for x in y.findings)),
    "load_plan": Reader(read=lambda p, *_: load_plan(p), wholes=lambda: {".toml": wholes.plan()},
                        figure=lambda r: r.field.name),
    "layout": Reader(read=_layout, wholes=lambda: {".toml": wholes.layout()},
                     figure=lambda r: r["soil"]["id_column"]),
    "read_edits": Reader(
        read=_folded, wholes=lambda: {".jsonl": _edits()},
        figure=lambda r: (r[0].cursor, len(r[1].zones)),
        tells=lambda r: bool(r[0].findings) or not r[0].records),
    "load_books": Reader(read=lambda p, *_: load_books([p]),
                         wholes=lambda: {".toml": wholes.book()}, figure=len),
    "load_materials": Reader(read=lambda p, *_: load_materials([p]),
                             wholes=lambda: {".toml": wholes.materials()}, figure=len),
    "audit_file": Reader(read=lambda p, *_: audit_file(path=p), wholes=_audited, kin=_SHAPE,
                         figure=lambda r: len(r.faults), tells=lambda r: bool(r.faults)),
    "audit_boundary": Reader(
        read=lambda p, home, _: audit_file(path=_own(home), boundary=p), wholes=_audited,
        kin=_SHAPE, figure=lambda r: len(r.faults), tells=lambda r: bool(r.faults)),
    "audit_tasks": Reader(
        read=lambda p, *_: audit_file(path=p), place=_tasked,
        wholes=lambda: {".XML": wholes.task_xml(), ".BIN": wholes.TASK_CELLS},
        figure=_acres, tells=lambda r: not r.agrees or bool(r.faults)),
    "stated_tables": Reader(
        read=_table, wholes=lambda: {".csv": b"what,n\nKCl,100\nKCl,50.5\n"},
        figure=lambda r: sum(x.amount for x in r[0]), tells=lambda r: bool(r[1])),
    "signed_records": Reader(
        read=lambda p, *_: check_chain(p), wholes=lambda: {".jsonl": _signed()},
        figure=lambda r: len(r.records), tells=lambda r: bool(r.faults)),
}


def _own(home: Path) -> Path:
    the_field(home)
    return home / "field.geojson"

