"""Laws that every season plan keeps, whatever the needs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.model import FloatArray, PassPlan
from vrx.prescription import prescribe
from vrx.products import PassRequest, ceiling_findings, load_materials, plan_passes

MATERIALS = load_materials()
FEW = settings(derandomize=True, max_examples=40, deadline=None)
NEED = st.lists(st.floats(0, 400, allow_subnormal=False), min_size=3, max_size=3)
S_NEED = st.lists(st.floats(0, 60, allow_subnormal=False), min_size=3, max_size=3)
AREA = np.array([12.5, 40.25, 3.125])

KCL = PassRequest(pass_id="kcl", number=3, timing="late summer", method="broadcast", serves="K2O",
                  material="muriate of potash 0-0-60", kind="variable", step=10.0)
KSUL = replace(KCL, pass_id="ksul", number=1, material="potassium sulfate 0-0-50-17S",
               share_of_need=0.3)
GYPS = replace(KCL, pass_id="gyps", number=2, material="gypsum 0-0-0-18S", serves="S")
KTHI = replace(KCL, pass_id="kthi", number=4, material="potassium thiosulfate 0-0-25-17S",
               method="through irrigation", kind="fixed", fixed_rate=5.0, label_most=10.0,
               treated_is_prescription=True, step=0.1)


def plan(
    requests: tuple[PassRequest, ...], k2o: list[float], s: list[float],
    s_most: float | None = None,
) -> tuple[PassPlan, ...]:
    return plan_passes(
        zone_ids=(1, 2, 3), zone_area_ac=AREA, needs={"K2O": np.array(k2o), "S": np.array(s)},
        requests=requests, materials=MATERIALS, s_most_lb_per_ac=s_most,
    )


def brought(plans: tuple[PassPlan, ...], nutrient: str) -> FloatArray:
    pct = {"K2O": {"kcl": 0.60, "ksul": 0.50, "kthi": 12.2 * 0.25, "gyps": 0.0},
           "S": {"kcl": 0.0, "ksul": 0.17, "kthi": 12.2 * 0.17, "gyps": 0.18}}[nutrient]
    return np.sum([one.planned * pct[one.pass_id] for one in plans], axis=0)


@FEW
@given(k2o=NEED, s=S_NEED)
def test_without_limits_both_needs_are_met_exactly_or_by_what_fixed_passes_bring(
    k2o: list[float], s: list[float]
) -> None:
    plans = plan((KCL, KSUL, GYPS, KTHI), k2o, s)
    left = np.maximum(np.array(k2o) - 15.25, 0)
    assert np.allclose(brought(plans, "K2O"), 15.25 + left, atol=1e-7)
    by_k = 5 * 12.2 * 0.17 + 0.3 * left / 0.5 * 0.17
    assert np.allclose(brought(plans, "S"), np.maximum(s, by_k), atol=1e-7)


@FEW
@given(k2o=NEED, s=S_NEED, s_most=st.floats(0, 80),
       policy=st.sampled_from(["nearest", "raise", "off"]))
def test_limits_and_the_s_ceiling_are_never_exceeded(
    k2o: list[float], s: list[float], s_most: float, policy: str
) -> None:
    machine = {"least": 60.0, "most": 300.0, "below_least": policy}
    requests = (replace(KCL, **machine), replace(KSUL, **machine), replace(GYPS, **machine), KTHI)
    plans = plan(requests, k2o, s, s_most)
    assert (brought(plans, "S") <= s_most + 1e-7).all()
    for one in plans:
        assert (one.planned >= 0).all()
        if one.pass_id == "kthi":
            assert np.ptp(one.planned) == 0  # water carries one rate, cut or not
            continue
        assert (one.planned <= 300 + 1e-9).all()
        assert ((one.planned == 0) | (one.planned >= 60 - 1e-9)).all()
        assert (one.planned[one.wanted == 0] == 0).all()


@FEW
@given(k2o=NEED, more=st.floats(0, 100), policy=st.sampled_from(["nearest", "raise", "off"]))
def test_more_need_never_gives_less_product(k2o: list[float], more: float, policy: str) -> None:
    machine = {"least": 60.0, "most": 300.0, "below_least": policy}
    requests = (replace(KCL, number=1, share_of_need=0.5, **machine),
                replace(KCL, pass_id="b", number=2, **machine))
    low = sum(one.planned for one in plan(requests, k2o, [0, 0, 0]))
    high = sum(one.planned for one in plan(requests, [k + more for k in k2o], [0, 0, 0]))
    assert (high >= low - 1e-7).all()


@FEW
@given(k2o=NEED)
def test_a_flat_pass_keeps_the_total(k2o: list[float]) -> None:
    flat = replace(KCL, kind="flat")
    (one,) = plan((flat,), k2o, [0, 0, 0])
    assert np.isclose(one.planned @ AREA * 0.6, np.array(k2o) @ AREA, atol=1e-6)


def test_same_input_same_plan_and_nothing_of_the_callers_is_frozen() -> None:
    need = {"K2O": np.array([10.0, 20.0, 30.0]), "S": np.zeros(3)}
    area = AREA.copy()
    runs = [plan_passes(zone_ids=(1, 2, 3), zone_area_ac=area, needs=need,
                        requests=order, materials=MATERIALS, s_most_lb_per_ac=None)
            for order in ((KCL, KSUL, GYPS), (GYPS, KSUL, KCL))]
    for first, second in zip(*runs, strict=True):
        assert first.pass_id == second.pass_id
        assert first.planned.tolist() == second.planned.tolist()
        assert first.findings == second.findings
        assert not first.planned.flags.writeable
    assert need["K2O"].flags.writeable
    assert area.flags.writeable


@FEW
@given(
    st.lists(st.tuples(st.floats(0, 400), st.floats(0, 60)), min_size=1, max_size=6),
    st.floats(20, 500), st.floats(5, 300), st.floats(1, 80),
    st.sampled_from([0.1, 1.0, 10.0, 25.0]),
)
def test_no_ceiling_is_broken_after_rounding(
    zones: list[tuple[float, float]], k2o_most: float, cl_most: float, n_most: float, step: float
) -> None:
    """A hard ceiling of the user holds in every zone for the rates that the machine sets."""
    needs = {"K2O": np.array([k for k, _ in zones]), "S": np.array([s for _, s in zones])}
    area = np.full(len(zones), 10.0)
    told = {"timing": "dormant", "method": "broadcast", "kind": "variable", "step": step}
    requests = [
        PassRequest(pass_id="a", number=1, material="muriate of potash 0-0-60", serves="K2O",
                    share_of_need=0.5, **told),  # type: ignore[arg-type]
        PassRequest(pass_id="b", number=2, material="potassium sulfate 0-0-50-17S", serves="K2O",
                    **told),  # type: ignore[arg-type]
        PassRequest(pass_id="c", number=3, material="ammonium sulfate 21-0-0-24S", serves="S",
                    **{**told, "kind": "flat"}),  # type: ignore[arg-type]
    ]
    most = {"K2O": k2o_most, "Cl": cl_most, "N": n_most}
    ids = range(len(zones))
    plans = plan_passes(zone_ids=ids, zone_area_ac=area, needs=needs, requests=requests,
                        materials=MATERIALS, s_most_lb_per_ac=None, most_lb_per_ac=most)
    passes = prescribe(zone_ids=ids, zone_area_ac=area, plans=plans, needs=needs,
                       s_most_lb_per_ac=None).passes
    for name, top in most.items():
        total = sum(one.rates * one.material.nutrient_lb_per_unit(name) for one in passes)
        assert (total <= top + 1e-6).all(), name
    assert ceiling_findings(passes, most, zone_names=[str(n) for n in ids]) == ()
