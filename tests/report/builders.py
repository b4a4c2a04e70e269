"""Invented jobs for looking at the page and testing it: nothing here is a real field or guide.

The numbers hang together (rates are whole steps, totals are rate x acres, balances follow the
rates), so that a test may compare the page with them.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

import vrx.geo
from vrx.model import (
    CropTruth,
    ExportedFile,
    Field,
    Job,
    Material,
    MethodScore,
    Need,
    NeedLine,
    NutrientBalance,
    OrderLine,
    PassRates,
    Prescription,
    SoilColumn,
    SoilTable,
    Source,
    Surface,
    Variogram,
    Yield,
    Zone,
    ZoneReading,
    Zones,
    note,
    warn,
)

CENTRE = (-114.52, 42.61)
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


def letter_of(k: int) -> str:
    """ "A" to "Z", then "AA" and on."""
    return LETTERS[k] if k < 26 else LETTERS[k // 26 - 1] + LETTERS[k % 26]

MURIATE = Material(
    id="muriate of potash 0-0-60", code="KCL", form="dry", n_pct=0, p2o5_pct=0, k2o_pct=60,
    s_pct=0, mg_pct=0, cl_pct=45.2, density_lb_per_gal=None, s_form="",
    cautions=("brings chloride",), evidence="read", source="label",
)
THIOSULFATE = Material(
    id="potassium thiosulfate 0-0-25-17S", code="KTSS", form="liquid", n_pct=0, p2o5_pct=0,
    k2o_pct=25, s_pct=17, mg_pct=0, cl_pct=0, density_lb_per_gal=12.2, s_form="thiosulfate",
    cautions=("never mix with acid",), evidence="from memory", source="from memory, check label",
)


def boundary() -> shapely.MultiPolygon:
    """A lopsided pivot with a farmyard cut out, metres."""
    turn = np.linspace(0, 2 * np.pi, 181)[:-1]
    radius = 395 + 26 * np.cos(3 * turn + 0.5) + 14 * np.sin(5 * turn)
    shell = np.column_stack([radius * np.cos(turn) * 1.08 + 140, radius * np.sin(turn) - 90])
    hole = shapely.box(20, -10, 115, 70)
    return shapely.MultiPolygon([shapely.Polygon(shell, [hole.exterior.coords])])


def _curve(offset: float, swing: float, phase: float) -> shapely.LineString:
    east = np.linspace(-500, 800, 140)
    return shapely.LineString(
        np.column_stack([east, offset + swing * np.sin(east / 130 + phase) + 0.12 * east])
    )


def coverage(field: shapely.MultiPolygon, lines: list[Any]) -> list[shapely.Polygon]:
    """Polygons that lines cut a field into, north to south."""
    edges = shapely.union_all([shapely.boundary(field), *lines])
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(edges)))
    inside = [f for f in faces if field.contains(f.representative_point())]
    return sorted(inside, key=lambda f: -f.centroid.y)


def make_field(name: str = "Kettle pivot") -> Field:
    shape = boundary()
    return Field(name=name, crs_centre=CENTRE, boundary=shape,
                 area_ac=vrx.geo.area_ac(shape, CENTRE))


def _truth(east: Any, north: Any) -> Any:
    return 150 + 0.09 * north + 34 * np.sin(east / 170) + 16 * np.cos(north / 120 + east / 300)


def make_soil(field: Field, count: int = 40, seed: int = 7) -> SoilTable:
    rng = np.random.default_rng(seed)
    west, south, east, north = field.boundary.bounds
    spacing = math.sqrt(field.boundary.area / count)
    grid_e, grid_n = np.meshgrid(np.arange(west + spacing / 3, east, spacing),
                                 np.arange(south + spacing / 3, north, spacing))
    spots = np.column_stack([grid_e.ravel(), grid_n.ravel()])
    spots = spots + rng.uniform(-0.22, 0.22, spots.shape) * spacing
    spots = spots[shapely.contains_xy(field.boundary, spots[:, 0], spots[:, 1])][:count]
    n = len(spots)
    k = _truth(spots[:, 0], spots[:, 1]) + rng.normal(0, 11, n)
    s = np.clip(6.5 + rng.normal(0, 2.2, n), 1, None)
    s[3] = np.nan
    censored = np.zeros(n, dtype=np.int64)
    censored[5] = -1
    plain = np.zeros(n, dtype=np.int64)
    columns = {
        "potassium": SoilColumn(analyte="potassium", values=k, censored=plain,
                                extractant="mehlich-3", depth_in=(0, 8), source="K_M3, ppm K"),
        "sulfate": SoilColumn(analyte="sulfate", values=s, censored=censored,
                              extractant="calcium phosphate", depth_in=(0, 24),
                              source="SO4S, ppm SO4-S"),
        "ph": SoilColumn(analyte="ph", values=7.6 + rng.normal(0, 0.2, n), censored=plain,
                         extractant="", depth_in=(0, 8), source="pH"),
    }
    return SoilTable(
        file="soil.csv", sample_id=tuple(f"S{i + 1:02d}" for i in range(n)),
        easting_m=spots[:, 0], northing_m=spots[:, 1], columns=columns,
        sampled_on=tuple(["2026-09-14"] * (n - 2) + ["2026-09-15", ""]),
        lab="County soil laboratory", report_number="26-11874",
    )


def make_surface(
    field: Field, soil: SoilTable, analyte: str, unit: str, cell_m: float = 5.0
) -> Surface:
    """Inverse-distance values and a standard error that grows away from samples."""
    grid = vrx.geo.grid_over(field.boundary, cell_m=cell_m)
    places, readings = soil.measured(analyte)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    total, weights = np.zeros(grid.shape), np.zeros(grid.shape)
    nearest = np.full(grid.shape, np.inf)
    for (e, n), value in zip(places, readings, strict=True):
        distance = np.hypot(east - e, north - n)
        weight = 1 / (distance + 45) ** 2.5
        total, weights = total + weight * value, weights + weight
        nearest = np.minimum(nearest, distance)
    spread = float(readings.std())
    gaps = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    half = 0.5 * (readings[:, None] - readings[None]) ** 2
    upper = np.triu(np.ones_like(gaps, dtype=bool), 1)
    edges = np.linspace(0, 520, 9)
    lag, gamma, pairs = [], [], []
    for low, high in itertools.pairwise(edges):
        chosen = upper & (gaps >= low) & (gaps < high)
        if chosen.any():
            lag.append(float(gaps[chosen].mean()))
            gamma.append(float(half[chosen].mean()))
            pairs.append(float(chosen.sum()))
    n = len(readings)
    shift = np.random.default_rng(11).normal(0.0, 0.68 * spread, n)
    return Surface(
        analyte=analyte, unit=unit, grid=grid, values=total / weights,
        standard_error=spread * np.sqrt(0.15 + 0.7 * (1 - np.exp(-nearest / 90))),
        method="kriging",
        variogram=Variogram(model="exponential", nugget=0.2 * spread**2,
                            partial_sill=0.85 * spread**2, range_m=95.0),
        scores=(
            MethodScore(method="kriging", n=n, mean_error=0.31, rmse=0.68 * spread, skill=0.54,
                        msdr=1.08),
            MethodScore(method="inverse distance", n=n, mean_error=-0.4, rmse=0.74 * spread,
                        skill=0.45, msdr=None),
            MethodScore(method="field mean", n=n, mean_error=0.0, rmse=1.003 * spread, skill=0.0,
                        msdr=1.0),
        ),
        lag_m=np.array(lag), lag_semivariance=np.array(gamma), lag_pairs=np.array(pairs),
        left_out=np.column_stack([readings, readings + shift]),
    )


def make_zones(field: Field, polygons: list[Any]) -> Zones:
    return Zones(
        zones=tuple(
            Zone(zone_id=i + 1, letter=letter_of(i), polygon=polygon,
                 area_ac=vrx.geo.area_ac(polygon, field.crs_centre), label=f"soil K class {i + 1}")
            for i, polygon in enumerate(polygons)
        ),
        basis="classes of the soil-test map of potassium, at least 2.0 ac and 60 ft wide",
    )


def make_reading(surface: Surface, soil: SoilTable, zones: Zones) -> ZoneReading:
    mean, low, high = [], [], []
    for zone in zones.zones:
        _, cells = vrx.geo.cells_within(zone.polygon, surface.grid)
        rows, columns = cells.astype(int).T
        inside = surface.values[rows, columns]
        mean.append(inside.mean())
        low.append(inside.min())
        high.append(inside.max())
    column = soil.columns[surface.analyte]
    area = np.array([zone.area_ac for zone in zones.zones])
    return ZoneReading(
        analyte=surface.analyte, unit=surface.unit, extractant=column.extractant,
        depth_in=column.depth_in, mean=np.array(mean),
        standard_error=float(surface.standard_error.mean()) / np.sqrt(2 + area / 6),
        low=np.array(low), high=np.array(high),
    )


def _needs(zones: Zones, readings: dict[str, ZoneReading]) -> dict[str, tuple[Need, ...]]:
    k2o, s = [], []
    for i, zone in enumerate(zones.zones):
        soil_k = float(readings["potassium"].mean[i])
        lift = max(0.0, (165 - soil_k) * 1.9)
        lines = (
            NeedLine(term="removal", lb_per_ac=154.0, evidence="computed",
                     detail="5.5 t/ac dry matter × 28.0 lb K2O/t", locator="table 7, page 41"),
            NeedLine(term="build-up", lb_per_ac=lift, evidence="from memory",
                     detail=f"(165 − {soil_k:.0f} ppm) × 1.9 lb per ppm", locator="equation 2"),
            NeedLine(term="water", lb_per_ac=-12.5, evidence="computed",
                     detail="14.0 in × 3.9 ppm K × 0.2266", locator="plan, water"),
        )
        k2o.append(Need(zone_id=zone.zone_id, nutrient="K2O", book="invented-guide-2020",
                        lb_per_ac=sum(line.lb_per_ac for line in lines), lines=lines,
                        soil_class="low" if soil_k < 140 else "medium"))
        lines = (
            NeedLine(term="crop", lb_per_ac=34.0, detail="6.5 t/ac × 5.2 lb S/t",
                     locator="page 12", evidence="read"),
            NeedLine(term="organic matter", lb_per_ac=-6.4, detail="2.3 % × 2.8 lb S per 1 %",
                     locator="page 13", evidence="read"),
            NeedLine(term="water", lb_per_ac=-5.0, detail="credited by cutting", locator="plan",
                     evidence="user"),
        )
        s.append(Need(zone_id=zone.zone_id, nutrient="S", book="invented-sulfur-2016",
                      lb_per_ac=sum(line.lb_per_ac for line in lines), lines=lines))
    return {"K2O": tuple(k2o), "S": tuple(s)}


def _pass(
    number: int, material: Material, *, timing: str, method: str, wanted: Any, areas: Any,
    step: float, serves: str, kind: str, treated_ac: float | None = None,
) -> PassRates:
    steps = np.rint(np.asarray(wanted) / step).astype(np.int64)
    rates = steps * step
    total = float(np.dot(rates, areas))
    order = total if treated_ac is None else float(rates[0]) * treated_ac
    return PassRates(
        pass_id=f"pass-{number}", number=number, timing=timing, method=method, material=material,
        serves=serves, kind=kind, column=f"P{number}_{material.code}", step=step, steps=steps,
        rates=rates, treated_ac=treated_ac, wanted_total=float(np.dot(wanted, areas)) + 420.0,
        planned_total=float(np.dot(wanted, areas)), prescription_total=total, order_total=order,
    )


def _order(passes: tuple[PassRates, ...], usd_per_unit: dict[str, float]) -> tuple[OrderLine, ...]:
    lines = []
    for material in dict.fromkeys(p.material for p in passes):
        quantity = sum(p.order_total for p in passes if p.material is material)
        price = usd_per_unit.get(material.id)
        lines.append(OrderLine(
            material=material.id, unit=material.unit.removesuffix("/ac"), quantity=quantity,
            lb=quantity * material.lb_per_unit, short_tons=quantity * material.lb_per_unit / 2000,
            k2o_lb=quantity * material.nutrient_lb_per_unit("K2O"),
            s_lb=quantity * material.nutrient_lb_per_unit("S"), n_lb=0.0,
            usd=None if price is None else price * quantity,
            price_note="no price given" if price is None else "480.00 usd per short ton",
        ))
    return tuple(lines)


def prescribe(zones: Zones, needs: dict[str, tuple[Need, ...]]) -> Prescription:
    areas = np.array([zone.area_ac for zone in zones.zones])
    need_k = np.array([n.lb_per_ac for n in needs["K2O"]])
    need_s = np.array([n.lb_per_ac for n in needs["S"]])
    gallons = np.full(len(areas), 5.0)
    left = need_k - gallons * THIOSULFATE.nutrient_lb_per_unit("K2O")
    half = np.clip(left / 2 / 0.6, 0, None)
    passes = (
        _pass(1, MURIATE, timing="stubble of cutting 1", method="broadcast", wanted=half,
              areas=areas, step=10,
              serves="K2O", kind="variable"),
        _pass(2, THIOSULFATE, timing="stubble of cutting 2", method="through irrigation",
              wanted=gallons, areas=areas,
              step=0.25, serves="S", kind="flat", treated_ac=float(areas.sum()) + 2.4),
        _pass(3, MURIATE, timing="4 to 6 weeks before killing frost", method="broadcast",
              wanted=half * 0.9, areas=areas,
              step=10, serves="K2O", kind="variable"),
    )
    brought = {
        n: sum(p.rates * p.material.nutrient_lb_per_unit(n) for p in passes) for n in ("K2O", "S")
    }
    return Prescription(
        zone_ids=tuple(z.zone_id for z in zones.zones), zone_area_ac=tuple(areas.tolist()),
        passes=passes, order=_order(passes, {MURIATE.id: 0.24}),
        balances=(
            NutrientBalance(nutrient="K2O", need=need_k, brought=np.asarray(brought["K2O"])),
            NutrientBalance(nutrient="S", need=need_s, brought=np.asarray(brought["S"])),
        ),
    )


def _findings() -> tuple[Any, ...]:
    warned = [
        warn("soil-censored", "soil.csv, SO4S, row 7", "reading below the laboratory's limit",
             value="< 2", done="half the limit taken", todo="ask for the measured value"),
        warn("pass-water", "pass 2", "5.00 gal/ac wets 2.4 ac more than the prescription covers",
             done="ordered for the wetted acres", todo="shut off the injector over the yard"),
        warn("need-split", "zone C", "more than 200 lb K2O/ac over the season", done="split"),
        warn("soil-missing", "soil.csv, SO4S, sample S04", "no sulfate reading",
             done="left out of the sulfate map"),
        warn("rate-limit", "pass 1, zone B", "the machine spreads at most 330 lb/ac"),
        warn("soil-age", "soil.csv", "two sampling dates"),
        warn("zone-small", "zone E", "below 2.0 ac in one part"),
        warn("price-missing", "potassium thiosulfate 0-0-25-17S", "no price", done="cost blank"),
        warn("date-missing", "soil.csv, sample S40", "no date"),
    ]
    noted = [note(f"note-{i}", "run", f"a thing worth knowing, number {i}") for i in range(5)]
    return (*noted[:2], *warned, *noted[2:])


SOURCES = (
    Source(id="invented-guide-2020", title="Alfalfa potash guide (invented)", year="2020",
           publisher="Nowhere Extension", locator="tables 5 to 9", evidence="read"),
    Source(id="invented-buildup", title="Build-up equation (invented)", year="1995",
           publisher="Nowhere Extension", locator="equation 2", evidence="from memory"),
)
CAUTIONS = (
    "The product label, local codes and a certified adviser overrule every number here.",
    "Keep off water, wells and ditches; follow the set-backs of label and local codes.",
    "Chemigation: check valves, vacuum relief, low-pressure drain and interlock must work first.",
)
FILES = (
    ExportedFile(path="shapefile/kettle.shp", format="shapefile", sha256="ab" * 32, bytes=18_412),
    ExportedFile(path="kettle.geojson", format="GeoJSON", sha256="0c" * 32, bytes=9_204),
)


def make_job(
    *, polygons: list[Any] | None = None, name: str = "Kettle pivot", cell_m: float = 5.0
) -> Job:
    """The usual job: field with a hole, five zones, about 40 samples, three passes."""
    field = make_field(name)
    soil = make_soil(field)
    zones = make_zones(field, polygons or five_zones(field.boundary))
    surfaces = {
        "potassium": make_surface(field, soil, "potassium", "ppm", cell_m),
        "sulfate": make_surface(field, soil, "sulfate", "ppm", cell_m),
    }
    readings = {key: make_reading(surface, soil, zones) for key, surface in surfaces.items()}
    needs = _needs(zones, readings)
    return Job(
        field=field, crop="alfalfa", season=2027,
        expected_yield=Yield(tons_per_ac=6.5, moisture_pct=12), soil=soil, surfaces=surfaces,
        zones=zones, readings=readings, needs=needs, prescription=prescribe(zones, needs),
        materials=(MURIATE, THIOSULFATE),
        crop_truth=CropTruth(
            takes_up_k2o_lb_per_ac=371.9, takes_up_s_lb_per_ac=35.8,
            takes_up_source="common practice, no source: 475 lb K and 55 lb S in 10 tons",
            removes_k2o_lb_per_ac=280.3, removes_s_lb_per_ac=None,
            removes_source="49 lb K2O per ton of dry matter, computed from a published example",
        ),
        sources=SOURCES, findings=_findings(),
    )


def five_zones(field: shapely.MultiPolygon) -> list[Any]:
    lines = [_curve(150, 45, 0.3), _curve(-60, 60, 1.4), _curve(-290, 30, 0.0),
             shapely.LineString([(260, -60), (330, 60), (290, 400)])]
    faces = coverage(field, lines)
    faces.sort(key=lambda f: -f.area)
    # The smallest leftovers join the neighbour with the longest shared edge.
    while len(faces) > 5:
        small = faces.pop()
        best = max(range(len(faces)), key=lambda i: small.intersection(faces[i]).length)
        faces[best] = shapely.union_all([faces[best], small])
    return sorted(faces, key=lambda f: -f.centroid.y)


def crowded_zones(field: shapely.MultiPolygon) -> list[Any]:
    """Twelve or more zones, among them strips and chips with no room for a label."""
    lines = [_curve(offset, 25, phase) for offset, phase in
             ((240, 0.1), (215, 0.1), (120, 1.0), (104, 1.0), (0, 0.4), (-130, 2.0), (-250, 0.2))]
    lines += [shapely.LineString([(310, -500), (330, 500)]),
              shapely.LineString([(322, -500), (344, 500)])]
    faces = list(coverage(field, lines))
    faces.sort(key=lambda f: -f.area)
    while len(faces) > 22:
        small = faces.pop()
        best = max(range(len(faces)), key=lambda i: small.intersection(faces[i]).length)
        faces[best] = shapely.union_all([faces[best], small])
    return sorted(faces, key=lambda f: -f.centroid.y)


def forty_zones(field: shapely.MultiPolygon) -> list[Any]:
    """Forty zones: blocks of a patchwork and, through its middle, strips 20 m wide."""
    west, south, east, north = field.bounds
    across = [west + (east - west) * k / 7 for k in range(1, 7)]
    down = [south + (north - south) * k / 6 for k in range(1, 6)]
    lines = [shapely.LineString([(at, south - 9), (at + 40, north + 9)]) for at in across]
    lines += [shapely.LineString([(west - 9, at), (east + 9, at - 30)]) for at in down]
    lines += [shapely.LineString([(west - 9, at + off), (east + 9, at + off - 30)])
              for at in down[2:3] for off in (20, 40)]
    faces = sorted(coverage(field, lines), key=lambda f: -f.area)
    while len(faces) > 40:
        small = faces.pop()
        best = max(range(len(faces)), key=lambda i: small.intersection(faces[i]).length)
        faces[best] = shapely.union_all([faces[best], small])
    return sorted(faces, key=lambda f: -f.centroid.y)


def hostile(job: Job) -> Job:
    """The same job with markup and control characters in every text of a user."""
    bad = "<script>alert('x')</script> & \"q\" \x07 ]]>"
    zones = replace(job.zones, basis=bad, zones=tuple(
        replace(z, label=bad) for z in job.zones.zones))
    soil = job.soil
    soil = SoilTable(
        file=bad, sample_id=tuple(f"<b>{s}&" for s in soil.sample_id), easting_m=soil.easting_m,
        northing_m=soil.northing_m, columns=soil.columns, sampled_on=soil.sampled_on, lab=bad,
        report_number=bad,
    )
    material = replace(MURIATE, id=f"potash {bad}", code="KCL")
    passes = tuple(_with(p, material=material, timing=bad, method=bad)
                   for p in job.prescription.passes)
    return replace(
        job, field=replace(job.field, name=bad), crop=bad, soil=soil, zones=zones,
        prescription=replace(job.prescription, passes=passes),
        findings=(warn("soil-bad", bad, bad, value=bad, done=bad, todo=bad),),
        sources=(replace(SOURCES[0], title=bad, locator=bad),),
        crop_truth=replace(job.crop_truth, takes_up_source=bad, removes_source=bad),
    )


def _with(rates: PassRates, **changes: Any) -> PassRates:
    return replace(rates, **changes)


@dataclass(frozen=True)
class Written:
    """What `page` is given beside the job, in tests."""

    run: str = "0007"
    cautions: tuple[str, ...] = CAUTIONS
    files: tuple[ExportedFile, ...] = FILES


def main() -> None:
    """Write pages to look at: usual, crowded, hostile."""
    import sys
    from pathlib import Path

    from vrx.report import page, page_views

    folder = Path(sys.argv[1])
    usual = make_job()
    crowded = make_job(polygons=crowded_zones(boundary()), name="Crowded corner")
    forty = make_job(polygons=forty_zones(boundary()), name="Forty patches")
    one = make_job(polygons=[boundary().geoms[0]], name="One zone")
    for name, job in (("usual", usual), ("crowded", crowded), ("hostile", hostile(usual)),
                      ("forty", forty), ("one", one)):
        text = page(page_views(job, run="0007", cautions=CAUTIONS, files=FILES,
                    notes=["A note at the end."], pass_notes={"pass-2": ["Injector 62 gal/h."]}))
        folder.joinpath(f"{name}.html").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
