"""Yield logs of a plan → the yield goal of each zone, with the field's goal as their mean."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vrx import intake
from vrx.errors import PlanError
from vrx.model import (
    Field,
    Finding,
    Grid,
    LayerGrid,
    Yield,
    YieldPattern,
    Zones,
    note,
    warn,
)
from vrx.pipeline.parts import Part, at_once
from vrx.plan import Plan
from vrx.plan.yields import YieldLogSection

# Cells without a reading take the nearest one within this many cells; beyond it they have none.
_FILL_CELLS = 4.0
# Goals of zones whose mean is further from the field's goal are told as a doubt (our choice).
_GOALS_APART = 0.05
_MEASURES = ("time", "interval", "distance", "speed", "swath")
_PLACES = (
    "longitude_column", "latitude_column", "easting_column", "northing_column", "crs", "layer",
    "sheet",
)
_LOG = (
    "moisture_pct", "moisture_column", "to_moisture_pct", "moisture_unknown", "harvest",
    "harvest_column", "pass_column", "working_column", "machine_column", "swath_m",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneGoals:
    """A yield goal for each zone, in order, where they are from, and what is to be told of them."""

    goals: tuple[Yield, ...]
    source: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pattern:
    """Where the field yields more and where less: harvests first, then layers."""

    layers: tuple[LayerGrid, ...]
    harvests: int
    pattern: YieldPattern
    findings: tuple[Finding, ...]


def zone_goals(
    plan: Plan, *, field: Field, made: Zones, grid: Grid, folder: Path,
    progress: Callable[[str], None], patterns: Sequence[LayerGrid] = (), part: Part = at_once,
    told_only: bool = False,
) -> ZoneGoals | None:
    """The plan's goal times each zone's relative yield; None where the plan names no pattern.

    Every harvest of every log is cleaned, gridded and divided by its own mean; so is each of
    `patterns`, the layers of yield that the plan names. All count alike. With `told_only` no
    finding is made.
    """
    told = plan.yield_goal
    if told.by_zone:
        return _stated(plan, made)
    if not told.log and not patterns:
        return None
    held = part("yield pattern", lambda: _pattern(
        plan, field=field, grid=grid, folder=folder, progress=progress, patterns=patterns),
        field, *patterns)
    shares = intake.zone_yield_shares(
        relative=held.pattern.relative, grid=grid,
        polygons=[zone.polygon for zone in made.zones],
        zone_ids=[zone.zone_id for zone in made.zones],
    )
    goals = tuple(
        Yield(tons_per_ac=told.tons_per_ac * float(share), moisture_pct=told.moisture_pct)
        for share in shares.share
    )
    counted = _counted(held.harvests, len(patterns))
    findings = () if told_only else (
        *held.findings, *held.pattern.findings, *shares.findings,
        *_about(plan, field=field, made=made, held=held, goals=goals, counted=counted))
    return ZoneGoals(
        goals=goals, findings=findings,
        source=f"the zone's share of the field's {told.tons_per_ac:g} t/ac by "
        f"{counted}, cleaned and scaled to the field's mean")


def _about(
    plan: Plan, *, field: Field, made: Zones, held: _Pattern, goals: Sequence[Yield], counted: str,
) -> list[Finding]:
    """How steady the zones are, and their goals in words."""
    each = ", ".join(
        f"{zone.letter} {goal.tons_per_ac:.2f}"
        for zone, goal in zip(made.zones, goals, strict=True)
    )
    steady = intake.zone_stability(layers=held.layers, field=field, zones={
        zone.letter: zone.polygon for zone in made.zones})
    return [*steady, note(
        "yield-goal-by-zone", "[yield_goal]",
        f"{plan.yield_goal.tons_per_ac:g} t/ac shared out by {counted}: {each}",
        done="the area-weighted mean stays the plan's goal",
        todo="a zone that yields less for want of K or S needs more, not less: judge the pattern",
    )]


def _pattern(
    plan: Plan, *, field: Field, grid: Grid, folder: Path, progress: Callable[[str], None],
    patterns: Sequence[LayerGrid],
) -> _Pattern:
    findings: list[Finding] = []
    layers = []
    for section in plan.yield_goal.log:
        progress(f"cleaning {section.file}")
        clean = intake.CleanSpec(off=section.filters_off, delay_s=section.delay_s)
        for log in intake.read_yield_logs(
            path=folder / section.file, field=field, spec=_spec(section)
        ):
            cleaned = intake.clean_yield(log=log, spec=clean)
            layer = intake.grid_yield(
                log=cleaned, grid=grid, field=field, fill_within_m=_FILL_CELLS * grid.cell_m
            )
            findings += [*cleaned.findings, *layer.findings]
            layers.append(layer)
    every = (*layers, *patterns)
    return _Pattern(layers=every, harvests=len(layers), findings=tuple(findings),
                    pattern=intake.normalise_yields(layers=every, field=field))


def _stated(plan: Plan, made: Zones) -> ZoneGoals:
    """Goals that the plan states zone by zone. PlanError for letters that fit no zone."""
    told = plan.yield_goal
    letters = [zone.letter for zone in made.zones]
    stated = {letter.casefold(): tons for letter, tons in told.by_zone.items()}
    known = {letter.casefold() for letter in letters}
    strangers = sorted(letter for letter in told.by_zone if letter.casefold() not in known)
    missing = [letter for letter in letters if letter.casefold() not in stated]
    if strangers or missing:
        parts = [f"names {', '.join(strangers)}"] if strangers else []
        parts += [f"has no goal for {', '.join(missing)}"] if missing else []
        raise PlanError(
            f"by_zone {' and '.join(parts)}; the zones are {', '.join(letters)}",
            code="yield-goal-zones", where="[yield_goal] by_zone",
            hint="give every zone of this plan its goal, by its letter")
    goals = tuple(Yield(tons_per_ac=stated[letter.casefold()], moisture_pct=told.moisture_pct)
                  for letter in letters)
    mean = sum(goal.tons_per_ac * zone.area_ac
               for goal, zone in zip(goals, made.zones, strict=True)) / made.area_ac
    each = ", ".join(f"{letter} {stated[letter.casefold()]:g}" for letter in letters)
    what = (f"goals stated zone by zone, {each}; their mean by area is {mean:.2f} t/ac, the "
            f"field's goal {told.tons_per_ac:g}")
    apart = abs(mean - told.tons_per_ac) > _GOALS_APART * told.tons_per_ac
    found = warn("yield-goal-by-zone", "[yield_goal]", what,
                 done="needs rest on the zones' goals, what the crop takes up on the field's",
                 todo="make them agree") if apart else note(
        "yield-goal-by-zone", "[yield_goal]", what, done="needs rest on the zones' goals")
    return ZoneGoals(goals=goals, findings=(found,), source="stated for this zone")


def _counted(harvests: int, layers: int) -> str:
    parts = [f"{n} {word}{'s' * (n > 1)}"
             for n, word in ((harvests, "harvest"), (layers, "layer")) if n]
    return " and ".join(parts)


def _spec(section: YieldLogSection) -> intake.YieldSpec:
    told: dict[str, Any] = {name: getattr(section, name) for name in _LOG}
    for name in _MEASURES:
        column = getattr(section, f"{name}_column")
        if column is not None:
            told[name] = intake.LogColumn(column=column, unit=getattr(section, f"{name}_unit"))
    return intake.YieldSpec(
        amount=intake.LogColumn(column=section.amount_column, unit=section.amount_unit),
        places=intake.PlaceColumns(**{name: getattr(section, name) for name in _PLACES}),
        **told,
    )
