"""A centre pivot's way: what each part of its turn wets, and how long it takes.

Acres are exact integrals of half the squared reach over the angle: R² θ / 2 for a circle, with the
end gun's throw where it runs, and the square's edge where a corner arm follows it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from vrx.errors import PlanError
from vrx.products.irrigation_water import GPM_PER_AC_IN_PER_H, degrees_per_h
from vrx.units import FT2_PER_AC

_NEAR = 1e-9
Arc = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pivot:
    """A centre pivot: lengths in feet, azimuths in compass degrees clockwise from north.

    `start_deg` and `stop_deg` bound a pivot that turns over a part of the circle. The end gun
    throws `end_gun_ft` further within its arcs. Within its arcs a corner arm reaches up to
    `corner_arm_ft` further, but not beyond the square of `square_side_ft` around the pivot (sides
    north and east), and never less far than `radius_ft`.
    """

    radius_ft: float
    inner_radius_ft: float = 0.0
    start_deg: float | None = None
    stop_deg: float | None = None
    end_gun_ft: float = 0.0
    end_gun_arcs: tuple[Arc, ...] = ()
    corner_arm_ft: float = 0.0
    corner_arm_arcs: tuple[Arc, ...] = ()
    square_side_ft: float | None = None
    last_tower_ft: float | None = None
    full_speed_ft_per_h: float | None = None
    full_speed_circle_h: float | None = None

    @property
    def sweep(self) -> float:
        """Degrees that it turns over."""
        if self.start_deg is None or self.stop_deg is None:
            return 360.0
        return clockwise(self.start_deg, self.stop_deg)

    @property
    def full_degrees_per_h(self) -> float | None:
        """Degrees an hour with the percent timer at 100; None if the plan does not say."""
        if self.full_speed_circle_h is not None:
            return 360.0 / self.full_speed_circle_h
        if self.full_speed_ft_per_h is not None and self.last_tower_ft is not None:
            return degrees_per_h(self.full_speed_ft_per_h, last_tower_ft=self.last_tower_ft)
        return None

    def reach_ft(self, azimuth_deg: float, *, end_gun: bool, corner_arm: bool) -> float:
        """How far from the pivot water falls in one direction."""
        reach = self.radius_ft
        if corner_arm and self.square_side_ft is not None:
            off = _off_axis(azimuth_deg)
            edge = self.square_side_ft / 2.0 / math.cos(math.radians(off))
            reach = min(self.radius_ft + self.corner_arm_ft, max(edge, self.radius_ft))
        return reach + (self.end_gun_ft if end_gun else 0.0)

    def sector_ac(
        self, start_deg: float, sweep_deg: float, *, end_gun: bool = False,
        corner_arm: bool = False,
    ) -> float:
        """Acres wetted from an azimuth over `sweep_deg` degrees clockwise."""
        gun = self.end_gun_ft if end_gun else 0.0
        if not corner_arm or self.square_side_ft is None:
            half = ((self.radius_ft + gun) ** 2 - self.inner_radius_ft**2) / 2.0
            return half * math.radians(sweep_deg) / FT2_PER_AC
        total = 0.0
        for low, high in itertools.pairwise(self._square_cuts(start_deg, start_deg + sweep_deg)):
            total += self._square_part(low, high, gun)
        return total / FT2_PER_AC

    def _square_cuts(self, low: float, high: float) -> list[float]:
        """Azimuths where the reach changes its formula, between and with both ends."""
        half = (self.square_side_ft or 0.0) / 2.0
        reaches = (self.radius_ft, self.radius_ft + self.corner_arm_ft)
        offs = [45.0, *(math.degrees(math.acos(half / reach)) for reach in reaches
                        if half < reach <= half * math.sqrt(2.0))]
        cuts = {low, high}
        for axis in range(math.floor(low / 90.0) - 1, math.ceil(high / 90.0) + 2):
            cuts |= {90.0 * axis + sign * off for off in offs for sign in (-1.0, 1.0)}
            cuts.add(90.0 * axis)
        return [cut for cut in sorted(cuts) if low <= cut <= high]

    def _square_part(self, low: float, high: float, gun: float) -> float:
        """Square feet where one formula holds: along the square's edge, or at a fixed reach."""
        turn = math.radians(high - low)
        middle = (low + high) / 2.0
        edge = (self.square_side_ft or 0.0) / 2.0 / math.cos(math.radians(_off_axis(middle)))
        fixed = self.reach_ft(middle, end_gun=True, corner_arm=True) - self.end_gun_ft
        if self.radius_ft < edge < self.radius_ft + self.corner_arm_ft:
            half = (self.square_side_ft or 0.0) / 2.0
            near, far = sorted(math.radians(_off_axis(one)) for one in (low, high))
            squares = half**2 * (math.tan(far) - math.tan(near))
            lengths = half * (_log_secant(far) - _log_secant(near))
        else:
            squares, lengths = fixed**2 * turn, fixed * turn
        area = squares + 2.0 * gun * lengths + gun**2 * turn
        return (area - self.inner_radius_ft**2 * turn) / 2.0


