"""`vrx sampling`: places for a crew, from a boundary alone or from a plan with its samples."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from pydantic import ValidationError

from vrx import geo, intake, sampling, zones
from vrx.errors import PlanError, PlanInfeasible
from vrx.model import (
    CrewPlan,
    Field,
    Finding,
    Zones,
    note,
    stops,
    warn,
)
from vrx.pipeline import crew, edits, ground, layers, zone_values, zoning
from vrx.pipeline.inputs import (
    Inputs,
    read_field,
    read_inputs,
    read_own_zones,
    require_one_side,
)
from vrx.pipeline.lab_tests import with_tests
from vrx.pipeline.site import Chosen, Site
from vrx.pipeline.worth import Worth, rank_places
from vrx.plan import (
    FieldPlan,
    SamplingSection,
    blanks,
    describe,
    load_field_plan,
    load_plan,
    plan_path,
    read_document,
)
from vrx.units import m_from_ft

ADDING = ("where it pays", "widest gaps")
_USUAL_POINTS = 10
_MOST_CANDIDATES = 5000
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SamplingResult:
    """What `vrx sampling` made: the crew's plan, its folder and the record as plain JSON values."""

    plan: CrewPlan
    worth: Worth | None
    folder: Path
    manifest: dict[str, Any]


def _silent(_: str) -> None:
    return


def plan_sampling(
    folder: Path, *, overrides: Mapping[str, object] | None = None, progress: Progress = _silent
) -> SamplingResult:
    """Lay out or rank sampling places and commit the crew's files into `FOLDER/sampling`.

    `overrides` are keys of `[sampling]` that win over the plan's. Raises a `VrxError`; then nothing
    is written.
    """
    plan_file = plan_path(folder)
    progress("reading plan and boundary")
    first = load_field_plan(plan_file)
    told = _told(first.sampling, overrides or {})
    layout = told.layout or _usual_layout(plan_file)
    told = told.model_copy(update={"layout": layout})
    site = _site(first, told, plan_file=plan_file, progress=progress)
    stopped = stops(site.findings)
    if stopped:
        raise PlanInfeasible(
            f"{len(stopped)} findings stop this plan", code="run-stopped", where=str(plan_file),
            hint="mend them in the plan; nothing was written", findings=stopped,
        )
    progress("choosing places")
    chosen = _choose(site)
    plan = crew.crew_plan(site, chosen, tissue=first.tissue)
    progress("writing and reading back")
    target, record = crew.write(site, chosen, plan, plan_file=plan_file)
    return SamplingResult(plan=plan, worth=chosen.worth, folder=target, manifest=record)


def _told(told: SamplingSection, overrides: Mapping[str, object]) -> SamplingSection:
    try:
        return SamplingSection.model_validate({**told.model_dump(exclude_unset=True), **overrides})
    except ValidationError as err:
        raise PlanError(
            "; ".join(describe(one, root=SamplingSection)
                      for one in err.errors(include_url=False)),
            code="plan-value", where="[sampling]", hint="see vrx sampling --help",
        ) from err


def _usual_layout(plan_file: Path) -> str:
    """With samples in a plan without blanks, more where it pays; else a first grid."""
    document = read_document(plan_file)
    return "where it pays" if "soil" in document and not blanks(document) else "offset grid"


def _edited(base: Zones, field: Field, folder: Path) -> tuple[Zones, str]:
    """Zones as edited by hand, and their hash ("" without edits): a crew walks what is spread."""
    log = edits.read_edits(folder)
    made = edits.apply_zones(base, log, field)
    return made, "" if made is base else edits.state(log, base)


def _site(
    first: FieldPlan, told: SamplingSection, *, plan_file: Path, progress: Progress
) -> Site:
    folder = plan_file.parent
    inputs, plan, made, maps, edited = None, None, None, {}, ""
    own_zones = first.zones is not None and first.zones.source == "own polygons"
    if told.layout in ADDING or (told.layout == "by zones" and not own_zones):
        if "soil" not in read_document(plan_file):
            raise PlanError(
                f"layout = {told.layout!r} reads the plan's samples, and it has none",
                code="sampling-needs-samples", where=str(plan_file),
                hint='lay the field out anew: "offset grid", "square grid", "long axis"; "by '
                     'zones" also works with [zones] from = "own polygons"',
            )
        plan = load_plan(plan_file)
        inputs = read_inputs(plan, plan_file=plan_file)
        field, found = inputs.field, [*inputs.field.findings, *inputs.soil.findings]
        plan = with_tests(plan, inputs.tests)
        progress("drawing soil-test maps and zones")
        grids = layers.read_grids(
            plan, inputs, grid=ground.map_grid(plan, inputs), progress=progress)
        maps = ground.draw_maps(plan, inputs, layers.guides_of(plan, grids))
        made, edited = _edited(zoning.make_zones(plan, inputs, maps, grids), field, folder)
    else:
        field = read_field(first, folder=folder)
        require_one_side(field, where=first.field.boundary or "[field.pivot]")
        found = list(field.findings)
    if inputs is None and own_zones and first.zones is not None:
        own = read_own_zones(first.zones, field=field, folder=folder)
        made = zones.zones_from_polygons(
            boundary=field.boundary, crs_centre=field.crs_centre, polygons=own.polygons,
            labels=own.labels, narrowest_m=m_from_ft(first.zones.narrowest_ft),
            smallest_ac=first.zones.smallest_ac, driving_deg=first.zones.driving_deg)
        found += [*own.findings, *made.findings]
        if first.zones.strips is None:
            made, edited = _edited(made, field, folder)
        elif edits.read_edits(folder).zones_changed:
            found.append(warn(
                "sampling-edits-aside", "zones", "zones were edited by hand with their strips",
                done="places follow the polygons of the plan, without strips and edits"))
    away: tuple[shapely.Geometry, ...] = ()
    if told.exclusions is not None:
        areas, said = intake.read_exclusions(
            path=folder / told.exclusions, layer=told.exclusions_layer, crs=told.exclusions_crs)
        away = tuple(geo.from_lonlat(one, field.crs_centre) for one in areas)
        found += said
    usual = sampling.practice()
    usable = sampling.usable_ground(
        boundary=field.boundary, away=away,
        edge_m=_m(told.edge_ft, usual.edge_ft), away_m=_m(told.exclusion_ft, usual.exclusion_ft))
    return Site(field=field, told=told, ground=usable, away=away, zones=made, inputs=inputs,
                 plan=plan, maps=maps, edits=edited, findings=tuple(found),
                boundary_file=first.field.boundary or (
                    first.field.pivot.exclusions if first.field.pivot else None),
                zones_file=first.zones.polygons if own_zones and first.zones else None)


