"""`[zones]`: what zones are made from, what lies on top of them, and what a machine can follow."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from vrx.plan.base import (
    Azimuth,
    Latitude,
    Longitude,
    NotNegative,
    Positive,
    Section,
    SoilKey,
    Text,
)

ZoneSource = Literal[
    "soil classes", "clusters", "rate classes", "own polygons", "soil map units", "grid cells",
    "pivot sectors", "whole field"]
Crossed = Literal["own polygons", "soil map units", "grid cells", "pivot sectors"]

_OF_POLYGONS = ("own polygons", "soil map units")
# Keys and the sources that read them.
_BELONGS: dict[str, tuple[str, ...]] = {
    "layers": ("clusters",),
    "clusters": ("clusters",),
    "rate": ("rate classes",),
    "cell_ac": ("grid cells",),
    "sectors": ("pivot sectors",),
    "breaks": ("soil classes",),
}
_GEOMETRY = ("grid cells", "pivot sectors")
MOST_BY_GEOMETRY = 400
"""Zones that cells, sectors and strips may make where the plan does not say."""


class ClustersSection(Section):
    """`[zones.clusters]`: how many clusters, and how they are found."""

    number: Annotated[int, Field(ge=2, le=20, strict=True)] | None = None
    way: Literal["k-means", "fuzzy c-means"] = "fuzzy c-means"
    fewest: Annotated[int, Field(ge=2, le=20, strict=True)] = 2
    most: Annotated[int, Field(ge=2, le=20, strict=True)] = 7
    blur_ft: NotNegative = 33.0
    seed: Annotated[int, Field(ge=0, le=2**31 - 1, strict=True)] = 0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.most < self.fewest:
            raise ValueError(f"most = {self.most} is below fewest = {self.fewest}")
        return self


class RateClassesSection(Section):
    """`[zones.rate]`: the pass whose rate is cut into classes, and how many at most."""

    of_pass: Text | None = Field(default=None, alias="pass")
    most_classes: Annotated[int, Field(ge=2, le=20, strict=True)] = 5


class SectorsSection(Section):
    """`[zones.sectors]`: dividing lines (compass degrees) and circles (feet) of a pivot."""

    centre: tuple[Longitude, Latitude] | None = None
    angles_deg: tuple[Azimuth, ...] = ()
    number: Annotated[int, Field(ge=2, le=180, strict=True)] | None = None
    first_deg: Azimuth = 0.0
    ring_radii_ft: tuple[Positive, ...] = ()

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if self.angles_deg and self.number is not None:
            raise ValueError("give angles_deg, or number of equal sectors, not both")
        if not (self.angles_deg or self.number or self.ring_radii_ft):
            raise ValueError("give angles_deg, number or ring_radii_ft")
        return self

    def lines(self) -> tuple[float, ...]:
        """All dividing lines, compass degrees."""
        if self.number is None:
            return self.angles_deg
        return tuple(self.first_deg + 360.0 * n / self.number for n in range(self.number))


class StripsSection(Section):
    """`[zones.strips]`: trial strips along the driving direction, on top of the zones."""

    width_ft: Positive
    number: Annotated[int, Field(ge=1, le=200, strict=True)]
    treatments: tuple[Text, ...] = ()
    seed: Annotated[int, Field(ge=0, le=2**31 - 1, strict=True)] | None = None
    start_ft: NotNegative | None = None

    @model_validator(mode="after")
    def _treatments_differ(self) -> Self:
        twice = sorted({one for one in self.treatments if self.treatments.count(one) > 1})
        if twice:
            raise ValueError(f"treatment {twice[0]!r} stands twice; repeats come from number")
        if self.treatments and self.number % len(self.treatments):
            raise ValueError(f"number = {self.number} is no multiple of the "
                             f"{len(self.treatments)} treatments")
        return self


class ZonesSection(Section):
    """`[zones]`: what the zones are made from, and what the machine can follow."""

    source: ZoneSource = Field(alias="from")
    nutrients: tuple[SoilKey, ...] = ("potassium",)
    breaks: dict[SoilKey, tuple[Positive, ...]] = Field(default_factory=dict)
    layers: tuple[Text, ...] = ()
    clusters: ClustersSection = ClustersSection()
    rate: RateClassesSection = RateClassesSection()
    polygons: Text | None = None
    polygons_layer: Text | None = None
    polygons_crs: Text | None = None
    label_column: Text | None = None
    cell_ac: Positive | None = None
    sectors: SectorsSection | None = None
    cross_with: Crossed | None = None
    strips: StripsSection | None = None
    driving_deg: Azimuth | None = None
    smallest_ac: NotNegative = 2.0
    narrowest_ft: NotNegative = 60.0
    most_zones: Annotated[int, Field(ge=1, le=2000, strict=True)] = 12
    smooth_ft: NotNegative = 0.0
    simplify_ft: NotNegative | None = None

    @model_validator(mode="after")
    def _source_has_its_keys(self) -> Self:
        sources = {self.source, self.cross_with}
        if self.cross_with == self.source or sources >= set(_OF_POLYGONS):
            raise ValueError(f'cross_with = "{self.cross_with}" needs other zones in from to cross')
        for source in _OF_POLYGONS:
            if source in sources and self.polygons is None:
                raise ValueError(f'"{source}" needs polygons = "<file>"')
        if "soil map units" in sources and self.label_column is None:
            raise ValueError('"soil map units" needs label_column, the column of the unit\'s name')
        if "grid cells" in sources and self.cell_ac is None:
            raise ValueError('"grid cells" needs cell_ac, acres per cell')
        if "pivot sectors" in sources and self.sectors is None:
            raise ValueError('"pivot sectors" needs a section [zones.sectors]')
        if self.strips is not None and self.driving_deg is None:
            raise ValueError("[zones.strips] needs driving_deg in [zones], the direction in "
                             "compass degrees that the machine drives in")
        if self.source == "clusters" and not self.layers and not self.cluster_nutrients():
            raise ValueError('from = "clusters" needs layers, nutrients, or both')
        for key, of in _BELONGS.items():
            if key in self.model_fields_set and not sources & set(of):
                raise ValueError(f'{key} belongs to from = "{of[0]}", not to "{self.source}"')
        return self

    def cluster_nutrients(self) -> tuple[SoilKey, ...]:
        """Soil tests to cluster by: only those that the plan names."""
        return self.nutrients if "nutrients" in self.model_fields_set else ()

    def most_of(self, source: str) -> int:
        """The largest number of zones; geometry of the user's own is not limited unless stated."""
        if "most_zones" in self.model_fields_set or source not in _GEOMETRY:
            return self.most_zones
        return MOST_BY_GEOMETRY


def require_layers(zones: ZonesSection, known: Sequence[str]) -> None:
    """`[zones] layers` names layers of the plan, each once. Raises `ValueError`."""
    for position, name in enumerate(zones.layers):
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            raise ValueError(
                f"zones.layers names {name!r}, but no [[layer]] is called so; "
                + (f"did you mean {near[0]!r}?" if near else
                   f"known: {', '.join(map(repr, known))}" if known else "add a [[layer]] section"))
        if name in zones.layers[:position]:
            raise ValueError(f"zones.layers names {name!r} twice")
