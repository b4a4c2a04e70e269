"""Seconds, gap and money of the joint season plan, against materials one after the other.

    python scripts/bench/season.py [SEEDS]

A made-up season of 40 zones, 6 passes (4 by spreader, 2 through the irrigation, flat) and 8
materials: 6 for each spreader, 2 liquids for each injection. "alike" spreaders are all the same,
"different" ones have a least and most of their own each, which is the hard case. The naive plan
brings the K2O with the first potash in two halves, then the S that is left with the cheapest S
material. Wall seconds of one run on this machine; ratios within one run are what counts.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from vrx.model import FloatArray, PassPlan
from vrx.products import (
    PassRequest,
    PlannedPass,
    SeasonAim,
    allocate_passes,
    load_materials,
    plan_passes,
)

ZONES = 40
DRY = {
    "muriate of potash 0-0-60": 0.24, "muriate of potash 0-0-62": 0.25,
    "potassium sulfate 0-0-50-17S": 0.45, "sulfate of potash magnesia 0-0-22-22S-11Mg": 0.33,
    "ammonium sulfate 21-0-0-24S": 0.22, "gypsum 0-0-0-18S": 0.06,
}
LIQUID = {"potassium thiosulfate 0-0-25-17S": 6.1, "ammonium thiosulfate 12-0-0-26S": 2.9}
USD = DRY | LIQUID
SPREAD = PassRequest(pass_id="", number=1, timing="stubble of cutting 1", method="broadcast",
                     material="", kind="variable", least=80.0, most=400.0, step=10.0)
INJECT = replace(SPREAD, method="through irrigation", kind="flat", least=3.0, most=15.0, step=0.5,
                 label_most=10.0, treated_is_prescription=True)
CEILING_S = 50.0


def season(seed: int) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Acres and needs of the zones."""
    random = np.random.default_rng(seed)
    area = random.uniform(1.0, 8.0, ZONES)
    return area, {"K2O": np.clip(random.normal(180.0, 90.0, ZONES), 0.0, 420.0),
                  "S": np.clip(random.normal(22.0, 9.0, ZONES), 0.0, 45.0)}


def passes(*, different: bool, trip_usd: float) -> list[PlannedPass]:
    """Six passes in the order of the season."""
    out = []
    for number, base, materials in ((1, SPREAD, DRY), (2, SPREAD, DRY), (3, INJECT, LIQUID),
                                    (4, SPREAD, DRY), (5, SPREAD, DRY), (6, INJECT, LIQUID)):
        one = replace(base, pass_id=f"p{number}", number=number)
        if different and base is SPREAD:
            one = replace(one, least=70.0 + 10 * number, most=410.0 - 10 * number)
        names = list(reversed(materials)) if different and number == 6 else list(materials)
        out.append(PlannedPass(candidates=tuple(replace(one, material=m) for m in names),
                               usd_per_ac=trip_usd))
    return out


def naive(area: FloatArray, needs: dict[str, FloatArray], trip_usd: float) -> tuple[float, float]:
    """Usd of materials one after the other, and lb of needs that they leave."""
    potash, gypsum = "muriate of potash 0-0-60", "gypsum 0-0-0-18S"
    done = plan_passes(
        zone_ids=range(1, ZONES + 1), zone_area_ac=area, needs=needs, materials=load_materials(),
        s_most_lb_per_ac=CEILING_S, requests=[
            replace(SPREAD, pass_id="p1", material=potash, serves="K2O", share_of_need=0.5),
            replace(SPREAD, pass_id="p2", number=2, material=potash, serves="K2O"),
            replace(SPREAD, pass_id="p4", number=4, material=gypsum, serves="S"),
        ])
    return money(done, area, trip_usd), short(done, area, needs)


def money(plans: tuple[PassPlan, ...], area: FloatArray, trip_usd: float) -> float:
    """Usd of product and trips."""
    return sum(float(one.planned @ area) * USD[one.material.id]
               + (trip_usd * float(area.sum()) if (one.planned > 0).any() else 0.0)
               for one in plans)


def short(plans: tuple[PassPlan, ...], area: FloatArray, needs: dict[str, FloatArray]) -> float:
    """lb of K2O and S below the needs."""
    out = 0.0
    for name, need in needs.items():
        got = sum((one.planned * one.material.nutrient_lb_per_unit(name) for one in plans),
                  start=np.zeros_like(area))
        out += float(np.maximum(need - got, 0.0) @ area)
    return out


def main(seeds: int) -> int:
    worst: dict[bool, tuple[float, float]] = {False: (0.0, 0.0), True: (0.0, 0.0)}
    print("seed spreaders trips search   wall s   cpu s   gap %      usd   naive usd"
          "  short lb (naive)")
    for seed in range(seeds):
        area, needs = season(seed)
        for different in (False, True):
            for trip_usd in (4.0, 0.0):
                plain = naive(area, needs, trip_usd)
                for search, more in (
                    ("rates", {}), ("steps", {"steps_inside": True}),
                    ("loads", {"loads": {"muriate of potash 0-0-60": 44_000.0,
                                         "gypsum 0-0-0-18S": 44_000.0}}),
                ):
                    start = time.perf_counter(), time.process_time()
                    plans, mix = allocate_passes(
                        zone_ids=range(1, ZONES + 1), zone_area_ac=area, needs=needs, fixed=[],
                        planned=passes(different=different, trip_usd=trip_usd),
                        materials=load_materials(), aim=SeasonAim(
                            aim="least cost", usd_per_unit=USD, ceilings={"S": CEILING_S}, **more))
                    took = time.perf_counter() - start[0], time.process_time() - start[1]
                    inside = search != "rates"
                    worst[inside] = (max(worst[inside][0], took[0]), max(worst[inside][1], took[1]))
                    print(f"{seed:4d} {'different' if different else 'alike':9s} {trip_usd:5.1f}"
                          f" {search:6s} {took[0]:8.2f} {took[1]:7.2f} {100 * mix.gap:7.3f}"
                          f" {(mix.usd_product or 0) + (mix.usd_passes or 0):8,.0f}"
                          f" {plain[0]:11,.0f} {short(plans, area, needs):9.1f} ({plain[1]:.1f})",
                          flush=True)
    for inside, asked in ((False, 3.0), (True, 10.0)):
        print(f"worst with {'steps or whole loads in the search' if inside else 'rates alone'}:"
              f" {worst[inside][0]:.2f} s, {worst[inside][1]:.2f} processor s ({asked:g} asked)")
    return 1 if worst[False][1] > 3 or worst[True][1] > 10 else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2))
