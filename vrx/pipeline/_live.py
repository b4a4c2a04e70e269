"""Totals while somebody edits: what zones hold, need and get, without what stands beside it.

Every figure is that of the whole job (`stages.finish`); what is left out are the findings, bounds,
comparisons and standard errors, and zones that did not change are not read again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely

from vrx import geo
from vrx.errors import PlanInfeasible, VrxError
from vrx.model import (
    CropTruth,
    DepthProfile,
    Field,
    FloatArray,
    IntArray,
    Need,
    Prescription,
    Surface,
    ZoneReading,
    Zones,
)
from vrx.model.by_hand import RateOverride
from vrx.pipeline import irrigation, layers, past, season, yields
from vrx.pipeline import needs as asking
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.parts import Part, at_once
from vrx.pipeline.stages import Drawn, silent
from vrx.plan import Plan

_MOST = 20_000
"""Zones whose readings are remembered; a session of edits makes some hundred."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Live:
    """Zones with their needs and rates; arrays (zones,) in the order of `zones`.

    `readings` hold mean, least and greatest of each soil test (standard errors are NaN), `needs`
    the lines of each nutrient; `usd` is what the order costs, None where a price is missing.
    `overrides` are the rates by hand that are counted. Where some cannot stand, the rates are those
    of the rule alone and `trouble` says why; the job is stopped by it. `state` is that of the
    folder it was made from.
    """

    state: str
    field: Field
    zones: Zones
    readings: Mapping[str, ZoneReading]
    needs: Mapping[str, tuple[Need, ...]]
    prescription: Prescription
    usd: float | None
    rated: Callable[[Sequence[RateOverride]], Prescription]
    overrides: tuple[RateOverride, ...] = ()
    trouble: VrxError | None = None

    def by_hand(self, rates: Sequence[RateOverride]) -> Prescription:
        """The rates with these by hand, and no others. Raises `PlanInfeasible` for one too far."""
        return self.rated(rates)

    @property
    def area_ac(self) -> FloatArray:
        """Acres of the zones."""
        return np.array([zone.area_ac for zone in self.zones.zones])


class ZoneMemory:
    """What maps read in polygons, kept by the polygons' own bytes."""

    def __init__(self) -> None:
        self._maps: Mapping[str, Surface] = {}
        self._means: dict[bytes, FloatArray] = {}
        self._cells: dict[bytes, tuple[IntArray, FloatArray]] = {}

    def _of(self, maps: Mapping[str, Surface]) -> None:
        same = len(maps) == len(self._maps) and all(
            maps[name] is drawn for name, drawn in self._maps.items() if name in maps)
        if not same or set(maps) != set(self._maps) or max(
                len(self._means), len(self._cells)) > _MOST:
            self._maps, self._means, self._cells = dict(maps), {}, {}

    def means(
        self, maps: Mapping[str, Surface], made: Zones
    ) -> Mapping[str, tuple[FloatArray, FloatArray, FloatArray]]:
        """Mean, least and greatest (zones,) of every map; as `geo.zonal_mean`."""
        self._of(maps)
        polygons, keys = _keys(made)
        fresh = [k for k, key in enumerate(keys) if key not in self._means]
        if fresh:
            told = np.array([geo.zonal_mean(
                values=drawn.values, grid=drawn.grid, polygons=[polygons[k] for k in fresh])
                for drawn in maps.values()])
            for position, k in enumerate(fresh):
                self._means[keys[k]] = told[:, :, position]
        every = np.array([self._means[key] for key in keys])
        return {name: (every[:, n, 0], every[:, n, 1], every[:, n, 2])
                for n, name in enumerate(maps)}

    def cells(
        self, maps: Mapping[str, Surface], made: Zones
    ) -> Sequence[tuple[IntArray, FloatArray]]:
        """The cells of every zone; as `geo.zone_cells`."""
        self._of(maps)
        grid = next(iter(maps.values())).grid
        polygons, keys = _keys(made)
        fresh = [k for k, key in enumerate(keys) if key not in self._cells]
        found = geo.zone_cells(grid=grid, polygons=[polygons[k] for k in fresh])
        self._cells.update(zip((keys[k] for k in fresh), found, strict=True))
        return [self._cells[key] for key in keys]


