"""Judge exported files without a job record, whoever wrote them."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from vrx.audit import (
    _judge,
    _order,
    _products,
    _raster,
    _raster_maps,
    _raster_record,
    _rates,
    _record,
    _runs,
    _sources,
    _table,
)
from vrx.audit._layers import Layer, same_places
from vrx.audit._ledger import Ledger
from vrx.audit._open import open_boundary, open_layers, require_file
from vrx.audit._task import folder_of
from vrx.audit.stated import NOTHING_STATED, Spread, Statement, TableStated
from vrx.errors import InputError
from vrx.formats import layer as facts
from vrx.model.audit import AuditedFile, AuditResult


def audit_file(*, path: Path, boundary: Path | None = None) -> AuditResult:
    """`audit_files` of one file with nothing stated; no verdict on arithmetic."""
    return audit_files(paths=[path], boundary=boundary)


def audit_files(
    *, paths: Sequence[Path], boundary: Path | None = None, record: Path | None = None,
    layer: str | None = None, stated: Statement = NOTHING_STATED,
    delivered: Mapping[str, float] | None = None,
    trade_tolerance_pct: Mapping[str, float] | float | None = None,
    arithmetic_tolerance_pct: float = 0.01,
) -> AuditResult:
    """Acres, totals, nutrients and faults of files alone: vector files, grids and task data.

    Totals are rate x geodesic acres of each numeric column; a unit is what the format, the column's
    name or `stated` says, and is never guessed. Files of one product are held together; an order
    (`stated`, or an order.csv of vrx among `paths`), a job record (`record`) and a boundary are
    compared where given, deliveries and invoices within the trade tolerance. The arithmetic has a
    verdict where there is something to compare with. Damaged files become faults. Raises
    `InputError` for a path that does not exist, a kind of file that is not known, a container of
    several layers, a table without a stated column, and a delivery without a tolerance.
    """
    ledger = Ledger(pct=arithmetic_tolerance_pct)
    orders = [one for one in paths if one.suffix.lower() == ".csv"]
    prescriptions = [one for one in paths if one not in orders]
    if not prescriptions:
        raise InputError("there is no file with zones and rates among them", code="audit-no-file",
                         where=", ".join(map(str, paths)) or "paths", hint="name one more file")
    edge = open_boundary(boundary, ledger) if boundary is not None else None
    bound = None if record is None else _parsed(record, ledger)
    files: list[tuple[str, list[Spread]]] = []
    for name, path in _named(prescriptions):
        layers = [replace(one, name=_renamed(one.name, path.name, name))
                  for one in open_layers(path, ledger, layer=layer)]
        spreads = [
            _told(spread, one) for k, one in enumerate(layers)
            for spread in _judge.judge(
                one, edge, ledger, stated=stated,
                places_judged=any(same_places(one, other) for other in layers[:k]))]
        for one in layers:
            if one.raster is not None and edge is not None:
                _raster.against_boundary(one.raster, edge, ledger)
        if bound is not None:
            spreads = [_by_record(one, bound) for one in spreads]
            for one in layers:
                _against_record(one, bound, ledger)
        files.append((name, spreads))
    found = _products.totals(files, stated, ledger)
    _products.nutrients(found, stated, ledger)
    ordered = _ordered(orders, stated, bound, ledger)
    if ordered and bound is None:
        _products.check_order(ordered, found, stated, ledger)
    basis = ordered or {key: {"unit": one.unit, "quantity": one.amount}
                        for key, one in found.items()}
    _products.check_tables(basis, stated, delivered, trade_tolerance_pct, ledger)
    compared = bound is not None or bool(ordered) or any(
        row.what.startswith("product total against") for row in ledger.rows)
    result = ledger.result(", ".join(one.name for one in paths), record=compared)
    return replace(result, files=_hashed([*paths, *_tables(stated), boundary, record]))


def _beside(folder: Path) -> list[Path]:
    """The files of a folder; [] of one that is closed, whose own reader has told it."""
    try:
        return sorted(one for one in folder.iterdir() if os.path.isfile(one))
    except OSError:
        return []


def _named(paths: Sequence[Path]) -> list[tuple[str, Path]]:
    """Files with a name that tells them apart: two of one name carry their folder."""
    names = [one.name for one in paths]
    return [(one.name if names.count(one.name) == 1 else f"{one.parent.name}/{one.name}", one)
            for one in paths]


def _renamed(label: str, own: str, name: str) -> str:
    return name + label.removeprefix(own) if label.startswith(own) else label


def _told(spread: Spread, layer: Layer) -> Spread:
    # Of a GeoTIFF the cells on borders are known, and by how much they move a total.
    return replace(spread, gridded=layer.gridded and layer.raster is None)


def _parsed(path: Path, ledger: Ledger) -> _record.RunRecord | None:
    require_file(path)
    return _record.parse(_sources.sized_bytes(path), ledger)


def _by_record(spread: Spread, record: _record.RunRecord) -> Spread:
    """Product and unit of a column as the job record says, where the column is one of its own."""
    for line in record.passes:
        if line.column == spread.column:
            return replace(spread, product=spread.product or line.material,
                           unit=spread.unit or line.unit)
    return spread


def _against_record(layer: Layer, record: _record.RunRecord, ledger: Ledger) -> None:
    """Everything that a job record binds a layer to, or a doubt where it is no layer of it."""
    if layer.raster is not None:
        held = _raster_maps if "ANALYTE" in layer.raster.cells.tags else _raster_record
        held.check(layer.raster, record, None, ledger)
        return
    if layer.without_map is not None:
        _runs.check_task(layer, record, None, ledger)
        return
    if facts.ZONE_ID not in layer.columns:
        ledger.doubt("record-other", layer.name, f"has no column {facts.ZONE_ID}: zone by zone it "
                     "cannot be held against the job record; totals are")
        return
    _rates.check(layer, record, ledger)


def _ordered(
    orders: Sequence[Path], stated: Statement, record: _record.RunRecord | None, ledger: Ledger
) -> dict[str, Mapping[str, object]]:
    """What was ordered by product: the stated table, an order.csv of ours, or the job record."""
    tables = [_ours(one) for one in orders]
    if stated.order is not None:
        tables.append(stated.order)
    if len(tables) > 1:
        raise InputError("several orders are given", code="audit-several-orders",
                         where=", ".join(str(one.path) for one in tables), hint="keep one")
    if not tables:
        return dict(_order.lines_of(record)) if record is not None else {}
    if orders:
        _order.check_own(_sources.sized_bytes(orders[0]), orders[0].name, ledger)
        if record is not None:
            _order.check_csv(_sources.sized_bytes(orders[0]), orders[0].name, record, ledger)
    return dict(_products.lines_of(_table.read(tables[0], "order", ledger), stated))


def _ours(path: Path) -> TableStated:
    """An order.csv as vrx writes it. Raises `InputError` for another table."""
    require_file(path)
    head = _sources.sized_bytes(path).decode("utf-8-sig", errors="replace").partition("\n")[0]
    if head.strip() != ",".join(_order.COLUMNS):
        raise InputError(
            "is a table whose columns are not known", code="audit-file-kind", where=str(path),
            hint="an order, tickets or an invoice go into the stated file (--stated), with their "
            "columns")
    return TableStated(path=path, product_column="material", amount_column="quantity",
                       unit_column="unit")


def _tables(stated: Statement) -> list[Path]:
    return [one.path for one in (stated.order, stated.tickets, stated.invoice) if one is not None]


def _hashed(paths: Sequence[Path | None]) -> tuple[AuditedFile, ...]:
    """The bytes that were judged: of a shapefile all its parts, of task data the whole folder."""
    members: dict[Path, None] = {}
    for path in paths:
        if path is None:
            continue
        home = folder_of(path)
        if home is not None:
            members.update(dict.fromkeys(_beside(home)))
        elif path.suffix.lower() == ".shp":
            members.update(dict.fromkeys(
                one for one in _beside(path.parent)
                if one.stem.casefold() == path.stem.casefold()
                and one.suffix.lower() in facts.SHAPEFILE_PARTS))
        else:
            members[path] = None
    return tuple(_sources.hashed(one, str(one)) for one in members)
