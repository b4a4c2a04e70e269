"""What sampling places are chosen on, and what is chosen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import shapely

from vrx.model import Field, Finding, FloatArray, Surface, Zones
from vrx.pipeline.inputs import Inputs
from vrx.pipeline.worth import Worth
from vrx.plan import Plan, SamplingSection


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Site:
    """What the points are laid out on."""

    field: Field
    told: SamplingSection
    ground: shapely.Geometry
    away: tuple[shapely.Geometry, ...]
    zones: Zones | None
    inputs: Inputs | None
    plan: Plan | None
    maps: Mapping[str, Surface]
    findings: tuple[Finding, ...]
    boundary_file: str | None = None
    zones_file: str | None = None
    edits: str = ""

    @property
    def outlines(self) -> tuple[tuple[str, shapely.Geometry], ...]:
        """(letter, polygon) of every zone; none where the field is one."""
        made = () if self.zones is None else self.zones.zones
        return tuple((one.letter, one.polygon) for one in made) if len(made) > 1 else ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chosen:
    """Places of whatever layout, with rank, gain and reason of each."""

    words: str
    places: FloatArray
    ranks: tuple[int | None, ...]
    gains: tuple[float | None, ...]
    whys: tuple[str, ...]
    findings: tuple[Finding, ...]
    worth: Worth | None = None
