"""Passes whose rates come back from a file: polygons' rates onto the plan's zones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from vrx import geo, intake, products
from vrx.errors import PlanError
from vrx.formats.iso11783 import UNITS
from vrx.model import Finding, FloatArray, Zones, note
from vrx.pipeline.inputs import Inputs
from vrx.plan import PassSection, Plan

_LEAST_SHARE = 0.999
"""Of a zone's area in polygons of one rate (own rule): coordinates of few decimals move edges."""
_RIM_M = 0.05
"""Along a zone's edge that says nothing of its rate (own rule): closing gaps and rounding degrees
move edges by millimetres, which is much of a zone of a few square metres."""
_FINEST_DECIMALS = 6


def with_file_rates(
    request: products.PassRequest, told: PassSection, plan: Plan, inputs: Inputs, made: Zones
) -> tuple[products.PassRequest, tuple[Finding, ...]]:
    """The request with one rate a zone, as the file has them; others as they are.

    Without a step of the machine the step is the coarsest power of ten that holds every rate.
    Raises `PlanError` for a unit of another kind than the material's, `InputError` for what the
    file lacks, and for a zone that lies in polygons of several rates.
    """
    if told.from_file is None:
        return request, ()
    source, where = told.from_file, f"[[pass]] {told.id}"
    material = products.find_material(inputs.materials, told.material or "", where=where)
    if source.unit not in UNITS or UNITS[source.unit][0] != UNITS[material.unit][0]:
        fitting = [name for name, (base, _) in UNITS.items() if base == UNITS[material.unit][0]]
        raise PlanError(f"unit {source.unit!r} is no rate of {material.id}", code="plan-unit",
                        where=where, hint=f"its units: {', '.join(fitting)}")
    same = source.file is None
    file = plan.zones.polygons if same else source.file
    if file is None:
        raise PlanError("names no file of rates", code="plan-rate-file", where=where,
                        hint="from_file = { file = ... }, or polygons in [zones]")
    read = intake.read_prescription(
        path=inputs.folder / file, field=inputs.field, columns=[source.column], unit=source.unit,
        layer=source.layer or (plan.zones.polygons_layer if same else None),
        crs=source.crs or (plan.zones.polygons_crs if same else None))
    polygons = np.empty(len(read.polygons), dtype=object)
    polygons[:] = read.polygons
    zones = np.empty(len(made.zones), dtype=object)
    zones[:] = [_without_rim(zone.polygon) for zone in made.zones]
    shared = geo.shared_areas(polygons, zones)
    rates, findings = intake.rates_for_zones(
        read=read, column=source.column, zones=list(zones),
        names=[zone.letter for zone in made.zones],
        shared=(shared.small, shared.large, shared.area), least_share=_LEAST_SHARE)
    if source.unit != material.unit:
        rates = rates * (UNITS[source.unit][1] / UNITS[material.unit][1])
    step = request.step
    said: tuple[Finding, ...] = ()
    if step is None:
        step = _finest(rates)
        said = (note("pass-step-from-file", where,
                     f"no step of the machine is stated; {step:g} {material.unit} holds the "
                     f"file's rates of {read.file}", done="taken as step",
                     todo="state the step that the machine can set"),)
    # The edges' notes hang on the pass; what reading said stands with the zones already.
    told_file = () if same else read.findings
    return replace(request, kind="fixed", fixed_rate=None, step=step,
                   zone_rates=tuple(rates.tolist())), (*told_file, *findings, *said)


def _without_rim(polygon: shapely.Geometry) -> shapely.Geometry:
    """The zone without its rim; all of a zone that is nothing but rim."""
    inner = shapely.buffer(polygon, -_RIM_M)
    return polygon if inner.is_empty else inner


def _finest(rates: FloatArray) -> float:
    """The coarsest of 1, 0.1, ... that every rate is a multiple of."""
    for decimals in range(_FINEST_DECIMALS):
        step = 10.0**-decimals
        if np.abs(rates - np.round(rates, decimals)).max(initial=0.0) <= 1e-9:
            return step
    return 10.0**-_FINEST_DECIMALS
