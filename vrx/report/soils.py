"""Samples, soil-test maps and zone readings made ready for print."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from vrx.model import ANALYTES, Job, Surface
from vrx.report import charts, knowledge, maps, numbers, sample_charts, variograms, words


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteRow:
    """One analyte of the soil table: where it stood, how it was extracted, what it reads."""

    name: str
    source: str
    extractant: str
    depth: str
    count: int
    low: str
    middle: str
    high: str
    censored: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceView:
    """One soil-test map with its checks."""

    key: str
    name: str
    method: str
    cell: str
    value_map: Markup
    error_map: Markup
    remark: str
    variogram: Markup | None
    variogram_words: str
    zones: Markup | None
    histogram: Markup | None
    left_out: Markup | None
    score: str
    honesty: str
    difference: str
    scores: tuple[tuple[str, ...], ...]
    known: knowledge.KnowledgeView | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingCell:
    """A zone's reading: mean, standard error and range."""

    mean: str
    error: str
    span: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSoil:
    """A zone's readings and classes; `position` counts from 0."""

    position: int
    letter: str
    area: str
    label: str
    cells: tuple[ReadingCell, ...]
    classes: tuple[str, ...]


def _trusted(picture: str) -> Markup:
    return Markup(picture)  # noqa: S704 - svg.py built it and escaped every text


def analyte_rows(job: Job) -> list[AnalyteRow]:
    """The columns of the soil table."""
    rows = []
    for key, column in job.soil.columns.items():
        _, values = job.soil.measured(key)
        ordered = sorted(values.tolist())
        half = len(ordered) // 2
        middle = math.nan
        if ordered:
            middle = ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
        low, high = (ordered[0], ordered[-1]) if ordered else (math.nan, math.nan)
        rows.append(
            AnalyteRow(
                name=words.opening(words.analyte_name(key)), source=column.source,
                extractant=column.extractant or "–", depth=words.depth(column.depth_in),
                count=len(ordered), low=numbers.reading(low, key),
                middle=numbers.reading(middle, key), high=numbers.reading(high, key),
                censored=words.censored_words(column),
            )
        )
    return rows


def sample_rows(job: Job) -> list[tuple[str, ...]]:
    """Name, date and every reading of each sample; "<" or ">" before a censored one."""
    marks = {-1: "< ", 0: "", 1: "> "}
    rows = []
    for i, name in enumerate(job.soil.sample_id):
        cells = [name, job.soil.sampled_on[i] or "–"]
        for key, column in job.soil.columns.items():
            value = float(column.values[i])
            shown = numbers.reading(value, key)
            cells.append(shown if math.isnan(value) else marks[int(column.censored[i])] + shown)
        rows.append(tuple(cells))
    return rows


def _scores(surface: Surface) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            score.method + (" (used)" if score.method == surface.method else ""), str(score.n),
            numbers.spread(score.rmse, surface.analyte),
            numbers.signed(score.mean_error, ANALYTES[surface.analyte].decimals + 1),
            numbers.signed(score.skill, 2),
            "–" if score.msdr is None else numbers.fixed(score.msdr, 2),
            "–" if score.block_rmse is None
            else numbers.spread(score.block_rmse, surface.analyte),
            score.remark or "–",
        )
        for score in surface.scores
    )


def histogram(job: Job, key: str) -> Markup | None:
    """Samples of a mapped analyte by reading; None where none is known exactly."""
    column = job.soil.columns[key]
    exact = column.values[(column.censored == 0) & np.isfinite(column.values)]
    if not len(exact):
        return None
    return _trusted(sample_charts.histogram(
        key=f"histogram-{key}", name=words.opening(words.analyte_name(key)),
        unit=job.surfaces[key].unit, values=exact,
        limits=sample_charts.class_limits(job, key),
        beyond=int(((column.censored != 0) & np.isfinite(column.values)).sum())))


def _left_out(key: str, surface: Surface, name: str) -> Markup | None:
    if surface.left_out is None or not len(surface.left_out):
        return None
    return _trusted(sample_charts.left_out_chart(key=f"left-out-{key}", surface=surface, name=name))


def surface_view(job: Job, key: str) -> SurfaceView:
    """One mapped analyte."""
    surface, reading = job.surfaces[key], job.readings.get(key)
    letters = [zone.letter for zone in job.zones.zones]
    name = words.opening(words.analyte_name(key))
    value = maps.soil_map(key=f"map-{key}", field=job.field, surface=surface, soil=job.soil,
                          name=name, taken=words.taken(job.soil.columns[key]))
    error = maps.error_map(key=f"error-{key}", field=job.field, surface=surface,
                           soil=job.soil, name=words.substance(key))
    zones = None if reading is None else _trusted(charts.reading_chart(
        key=f"zones-{key}", reading=reading, zones=job.zones.zones, name=name))
    chart = None if not (surface.lag_pairs > 0).any() else _trusted(variograms.variogram_chart(
        key=f"variogram-{key}", surface=surface, name=name))
    return SurfaceView(
        key=key, name=name, method=words.method_words(surface),
        cell=numbers.distance(surface.grid.cell_m), value_map=_trusted(value.svg),
        error_map=_trusted(error.svg), remark=value.remark, variogram=chart, zones=zones,
        histogram=histogram(job, key), left_out=_left_out(key, surface, name),
        variogram_words=" ".join(surface.variogram_words),
        score=words.score_words(surface), honesty=words.honesty_words(surface),
        difference="" if reading is None else words.zone_difference(reading, letters),
        scores=_scores(surface), known=knowledge.view(job, key),
    )


def surface_views(job: Job) -> list[SurfaceView]:
    """Every mapped analyte."""
    return [surface_view(job, key) for key in job.surfaces]


def zone_soils(job: Job) -> list[ZoneSoil]:
    """Readings with standard errors, and the class of each nutrient's need, by zone."""
    rows = []
    for i, zone in enumerate(job.zones.zones):
        cells = []
        for key, reading in job.readings.items():
            low, high = (numbers.reading(float(v[i]), key) for v in (reading.low, reading.high))
            cells.append(
                ReadingCell(
                    mean=numbers.reading(float(reading.mean[i]), key),
                    error=numbers.spread(float(reading.standard_error[i]), key),
                    span=f"{low} to {high}",
                )
            )
        rows.append(
            ZoneSoil(
                position=i, letter=zone.letter, area=numbers.acres(zone.area_ac), label=zone.label,
                cells=tuple(cells),
                classes=tuple(needs[i].soil_class or "–" for needs in job.needs.values()),
            )
        )
    return rows
