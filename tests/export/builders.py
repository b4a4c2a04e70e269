"""Invented fields, zones, rates, maps and samples for exports; all figures are made up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely

from vrx import geo
from vrx.export import ExportSet, build_set
from vrx.formats.legend import Legend
from vrx.model import (
    Field,
    Finding,
    Material,
    OrderLine,
    PassRates,
    Prescription,
    Severity,
    SoilColumn,
    SoilTable,
    Surface,
    Zone,
    Zones,
)

CENTRE = (-85.5, 42.1)
KCL = Material(
    id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0, p2o5_pct=0, k2o_pct=60, s_pct=0,
    mg_pct=0, cl_pct=45, density_lb_per_gal=None, s_form="", cautions=(), evidence="", source="",
)
KTS = Material(
    id="potassium thiosulfate 0-0-25-17S", code="KTS", form="liquid", n_pct=0, p2o5_pct=0,
    k2o_pct=25, s_pct=17, mg_pct=0, cl_pct=0, density_lb_per_gal=12.2, s_form="thiosulfate",
    cautions=(), evidence="", source="",
)


def letters(number: int) -> str:
    """A, B … Z, AA, AB …"""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(65 + rest) + text
    return text


def cut(field: shapely.Geometry, pieces: Sequence[shapely.Geometry]) -> list[shapely.Geometry]:
    """The field cut by pieces that tile the plane, noded at once."""
    lines = shapely.union_all([field.boundary, *(piece.boundary for piece in pieces)])
    faces = [one for one in shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
             if field.contains(one.representative_point())]
    made = [
        shapely.union_all([one for one in faces if piece.contains(one.representative_point())])
        for piece in pieces
    ]
    return [one for one in made if not one.is_empty]


def zones_of(shapes: Sequence[shapely.Geometry], centre: tuple[float, float] = CENTRE,
             labels: Sequence[str] = ()) -> Zones:
    made = tuple(
        Zone(zone_id=k + 1, letter=letters(k), polygon=one, area_ac=geo.area_ac(one, centre),
             label=labels[k] if labels else f"class {k}")
        for k, one in enumerate(shapes))
    return Zones(zones=made, basis="test shapes")


def strips(count: int, *, side: float = 400.0, hole: bool = True) -> list[shapely.Geometry]:
    field = shapely.box(0, 0, side, side)
    if hole:
        field = field.difference(shapely.Point(side * 0.27, side * 0.52).buffer(side * 0.11))
    return cut(field, [
        shapely.box(side * k / count, 0, side * (k + 1) / count, side) for k in range(count)])


def checks(rows: int, columns: int, *, side: float = 800.0) -> list[shapely.Geometry]:
    """Squares, north to south, west to east."""
    wide, high = side / columns, side / rows
    return [
        shapely.box(c * wide, side - (r + 1) * high, (c + 1) * wide, side - r * high)
        for r in range(rows) for c in range(columns)]


def rates_of(number: int, material: Material, rates: Sequence[float], step: float, zones: Zones,
             **more: object) -> PassRates:
    steps = np.round(np.array(rates, dtype=float) / step).astype(np.int64)
    unit = material.unit.split("/")[0].upper()
    total = float(sum(s * step * z.area_ac for s, z in zip(steps, zones.zones, strict=True)))
    told = {
        "pass_id": f"pass-{number}", "timing": "stubble of cutting 1", "method": "broadcast",
        "serves": "K2O", "kind": "variable", "treated_ac": None, "wanted_total": total,
        "planned_total": total, "prescription_total": total, "order_total": total, **more}
    return PassRates(
        number=number, material=material, column=f"P{number}_{material.code}_{unit}", step=step,
        steps=steps, rates=steps * step, **told)


def field_of(zones: Zones, centre: tuple[float, float] = CENTRE, name: str = "Strips") -> Field:
    whole = shapely.coverage_union_all([zone.polygon for zone in zones.zones])
    parts = [one for one in shapely.get_parts(whole) if isinstance(one, shapely.Polygon)]
    return Field(name=name, crs_centre=centre, area_ac=zones.area_ac,
                 boundary=shapely.MultiPolygon(parts))


def surface_of(field: Field, *, analyte: str = "potassium", unit: str = "ppm", cell_m: float = 5.0,
               seed: int = 0) -> Surface:
    grid = geo.grid_over(field.boundary, cell_m=cell_m)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    values = 150 + east / 10 + north / 20 + np.random.default_rng(seed).normal(size=grid.shape)
    empty = np.empty(0)
    return Surface(
        analyte=analyte, unit=unit, grid=grid, values=values, standard_error=5 + values / 50,
        method="kriging", variogram=None, scores=(), lag_m=empty, lag_semivariance=empty,
        lag_pairs=empty)


def soil_of(field: Field, ids: Sequence[str] = ("S1", "S2", "S3")) -> SoilTable:
    west, south, east, north = field.boundary.bounds
    count = len(ids)
    values = np.array([110.5, np.nan, 240.0, *np.linspace(90, 300, max(count - 3, 0))])[:count]
    column = SoilColumn(
        analyte="potassium", values=values, censored=np.array([-1, 0, 1, *[0] * count])[:count],
        extractant="mehlich-3", depth_in=(0.0, 8.0), source="K_M3, ppm K")
    return SoilTable(
        file="soil.csv", sample_id=tuple(ids), easting_m=np.linspace(west + 9, east - 9, count),
        northing_m=np.linspace(south + 9, north - 9, count), columns={"potassium": column},
        sampled_on=("2026-04-01",) * count, lab="Invented Lab", report_number="17")


FINDINGS = (
    Finding(severity=Severity.WARN, code="test-one", where="zone A, Größe", what="50 % <of> \"it\"",
            value="3", done="kept", todo="look"),
    Finding(severity=Severity.NOTE, code="test-two", where="",
            what="line\nbreak and a \x00 nought"),
)
ORDER = (
    OrderLine(material=KCL.id, unit="lb", quantity=12345.678, lb=12345.678, short_tons=6.172839,
              k2o_lb=7407.4068, s_lb=0.0, n_lb=0.0, usd=None, price_note="no price"),
)


def legend(name: str = "K") -> Legend:
    return Legend(name=name, low=(0.0, 100.0), high=(100.0, 200.0), colours=("#eeeeff", "#223366"),
                  words=("0 to 100", "100 to 200"))


def full_set(
    shapes: Sequence[shapely.Geometry] | None = None, *, centre: tuple[float, float] = CENTRE,
    rates: Sequence[float] | None = None, step: float = 0.5, name: str = "Strips",
    labels: Sequence[str] = (), maps: bool = True, samples: bool = True, cell_m: float = 5.0,
) -> ExportSet:
    """A set with two passes (dry and liquid), two maps, samples, order, findings, legends."""
    zones = zones_of(strips(4) if shapes is None else shapes, centre, labels)
    count = len(zones.zones)
    field = field_of(zones, centre, name)
    dry = [120.0 + 10 * (k % 7) for k in range(count)] if rates is None else rates
    passes = (
        rates_of(1, KCL, dry, step, zones),
        rates_of(2, KTS, [5.0 + 0.1 * (k % 5) for k in range(count)], 0.1, zones,
                 method="through irrigation", treated_ac=zones.area_ac),
    )
    prescription = Prescription(
        zone_ids=tuple(range(1, count + 1)), zone_area_ac=tuple(z.area_ac for z in zones.zones),
        passes=passes, order=ORDER, balances=())
    surfaces = () if not maps else (
        surface_of(field, cell_m=cell_m),
        surface_of(field, analyte="sulfate", cell_m=cell_m, seed=1))
    return build_set(
        field=field, zones=zones, prescription=prescription,
        soil=soil_of(field) if samples else None, surfaces=surfaces, findings=FINDINGS,
        crop="alfalfa", season=2027, record=[("run", "run-0"), ("plan.sha256", "00")],
        legends=[(passes[0].column, legend("K2O")), (passes[1].column, legend("KTS")),
                 *((one.analyte, legend(one.analyte)) for one in surfaces)])
