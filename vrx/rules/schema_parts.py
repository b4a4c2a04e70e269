"""Parts of a rule book that rules share: numbers, citations, soil test, ranges, conversions."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

Evidence = Literal["read", "computed", "from memory", "common practice, no source", "user"]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Amount = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
Fraction = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1)]
Text = Annotated[str, StringConstraints(strict=True, strip_whitespace=True, min_length=1)]
Slug = Annotated[str, StringConstraints(strict=True, pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
YesNo = Annotated[bool, Field(strict=True)]


class Strict(BaseModel):
    """Unknown keys are errors; values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Cited(Strict):
    """Something with numbers in it: where they are printed and how well they are known."""

    locator: Text
    evidence: Evidence
    note: str = ""


class SourceText(Strict):
    """The guide as it is printed at the end of a page."""

    title: Text
    publisher: Text
    year: Text
    locator: Text
    evidence: Evidence


class Ton(Cited):
    """What a ton of hay means in the guide: dry matter in it, as a fraction (1 = dry matter)."""

    dm_fraction: Fraction


class Depth(Cited):
    """Sampling depth in inches that the guide's numbers belong to.

    `or_to_in` is a second bottom for which the guide prints the same numbers.
    """

    from_in: Amount
    to_in: Positive
    tolerance_in: Amount = 0.0
    or_to_in: Positive | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Depth:
        for bottom in (self.to_in, self.or_to_in):
            if bottom is not None and bottom <= self.from_in:
                raise ValueError(f"the layer {self.from_in:g}-{bottom:g} in has no thickness")
        return self


class Scale(Cited):
    """How many of the guide's units 1 ppm is; without `per_ppm` the plan must say it."""

    per_ppm: Positive | None = None


class SoilTest(Cited):
    """The soil test that the guide reads.

    What the guide (or the copy of it that was read) does not say is written down as not stated,
    never left out: the plan then has to stand for its own extractant or depth.
    """

    analyte: Literal["potassium", "sulfate"]
    unit: Literal["ppm", "lb/ac", "mg/L"]
    scale: Scale | None = None
    extractants: tuple[Text, ...] = ()
    extractants_not_stated: YesNo = False
    depth: Depth | None = None
    depth_not_stated: YesNo = False

    @model_validator(mode="after")
    def _said(self) -> SoilTest:
        if bool(self.extractants) == self.extractants_not_stated:
            raise ValueError("give extractants, or extractants_not_stated = true where the guide "
                             "names none (not both)")
        if (self.depth is not None) == self.depth_not_stated:
            raise ValueError("add a [soil.depth] table, or depth_not_stated = true where the "
                             "guide names none (not both)")
        if (self.unit == "ppm") == (self.scale is not None):
            raise ValueError(f"unit {self.unit!r}: a [soil.scale] table with per_ppm (how many "
                             f"{self.unit} make 1 ppm) is wanted for every unit but ppm")
        return self


class Range(Cited):
    """Where the guide holds for one input, and what happens outside: `stop` or `clamp`."""

    input: Literal[
        "potassium", "sulfate", "cec", "organic_matter", "ph", "dry_matter_tons_per_ac",
        "tissue_pct", "tissue_ppm", "water_net_in", "water_so4s_ppm",
    ]
    low: Number
    high: Number
    outside: Literal["stop", "clamp"]

    @model_validator(mode="after")
    def _ordered(self) -> Range:
        if self.low >= self.high:
            raise ValueError(f"low ({self.low:g}) must lie under high ({self.high:g})")
        return self


class Caution(Cited):
    """A sentence that goes wherever a rate of the book goes."""

    text: Text
    above_lb_per_ac: Amount | None = None


class Conversion(Cited):
    """A published factor from one extractant's scale to another's, used only by its name."""

    name: Text
    analyte: Literal["potassium", "sulfate"]
    from_extractant: Text
    to_extractant: Text
    factor: Positive
    region: Text


class Crop(Cited):
    """What a crop takes up at a stated yield, elemental, whole crop."""

    id: Slug
    stated_tons_per_ac: Positive
    basis_dm_fraction: Fraction
    basis_evidence: Evidence
    p_lb_per_ac: Positive
    k_lb_per_ac: Positive
    s_lb_per_ac: Positive


def rising(values: Sequence[float], what: str) -> None:
    """ValueError unless each value lies above the one before."""
    if any(b <= a for a, b in pairwise(values)):
        raise ValueError(f"{what} must rise: {', '.join(f'{v:g}' for v in values)}")


def falling(values: Sequence[float], names: Sequence[str], what: str) -> None:
    """ValueError, naming the rows, where a value lies above the one before."""
    for (low, a), (high, b) in pairwise(zip(names, values, strict=True)):
        if b > a:
            raise ValueError(
                f"{what} must not rise with the soil test: {high} has {b:g}, {low} has {a:g} "
                "(if the guide prints it so, say as_printed = true)")


def unique(values: Sequence[str], what: str) -> None:
    """ValueError where a name stands twice."""
    twice = sorted({v for v in values if list(values).count(v) > 1})
    if twice:
        raise ValueError(f"{what} used twice: {', '.join(twice)}")
