"""`[[layer]]` → the field's grid: what each layer reads by zone, and whether soil tests follow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from vrx import geo, intake, surfaces
from vrx.errors import InputError
from vrx.model import (
    ANALYTES,
    Agreement,
    Field,
    Finding,
    FloatArray,
    Grid,
    LayerGrid,
    LayerReading,
    Severity,
    Zones,
    note,
)
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.layer_files import naming
from vrx.plan import LayerSection, Plan

# What a layer is held against: the soil tests that rates rest on.
_AGAINST = ("potassium", "sulfate")
MOST_CLASSES = 30
_PLACES = ("longitude_column", "latitude_column", "easting_column", "northing_column", "crs",
           "layer", "sheet", "decimal_mark")


def read_grids(
    plan: Plan, inputs: Inputs, *, grid: Grid, progress: Callable[[str], None]
) -> tuple[LayerGrid, ...]:
    """Every layer of the plan on the grid, in its order.

    Raises `InputError` that names layer and file.
    """
    found = []
    for section in plan.layers:
        progress(f"reading layer {section.name}")
        with naming(section.name):
            found.append(_read(section, field=inputs.field, grid=grid, folder=inputs.folder))
    return tuple(found)


def guides_of(plan: Plan, grids: Sequence[LayerGrid]) -> dict[str, LayerGrid]:
    """Of the layers of `read_grids` those that `[surface] drift` names."""
    wanted = plan.surface.drift_names()
    return {
        section.name: layer for section, layer in zip(plan.layers, grids, strict=True)
        if section.name in wanted
    }


def read_layers(
    plan: Plan, inputs: Inputs, *, made: Zones, grids: Sequence[LayerGrid]
) -> tuple[LayerReading, ...]:
    """What every layer reads by zone; `grids` are those of `read_grids`."""
    readings = []
    for section, layer in zip(plan.layers, grids, strict=True):
        with naming(section.name):
            codes = _codes(layer) if section.classes else ()
        readings.append(_by_zone(
            layer, made=made, codes=codes, for_yield=section.name in plan.yield_goal.layers,
            agreements=() if section.classes else _agreements(inputs, layer)))
    return tuple(readings)


def patterns(plan: Plan, grids: Sequence[LayerGrid]) -> tuple[LayerGrid, ...]:
    """The layers that share the yield goal out. Raises `InputError` for a yield below 0."""
    named = {one.name: one for one in grids}
    found = tuple(named[name] for name in plan.yield_goal.layers)
    for layer in found:
        least = float(np.nanmin(layer.values))
        if least < 0:
            raise InputError(
                f"holds {least:g} {layer.unit}; no yield is below 0", code="layer-yield-negative",
                where=f"[[layer]] {layer.name}, {layer.source}",
                hint="clean the layer, or state its value for no data (no_data)")
    return found


def _read(section: LayerSection, *, field: Field, grid: Grid, folder: Path) -> LayerGrid:
    path = folder / section.file
    if section.band is not None:
        return intake.read_raster_layer(
            path=path, field=field, grid=grid, name=section.name, unit=section.unit,
            band=section.band, crs=section.crs, classes=section.classes, no_data=section.no_data)
    return intake.read_point_layer(
        path=path, field=field, grid=grid, fill_within_m=section.fill_within_m,
        spec=intake.PointSpec(
            name=section.name,
            value=intake.LogColumn(column=section.value_column or "", unit=section.unit),
            places=intake.PlaceColumns(**{key: getattr(section, key) for key in _PLACES})))


def _codes(layer: LayerGrid) -> tuple[float, ...]:
    found = np.unique(layer.values[np.isfinite(layer.values)])
    if len(found) > MOST_CLASSES:
        raise InputError(
            f"holds {len(found):,} different values; at most {MOST_CLASSES} classes are told",
            code="layer-classes-many", where=layer.source,
            hint="without classes = true it is read as a measured quantity")
    return tuple(float(one) for one in found)


def _by_zone(
    layer: LayerGrid, *, made: Zones, codes: tuple[float, ...], for_yield: bool,
    agreements: tuple[Agreement, ...],
) -> LayerReading:
    def mean_of(values: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        return geo.zonal_mean(
            values=values, grid=layer.grid, polygons=[zone.polygon for zone in made.zones])

    have = np.isfinite(layer.values)
    covered, _, _ = mean_of(have.astype(np.float64))
    if not codes:
        mean, low, high = mean_of(layer.values)
        return LayerReading(
            layer=layer, mean=mean, low=low, high=high, covered=covered, agreements=agreements,
            shares=np.empty((0, len(made.zones))), for_yield=for_yield)
    none = np.full(len(made.zones), np.nan)
    shares = [mean_of(np.where(have, layer.values == code, np.nan))[0] for code in codes]
    return LayerReading(
        layer=layer, mean=none, low=none, high=none, covered=covered, codes=codes,
        shares=np.array(shares), for_yield=for_yield)


def _agreements(inputs: Inputs, layer: LayerGrid) -> tuple[Agreement, ...]:
    found = []
    for analyte in _AGAINST:
        if analyte in inputs.soil.columns:
            places, values = inputs.soil.measured(analyte)
            found.append(surfaces.agreement(
                analyte=analyte, places=places, values=values, layer=layer.values,
                grid=layer.grid))
    return tuple(found)


def findings(readings: Sequence[LayerReading], made: Zones) -> tuple[Finding, ...]:
    """What each layer's reading left out or assumed, its means by zone, and how tests follow it."""
    found: list[Finding] = []
    for one in readings:
        layer, where = one.layer, f"[[layer]] {one.layer.name}"
        # What moves nothing has nothing to warn of, so it informs.
        found += [replace(each, severity=Severity.NOTE) if not one.for_yield
                  and each.severity is Severity.WARN else each for each in layer.findings]
        found.append(note(
            "layer-by-zone", where, f"{layer.unit} ({layer.source}): " + "; ".join(
                f"{zone.letter} {_words(one, k)}" for k, zone in enumerate(made.zones)),
            done=_use(one, made)))
        if one.agreements:
            found.append(note(
                "layer-agreement", where, "; ".join(_agreement(each) for each in one.agreements),
                done="told only: no map uses the layer, and no test of significance is made, since "
                "samples of one field are not independent"))
    return tuple(found)


