"""Judge a run folder: files, polygons, rates, totals, order and delivery against its job record."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from vrx.audit import (
    _bids,
    _buying,
    _compare,
    _coverage,
    _crs,
    _files,
    _geojson,
    _order,
    _outside,
    _products,
    _rates,
    _record,
    _runs,
    _schedule,
    _shapefile,
    _sheet,
    _sources,
)
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger, number
from vrx.audit._open import open_boundary
from vrx.audit.stated import NOTHING_STATED, Statement
from vrx.errors import InputError
from vrx.formats import layer as facts
from vrx.model.audit import AuditResult


def audit_run(
    *,
    folder: Path,
    delivered: Mapping[str, float] | None = None,
    trade_tolerance_pct: Mapping[str, float] | float | None = None,
    arithmetic_tolerance_pct: float = 0.01,
    boundary: Path | None = None,
    stated: Statement = NOTHING_STATED,
) -> AuditResult:
    """Read a run back with other parsers than wrote it and work every figure out again.

    `folder` is a run folder, or an output folder whose current.json is followed. `delivered` maps
    material to the amount delivered, in the unit of the order (lb or gal), and is held against the
    order within `trade_tolerance_pct`: one figure, or a mapping by material or by "dry" and
    "liquid". `arithmetic_tolerance_pct` bounds totals; acres keep 0.02 % a zone and 0.001 % a
    field. `boundary` (a file of polygons) is compared with the zones where given; tickets and an
    invoice that are `stated` are held against the order like `delivered`.

    Damaged or disagreeing files become faults. Rates are read from all formats, of GeoTIFFs of
    soil tests what they read in each zone; of files made for one machine the bytes are judged.

    Raises `InputError` for a folder without a job record, and for a delivery without a
    tolerance.
    """
    if not number(arithmetic_tolerance_pct) >= 0:
        raise InputError(
            f"an arithmetic tolerance of {arithmetic_tolerance_pct!r} % is none",
            code="audit-tolerance", where="arithmetic_tolerance_pct", hint="0.01 is usual",
        )
    ledger = Ledger(pct=arithmetic_tolerance_pct)
    run = _files.find_run(folder, ledger)
    if run is None:
        return ledger.result(folder.resolve().name, record=True)
    record = _record.parse(_sources.sized_bytes(run / _record.NAME), ledger)
    if record is None:
        return ledger.result(run.resolve().name, record=True)
    _files.check_name(run, record.run, ledger)
    _files.check_files(run, record, ledger)
    _files.tell_unjudged(record, ledger)
    _rates.check_names(record, ledger)
    _order.check_credits(record, ledger)
    layers = [*_layers_of(run, record, ledger), *_runs.vector_layers(run, record, ledger)]
    edge = open_boundary(boundary, ledger) if boundary is not None else None
    for layer in layers:
        _rates.check(layer, record, ledger)
    _judge_coverage(layers, record, edge, ledger)
    for other in layers[1:]:
        _compare.compare(layers[0], other, ledger)
    reference = layers[0] if layers else None
    tasks = _runs.check_tasks(run, record, reference, ledger)
    rasters = _runs.check_rasters(run, record, reference, ledger)
    _runs.check_maps(run, record, reference, ledger)
    only_unjudged = (not (layers or tasks or rasters) and bool(_files.unjudged(record))
                     and not _files.has_judged(record))
    if layers:
        _order.check_order(record, layers[0], ledger)
        _order.check_nutrients(record, layers[0], ledger)
    elif tasks or rasters:
        ledger.doubt("format-only", run.name, "holds its rates as task data or cells only: order "
                     "and nutrients by zone were not worked out again",
                     todo="add geojson to [export] formats and run again")
    elif only_unjudged:
        ledger.doubt(
            "format-only", run.name,
            f"holds its rates as {', '.join(_files.unjudged(record))} only, which this audit does "
            "not read: there is no verdict on acres, rates and totals",
            todo="add shapefile or geojson to [export] formats and run again",
        )
    else:
        ledger.fault("no-layer", run.name, "no prescription file could be read")
    _outside.check(run, record, ledger)
    _outside.check_plan(run, record, ledger)
    if os.path.isfile(run / _files.ORDER):
        _order.check_csv(_sources.sized_bytes(run / _files.ORDER), _files.ORDER, record, ledger)
    _sheets(run, record, reference, ledger)
    _products.check_tables(
        _order.lines_of(record), stated, delivered, trade_tolerance_pct, ledger)
    result = ledger.result(run.resolve().name, record=True)
    # What was not read cannot be said to agree; what differs already does.
    judged = ledger.result(result.subject, record=not (only_unjudged and result.arithmetic))
    return replace(judged, files=_files.hashed(run, record, stated, boundary))


def _sheets(
    run: Path, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> None:
    """What is bought, bids and irrigation schedules, worked out from the layer's rates and acres.
    """
    given = _sheet.amounts(reference, record)
    for name, check in ((_buying.NAME, _buying.check), (_bids.NAME, _bids.check)):
        if name not in record.files:
            continue
        if not record.money:
            ledger.doubt("sheet", name, "the job record holds no block of what is bought: only "
                         "its bytes were judged", todo="run again with this version")
        elif (run / name).is_file():
            check(_sources.sized_bytes(run / name), record, given, ledger)
    _schedule.check_all(run, record, given, ledger)


def _judge_coverage(
    layers: list[Layer], record: _record.RunRecord, edge: Layer | None, ledger: Ledger
) -> None:
    for layer in layers:
        differs = abs(layer.area_ac - record.area_ac)
        explained = differs <= facts.FIELD_AREA_TOLERANCE * record.area_ac
        _coverage.check(layer, ledger, boundary=edge, explained=explained)


def _layers_of(run: Path, record: _record.RunRecord, ledger: Ledger) -> list[Layer]:
    """The layers of the run that can be read: shapefile, zip, GeoJSON."""
    layers: list[Layer | None] = []
    loose = _sources.loose_parts(run / _files.LOOSE)
    if loose or any(path.startswith("shapefile/") for path in record.files):
        layers.append(_sources.read_shapefile(run / _files.LOOSE, _files.LOOSE, ledger))
        _prj(loose.get(".prj"), _files.LOOSE, ledger)
    if os.path.isfile(run / _files.ZIP):
        layers.append(_zip(run / _files.ZIP, loose, ledger))
    if os.path.isfile(run / _files.GEOJSON):
        data = _sources.sized_bytes(run / _files.GEOJSON)
        layers.append(_geojson.read(data, _files.GEOJSON, ledger))
    return [layer for layer in layers if layer is not None]


def _prj(data: bytes | None, shp: str, ledger: Ledger) -> None:
    where = shp.removesuffix(".shp") + ".prj"
    if data is None:
        ledger.fault(
            "crs-missing", where, "is missing: the coordinates say not where they lie",
            todo="copy the whole set again",
        )
        return
    reference = _crs.judge(data.decode("utf-8", errors="replace"))
    if not ledger.text(
        "coordinate system", where, found=reference.kind, expected="wgs84"
    ):
        ledger.fault(
            "crs-wrong", where, f"says {reference.name} ({reference.kind}); a prescription is in "
            "WGS 84 longitude and latitude", value=reference.name,
        )


def _zip(path: Path, loose: Mapping[str, bytes], ledger: Ledger) -> Layer | None:
    held = _sources.packed(_sources.sized_bytes(path), _files.ZIP, ledger)
    if held is None:
        return None
    names = {f"{facts.LAYER_NAME}{suffix}" for suffix in facts.SHAPEFILE_PARTS}
    for name in sorted(names - set(held.members)):
        ledger.fault(
            "zip-content", f"{_files.ZIP}, {name}", "this part is missing from the zip",
            todo="export again",
        )
    for name in sorted(set(held.members) - names):
        ledger.fault("zip-content", f"{_files.ZIP}, {name}", "does not belong into the zip")
    parts = held.parts(facts.LAYER_NAME)
    same = [suffix for suffix in parts if parts[suffix] == loose.get(suffix)]
    for suffix in sorted(set(parts) & set(loose) - set(same)):
        ledger.fault(
            "zip-content", f"{_files.ZIP}, {facts.LAYER_NAME}{suffix}",
            "is not the same as the file beside the zip",
        )
    if loose:
        ledger.figure(
            "parts in the zip that equal those beside it", _files.ZIP, "", found=len(same),
            expected=len(loose), within=0,
        )
    # Equal bytes hold an equal layer: what is said of the loose files holds for the zip.
    if not parts or len(same) == len(parts) == len(loose):
        return None
    return _shapefile.read(parts, f"{_files.ZIP}/{facts.LAYER_NAME}.shp", ledger)
