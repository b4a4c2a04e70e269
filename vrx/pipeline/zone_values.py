"""What each soil test reads in every zone, and whether the zones are worth their trouble."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import shapely

from vrx import geo, surfaces
from vrx.model import (
    ANALYTES,
    Finding,
    FloatArray,
    IntArray,
    Surface,
    ZoneReading,
    Zones,
    note,
    warn,
)
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.knowledge import critical_values
from vrx.plan import Plan

FEWEST_TO_JUDGE = 8
"""Of fewer samples it cannot be said what zones explain (our choice)."""
_STEERING = {"potassium": "K2O", "sulfate": "S"}


def zone_of(places: FloatArray, made: Zones) -> IntArray:
    """Position of the zone that each place (n, 2) lies in, or is nearest to; (n,)."""
    tree = shapely.STRtree([zone.polygon for zone in made.zones])
    return np.asarray(tree.nearest(shapely.points(places)), dtype=np.int64)


def read_zones(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], made: Zones
) -> dict[str, ZoneReading]:
    """What each analyte reads in every zone (see `ZoneReading`)."""
    polygons = [zone.polygon for zone in made.zones]
    grid = next(iter(maps.values())).grid
    points = [geo.cells_within(polygon, grid)[0] for polygon in polygons]
    cells = geo.zone_cells(grid=grid, polygons=polygons)
    readings = {}
    for analyte, drawn in maps.items():
        column = inputs.soil.columns[analyte]
        mean, low, high = geo.zonal_mean(values=drawn.values, grid=drawn.grid, polygons=polygons)
        places, values = inputs.soil.measured(analyte)
        zone = zone_of(places, made)
        breaks = critical_values(plan, inputs, analyte) or ()
        outside = chance = None
        if breaks:
            outside = surfaces.share_outside(
                values=drawn.values, cells=cells, means=mean, breaks=breaks)
            chance = surfaces.chance_outside(
                values=drawn.values, standard_error=drawn.standard_error, cells=cells, means=mean,
                breaks=breaks)
        readings[analyte] = ZoneReading(
            analyte=analyte, unit=drawn.unit, extractant=column.extractant,
            depth_in=column.depth_in, mean=mean, low=low, high=high,
            standard_error=surfaces.zone_standard_errors(
                surface=drawn, places=places, zone_points=points
            ),
            mean_by=surfaces.mean_is(drawn),
            percentiles=surfaces.zone_percentiles(values=drawn.values, cells=cells),
            class_breaks=breaks, outside_share=outside, outside_chance=chance,
            samples=np.bincount(zone, minlength=len(polygons)),
            explained_map=surfaces.explained_of_map(values=drawn.values, cells=cells),
            explained_samples=surfaces.explained_of_samples(values=values, zone=zone),
        )
    return readings


def value_findings(
    plan: Plan, readings: Mapping[str, ZoneReading], made: Zones
) -> tuple[Finding, ...]:
    """Where zones say little of a soil test that moves a rate, and where a zone is much mixed."""
    if len(made.zones) < 2:
        return ()
    found = []
    for analyte, reading in readings.items():
        if analyte not in _STEERING or reading.samples is None:
            continue
        count, told = int(reading.samples.sum()), reading.explained_samples
        name = ANALYTES[analyte].substance
        # Zones cut by one nutrient need not tell of another.
        meant = plan.zones.source != "soil classes" or analyte in plan.zones.nutrients
        if count >= FEWEST_TO_JUDGE and reading.explains_little:
            said = (
                f"the zones explain {max(told, 0.0):.0%} of what the field mean leaves of {count} "
                "samples, each left out and told by the others of its zone"
            )
            if meant:
                found.append(warn(
                    "zones-explain-little", name, said, value=f"{told:.3f}",
                    todo="one flat rate would do as well: [zones] from = \"whole field\""))
            else:
                found.append(note(
                    "zones-explain-little", name, said, value=f"{told:.3f}",
                    done="these zones were not made for it",
                    todo=f"a flat rate of {_STEERING[analyte]} would do as well"))
        found += _mixed(reading, made, name)
    return tuple(found)


def _mixed(reading: ZoneReading, made: Zones, name: str) -> list[Finding]:
    if reading.outside_share is None:
        return []
    much = [(zone.letter, float(share), zone.area_ac)
            for zone, share in zip(made.zones, reading.outside_share, strict=True) if share > 0.5]
    if not much:
        return []
    listed = ", ".join(f"{letter} {share:.0%}" for letter, share, _ in much)
    return [note(
        "zones-mixed", name,
        f"the map has more than half of a zone's area in another class than that of its mean: "
        f"{listed}", value=f"{sum(share * area for _, share, area in much):.3f}",
        done="each zone is treated by its mean", todo="split these zones, or cut by more breaks")]
