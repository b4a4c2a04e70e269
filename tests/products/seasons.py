"""Small random seasons, and the best plan of each by trying everything: no solver, no shared code.

Analyses are typed here from the labels' grades; densities 12.2 and 11.04 lb/gal as in the list.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import numpy as np
from hypothesis import strategies as st

from vrx.model import PassPlan, SeasonMix
from vrx.products import PassRequest, PlannedPass, SeasonAim, allocate_passes, load_materials

MATERIALS = load_materials()
KCL = "muriate of potash 0-0-60"
KSUL = "potassium sulfate 0-0-50-17S"
KMGS = "sulfate of potash magnesia 0-0-22-22S-11Mg"
GYPS = "gypsum 0-0-0-18S"
NSUL = "ammonium sulfate 21-0-0-24S"
KTHI = "potassium thiosulfate 0-0-25-17S"
NTHI = "ammonium thiosulfate 12-0-0-26S"
# lb of K2O, S, N in a lb or gal.
HOLDS = {
    KCL: (0.60, 0.0, 0.0), KSUL: (0.50, 0.17, 0.0), KMGS: (0.22, 0.22, 0.0), GYPS: (0.0, 0.18, 0.0),
    NSUL: (0.0, 0.24, 0.21), KTHI: (12.2 * 0.25, 12.2 * 0.17, 0.0),
    NTHI: (0.0, 11.04 * 0.26, 11.04 * 0.12),
}
USD = {KCL: 0.24, KSUL: 0.45, KMGS: 0.33, GYPS: 0.06, NSUL: 0.22, KTHI: 6.1, NTHI: 2.9}
DRY = (KCL, KSUL, KMGS, GYPS, NSUL)
LIQUID = (KTHI, NTHI)
INF = float("inf")


@dataclass(frozen=True, kw_only=True)
class Trip:
    """One planned pass of a small season."""

    materials: tuple[str, ...]
    flat: bool = False
    least: float = 80.0
    most: float = 240.0
    step: float = 40.0
    label: float | None = None
    usd_per_ac: float = 0.0

    def request(self, number: int) -> PlannedPass:
        wet = self.materials[0] in LIQUID
        base = PassRequest(
            pass_id=f"p{number}", number=number, timing="stubble of cutting 1", material="",
            method="through irrigation" if wet else "broadcast",
            kind="flat" if self.flat or wet else "variable", least=self.least, most=self.most,
            step=self.step, label_most=self.label, treated_is_prescription=wet,
        )
        return PlannedPass(candidates=tuple(replace(base, material=m) for m in self.materials),
                           usd_per_ac=self.usd_per_ac)


@dataclass(frozen=True, kw_only=True)
class Small:
    """A season of a few zones."""

    area: tuple[float, ...]
    k2o: tuple[float, ...]
    s: tuple[float, ...]
    trips: tuple[Trip, ...]
    s_most: float | None = None
    n_most: float | None = None
    k2o_per_pass: float = 1000.0
    prices: dict[str, float] = field(default_factory=lambda: dict(USD))

    def plan(self, aim: str, **more: object) -> tuple[tuple[PassPlan, ...], SeasonMix]:
        ceilings = {name: top for name, top in (("S", self.s_most), ("N", self.n_most))
                    if top is not None}
        return allocate_passes(
            zone_ids=range(1, len(self.area) + 1), zone_area_ac=np.array(self.area),
            needs={"K2O": np.array(self.k2o), "S": np.array(self.s)}, fixed=[],
            planned=[trip.request(n) for n, trip in enumerate(self.trips, 1)], materials=MATERIALS,
            aim=SeasonAim(aim=aim, usd_per_unit=self.prices, ceilings=ceilings,
                          k2o_per_pass=self.k2o_per_pass, **more),  # type: ignore[arg-type]
        )


def rates_of(trip: Trip, material: str, season: Small, lifted: frozenset[str] = frozenset(),
             ) -> list[float]:
    """0 and every machine step within the limits of one pass; `lifted` names limits let go."""
    top = max(600.0, trip.most)
    out = [0.0]
    for k in range(1, int(top / trip.step) + 1):
        rate = k * trip.step
        if "least" not in lifted and rate < trip.least - 1e-9:
            continue
        if "most" not in lifted and rate > trip.most + 1e-9:
            continue
        if "label" not in lifted and trip.label is not None and rate > trip.label + 1e-9:
            continue
        if ("k2o" not in lifted
                and rate * HOLDS[material][0] > season.k2o_per_pass + 1e-9):
            continue
        out.append(rate)
    return out


@dataclass(frozen=True, kw_only=True)
class Tried:
    """What trying everything found: the smallest shortness, and the least aim with it."""

    short: float
    value: float


def every_plan(
    season: Small, aim: str, *, without: frozenset[str] = frozenset(),
    lifted: frozenset[str] = frozenset(),
) -> Tried:
    """The best of all plans in whole steps: least short (shares of the needs), then the aim.

    `without` takes materials off the lists, `lifted` lets limits go.
    """
    best = Tried(short=INF, value=INF)
    options = [(None, *[m for m in trip.materials if m not in without]) for trip in season.trips]
    for chosen in itertools.product(*options):
        fixed_rates = [
            [0.0] if m is None else (rates_of(trip, m, season, lifted) if _flat(trip) else [None])
            for trip, m in zip(season.trips, chosen, strict=True)
        ]
        for flats in itertools.product(*fixed_rates):
            found = _one(season, chosen, flats, aim=aim, lifted=lifted)
            if found is None:
                continue
            if found.short < best.short - 1e-9 or (
                    found.short < best.short + 1e-9 and found.value < best.value - 1e-12):
                best = Tried(short=min(found.short, best.short), value=found.value)
    return best


def _flat(trip: Trip) -> bool:
    return trip.flat or trip.materials[0] in LIQUID


def _weights(season: Small) -> tuple[float, float]:
    total = [sum(n * a for n, a in zip(need, season.area, strict=True))
             for need in (season.k2o, season.s)]
    other = max(total) or sum(season.area)
    return 1 / (total[0] or other), 1 / (total[1] or other)


def _one(
    season: Small, chosen: tuple[str | None, ...], flats: tuple[float | None, ...], *, aim: str,
    lifted: frozenset[str],
) -> Tried | None:
    """Zones are independent once materials and flat rates are chosen."""
    weights, deviates = _weights(season), aim == "least deviation"
    short = value = 0.0
    for z, area in enumerate(season.area):
        best = (INF, INF)
        rates = [[flat] if flat is not None else rates_of(trip, str(m), season, lifted)
                 for trip, m, flat in zip(season.trips, chosen, flats, strict=True)]
        for these in itertools.product(*rates):
            k2o = s = n = usd = 0.0
            for m, rate in zip(chosen, these, strict=True):
                if m is not None:
                    held = HOLDS[m]
                    k2o, s, n = k2o + rate * held[0], s + rate * held[1], n + rate * held[2]
                    usd += rate * area * season.prices.get(m, 0.0)
            if "S" not in lifted and season.s_most is not None and s > season.s_most + 1e-9:
                continue
            if "N" not in lifted and season.n_most is not None and n > season.n_most + 1e-9:
                continue
            below = (weights[0] * max(season.k2o[z] - k2o, 0.0)
                     + weights[1] * max(season.s[z] - s, 0.0)) * area
            beside = (weights[0] * abs(season.k2o[z] - k2o)
                      + weights[1] * abs(season.s[z] - s)) * area
            one = (0.0, beside) if deviates else (below, usd if aim == "least cost" else 0.0)
            if one[0] < best[0] - 1e-12 or (one[0] <= best[0] + 1e-12 and one[1] < best[1]):
                best = one
        if best[0] == INF:
            return None
        short, value = short + best[0], value + best[1]
    used = [trip for trip, m in zip(season.trips, chosen, strict=True) if m is not None]
    if aim == "least cost":
        value += sum(trip.usd_per_ac * sum(season.area) for trip in used)
    if aim == "fewest passes":
        value = float(len(used))
    return Tried(short=short, value=value)


def reached(season: Small, plans: tuple[PassPlan, ...], aim: str) -> Tried:
    """The same two figures of a plan that was made."""
    weights = _weights(season)
    short = beside = usd = 0.0
    for z, area in enumerate(season.area):
        got = [sum(float(p.planned[z]) * HOLDS[p.material.id][j] for p in plans) for j in (0, 1)]
        for need, have, weight in zip((season.k2o[z], season.s[z]), got, weights, strict=True):
            short += weight * max(need - have, 0.0) * area
            beside += weight * abs(need - have) * area
        usd += sum(float(p.planned[z]) * area * season.prices.get(p.material.id, 0.0)
                   for p in plans)
    used = [p for p in plans if (p.planned > 0).any()]
    if aim == "least cost":
        usd += sum(season.trips[p.number - 1].usd_per_ac * sum(season.area) for p in used)
        return Tried(short=short, value=usd)
    if aim == "fewest passes":
        return Tried(short=short, value=float(len(used)))
    return Tried(short=0.0, value=beside)


def _some(names: tuple[str, ...]) -> st.SearchStrategy[tuple[str, ...]]:
    return st.lists(st.sampled_from(names), min_size=1, max_size=2, unique=True).map(tuple)


@st.composite
def trips(draw: st.DrawFn) -> Trip:
    if draw(st.integers(0, 3)) == 0:
        return Trip(materials=draw(_some(LIQUID)), least=draw(st.sampled_from([2.0, 4.0])),
                    most=12.0, step=2.0, label=draw(st.sampled_from([6.0, 12.0])),
                    usd_per_ac=draw(st.sampled_from([0.0, 3.0])))
    return Trip(materials=draw(_some(DRY)), flat=draw(st.integers(0, 3)) == 0,
                least=draw(st.sampled_from([40.0, 80.0])),
                most=draw(st.sampled_from([160.0, 280.0, 360.0])), step=40.0,
                usd_per_ac=draw(st.sampled_from([0.0, 4.0])))


@st.composite
def seasons(draw: st.DrawFn) -> Small:
    """Two zones; half of the seasons begin with a pass for each nutrient, so that needs are met."""
    easy = draw(st.booleans())

    def some(top: int) -> tuple[float, ...]:
        return tuple(float(draw(st.integers(0, top))) for _ in range(2))

    first = (Trip(materials=(KCL, *draw(_some((KSUL, KMGS)))), least=40.0, most=280.0),
             Trip(materials=(GYPS, *draw(_some((NSUL, KMGS)))), least=40.0, most=240.0))
    return Small(
        area=tuple(float(draw(st.integers(1, 30))) for _ in range(2)), k2o=some(150), s=some(36),
        trips=first if easy else tuple(draw(st.lists(trips(), min_size=1, max_size=2))),
        s_most=draw(st.sampled_from([None, 45.0, 60.0] if easy else [None, 20.0, 45.0])),
        n_most=draw(st.sampled_from([None, None, 20.0])),
        k2o_per_pass=1000.0 if easy else draw(st.sampled_from([70.0, 1000.0])),
    )
