"""The lines of `edits.jsonl`: what each kind of record must hold, and nothing else.

    seq     1, 2, ...: the number of the line
    after   the record that it was made on (0: as the plan makes zones and rates)
    on      the hash of the state that it was made on; `state` the hash afterwards
    op      what was done, with its arguments
    at      when, in the words of whoever wrote it (vrx itself reads no clock)

Places are metres in the field's own system. A record that changes zones holds the result too:
`result` names the zones that are gone and holds those that are new or changed, each with its place
in the order and its polygon (hexadecimal WKB, double precision), so that nobody has to cut again.
A hash of a state has two parts, of the zones and of the rates: "ZONES-RATES".
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, TypeAdapter

_MOST_ZONES = 100_000
_MOST_POINTS = 200_000
_MOST_HEX = 16 << 20

Hash = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{24}$")]
State = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{24}-[0-9a-f]{24}$")]
Number = Annotated[int, Field(ge=1, le=10_000_000)]
ZoneId = Annotated[int, Field(ge=1, le=1_000_000_000)]
Metres = Annotated[float, Field(ge=-1e8, le=1e8, allow_inf_nan=False)]
Place = tuple[Metres, Metres]
Line = Annotated[tuple[Place, ...], Field(min_length=2, max_length=_MOST_POINTS)]
Hex = Annotated[str, StringConstraints(pattern=r"^([0-9a-f][0-9a-f])+$", max_length=_MOST_HEX)]
Said = Annotated[str, StringConstraints(max_length=2000)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=200)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class ZoneLine(_Strict):
    """A zone that is new or changed; `position` counts from 0 in the order of all zones after."""

    zone_id: ZoneId
    letter: Name
    label: Said
    position: Annotated[int, Field(ge=0, lt=_MOST_ZONES)]
    polygon: Hex


class FindingLine(_Strict):
    """A finding of the edit."""

    severity: Literal["stop", "warn", "note"]
    code: Name
    where: Said
    what: Said
    value: Said = ""
    done: Said = ""
    todo: Said = ""


class Result(_Strict):
    """What an edit made of the zones: ids that are gone, ids that are new, all that is changed."""

    removed: Annotated[tuple[ZoneId, ...], Field(max_length=_MOST_ZONES)]
    made: Annotated[tuple[ZoneId, ...], Field(max_length=_MOST_ZONES)]
    zones: Annotated[tuple[ZoneLine, ...], Field(max_length=_MOST_ZONES)]
    highest_id: ZoneId
    findings: tuple[FindingLine, ...] = ()


class _Record(_Strict):
    seq: Number
    after: Annotated[int, Field(ge=0, le=10_000_000)]
    on: State
    state: State
    at: Annotated[str, StringConstraints(max_length=100)] | None = None


class Split(_Record):
    """A zone cut along a line."""

    op: Literal["split"]
    zone_id: ZoneId
    line: Line
    result: Result


class Merge(_Record):
    """Several zones as one."""

    op: Literal["merge"]
    zone_ids: Annotated[tuple[ZoneId, ...], Field(min_length=2, max_length=_MOST_ZONES)]
    apart: bool
    result: Result


class MoveCorner(_Record):
    """A corner moved in all zones that share it."""

    op: Literal["move-corner"]
    corner: Place
    to: Place
    result: Result


class Redraw(_Record):
    """The border between two neighbours replaced by a line."""

    op: Literal["redraw"]
    between: tuple[ZoneId, ZoneId]
    line: Line
    result: Result


class Assign(_Record):
    """What lies in an outline given to one zone."""

    op: Literal["assign"]
    zone_id: ZoneId
    area: Hex
    result: Result


class Rename(_Record):
    """Another letter or label."""

    op: Literal["rename"]
    zone_id: ZoneId
    letter: Name | None
    label: Said | None
    result: Result


class Rate(_Record):
    """A rate of one zone in one pass set by hand; `geometry` is the hash of the zone's polygon."""

    op: Literal["rate"]
    zone_id: ZoneId
    pass_id: Name
    rate: Annotated[float, Field(ge=0, le=1e9, allow_inf_nan=False)]
    unit: Literal["lb/ac", "gal/ac"]
    material: Name
    reason: Name
    words: Annotated[str, StringConstraints(max_length=500)] = ""
    geometry: Hash


class ClearRate(_Record):
    """The rule's rate again."""

    op: Literal["clear-rate"]
    zone_id: ZoneId
    pass_id: Name


class Go(_Record):
    """The state of another record (0: as the plan made it): undo and redo."""

    op: Literal["go"]
    to: Annotated[int, Field(ge=0, le=10_000_000)]


ZoneEdit = Split | Merge | MoveCorner | Redraw | Assign | Rename
RateEdit = Rate | ClearRate
Record = ZoneEdit | RateEdit | Go
ZONE_EDITS = (Split, Merge, MoveCorner, Redraw, Assign, Rename)
OPS = ("split", "merge", "move-corner", "redraw", "assign", "rename", "rate", "clear-rate", "go")

RECORD: TypeAdapter[Record] = TypeAdapter(Annotated[Record, Field(discriminator="op")])
