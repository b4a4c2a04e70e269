"""`[season_plan]` and the candidates of `[[pass]]`: passes whose materials are chosen together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from vrx.plan.base import Positive, Section, Text

if TYPE_CHECKING:
    from vrx.plan.schema import PassSection

PLANNED = ("planned", "planned flat")


class CandidateSection(Section):
    """An entry of `materials`: a material that the pass may carry, and what its label says."""

    material: Text
    label_most_lb_per_ac: Positive | None = None
    label_most_gal_per_ac: Positive | None = None
    label_most_season_gal_per_ac: Positive | None = None
    density_lb_per_gal: Positive | None = None


def _by_name(value: object) -> object:
    """A bare name stands for a candidate of which nothing more is said."""
    return {"material": value} if isinstance(value, str) else value


Candidates = tuple[Annotated[CandidateSection, BeforeValidator(_by_name)], ...]


class LoadSection(Section):
    """`[season_plan.whole_loads]`: what one load holds."""

    short_tons: Positive | None = None
    lb: Positive | None = None
    gal: Positive | None = None

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if sum(size is not None for size in (self.short_tons, self.lb, self.gal)) != 1:
            raise ValueError("give exactly one of short_tons, lb or gal for a load")
        return self


class SeasonPlanSection(Section):
    """`[season_plan]`: how materials and rates of planned passes are chosen.

    `steps` = "inside" searches over whole machine steps; "after" rounds once, at the end.
    `whole_loads` are materials that are bought by whole loads.
    """

    aim: Literal["least cost", "fewest passes", "least deviation"]
    steps: Literal["after", "inside"] = "after"
    whole_loads: dict[str, LoadSection] = Field(default_factory=dict)


_OF_CANDIDATES = ("label_most_lb_per_ac", "label_most_gal_per_ac", "label_most_season_gal_per_ac",
                  "density_lb_per_gal")


def require_materials(told: PassSection) -> None:
    """Raises `ValueError` for a pass without its material, or with keys of the other kind."""
    if told.rate not in PLANNED:
        if told.materials:
            raise ValueError('materials belongs to rate = "planned" or "planned flat"; give '
                             "material")
        if told.material is None:
            raise ValueError("key 'material' is missing")
        return
    if told.material is not None or not told.materials:
        raise ValueError('a planned pass names what it may carry: materials = ["...", "..."], '
                         "and no material")
    if told.serves is not None or told.share_of_need is not None:
        raise ValueError("a planned pass serves both needs: leave serves and share_of_need out")
    for key in _OF_CANDIDATES:
        if getattr(told, key) is not None:
            raise ValueError(f'{key} belongs to a material: materials = [{{ material = "...", '
                             f"{key} = {getattr(told, key):g} }}]")
    names = [one.material for one in told.materials]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"materials names {twice[0]!r} twice")


def require_season_plan(
    passes: Sequence[PassSection], told: SeasonPlanSection | None
) -> None:
    """Raises `ValueError` where planned passes and `[season_plan]` do not go together."""
    planned = [one for one in passes if one.rate in PLANNED]
    if told is None:
        if planned:
            raise ValueError(f'pass {planned[0].id!r} has rate = "{planned[0].rate}", but there is '
                             'no [season_plan]; add one with aim = "least cost", "fewest passes" '
                             'or "least deviation"')
        return
    if not planned:
        raise ValueError('[season_plan] plans nothing: give passes rate = "planned" and materials')
    other = [one for one in passes if one.rate in {"variable", "flat"}]
    if other:
        raise ValueError(f'pass {other[0].id!r} has rate = "{other[0].rate}" beside planned passes:'
                         ' make it "planned" (one material will do) or give it a rate of its own')
    names = {one.material for each in planned for one in each.materials}
    strangers = sorted(set(told.whole_loads) - names)
    if strangers:
        raise ValueError(f"season_plan.whole_loads names {strangers[0]!r}, which no planned pass "
                         f"may carry; the materials are {', '.join(sorted(names))}")


def materials_of(passes: Sequence[PassSection]) -> set[str]:
    """Every material that a pass carries or may carry."""
    return {name for one in passes
            for name in (one.material, *(each.material for each in one.materials)) if name}
