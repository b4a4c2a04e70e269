"""Rules that put a reading into classes, one model for each kind of the closed set."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from vrx.rules.schema_parts import (
    Amount,
    Cited,
    Evidence,
    Fraction,
    Number,
    Positive,
    Slug,
    Strict,
    Text,
    YesNo,
    falling,
    rising,
    unique,
)

OptionName = Annotated[str, StringConstraints(strict=True, pattern=r"^[a-z][a-z0-9_]*$")]
Share = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=3)]


class RuleBase(Cited):
    """What every rule has."""

    id: Slug


class SoilClass(Strict):
    """One class: its upper end, exclusive (`below`) or inclusive (`up_to`); the last has none.

    `since` is the lower end as the guide prints it; it is only compared with the class before.
    `words` is told where a zone lies in the class. What a class leads to is `rate_lb_per_ac` (one,
    or one a yield column) or `share_of_removal`; `rate_not_read` says that the guide has a rate
    which the author of the book could not read, so that the plan must give it.
    """

    name: Text
    since: Number | None = None
    below: Number | None = None
    up_to: Number | None = None
    rate_lb_per_ac: Amount | tuple[Amount, ...] | None = None
    rate_not_read: YesNo = False
    share_of_removal: Share | None = None
    extra_lb_per_ac: Amount | None = None
    words: Text | None = None

    @property
    def limit(self) -> float | None:
        """The upper end, None for the last class."""
        return self.below if self.below is not None else self.up_to

    @model_validator(mode="after")
    def _one_end(self) -> SoilClass:
        if self.below is not None and self.up_to is not None:
            raise ValueError("give below or up_to, not both")
        if self.since is not None and self.limit is not None and self.limit <= self.since:
            raise ValueError(f"class {self.name} runs from {self.since:g} to {self.limit:g}, "
                             "which holds nothing")
        if self.rate_not_read and self.rate_lb_per_ac is not None:
            raise ValueError(f"class {self.name}: give rate_lb_per_ac or rate_not_read, not both")
        return self


def require_cover(classes: Sequence[SoilClass], step: float | None) -> None:
    """ValueError naming the rows where classes leave a gap, overlap or are out of order.

    A class begins where the one before ends. Where the guide prints both ends (`since`), they
    must meet: at the same number, or one `printed_step` on ("0-60", "61-120" have the step 1).
    """
    limits = [c.limit for c in classes]
    if limits[-1] is not None or None in limits[:-1]:
        raise ValueError("every class but the last needs below or up_to, the last has neither")
    rising([x for x in limits if x is not None], "the classes' limits")
    unique([c.name for c in classes], "class name")
    for low, high in pairwise(classes):
        if high.since is None or low.limit is None:
            continue
        first = low.limit + (step or 0.0 if low.up_to is not None else 0.0)
        ends = f"{low.name} ends at {low.limit:g}, {high.name} begins at {high.since:g}"
        if high.since > first + 1e-9:
            why = "" if step else " (or give printed_step, the step of the printed numbers)"
            raise ValueError(f"a gap between classes {low.name} and {high.name}: {ends}{why}")
        if high.since < low.limit or (low.up_to is not None and step
                                      and high.since == low.limit):
            raise ValueError(f"classes {low.name} and {high.name} overlap: {ends}")
        if low.up_to is not None and not step and high.since == low.limit:
            raise ValueError(f"classes {low.name} and {high.name} both hold {low.limit:g}: use "
                             f"below for {low.name}, or leave since out of {high.name}")


def require_rates(classes: Sequence[SoilClass], columns: int, *, as_printed: bool) -> None:
    """ValueError unless every class has a rate (or says that it was not read), or none has."""
    rates = [c.rate_lb_per_ac for c in classes]
    open_ = [c.rate_not_read for c in classes]
    if any(r is not None for r in rates):
        for c in classes:
            if c.rate_lb_per_ac is None and not c.rate_not_read:
                raise ValueError(f"either every class has rate_lb_per_ac or none has; class "
                                 f"{c.name} has not (rate_not_read = true if it could not be read)")
    elif any(open_) and not all(open_):
        raise ValueError("either every class has rate_lb_per_ac or none has")
    for c in classes:
        many = isinstance(c.rate_lb_per_ac, tuple)
        if c.rate_lb_per_ac is not None and many != bool(columns):
            raise ValueError(
                f"class {c.name}: a list of rates goes with yield_tons, and only so")
        if isinstance(c.rate_lb_per_ac, tuple) and len(c.rate_lb_per_ac) != columns:
            raise ValueError(f"class {c.name}: {columns} yield_tons need as many rates")
    if as_printed:
        return
    for column in range(max(columns, 1)):
        held = [(c.name, r[column] if isinstance(r, tuple) else r)
                for c, r in zip(classes, rates, strict=True) if r is not None]
        falling([r for _, r in held], [f"class {name}" for name, _ in held], "rate_lb_per_ac")


class ClassTable(RuleBase):
    """Classes of a soil test, alone or with a rate each (or one per yield column)."""

    kind: Literal["class-table"]
    classes: tuple[SoilClass, ...] = Field(min_length=2)
    yield_tons: tuple[Positive, ...] = ()
    printed_step: Positive | None = None
    as_printed: YesNo = False

    @model_validator(mode="after")
    def _whole(self) -> ClassTable:
        require_cover(self.classes, self.printed_step)
        rising(self.yield_tons, "yield_tons")
        require_rates(self.classes, len(self.yield_tons), as_printed=self.as_printed)
        no_shares(self.classes)
        if len(self.yield_tons) == 1:
            raise ValueError("one yield column is a plain rate: leave yield_tons out")
        return self

    @property
    def has_rates(self) -> bool:
        """Whether every class carries a rate."""
        return all(c.rate_lb_per_ac is not None for c in self.classes)


class RatingTable(RuleBase):
    """A rate for the laboratory's own rating ("low", or an index "0", "1").

    The guide may print the limits of the ratings or leave them to the laboratory; the plan then
    says the rating itself, or the laboratory's limits.
    """

    kind: Literal["rating-table"]
    ratings: tuple[SoilClass, ...] = Field(min_length=2)
    printed_step: Positive | None = None
    as_printed: YesNo = False

    @model_validator(mode="after")
    def _whole(self) -> RatingTable:
        if any(c.limit is not None for c in self.ratings):
            require_cover(self.ratings, self.printed_step)
        unique([c.name for c in self.ratings], "rating")
        require_rates(self.ratings, 0, as_printed=self.as_printed)
        no_shares(self.ratings)
        return self

    @property
    def has_limits(self) -> bool:
        """Whether the guide prints the limits of the ratings."""
        return self.ratings[0].limit is not None

    @property
    def has_rates(self) -> bool:
        """Whether every rating carries a rate."""
        return all(c.rate_lb_per_ac is not None for c in self.ratings)


class SoilGroup(Cited):
    """The classes of one group of soils, such as a region or a texture."""

    name: Text
    classes: tuple[SoilClass, ...] = Field(min_length=2)


class GroupedClassTable(RuleBase):
    """Class tables by group of soils; the plan says which group the field (or a zone) is."""

    kind: Literal["grouped-class-table"]
    group_option: OptionName
    groups: tuple[SoilGroup, ...] = Field(min_length=2)
    printed_step: Positive | None = None
    as_printed: YesNo = False

    @model_validator(mode="after")
    def _whole(self) -> GroupedClassTable:
        require_groups(self.groups, self.printed_step)
        for group in self.groups:
            require_rates(group.classes, 0, as_printed=self.as_printed)
            no_shares(group.classes)
        return self

    @property
    def has_rates(self) -> bool:
        """Whether every class of every group carries a rate."""
        return all(c.rate_lb_per_ac is not None for g in self.groups for c in g.classes)


class Removal(Cited):
    """Nutrient in one ton of hay: by which author, per which ton, and taken up or removed."""

    name: Slug
    title: Text
    word: Literal["removes", "takes up"]
    form: Literal["K2O", "K", "S"]
    lb_per_ton: Positive
    basis_dm_fraction: Fraction
    basis_evidence: Evidence


class ClassShare(RuleBase):
    """A share of what the hay removes, by soil-test class, and an amount beside it."""

    kind: Literal["class-share"]
    removal: Removal
    group_option: OptionName | None = None
    groups: tuple[SoilGroup, ...] = Field(min_length=1)
    printed_step: Positive | None = None
    as_printed: YesNo = False

    @model_validator(mode="after")
    def _whole(self) -> ClassShare:
        require_groups(self.groups, self.printed_step)
        if (self.group_option is None) != (len(self.groups) == 1):
            raise ValueError("several groups need group_option, the name of the option by which "
                             "the plan chooses; one group needs none")
        for group in self.groups:
            shares = [c.share_of_removal for c in group.classes]
            if any(c.rate_lb_per_ac is not None for c in group.classes):
                raise ValueError("the classes of class-share hold share_of_removal, not "
                                 "rate_lb_per_ac")
            known = [s for s in shares if s is not None]
            if known and len(known) < len(shares):
                raise ValueError("either every class has share_of_removal or none has")
            if known and not self.as_printed:
                falling(known, [f"class {c.name}" for c in group.classes], "share_of_removal")
        return self

    @property
    def has_shares(self) -> bool:
        """Whether the guide prints the shares; else the plan must."""
        return all(c.share_of_removal is not None for g in self.groups for c in g.classes)


def require_groups(groups: Sequence[SoilGroup], step: float | None) -> None:
    """ValueError unless groups have names of their own and the same class names, all covered."""
    unique([g.name for g in groups], "group")
    for group in groups:
        require_cover(group.classes, step)
        if [c.name for c in group.classes] != [c.name for c in groups[0].classes]:
            raise ValueError(f"groups {groups[0].name} and {group.name} must have the same class "
                             "names in the same order")


def no_shares(classes: Sequence[SoilClass]) -> None:
    """ValueError where a class holds a share of removal and the kind takes none."""
    for c in classes:
        if c.share_of_removal is not None or c.extra_lb_per_ac is not None:
            raise ValueError(f"class {c.name}: share_of_removal and extra_lb_per_ac belong to the "
                             "kind class-share")
