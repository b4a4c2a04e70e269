"""Rasters of soil tests held against a job record: words, and what the map reads in each zone.

Mean, least and greatest cell of each zone are worked out from the cells, by shares of cells that
are cut out here; the record's standard errors, percentiles and shares of classes are not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from vrx.audit import _record
from vrx.audit._layers import Layer
from vrx.audit._ledger import Ledger, number
from vrx.audit._raster import Raster
from vrx.model import FloatArray

_SINGLE = 1e-6
"""Cells are single precision."""
_TOUCH, _SURELY = 1e-9, 1e-3
"""A cell of less is not in a zone, one of more surely is; between them both are right."""


def check(
    raster: Raster, record: _record.RunRecord, reference: Layer | None, ledger: Ledger
) -> bool:
    """A map against the record; gives whether the readings of zones were worked out again.

    `reference` is a layer of the same run with the zones.
    """
    tags, where = raster.cells.tags, raster.name
    analyte = tags.get("ANALYTE", "")
    own = next((one for one in record.maps if one.get("analyte") == analyte), None)
    if own is None:
        ledger.fault("map-unrecorded", where, f"is a map of {analyte or 'nothing that it names'}, "
                     "of which the job record has none", todo="the map is of another run, or was "
                     "changed")
        return False
    unit = str(own.get("unit"))
    for what, found, expected in (
        ("UNIT", tags.get("UNIT", ""), unit), ("unit", raster.cells.units[0], unit),
        ("METHOD", tags.get("METHOD", ""), str(own.get("method"))),
        ("DRIFT", tags.get("DRIFT", ""), ", ".join(map(str, own.get("drift") or []))),
    ):
        if not ledger.text(f"{what} in the map", where, found=found, expected=expected):
            ledger.fault("raster-words", where, f"{what} is {found!r}, the job record has "
                         f"{expected!r}", todo="the map was changed, or written anew")
    ledger.figure("side of a cell", where, "m", found=_side_m(raster), expected=own.get("cell_m"),
                  pct=_SINGLE * 100.0)
    _errors(raster, unit, ledger)
    reading = next((one for one in record.readings if one.get("analyte") == analyte), None)
    if reading is None or reference is None:
        return False
    _zones(raster, reading, reference, record, ledger)
    return True


def _side_m(raster: Raster) -> float:
    place = raster.cells.place
    if raster.ground.kind != "projected" or place[2] or place[4] or place[1] != -place[5]:
        return math.nan
    return place[1]


def _errors(raster: Raster, unit: str, ledger: Ledger) -> None:
    """The second band holds standard errors, which are numbers above or at 0."""
    if not ledger.figure("bands", raster.name, "", found=len(raster.cells.values), expected=2,
                         within=0):
        return
    errors = raster.cells.values[1][raster.cells.held].astype(np.float64)
    odd = int((~(np.isfinite(errors) & (errors >= 0.0))).sum())
    if not ledger.figure("cells whose standard error is no number of 0 or more", raster.name, "",
                         found=odd, expected=0, within=0):
        ledger.fault("raster-cells", raster.name, f"{odd:,} cells hold no standard error",
                     todo="run again")
    ledger.shown("mean standard error of cells", raster.name, unit, float(errors.mean()))


def _zones(
    raster: Raster, reading: Mapping[str, Any], reference: Layer, record: _record.RunRecord,
    ledger: Ledger,
) -> None:
    rows = reading.get("zones")
    told = {one.get("zone_id"): one for one in rows if isinstance(one, dict)} if isinstance(
        rows, list) else {}
    quads = _quads(raster)
    tree = shapely.STRtree(quads)
    areas = shapely.area(quads)
    values = raster.cells.values[0].astype(np.float64)
    values = np.where(raster.cells.held, values, np.nan).ravel()
    unit = str(reading.get("unit"))
    for zone_id, one in reference.by_zone().items():
        where = f"{raster.name}, {record.zone_name(zone_id)}"
        own = told.get(zone_id)
        if one.shape is None or not one.shape.is_valid or own is None:
            ledger.fault("map-zone", where, "cannot be read on the map: the job record has no "
                         "reading of it, or its polygon is none", todo="run again")
            continue
        at, share = _shares(one.shape, tree, quads, areas)
        bare = np.isnan(values[at]) & (share > _SURELY)
        if bare.any() or not len(at):
            ledger.fault("gap", where, "lies on cells without a value", todo="run again")
            continue
        _zone(values[at], share, own, where=where, unit=unit, ledger=ledger)


def _zone(
    values: FloatArray, share: FloatArray, own: Mapping[str, Any], *, where: str, unit: str,
    ledger: Ledger,
) -> None:
    known = ~np.isnan(values)
    values, share = values[known], share[known]
    sure = values[share > _SURELY] if (share > _SURELY).any() else values
    size = _SINGLE * float(np.abs(values).max())
    mean = float(values @ share / share.sum())
    # A cell that is hardly touched may count for least and greatest, or not.
    for what, key, found, within in (
        ("mean", "mean", mean, size + ledger.pct / 100.0 * abs(mean)),
        ("least cell", "least", float(values.min()), size + float(sure.min() - values.min())),
        ("greatest cell", "greatest", float(values.max()), size + float(values.max() - sure.max())),
    ):
        if not ledger.figure(f"{what} of the map in the zone", where, unit, found=found,
                             expected=own.get(key), within=within):
            ledger.fault("map-zone", where, f"the map has a {what} of {found:.6g} {unit}, the job "
                         f"record {number(own.get(key)):.6g}",
                         todo="the map is of another run, or was changed")


def _quads(raster: Raster) -> npt.NDArray[np.object_]:
    """All cells as quadrangles in degrees, row by row."""
    rows, columns = raster.cells.shape
    east, north = raster.ground.places(
        np.arange(rows + 1, dtype=np.float64), np.arange(columns + 1, dtype=np.float64))
    corners = np.stack([east, north], axis=-1)
    rings = np.stack([corners[:-1, :-1], corners[:-1, 1:], corners[1:, 1:], corners[1:, :-1],
                      corners[:-1, :-1]], axis=2)
    return np.asarray(shapely.polygons(rings.reshape(-1, 5, 2)), dtype=object)


def _shares(
    shape: shapely.Geometry, tree: shapely.STRtree, quads: npt.NDArray[np.object_],
    areas: FloatArray,
) -> tuple[npt.NDArray[np.int64], FloatArray]:
    """Positions of the cells that a zone covers, and the covered share of each."""
    shapely.prepare(shape)
    at = np.sort(tree.query(shape, predicate="intersects")).astype(np.int64)
    share = np.ones(len(at))
    cut = ~shapely.covers(shape, quads[at])
    share[cut] = shapely.area(shapely.intersection(quads[at][cut], shape)) / areas[at][cut]
    return at[share > _TOUCH], share[share > _TOUCH]


def unread(names: Sequence[str], ledger: Ledger) -> None:
    """Say what of maps was not worked out again."""
    if names:
        ledger.remark(
            "map-partly", ", ".join(names), "maps of soil tests: mean, least and greatest of each "
            "zone were worked out again from the cells; the record's standard errors of zones, "
            "percentiles and shares of classes were not, nor was the map made anew from samples")
