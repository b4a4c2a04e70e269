"""Everything that a run may hand out, as one value: what each format's `write` gets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field

import shapely

from vrx.export.layer import ExportLayer, build_layer
from vrx.export.task_options import TaskDataOptions
from vrx.formats.legend import Legend
from vrx.model import Field, Finding, Job, Prescription, SoilTable, Surface, Zones


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExportSet:
    """One field's run as formats see it.

    `layer` are the zones in WGS 84 degrees, rounded for export, with one column of rates a pass;
    `boundary` is their union in the same degrees, so that its edges are theirs. `field`, `zones`
    and `surfaces` are in the field's CRS (`vrx.geo.field_crs(field.crs_centre)`), metres.
    `prescription.passes` are in the order of the layer's rate columns, `zones.zones` in the order
    of its rows. `rate_outside` and `rate_position_lost` (passes,) are what a machine is to apply
    outside all zones and where it does not know its place, in the pass's unit. `soil`, `surfaces`
    and `findings` are empty where there are none to hand out. `record` are facts of the run for
    people, (name, text): its name, versions, hashes of what went in. `legends` are classes and
    colours of maps, the same as people see them on the page, by rate column, analyte and (standard
    errors) `vrx.formats.legend.error_key`. `task_data` is what the user chose about ISO 11783-10
    task data, with fallback rates of its own.
    """

    layer: ExportLayer
    field: Field
    boundary: shapely.MultiPolygon
    zones: Zones
    prescription: Prescription
    rate_outside: tuple[float, ...]
    rate_position_lost: tuple[float, ...]
    soil: SoilTable | None = None
    surfaces: tuple[Surface, ...] = ()
    findings: tuple[Finding, ...] = ()
    crop: str = ""
    season: int | None = None
    record: tuple[tuple[str, str], ...] = ()
    task_data: TaskDataOptions = dataclass_field(default_factory=TaskDataOptions)
    legends: tuple[tuple[str, Legend], ...] = ()

    @property
    def without_map(self) -> dict[str, dict[str, str | float]]:
        """Rates where the map says nothing, by column, as `vrx.formats.layer.OUTSIDE` has them."""
        return {
            one.column: {"unit": one.material.unit, "outside": outside, "position_lost": lost}
            for one, outside, lost in zip(
                self.prescription.passes, self.rate_outside, self.rate_position_lost, strict=True)}


def build_set(
    *, field: Field, zones: Zones, prescription: Prescription, soil: SoilTable | None = None,
    surfaces: Sequence[Surface] = (), findings: Sequence[Finding] = (),
    crop: str = "", season: int | None = None, record: Sequence[tuple[str, str]] = (),
    legends: Sequence[tuple[str, Legend]] = (),
) -> ExportSet:
    """The set of a field. Raises `ExportError` for rates or names that do not fit."""
    layer = build_layer(zones=zones, prescription=prescription, crs_centre=field.crs_centre)
    off = (0.0,) * len(prescription.passes)
    return ExportSet(
        layer=layer, field=field, boundary=_union(layer), zones=zones, prescription=prescription,
        rate_outside=off, rate_position_lost=off, soil=soil, surfaces=tuple(surfaces),
        findings=tuple(findings), crop=crop, season=season, record=tuple(record),
        legends=tuple(legends),
    )


def set_of_job(
    job: Job, *, record: Sequence[tuple[str, str]] = (),
    legends: Sequence[tuple[str, Legend]] = (),
) -> ExportSet:
    """The set of a whole run. Raises `ExportError` as `build_set` does."""
    return build_set(
        field=job.field, zones=job.zones, prescription=job.prescription, soil=job.soil,
        surfaces=tuple(job.surfaces.values()), findings=job.findings, crop=job.crop,
        season=job.season, record=record, legends=legends,
    )


def _union(layer: ExportLayer) -> shapely.MultiPolygon:
    try:
        whole = shapely.coverage_union_all(layer.polygons)
    except shapely.errors.GEOSException:
        # Zones in parts on either side of longitude 180, or nearly touching: noded anew.
        whole = shapely.union_all(layer.polygons)
    return shapely.MultiPolygon([
        part for part in shapely.get_parts(whole) if isinstance(part, shapely.Polygon)])
