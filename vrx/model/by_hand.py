"""What a person changed by hand: rates of single zones, and how many edits are in force."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class RateOverride:
    """A rate set by hand for one zone and one pass, in the unit of the pass's material.

    `geometry` is the hash of the zone's polygon as it was then, `material` what the pass carried:
    with another polygon or material the rate no longer holds. `reason` is one of the list, `words`
    what the user wrote to it.
    """

    zone_id: int
    pass_id: str
    rate: float
    unit: str
    material: str
    reason: str
    geometry: str
    words: str = ""

    @property
    def because(self) -> str:
        """The reason with the user's own words."""
        return f"{self.reason}: {self.words}" if self.words else self.reason


@dataclass(frozen=True, slots=True, kw_only=True)
class RateByHand:
    """A rate by hand as it stands in a pass: beside it the rounded rate that the rule gives.

    `letter` is the zone's. `k2o_lb` and `s_lb` are pounds over the zone that it brings more
    (below 0: less) than the rule's rate; S of any form.
    """

    zone_id: int
    letter: str
    rule_rate: float
    rate: float
    unit: str
    k2o_lb: float
    s_lb: float
    reason: str
    words: str = ""

    @property
    def because(self) -> str:
        """The reason with the user's own words."""
        return f"{self.reason}: {self.words}" if self.words else self.reason


@dataclass(frozen=True, slots=True, kw_only=True)
class EditsSaid:
    """Edits that are in force: the hash of the state, how many, and the zones that are not the
    plan's own (by id). `state` is "" where nothing is changed by hand.
    """

    state: str = ""
    number: int = 0
    zone_ids: tuple[int, ...] = ()
    rates: tuple[RateOverride, ...] = ()


NO_EDITS = EditsSaid()
