"""A first look at a table or a boundary, for a new plan. Proposes headings, decides nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from vrx.errors import InputError
from vrx.intake._crs import crs_for
from vrx.intake._files import input_files
from vrx.intake._lab_file import KIND, proposals
from vrx.intake._numbers import degrees_of, reading_of
from vrx.intake._one_cell import pair_of
from vrx.intake._raise import stop_of
from vrx.intake._rings import acres, assemble
from vrx.intake._rows import decimal_mark
from vrx.intake._table import Table, read_table
from vrx.intake._vector import candidates, is_vector
from vrx.intake.boundary import feature_name, lonlat_layer
from vrx.intake.propose import chosen_columns
from vrx.intake.spec import SoilSpec
from vrx.model import Finding

_FIRST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class TablePeek:
    """Headings with first values, what each column looks like, and headings that look likely.

    `kinds` are "number", "text" or "empty" by heading position. `proposals` maps plan keys
    ("id_column", "longitude_column", "potassium", ...) to a heading; a key is absent unless exactly
    one heading fits; `cells_tell_order` that the cells of "position_column" say which of their two
    coordinates is the longitude. Units, forms and extractants are never proposed.
    """

    file: str
    source: str
    rows: int
    points_have_geometry: bool
    headings: tuple[tuple[str, tuple[str, ...]], ...]
    kinds: tuple[str, ...]
    proposals: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    cells_tell_order: bool = False
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerPeek:
    """One layer: kind, features, names in it, CRS name ("" if not stated) and acres if clear."""

    file: str
    name: str
    kind: str
    features: int
    names: tuple[str, ...]
    crs: str
    area_ac: float | None
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundaryPeek:
    """All layers behind a path, and the files on disk that they come from."""

    file: str
    layers: tuple[LayerPeek, ...]
    files: tuple[Path, ...]


def _proposals(table: Table) -> dict[str, str]:
    if table.kind == KIND:
        return proposals(table.headings)
    return {key: table.headings[k] for key, k in chosen_columns(table).items()}


def _kind(table: Table, index: int, decimal: str) -> str:
    cells = [row.cells[index] for row in table.rows[:200] if row.cells[index]]
    if not cells:
        return "empty"
    numbers = sum(
        1 for c in cells
        if reading_of(c, decimal).kind in {"value", "below", "above"}
        or (degrees_of(c, decimal) is not None and re.search(r"[°º\s'-]", c)))
    return "number" if numbers >= 0.8 * len(cells) else "text"


def peek_table(path: Path, *, sheet: str | None = None, layer: str | None = None) -> TablePeek:
    """Headings, first values and likely columns of a sample table. Raises `InputError`."""
    path = Path(path)
    table = read_table(path, sheet=sheet, layer=layer)
    points = False
    # A zip or a folder can hold a plain table: only layers of a vector file have geometry.
    if table.kind != KIND and is_vector(path) and table.source.startswith("layer "):
        found = [c for c in candidates(path) if layer in {None, c.name, c.file}]
        points = any(c.kind == "point" for c in found)
    decimal, said = decimal_mark(table, SoilSpec())
    headings = tuple(
        (heading, tuple(c for row in table.rows[:50] if (c := row.cells[k]))[:_FIRST])
        for k, heading in enumerate(table.headings)
    )
    proposed = _proposals(table)
    position = proposed.get("position_column")
    pairs = [] if position is None else [
        pair_of(row.cells[table.index(position)], decimal) for row in table.rows]
    return TablePeek(
        cells_tell_order=bool(pairs) and all(pair is None or pair.order for pair in pairs),
        file=path.name, source=table.source, rows=len(table.rows), points_have_geometry=points,
        headings=headings,
        kinds=tuple(_kind(table, k, decimal) for k in range(len(table.headings))),
        proposals=MappingProxyType(proposed), findings=(*table.findings, *said))


def peek_boundary(path: Path) -> BoundaryPeek:
    """The layers of a boundary file with their acres; troubles of a layer are its findings."""
    path = Path(path)
    layers = []
    for candidate in candidates(path):
        try:
            layer = candidate.load()
        except InputError as err:
            layers.append(LayerPeek(
                file=candidate.file, name=candidate.name, kind=candidate.kind, features=0,
                names=(), crs="", area_ac=None, findings=err.findings or (stop_of(err),)))
            continue
        crs, area, findings = "", None, list(layer.findings)
        try:
            crs = crs_for(layer, stated=None)[0].name
            if layer.kind == "polygon":
                shapes = [
                    assemble(f.shape.polygons, where=candidate.file)
                    for f in lonlat_layer(layer, crs=None)[0].features
                ]
                findings += [x for _, said in shapes for x in said]
                area = sum(acres(shape) for shape, _ in shapes)
        except InputError as err:
            findings += err.findings or (stop_of(err),)
        names = tuple(n for f in layer.features[:50] if (n := feature_name(f)))
        layers.append(LayerPeek(
            file=candidate.file, name=candidate.name, kind=layer.kind,
            features=len(layer.features), names=names, crs=crs, area_ac=area,
            findings=tuple(findings)))
    return BoundaryPeek(file=path.name, layers=tuple(layers), files=input_files(path))
