"""A plan and its folder → checked field, samples, zones of the user's own, books and materials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import shapely

from vrx import geo, intake, products, rules
from vrx.errors import InputError
from vrx.model import Field, Finding, Material, SoilTable
from vrx.pipeline.commit import sha256
from vrx.pipeline.lab_tests import (
    NO_TESTS,
    FieldTests,
    as_told,
    read_field_tests,
    table_files,
)
from vrx.pipeline.layer_files import layer_files
from vrx.pipeline.parts import Part, at_once
from vrx.pipeline.response import trial_files
from vrx.plan import (
    BlendSection,
    FieldPlan,
    PivotSection,
    Plan,
    PointsSection,
    SoilSection,
    ZonesSection,
    layout_findings,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnZones:
    """The user's own zone polygons in the field's CRS, with their labels."""

    polygons: tuple[shapely.Polygon | shapely.MultiPolygon, ...]
    labels: tuple[str, ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inputs:
    """All that a run reads, checked. `record` is what the manifest says of it."""

    folder: Path
    field: Field
    soil: SoilTable
    own_zones: OwnZones | None
    books: Mapping[str, rules.Book]
    materials: Mapping[str, Material]
    record: dict[str, Any]
    tests: FieldTests = NO_TESTS
    history: intake.SoilHistory = intake.NO_HISTORY
    blend_findings: tuple[Finding, ...] = ()


def read_inputs(plan: Plan, *, plan_file: Path, part: Part = at_once) -> Inputs:
    """Read everything that the plan names, relative to the plan's folder."""
    folder = plan_file.parent

    def on_field() -> Field:
        found = read_field(plan, folder=folder)
        require_one_side(found, where=plan.field.boundary or "[field.pivot]")
        return found

    field = part("field", on_field)
    table = part("samples", lambda: read_soil(
        plan.soil, field=field, season=plan.field.season, folder=folder), field)
    history = part("history", lambda: intake.read_history(
        path=folder / plan.soil.samples, field=field, spec=soil_spec(plan.soil, folder=folder),
        chosen=table), field, table)
    said = layout_findings(plan_file)
    soil = part("soil", lambda: with_layout_told(table, said), table, repr(said))
    own = part("own zones", lambda: None if plan.zones.polygons is None else read_own_zones(
        plan.zones, field=field, folder=folder), field)
    material_paths = [folder / name for name in plan.materials]
    materials, of_blends = part("materials", lambda: products.add_blends(
        products.load_materials([folder / name for name in plan.materials]),
        [blend_of(one) for one in plan.blends], where="[[blend]]"))
    return Inputs(
        folder=folder,
        field=field,
        soil=soil,
        history=history,
        own_zones=own,
        books=part("books", lambda: rules.load_books([folder / name for name in plan.books])),
        materials=materials,
        blend_findings=of_blends,
        tests=part("tests", lambda: read_field_tests(plan, folder=folder), as_told(plan)),
        record=_record(plan, plan_file=plan_file, material_paths=material_paths),
    )


def blend_of(told: BlendSection) -> products.Blend:
    """A plan's blend as it is asked for."""
    return products.Blend(
        id=told.id, code=told.code, by=told.by, density_lb_per_gal=told.density_lb_per_gal,
        parts=tuple((part.material, part.parts) for part in told.part))


def read_field(plan: Plan | FieldPlan, *, folder: Path) -> Field:
    """The plan's boundary: of a file, or a pivot's."""
    told = plan.field
    if told.pivot is not None:
        return read_pivot(told.pivot, name=told.name, crs_centre=told.centre, folder=folder)
    if told.boundary is None:
        raise InputError("no boundary is named", code="boundary-missing", where="[field]")
    return intake.read_boundary(
        path=folder / told.boundary, name=told.name, layer=told.boundary_layer,
        crs=told.boundary_crs, crs_centre=told.centre, select=told.boundary_name,
        inside_polygons=told.inside_polygons, several=told.several, crossing=told.crossing,
        close_gap=told.close_gap,
    )


def read_pivot(
    told: PivotSection, *, name: str, crs_centre: tuple[float, float] | None, folder: Path
) -> Field:
    """The ground under the plan's pivot."""
    away, said = ((), ()) if told.exclusions is None else intake.read_exclusions(
        path=folder / told.exclusions, layer=told.exclusions_layer, crs=told.exclusions_crs)
    return intake.pivot_boundary(
        name=name, crs_centre=crs_centre, exclusions=away, findings=said,
        **told.model_dump(exclude=set(told.EXCLUSIONS)))


