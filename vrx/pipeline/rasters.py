"""What rasters of rates leave out, told before they are written."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import shapely

from vrx.export import ExportSet, build_set, geotiff_findings, task_data_findings
from vrx.model import Field, Finding, Prescription, Surface, Zones
from vrx.pipeline.task_data import FORMAT as TASK_DATA
from vrx.plan import Plan

FORMAT = "geotiff"


def findings(
    plan: Plan, *, field: Field, zones: Zones, prescription: Prescription,
    maps: Mapping[str, Surface],
) -> tuple[Finding, ...]:
    """Parts of zones that are smaller than the cells of the plan's GeoTIFFs."""
    whole = all(len(shapely.get_parts(one.polygon)) == 1 for one in zones.zones)
    if FORMAT not in plan.export.formats or whole:
        return ()
    return geotiff_findings(build_set(
        field=field, zones=zones, prescription=prescription, surfaces=tuple(maps.values())))


def cell_findings(meant: ExportSet, formats: Collection[str]) -> tuple[Finding, ...]:
    """Ground that the cells of GeoTIFFs and of task data grids among `formats` miss.

    Raises `ExportError` for what task data cannot hold.
    """
    found = geotiff_findings(meant) if FORMAT in formats else ()
    if TASK_DATA in formats:
        found += tuple(one for one in task_data_findings(meant)
                       if one.code.endswith("-without-cell"))
    return found