def _off_axis(azimuth_deg: float) -> float:
    """Degrees to the nearest of north, east, south and west, 0 to 45."""
    rest = azimuth_deg % 90.0
    return min(rest, 90.0 - rest)


def _log_secant(angle: float) -> float:
    return math.log(1.0 / math.cos(angle) + math.tan(angle))


def clockwise(start_deg: float, stop_deg: float) -> float:
    """Degrees clockwise from one azimuth to another; equal ones are a whole turn."""
    return (stop_deg - start_deg) % 360.0 or 360.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How fast the pivot turns: exactly one figure is set.

    `full_circle_h` are hours for 360 degrees, `speed_pct` per cent of full speed, `gross_in` inches
    of water over the ground that this pace covers, `hours` those for this ground.
    """

    full_circle_h: float | None = None
    speed_pct: float | None = None
    gross_in: float | None = None
    hours: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One turn of the pivot: where it begins, which way, how fast, where the injector is off.

    `paces` are arcs (clockwise from, to) with a pace of their own, `cuts` further azimuths at which
    the schedule begins a new leg, such as borders of sectors.
    """

    begin_deg: float
    is_clockwise: bool
    pace: Pace
    paces: tuple[tuple[Arc, Pace], ...] = ()
    off_arcs: tuple[Arc, ...] = ()
    cuts: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part of the turn in which nothing changes; `begin` and `end` are degrees of travel."""

    begin: float
    end: float
    start_deg: float
    stop_deg: float
    acres: float
    hours: float
    injecting: bool
    end_gun: bool
    corner_arm: bool


@dataclass(slots=True)
class _Way:
    """Degrees of travel from azimuths."""

    turn: Turn
    sweep: float
    where: str
    spans: list[tuple[float, float]] = field(default_factory=list)

    def along(self, azimuth: float) -> float:
        sign = 1.0 if self.turn.is_clockwise else -1.0
        return (sign * (azimuth - self.turn.begin_deg)) % 360.0

    def azimuth(self, along: float) -> float:
        sign = 1.0 if self.turn.is_clockwise else -1.0
        shown = round((self.turn.begin_deg + sign * along) % 360.0, 9) % 360.0
        return 360.0 if shown == 0.0 and along > 0.0 and sign > 0 else shown

    def stretches(self, arc: Arc, what: str) -> list[tuple[float, float]]:
        """The arc as one or two stretches of travel; it may not leave a part circle."""
        sweep = clockwise(*arc)
        first = arc[0] if self.turn.is_clockwise else arc[1]
        begin = self.along(first)
        if abs(begin - 360.0) < _NEAR:
            begin = 0.0
        if self.sweep < 360.0:
            if begin + sweep > self.sweep + 1e-6:
                raise PlanError(
                    f"{what} from {arc[0]:g} to {arc[1]:g} degrees leaves the ground that the "
                    "pivot turns over", code="irrigation-arc", where=self.where,
                    hint="end it where the pivot stops")
            return [(begin, min(begin + sweep, self.sweep))]
        if begin + sweep <= 360.0 + _NEAR:
            return [(begin, min(begin + sweep, 360.0))]
        return [(begin, 360.0), (0.0, begin + sweep - 360.0)]


def _within(stretches: Sequence[tuple[float, float]], at: float) -> bool:
    return any(low <= at <= high for low, high in stretches)


def parts_of_turn(
    pivot: Pivot, turn: Turn, *, flow_gpm: float | None, where: str
) -> tuple[Part, ...]:
    """The turn cut wherever something changes, in the order of travel.

    Raises `PlanError` for arcs that leave the pivot's ground or overlap, for a beginning that is no
    end of a part circle, and for a pace that needs a flow or a full speed that is not given.
    """
    way = _Way(turn, pivot.sweep, where)
    _require_begin(pivot, turn, where)
    gun = [one for arc in pivot.end_gun_arcs for one in way.stretches(arc, "the end gun's arc")]
    arm = [one for arc in pivot.corner_arm_arcs
           for one in way.stretches(arc, "the corner arm's arc")]
    off = [one for arc in turn.off_arcs for one in way.stretches(arc, "the injector's arc")]
    paced: list[tuple[tuple[float, float], int]] = []
    for number, (arc, _) in enumerate(turn.paces):
        for one in way.stretches(arc, "the sector"):
            clash = next((of for span, of in paced
                          if one[0] < span[1] - 1e-6 and span[0] < one[1] - 1e-6), None)
            if clash is not None:
                raise PlanError(
                    f"the sectors {_arc(turn.paces[clash][0])} and {_arc(arc)} overlap",
                    code="irrigation-sectors-overlap", where=where,
                    hint="give every part of the turn one pace")
            paced.append((one, number))
    edges = {0.0, way.sweep}
    for low, high in [*gun, *arm, *off, *(span for span, _ in paced)]:
        edges |= {low, high}
    edges |= {way.along(cut) for cut in turn.cuts if way.along(cut) < way.sweep}
    ends = _distinct(sorted(edges))
    raw = []
    for begin, end in itertools.pairwise(ends):
        middle = (begin + end) / 2.0
        start, stop = way.azimuth(begin), way.azimuth(end)
        first = turn.begin_deg + begin if turn.is_clockwise else turn.begin_deg - end
        has = {"end_gun": _within(gun, middle), "corner_arm": _within(arm, middle)}
        acres = pivot.sector_ac(first, end - begin, **has)
        which = next((of for span, of in paced if span[0] <= middle <= span[1]), -1)
        raw.append((begin, end, start, stop, acres, not _within(off, middle), has, which))
    speed = {which: _speed(turn.pace if which < 0 else turn.paces[which][1], pivot,
                           sweep=sum(r[1] - r[0] for r in raw if r[7] == which),
                           acres=sum(r[4] for r in raw if r[7] == which),
                           flow_gpm=flow_gpm, where=where)
             for which in {r[7] for r in raw}}
    return tuple(
        Part(begin=begin, end=end, start_deg=start, stop_deg=stop, acres=acres,
             hours=(end - begin) / speed[which], injecting=injecting, **has)
        for begin, end, start, stop, acres, injecting, has, which in raw)


def _distinct(edges: Sequence[float]) -> list[float]:
    kept = [edges[0]]
    for one in edges[1:]:
        if one - kept[-1] > 1e-6:
            kept.append(one)
    kept[-1] = edges[-1]
    return kept


def _arc(arc: Arc) -> str:
    return f"{arc[0]:g} to {arc[1]:g} degrees"


def _require_begin(pivot: Pivot, turn: Turn, where: str) -> None:
    if pivot.start_deg is None or pivot.stop_deg is None:
        return
    end = pivot.start_deg if turn.is_clockwise else pivot.stop_deg
    if abs((turn.begin_deg - end + 180.0) % 360.0 - 180.0) > 1e-6:
        raise PlanError(
            f"begin_deg = {turn.begin_deg:g} is not where the pivot turns "
            f"{'clockwise' if turn.is_clockwise else 'counterclockwise'} from ({end:g} degrees)",
            code="irrigation-begin", where=where,
            hint="take the injection over the whole ground that the pivot turns over")


def _speed(
    pace: Pace, pivot: Pivot, *, sweep: float, acres: float, flow_gpm: float | None, where: str
) -> float:
    """Degrees an hour of a pace over `sweep` degrees that wet `acres`."""
    full = pivot.full_degrees_per_h
    if pace.full_circle_h is not None:
        found = 360.0 / pace.full_circle_h
    elif pace.hours is not None:
        found = sweep / pace.hours
    elif pace.gross_in is not None:
        if flow_gpm is None:
            raise PlanError("inches of water make no speed without the flow",
                            code="irrigation-flow-missing", where=where,
                            hint="give flow_gpm in [irrigation], or full_circle_h")
        found = sweep / (pace.gross_in * GPM_PER_AC_IN_PER_H * acres / flow_gpm)
    else:
        if full is None or pace.speed_pct is None:
            raise PlanError(
                "a percent timer makes no speed without the full speed of the pivot",
                code="irrigation-speed-missing", where=where,
                hint="give full_speed_circle_h (hours of a full circle at 100 %), or last_tower_ft "
                     "and full_speed_ft_per_h, in [irrigation.pivot]; or full_circle_h here")
        found = full * pace.speed_pct / 100.0
    if full is not None and found > full * (1 + 1e-9):
        raise PlanError(
            f"{100 * found / full:.0f} % of full speed is asked of the pivot: a full circle takes "
            f"{360 / full:.4g} h at 100 %", code="irrigation-too-fast", where=where,
            hint="give more hours or more water")
    return found