def _m(own_ft: float | None, usual_ft: float) -> float:
    return m_from_ft(usual_ft if own_ft is None else own_ft)


def _choose(site: Site) -> Chosen:
    told = site.told
    if site.inputs is not None and told.layout in ADDING:
        return _more(site, site.inputs)
    usual = sampling.practice()
    density = told.ac_per_sample or usual.ac_per_sample
    if told.layout == "by zones" and site.zones is not None:
        made = site.zones.zones
        layout = sampling.zone_layout(
            zones=[one.polygon for one in made], letters=[one.letter for one in made],
            ground=site.ground, ac_per_sample=density,
            least_points=told.least_per_zone or usual.least_per_zone,
            border_m=_m(told.border_ft, usual.border_ft))
        return _laid_out(layout)
    shape = {"boundary": site.field.boundary, "ground": site.ground, "ac_per_sample": density,
             "seed": told.seed}
    if told.layout == "long axis":
        return _laid_out(sampling.long_axis_layout(**shape))
    return _laid_out(sampling.grid_layout(offset=told.layout == "offset grid", **shape))


def _laid_out(layout: sampling.Layout) -> Chosen:
    none = (None,) * len(layout.places)
    return Chosen(words=layout.words, places=layout.places, ranks=none, gains=none,
                   whys=("first sampling",) * len(layout.places), findings=layout.findings)


def _more(site: Site, inputs: Inputs) -> Chosen:
    """Samples beside those that the plan reads."""
    told, plan = site.told, site.plan
    count = told.points or _USUAL_POINTS
    found: list[Finding] = []
    if told.layout == "where it pays" and plan is not None and site.zones is not None:
        readings = zone_values.read_zones(plan, inputs, site.maps, site.zones)
        worth = rank_places(
            plan, inputs, site.maps, readings, told=told, ground=site.ground, count=count)
        if worth is not None:
            return _ranked(worth)
        found.append(warn(
            "sampling-no-variogram", "[sampling] layout",
            f"the samples of {told.nutrient} show no likeness by distance, so nothing tells what "
            "a further sample is worth", done="the points fill the widest gaps between samples",
        ))
    analyte = told.nutrient if told.nutrient in inputs.soil.columns else None
    taken = np.column_stack([inputs.soil.easting_m, inputs.soil.northing_m]) if analyte is None \
        else inputs.soil.measured(analyte)[0]
    candidates, _ = sampling.candidate_places(
        site.ground, spacing_m=told.lattice_m, most=_MOST_CANDIDATES)
    layout = sampling.fill_gaps(candidates=candidates, taken=taken, count=count)
    none = (None,) * len(layout.places)
    return Chosen(
        words=layout.words, places=layout.places, gains=none,
        ranks=tuple(range(1, len(layout.places) + 1)),
        whys=tuple(f"gap no. {k}" for k in range(1, len(layout.places) + 1)),
        findings=(*found, *layout.findings),
    )


def _ranked(worth: Worth) -> Chosen:
    if len(worth.places) == 0:
        raise PlanInfeasible(
            "no sample would change what is put on: " + worth.words, code="sampling-nothing-pays",
            where="[sampling]", findings=worth.findings,
            hint='lay out check samples with layout = "by zones" or "widest gaps", if you want any',
        )
    gains = [float(one) for one in worth.gain]
    return Chosen(
        words="where it pays most", places=worth.places, gains=tuple(gains),
        ranks=tuple(range(1, len(gains) + 1)),
        whys=tuple(f"rank {k}: {_amount(gain, worth.unit)}"
                   for k, gain in enumerate(gains, 1)),
        findings=(*worth.findings, note("sampling-worth", "[sampling]", worth.words)), worth=worth,
    )


def _amount(value: float, unit: str) -> str:
    digits = 0 if value >= 10 else 1
    return f"${value:,.2f}" if unit == "USD" else f"{value:,.{digits}f} {unit}"
