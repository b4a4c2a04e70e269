"""An `ExportSet` as the tables of a GeoPackage: plain columns, geometries in WGS 84 degrees."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

import numpy as np
import shapely

from vrx import geo
from vrx.export.export_set import ExportSet
from vrx.export.qml import styles
from vrx.formats import geopackage as facts
from vrx.formats import layer as layer_facts
from vrx.formats.crew import printable
from vrx.model import ANALYTES, SoilTable

Cell = int | float | str | bool | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
    """Columns by name, each (rows,), of one kind; None where nothing is known.

    `geometries` (rows,) are in WGS 84, None for a table without. `kinds` maps column to "int",
    "float", "text", "bool" or "time".
    """

    name: str
    description: str
    columns: Mapping[str, tuple[Cell, ...]]
    kinds: Mapping[str, str]
    geometries: tuple[shapely.Geometry, ...] | None = None

    @property
    def rows(self) -> int:
        """How many rows."""
        return len(next(iter(self.columns.values())))


def tables(meant: ExportSet, *, rasters: Sequence[tuple[str, str]]) -> list[Table]:
    """All tables but the rasters, which are named (table, key of the legend) for their styles."""
    made = [
        _boundary(meant), _zones(meant), _prescription(meant),
        *([] if meant.soil is None else [_samples(meant, meant.soil)]),
        _passes(meant), _order(meant), _findings(meant),
        _pairs(facts.COLUMNS, "what each column of the prescription means", "column", "meaning",
               list(meant.layer.meaning.items())),
        _pairs(facts.RECORD, "the run that made this file, and what went in", "name", "value",
               [("field", meant.field.name), ("crop", meant.crop),
                ("season", "" if meant.season is None else str(meant.season)), *meant.record]),
    ]
    return [*made, _styles(meant, rasters)]


def table(
    name: str, description: str, kinds: Mapping[str, str], rows: Sequence[Sequence[Cell]],
    geometries: Sequence[shapely.Geometry] | None = None,
) -> Table:
    """A table of rows; texts lose the characters that no reader shows (they become U+FFFD)."""
    columns = {
        key: tuple(_cell(row[k]) for row in rows) for k, key in enumerate(kinds)
    }
    return Table(
        name=name, description=description, columns=columns, kinds=dict(kinds),
        geometries=None if geometries is None else tuple(geometries))


def _cell(value: Cell) -> Cell:
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _boundary(meant: ExportSet) -> Table:
    kinds = {"FIELD": "text", "AREA_AC": "float", "CROP": "text", "SEASON": "int"}
    row = (meant.field.name, meant.field.area_ac, meant.crop, meant.season)
    return table(facts.BOUNDARY, "the field", kinds, [row], [meant.boundary])


def _zones(meant: ExportSet) -> Table:
    kinds = {
        layer_facts.ZONE_ID: "int", layer_facts.ZONE_LETTER: "text", layer_facts.AREA_AC: "float",
        "LABEL": "text",
    }
    rows = [(one.zone_id, one.letter, one.area_ac, one.label) for one in meant.zones.zones]
    return table(facts.ZONES, f"zones from {meant.zones.basis}", kinds, rows, meant.layer.polygons)


def _prescription(meant: ExportSet) -> Table:
    columns = meant.layer.columns
    fixed = {layer_facts.ZONE_ID: "int", layer_facts.ZONE_LETTER: "text"}
    return table(
        facts.PRESCRIPTION, "rates of material, one column a pass",
        {name: fixed.get(name, "float") for name in columns},
        list(zip(*columns.values(), strict=True)), meant.layer.polygons)


def _samples(meant: ExportSet, soil: SoilTable) -> Table:
    kinds: dict[str, str] = {"sample_id": "text", "sampled_on": "text"}
    cells: list[Sequence[Cell]] = [soil.sample_id, soil.sampled_on]
    for key, column in soil.columns.items():
        name = ANALYTES[key].column if key in ANALYTES else key
        kinds |= {name: "float", f"{name}_known": "text"}
        values = column.values.tolist()
        cells += [values, [
            None if math.isnan(value) else facts.KNOWN[int(sign)]
            for value, sign in zip(values, column.censored.tolist(), strict=True)
        ]]
    places = shapely.points(np.column_stack([soil.easting_m, soil.northing_m]))
    lonlat = [geo.to_lonlat(point, meant.field.crs_centre) for point in np.atleast_1d(places)]
    told = "; ".join(
        f"{ANALYTES[key].column if key in ANALYTES else key}: {one.source}, {one.extractant}, "
        f"{one.depth_in[0]:g} to {one.depth_in[1]:g} in"
        for key, one in soil.columns.items())
    return table(
        facts.SAMPLES, f"soil samples of {soil.file}. {told}", kinds,
        list(zip(*cells, strict=True)), lonlat)


def _passes(meant: ExportSet) -> Table:
    kinds = {
        "number": "int", "pass_id": "text", "column": "text", "material": "text", "unit": "text",
        "step": "float", "method": "text", "timing": "text", "kind": "text", "serves": "text",
        "treated_ac": "float", "prescription_total": "float", "order_total": "float",
        "rate_outside": "float", "rate_position_lost": "float",
    }
    rows = [
        (one.number, one.pass_id, one.column, one.material.id, one.material.unit, one.step,
         one.method, one.timing, one.kind, one.serves, one.treated_ac, one.prescription_total,
         one.order_total, outside, lost)
        for one, outside, lost in zip(
            meant.prescription.passes, meant.rate_outside, meant.rate_position_lost, strict=True)
    ]
    return table(facts.PASSES, "the passes of the prescription", kinds, rows)


def _order(meant: ExportSet) -> Table:
    texts = {"material", "unit", "price_note"}
    names = ("material", "unit", "quantity", "lb", "short_tons", "k2o_lb", "s_lb", "n_lb", "usd",
             "price_note")
    rows = [[asdict(line)[name] for name in names] for line in meant.prescription.order]
    return table(facts.ORDER, "what to order over all passes",
                 {name: "text" if name in texts else "float" for name in names}, rows)


def _findings(meant: ExportSet) -> Table:
    names = ("severity", "code", "where", "what", "value", "done", "todo")
    rows = [
        [str(one.severity), *(str(getattr(one, name)) for name in names[1:])]
        for one in meant.findings
    ]
    return table(facts.FINDINGS, "what the run left out, changed, assumed or doubted",
                 dict.fromkeys(names, "text"), rows)


def _pairs(
    name: str, description: str, left: str, right: str, pairs: Sequence[tuple[str, str]]
) -> Table:
    return table(name, description, {left: "text", right: "text"}, pairs)


def _styles(meant: ExportSet, rasters: Sequence[tuple[str, str]]) -> Table:
    kinds = {
        "f_table_catalog": "text", "f_table_schema": "text", "f_table_name": "text",
        "f_geometry_column": "text", "styleName": "text", "styleQML": "text", "styleSLD": "text",
        "useAsDefault": "bool", "description": "text", "owner": "text", "ui": "text",
        "update_time": "time",
    }
    rows = [
        ("", "", one.table, one.geometry, one.name, one.qml, "", one.default, one.name, "", None,
         facts.PINNED_TIME)
        for one in styles(meant, rasters=rasters)
    ]
    return table(facts.STYLES, "how a desktop GIS shows the layers", kinds, rows)