def _keys(made: Zones) -> tuple[list[shapely.Geometry], list[bytes]]:
    polygons = [zone.polygon for zone in made.zones]
    return polygons, list(shapely.to_wkb(np.array(polygons, dtype=object)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Asked:
    """Zones with means, needs and exact rates, before they are rounded."""

    zones: Zones
    readings: Mapping[str, ZoneReading]
    needs: Mapping[str, tuple[Need, ...]]
    exact: season.Planned


def ground_live(
    drawn: Drawn, made: Zones, *, memory: ZoneMemory, part: Part = at_once
) -> asking.Ground:
    """What guides are asked about these zones: their means, goals and depths."""
    plan, inputs = drawn.plan, drawn.inputs
    readings = _readings(inputs, drawn.maps, made, memory)
    goals = yields.zone_goals(
        plan, field=inputs.field, made=made, grid=drawn.grid, folder=inputs.folder,
        progress=silent, patterns=layers.patterns(plan, drawn.grids), part=part, told_only=True)
    told = plan.credits.sulfur.residual_sulfate
    at_depth = told is not None and told.so4s_ppm is None
    return _ground(drawn, made, readings=readings, memory=memory, goals=goals,
                   profiles=past.read_past(inputs, made).profiles if at_depth else ())


def ask_live(drawn: Drawn, made: Zones, *, memory: ZoneMemory, part: Part = at_once) -> Asked:
    """Needs and exact rates of these zones."""
    plan, inputs = drawn.plan, drawn.inputs
    ground = ground_live(drawn, made, memory=memory, part=part)
    needs = {
        nutrient: asking.needs_only(
            plan, ground, asking.question(plan, inputs, ground, nutrient, section))
        for nutrient, section in season.need_sections(plan).items()}
    truth: CropTruth = part("crop truth", lambda: season.crop_truth(plan, inputs))
    exact = season.plan_rates(plan, inputs, made, needs, truth,
                              wetted=irrigation.wetted_by_zone(plan, inputs, made))
    return Asked(zones=made, readings=ground.readings, needs=needs, exact=exact)


def live_of(
    drawn: Drawn, asked: Asked, *, state: str, rates: Callable[[], Sequence[RateOverride]]
) -> Live:
    """Rates, order and cost; `rates` gives those by hand, or says why they cannot stand."""
    rated = partial(season.rated, plan=drawn.plan, inputs=drawn.inputs, made=asked.zones,
                    needs=asked.needs, exact=asked.exact)
    trouble, held = None, tuple[RateOverride, ...]()
    try:
        held = tuple(rates())
        prescription = rated(held)
    except PlanInfeasible as err:
        trouble, held = err, ()
        prescription = rated(())
    costs = [line.usd for line in prescription.order]
    return Live(
        state=state, field=drawn.inputs.field, zones=asked.zones, readings=asked.readings,
        needs=asked.needs, prescription=prescription, rated=rated, overrides=held, trouble=trouble,
        usd=None if any(one is None for one in costs) else float(
            sum(one for one in costs if one is not None)))


def _readings(
    inputs: Inputs, maps: Mapping[str, Surface], made: Zones, memory: ZoneMemory
) -> dict[str, ZoneReading]:
    unknown = np.full(len(made.zones), np.nan)
    return {
        analyte: ZoneReading(
            analyte=analyte, unit=maps[analyte].unit,
            extractant=inputs.soil.columns[analyte].extractant,
            depth_in=inputs.soil.columns[analyte].depth_in, mean=mean, low=low, high=high,
            standard_error=unknown)
        for analyte, (mean, low, high) in memory.means(maps, made).items()}


def _ground(
    drawn: Drawn, made: Zones, *, readings: Mapping[str, ZoneReading], memory: ZoneMemory,
    goals: yields.ZoneGoals | None, profiles: Sequence[DepthProfile],
) -> asking.Ground:
    """The zones; their cells only where the plan asks the rule there."""
    plan: Plan = drawn.plan
    none: Sequence[tuple[IntArray, FloatArray]] = [
        (np.empty(0, dtype=np.int64), np.empty(0))] * len(made.zones)
    return asking.ground_of(
        plan, made=made, readings=readings, maps=drawn.maps, goals=goals.goals if goals else (),
        yield_source=goals.source if goals else asking.ONE_GOAL, profiles=profiles,
        held=memory.cells(drawn.maps, made) if plan.need.apply_to == "cells" else none)
