"""What stands around the passes: cuttings and windows, go or no-go, what comes first, livestock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

GO = "go"
NO_GO = "no-go"
NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutting:
    """One cutting of the season; `regrowth` is the day with about 2 in of regrowth."""

    number: int
    cut: date
    bales_off: date
    water_on: date | None = None
    regrowth: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PassWindow:
    """When a pass can be made. None is not known; `words` say what the two days rest on.

    `fits` tells of the planned day `on` (None without one, or without a window). `closed` is a
    window that is over before it opens.
    """

    pass_id: str
    number: int
    timing: str
    opens: date | None
    closes: date | None
    on: date | None
    closed: bool
    fits: bool | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """A later pass that could carry part of what a missed one leaves, and what binds it."""

    pass_id: str
    number: int
    lb: float
    bound: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MissedPass:
    """What one missed pass leaves of one need: pounds, by zone letter, and who could carry it."""

    pass_id: str
    number: int
    nutrient: str
    short_lb: float
    short_lb_per_ac: tuple[tuple[str, float], ...]
    carriers: tuple[Carrier, ...]
    still_lb: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GoItem:
    """One line of a go / no-go list: what was stated, the rule, and where the rule comes from."""

    pass_id: str
    number: int
    item: str
    verdict: str
    stated: str
    rule: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstItem:
    """One line of what comes before spending on K and S. `verdict` is one of five:

    "fix first", "do not spend", "weigh", "in order", "not known".
    """

    item: str
    verdict: str
    stated: str
    rule: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedItem:
    """One line on hay as feed: what was stated or computed, against a limit with its source."""

    item: str
    verdict: str
    stated: str
    rule: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Care:
    """All of it, for the page and the job record; empty tuples where the plan says nothing."""

    cuttings: tuple[Cutting, ...] = ()
    killing_frost: date | None = None
    windows: tuple[PassWindow, ...] = ()
    missed: tuple[MissedPass, ...] = ()
    conditions: tuple[GoItem, ...] = ()
    first: tuple[FirstItem, ...] = ()
    feed: tuple[FeedItem, ...] = ()


NO_CARE = Care()