def _use(one: LayerReading, made: Zones) -> str:
    """What a layer moves."""
    uses = ["shares the yield goal out over the zones"] if one.for_yield else []
    if made.clusters is not None and one.layer.name in made.clusters.layers:
        uses.append("zones were clustered by it")
    return "; ".join(uses) or "told beside the soil tests; moves no rate and no map"


def _words(one: LayerReading, zone: int) -> str:
    """A zone's mean and range, or its classes with their shares, the greatest first."""
    if not one.covered[zone] > 0:
        return "no value"
    part = "" if one.covered[zone] > 0.995 else f" of {100 * one.covered[zone]:.0f} % of the zone"
    if one.codes:
        shares = sorted(zip(one.shares[:, zone], one.codes, strict=True),
                        key=lambda pair: (-pair[0], pair[1]))
        return ", ".join(
            f"class {code:g} {100 * share:.0f} %" for share, code in shares if share > 0) + part
    places = one.decimals
    return (f"{one.mean[zone]:.{places}f} ({one.low[zone]:.{places}f} to "
            f"{one.high[zone]:.{places}f}){part}")


def _agreement(one: Agreement) -> str:
    name = ANALYTES[one.analyte].substance
    if one.pearson is None or one.spearman is None:
        why = "too few for a coefficient" if one.n < surfaces.FEWEST else "one of the two is flat"
        return f"{name} at {one.n} sample points with a value: {why}"
    shared = f", {one.same_cell} in a cell with another" if one.same_cell else ""
    return (f"{name} at {one.n} sample points{shared}: Pearson {one.pearson:+.2f}, Spearman "
            f"{one.spearman:+.2f}")
