"""How sure each zone's readings are, kept zone by zone while somebody edits.

Standard errors and shares in another class take longer than means, and only zones that changed need
them anew. The figures are those of `zone_values.read_zones`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import shapely

from vrx import geo, surfaces
from vrx.model import Finding, FloatArray, Surface, Zone, ZoneReading, Zones
from vrx.pipeline.ground import by_hand_findings
from vrx.pipeline.knowledge import critical_values
from vrx.pipeline.stages import Drawn
from vrx.pipeline.zone_values import value_findings, zone_of

_MOST = 20_000

Known = dict[bytes, tuple[float, float]]


class SureMemory:
    """Standard error and share in another class of every map, by the polygons' own bytes."""

    def __init__(self) -> None:
        self._maps: dict[str, Surface] = {}
        self._known: dict[str, Known] = {}

    def read(
        self, drawn: Drawn, made: Zones, readings: Mapping[str, ZoneReading], *, waiting: bool,
        base: Zones | None = None,
    ) -> tuple[dict[str, ZoneReading], tuple[Finding, ...] | None]:
        """Readings with standard error, samples and share in another class, and their findings.

        `readings` hold the means. With `waiting` nothing is computed that takes time: what is not
        known yet is NaN, and the findings are None unless everything is known. With `base`, the
        zones as the plan makes them, those that differ are held to the plan's sizes too.
        """
        self._forget(drawn.maps)
        polygons = [zone.polygon for zone in made.zones]
        keys = list(shapely.to_wkb(np.array(polygons, dtype=object)))
        breaks = {name: critical_values(drawn.plan, drawn.inputs, name) or ()
                  for name in drawn.maps}
        fresh = [k for k, key in enumerate(keys)
                 if any(key not in self._known[name] for name in drawn.maps)]
        if fresh and not waiting:
            self._learn(drawn, [made.zones[k] for k in fresh], [keys[k] for k in fresh],
                        {name: readings[name].mean[fresh] for name in drawn.maps}, breaks)
        found = {}
        for name in drawn.maps:
            unknown = (np.nan, np.nan)
            told = np.array([self._known[name].get(key, unknown) for key in keys])
            places, values = drawn.inputs.soil.measured(name)
            zone = zone_of(places, made)
            found[name] = replace(
                readings[name], standard_error=told[:, 0], class_breaks=breaks[name],
                outside_share=told[:, 1] if breaks[name] else None,
                samples=np.bincount(zone, minlength=len(polygons)),
                explained_samples=surfaces.explained_of_samples(values=values, zone=zone))
        if fresh and waiting:
            return found, None
        own = {} if base is None else {zone.zone_id: zone for zone in base.zones}
        changed = [] if base is None else [
            zone.zone_id for zone in made.zones if own.get(zone.zone_id) is not zone]
        return found, (*by_hand_findings(drawn.plan, made, changed),
                       *value_findings(drawn.plan, found, made))

    def _forget(self, maps: Mapping[str, Surface]) -> None:
        same = set(maps) == set(self._maps) and all(
            one is self._maps[name] for name, one in maps.items())
        if not same or max(map(len, self._known.values()), default=0) > _MOST:
            self._maps, self._known = dict(maps), {name: {} for name in maps}

    def _learn(
        self, drawn: Drawn, zones: Sequence[Zone], keys: Sequence[bytes],
        means: Mapping[str, FloatArray], breaks: Mapping[str, tuple[float, ...]],
    ) -> None:
        polygons = [zone.polygon for zone in zones]
        grid = next(iter(drawn.maps.values())).grid
        points = [geo.cells_within(polygon, grid)[0] for polygon in polygons]
        cells = geo.zone_cells(grid=grid, polygons=polygons)
        for name, surface in drawn.maps.items():
            places, _ = drawn.inputs.soil.measured(name)
            errors = surfaces.zone_standard_errors(
                surface=surface, places=places, zone_points=points)
            outside = surfaces.share_outside(
                values=surface.values, cells=cells, means=means[name], breaks=breaks[name],
            ) if breaks[name] else np.full(len(keys), np.nan)
            self._known[name].update(
                zip(keys, zip(errors.tolist(), outside.tolist(), strict=True), strict=True))