def require_one_side(field: Field, *, where: str) -> None:
    """Raises `InputError` for a field across longitude 180: no file that is written can hold it."""
    west, _, east, _ = geo.to_lonlat(field.boundary, field.crs_centre).bounds
    if east - west > 180.0:
        raise InputError(
            f"{field.name!r} crosses longitude 180, where degrees jump from 180 to -180",
            code="boundary-crosses-180", where=where,
            hint="the files for the rate controller cannot hold such a field: cut the boundary at "
            "longitude 180 and make one plan for each side",
        )


def read_soil(told: SoilSection, *, field: Field, season: int, folder: Path) -> SoilTable:
    """The plan's samples, on the field."""
    return intake.read_soil(
        path=folder / told.samples, field=field, spec=soil_spec(told, folder=folder), season=season
    )


def soil_spec(told: SoilSection, *, folder: Path) -> intake.SoilSpec:
    """What the plan states of its soil table."""
    columns = {
        key: intake.ColumnSpec(**one.model_dump(exclude_none=True))
        for key, one in told.analytes().items()
    }
    away = {"samples", "points", "layout", "cuttings_hauled_since_sampling", *type(told).ANALYTES}
    return intake.SoilSpec(columns=columns, points=_points(told.points, folder=folder),
                           **told.model_dump(exclude=away))


def _points(told: PointsSection | None, *, folder: Path) -> intake.PointsSpec | None:
    if told is None:
        return None
    own = {"id_match", "only_inside", "over_own_positions", "repeats"}
    return intake.PointsSpec(
        path=folder / told.file, **told.model_dump(include=own),
        places=intake.SoilSpec(**told.model_dump(exclude={"file", *own})))


def with_layout_told(soil: SoilTable, said: tuple[Finding, ...]) -> SoilTable:
    """The samples with what the plan's column map said, and where the plan went before it."""
    return replace(soil, findings=(*said, *soil.findings)) if said else soil


def read_own_zones(told: ZonesSection, *, field: Field, folder: Path) -> OwnZones:
    """The polygons that `[zones]` names."""
    if told.polygons is None:
        raise InputError("no zone polygons are named", code="zones-polygons", where="[zones]")
    polygons, labels, findings = intake.read_polygons(
        path=folder / told.polygons, field=field, layer=told.polygons_layer,
        crs=told.polygons_crs, label_column=told.label_column,
    )
    return OwnZones(polygons=polygons, labels=labels, findings=findings)


def input_paths(plan: Plan, *, folder: Path) -> dict[str, Path]:
    """Every file that the plan names, with those that belong to it: path in the folder → file."""
    pivot = plan.field.pivot
    # A pivot is wholly in the plan, whose own hash stands for it; its exclusions are a file.
    shape = plan.field.boundary if pivot is None else pivot.exclusions
    named = [plan.soil.samples] if shape is None else [shape, plan.soil.samples]
    if plan.soil.points is not None:
        named.append(plan.soil.points.file)
    if plan.soil.layout is not None:
        named.append(plan.soil.layout)
    if plan.zones.polygons is not None:
        named.append(plan.zones.polygons)
    named += [one.from_file.file for one in plan.passes
              if one.from_file is not None and one.from_file.file is not None]
    named += [section.file for section in plan.yield_goal.log]
    named += [*table_files(plan), *trial_files(plan), *plan.books, *plan.materials]
    files: dict[str, Path] = {}
    for name in named:
        for path in intake.input_files(folder / name):
            files[_relative(path, folder)] = path
    for path in layer_files(plan, folder=folder):
        files[_relative(path, folder)] = path
    return files


def _record(plan: Plan, *, plan_file: Path, material_paths: list[Path]) -> dict[str, Any]:
    files = input_paths(plan, folder=plan_file.parent)
    return {
        "plan": {"path": plan_file.name, "sha256": sha256(plan_file)},
        "inputs": [
            {"path": name, "sha256": sha256(path), "bytes": path.stat().st_size}
            for name, path in sorted(files.items())
        ],
        "materials_sha256": products.materials_sha256(material_paths),
    }


def _relative(path: Path, folder: Path) -> str:
    # A path of this machine never enters a job record: outside the folder the name alone stands.
    resolved, home = path.resolve(), folder.resolve()
    inside = resolved.is_relative_to(home)
    return resolved.relative_to(home).as_posix() if inside else resolved.name
