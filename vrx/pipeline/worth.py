"""Where the next samples would pay most on this field, by its plan's guide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from vrx import rules, sampling, surfaces
from vrx.errors import PlanError
from vrx.model import Finding, FloatArray, Surface, ZoneReading, note, warn
from vrx.pipeline import needs, season
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.stages import Drawn
from vrx.plan import Plan, SamplingSection

MOST_CELLS = 4000
MOST_CANDIDATES = 600
_NUTRIENT = {"potassium": "K2O", "sulfate": "S"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Worth:
    """Ranked places and what they bring.

    `places` (k, 2) and `gain` (k,) in the order of ranks, in `unit` ("lb K2O", "USD") over the
    field; `loss_before` as things stand, `loss_after` with all of them. `candidates` (m, 2) and
    `first_gain` (m,): what each place would bring alone. Empty places where no sample pays.
    """

    places: FloatArray
    gain: FloatArray
    unit: str
    loss_before: float
    loss_after: float
    candidates: FloatArray
    first_gain: FloatArray
    cells: int
    lattice_m: float
    words: str
    findings: tuple[Finding, ...]


def value_at(surface: Surface, places: FloatArray) -> FloatArray:
    """The map's value in the cell of each place (n, 2)."""
    grid = surface.grid
    row = np.clip((grid.north_m - places[:, 1]) // grid.cell_m, 0, grid.rows - 1).astype(int)
    column = np.clip((places[:, 0] - grid.west_m) // grid.cell_m, 0, grid.columns - 1).astype(int)
    return np.asarray(surface.values[row, column])


def rate_function(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], readings: Mapping[str, ZoneReading],
    *, analyte: str, cells: FloatArray,
) -> sampling.value.RateFunction:
    """The guide's rate of each cell (n, 2) by its soil test; all else as it is mapped there.

    The field's yield goal holds everywhere.
    """
    nutrient = _NUTRIENT[analyte]
    section = season.need_sections(plan).get(nutrient)
    if section is None:
        raise PlanError(
            f"the plan asks for no {nutrient}, so no sample of {analyte} can move a rate",
            code="sampling-no-need", where="[sampling] nutrient",
            hint="name a nutrient that [need] has a book for, or choose another layout",
        )
    book = find_book(inputs.books, section.book)
    beside = {key: value_at(drawn, cells)[:, None] for key, drawn in maps.items()}
    span = (0.0, np.inf)
    if book.analyte == analyte:
        span = rules.soil_span(book=book, options=section.options())

    def rates(tests: FloatArray) -> FloatArray:
        # Beyond the guide's range it has no rate: the nearest test that it reads stands in.
        tests = np.clip(tests, *span)
        held = {
            key: replace(
                readings[key], mean=tests if key == analyte
                else np.broadcast_to(values, tests.shape))
            for key, values in beside.items()
        }
        return rules.need_surface(
            book=book, nutrient=nutrient, readings=held, crop=plan.field.crop,
            expected_yield=season.expected_yield(plan),
            options=needs.book_options(plan, inputs, nutrient, section),
            water=needs.water_test(plan), credited=needs.credits_of(plan, nutrient),
        )[0]

    return rates


def rank_places(
    plan: Plan, inputs: Inputs, maps: Mapping[str, Surface], readings: Mapping[str, ZoneReading],
    *, told: SamplingSection, ground: shapely.Geometry, count: int,
) -> Worth | None:
    """Up to `count` places on `ground`, each the one that pays most when it is its turn.

    None where the map of the nutrient has no variogram, so that nothing tells what a sample is
    worth.
    """
    analyte, unit = told.nutrient, f"lb {_NUTRIENT[told.nutrient]}"
    if analyte not in maps:
        raise PlanError(
            f"[soil.{analyte}] is not read, so there is no map to better",
            code="sampling-no-map", where="[sampling] nutrient",
            hint=f"name one of {', '.join(maps)}, or choose another layout",
        )
    drawn = maps[analyte]
    if drawn.variogram is None:
        return None
    errors = surfaces.error_model(surface=drawn, places=inputs.soil.measured(analyte)[0])
    cells, lattice_m = sampling.candidate_places(
        inputs.field.boundary, spacing_m=told.lattice_m, most=MOST_CELLS)
    candidates, _ = sampling.candidate_places(
        ground, spacing_m=lattice_m, most=MOST_CANDIDATES)
    priced = told.usd_per_lb_over is not None
    ranking = sampling.rank_samples(
        mean=value_at(drawn, cells), variance=errors.variance(cells),
        cross=errors.covariance(candidates, cells),
        between=errors.covariance(candidates, candidates), noise=errors.noise,
        acres=np.full(len(cells), inputs.field.area_ac / len(cells)),
        rates=rate_function(plan, inputs, maps, readings, analyte=analyte, cells=cells),
        count=count,
        usd_per_lb_over=told.usd_per_lb_over if told.usd_per_lb_over is not None else 1.0,
        usd_per_lb_short=told.usd_per_lb_short if told.usd_per_lb_short is not None else 1.0,
        least_gain=told.usd_per_sample or 0.0,
    )
    unit = "USD" if priced else unit
    after = float(ranking.loss_after[-1]) if ranking.chosen else ranking.loss_before
    return Worth(
        places=candidates[list(ranking.chosen)], gain=ranking.gain, unit=unit,
        loss_before=ranking.loss_before, loss_after=after, candidates=candidates,
        first_gain=ranking.first_gain, cells=len(cells), lattice_m=lattice_m,
        words=_words(ranking, unit, inputs.field.area_ac) + _many(drawn),
        findings=_findings(ranking, count=count, unit=unit,
                           paid=told.usd_per_sample),
    )


def best_places(
    drawn: Drawn, readings: Mapping[str, ZoneReading], *, nutrient: str, count: int
) -> Worth | None:
    """Up to `count` places in the whole field where the next samples would pay most.

    By the plan's `[sampling]` for all but the nutrient ("potassium", "sulfate"). None where its map
    has no variogram.
    """
    told = drawn.plan.sampling.model_copy(update={"nutrient": nutrient})
    return rank_places(
        drawn.plan, drawn.inputs, drawn.maps, readings, told=told,
        ground=drawn.inputs.field.boundary, count=count)


def _words(ranking: sampling.Ranking, unit: str, area_ac: float) -> str:
    before = ranking.loss_before
    after = float(ranking.loss_after[-1]) if ranking.chosen else before
    return (
        f"{before:,.0f} {unit} ({before / area_ac:.1f} per acre) are expected to be too much here "
        f"and too little there as things stand; with these {len(ranking.chosen)} samples "
        f"{after:,.0f}. Counted cell by cell with the guide's rate at the map's value; zones and "
        "steps of the machine are not counted, and the variogram is taken as known"
    )


def _many(drawn: Surface) -> str:
    """What is said where the map knows more samples than the ranking counts."""
    if all(one.code != "surface-many-samples" for one in drawn.findings):
        return ""
    return ("; of the many samples a lot drawn from them stands in, so that the pounds are upper "
            "bounds")


def _findings(
    ranking: sampling.Ranking, *, count: int, unit: str, paid: float | None
) -> tuple[Finding, ...]:
    found = []
    if len(ranking.chosen) < count:
        why = "no further place brings a fall" if paid is None else (
            f"no further place brings more than the {paid:,.2f} USD that a sample costs")
        found.append(note(
            "sampling-stopped", "[sampling] points",
            f"{len(ranking.chosen)} of {count} samples pay: {why} in expected misapplied product",
        ))
    if not ranking.monotone:
        found.append(warn(
            "sampling-upper-bound", "[sampling]",
            "the guide's rate both rises and falls with the soil test",
            done=f"the figures in {unit} are upper bounds; the order of the places holds less well",
        ))
    return tuple(found)
