"""Rounding, totals, order and names against published arithmetic and data written out here."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import ComputeError, PlanError
from vrx.model import Finding, Material, PassPlan, Prescription, Price
from vrx.prescription import cautions, column_names, prescribe


def material(name: str, code: str, *, lb_per_gal: float | None = None, **pct: float) -> Material:
    nutrients = {f"{key}_pct": pct.get(key, 0.0) for key in ("n", "p2o5", "k2o", "s", "mg", "cl")}
    return Material(id=name, code=code, form="liquid" if lb_per_gal else "dry",
                    density_lb_per_gal=lb_per_gal, s_form="sulfate" if pct.get("s") else "",
                    cautions=(f"mind the {code}",), evidence="user", source="label", **nutrients)


KCL = material("muriate of potash 0-0-60", "KCL", k2o=60.0, cl=45.2)
KCL62 = material("muriate of potash 0-0-62", "KCL", k2o=62.0)
KSUL = material("potassium sulfate 0-0-50-17S", "KSUL", k2o=50.0, s=17.0)
GYPS = material("gypsum 0-0-0-18S", "GYPS", s=18.0)
KTHI = material("potassium thiosulfate 0-0-25-17S", "KTHI", lb_per_gal=12.2, k2o=25.0, s=17.0)


def passed(
    planned: list[float], *, of: Material = KCL, number: int = 1, step: float = 1.0,
    kind: str = "variable", serves: str = "K2O", most: float | None = None,
    treated_ac: float | None = None, season_most: float | None = None, method: str = "broadcast",
    timing: str = "stubble of cutting 1",
) -> PassPlan:
    rates = np.array(planned, dtype=float)
    return PassPlan(pass_id=f"p{number}", number=number, timing=timing, method=method, material=of,
                    serves=serves, kind=kind, wanted=rates, planned=rates, step=step, most=most,
                    treated_ac=treated_ac, season_most=season_most)


def prescribed(
    *plans: PassPlan, area: list[float], s_most: float | None = None,
    prices: tuple[Price, ...] = (), k2o: list[float] | None = None, s: list[float] | None = None,
) -> Prescription:
    needs = {name: np.array(values, dtype=float) for name, values in (("K2O", k2o), ("S", s))
             if values is not None}
    return prescribe(zone_ids=range(1, len(area) + 1), zone_area_ac=np.array(area), plans=plans,
                     needs=needs, prices=prices, s_most_lb_per_ac=s_most)


def found(done: Prescription, code: str) -> Finding:
    every = [*done.findings, *(f for one in done.passes for f in one.findings)]
    return next(finding for finding in every if finding.code == code)


S36 = Path(__file__).resolve().parents[2].parent / "shared" / "troubles" / "S36_rounding_totals.csv"
S36_ROWS = [(13.37, 147.3), (41.92, 182.7), (8.05, 96.4), (27.66, 133.8), (33.14, 165.2),
            (2.49, 210.9)]


def test_inline_rows_are_those_of_the_open_file() -> None:
    if not S36.exists():
        pytest.skip("open data folder absent: shared/troubles/S36_rounding_totals.csv")
    rows = list(csv.DictReader(S36.read_text().splitlines()))
    assert [(float(row["acres"]), float(row["rate_lb_ac"])) for row in rows] == S36_ROWS


@pytest.mark.parametrize(
    ("step", "total"), [(0.1, 20_104.982), (5.0, 20_183.7)],
)
def test_totals_come_from_rounded_rates_and_unrounded_acres(step: float, total: float) -> None:
    # Six zones, 126.63 ac: 20,104.982 lb exactly, 20,183.7 lb in steps of 5 lb (worked by hand from
    # the rows). Acres and rates rounded first would give 19,984.
    acres, rates = (list(column) for column in zip(*S36_ROWS, strict=True))
    done = prescribed(passed(rates, step=step), area=acres)
    (one,) = done.passes
    assert one.prescription_total == pytest.approx(total, abs=1e-6)
    assert one.planned_total == pytest.approx(20_104.982, abs=1e-6)
    assert (one.rates == np.round(one.steps * step, 10)).all()  # 83.3, not 83.30000000000001
    assert done.order[0].short_tons == pytest.approx(total / 2000)
    if step == 0.1:
        assert done.order[0].short_tons == pytest.approx(10.0525, abs=5e-5)
        assert one.prescription_total / sum(acres) == pytest.approx(158.77, abs=0.005)
        assert not one.findings
    else:
        said = found(done, "prescription-rounding").what
        assert "20,105.0 lb planned -> 20,183.7 lb (+0.4 %)" in said


def test_half_up_each_zone_for_itself_and_never_above_the_limit() -> None:
    rates = [37.0, 412.0, 150.0, 0.0, 152.5, 152.4, 2.4, 2.5]
    done = prescribed(passed(rates, step=5.0), area=[1.0] * 8)
    assert done.passes[0].rates.tolist() == [35, 410, 150, 0, 155, 150, 0, 5]
    assert "zone 7" in found(done, "prescription-rounded-to-zero").what
    capped = prescribed(passed([9.98, 10.0, 9.8], of=KTHI, step=0.25, most=9.9), area=[1.0] * 3)
    assert capped.passes[0].rates.tolist() == [9.75, 9.75, 9.75]


def test_rounding_up_never_lifts_a_zone_over_a_ceiling() -> None:
    # 290 lb x 17 % = 49.3 lb S and 4 lb of gypsum x 18 % = 0.72: 50.02 in steps of 10 and 2.
    ksul = passed([289.0, 100.0], of=KSUL, step=10.0)
    gyps = passed([3.4, 3.4], of=GYPS, number=2, step=2.0, serves="S")
    done = prescribed(ksul, gyps, area=[1.0, 1.0], s_most=50.0)
    assert done.passes[0].rates.tolist() == [290, 100]
    assert done.passes[1].rates.tolist() == [2, 4]
    assert "S ceiling of 50" in found(done, "prescription-step-below").what
    # Three passes of 3.3 gal in steps of 0.5 would be 10.5 where the label allows 10 a season.
    liquid = [passed([3.3, 3.3], of=KTHI, number=n, step=0.5, kind="flat", season_most=10.0)
              for n in (1, 2, 3)]
    done = prescribed(*liquid, area=[1.0, 1.0])
    assert [one.rates.tolist() for one in done.passes] == [[3.5, 3.5], [3.5, 3.5], [3.0, 3.0]]


def test_cost_of_0_0_62() -> None:
    # Michigan State University 2024: 49 lb K2O from 0-0-62 at 360 usd a short ton costs 14.22 usd
    # as printed there, 14.226 exactly; at 441 usd it is 17.43.
    for usd, cost in ((360.0, 14.226), (441.0, 17.43)):
        price = Price(material=KCL62.id, usd=usd, per="short ton", as_of="2024-01-01")
        done = prescribed(passed([49 / 0.62], of=KCL62, step=1e-6), area=[1.0], prices=(price,))
        assert done.order[0].usd == pytest.approx(cost, abs=0.005)
        assert done.order[0].k2o_lb == pytest.approx(49, abs=1e-4)
        assert "as of 2024-01-01" in done.order[0].price_note


def test_1500_lb_of_0_0_60_bring_900_lb_k2o() -> None:
    # Ontario Ministry of Agriculture, fieldcropnews.com 2013.
    done = prescribed(passed([1500.0], step=5.0), area=[1.0], k2o=[900.0])
    assert done.balances[0].brought[0] == pytest.approx(900)
    assert "(+0 lb)" in found(done, "prescription-k2o-balance").what


def test_gallons_follow_the_acres_that_get_wet() -> None:
    # 5 gal/ac of 12.2 lb/gal, 25 % K2O: 15.25 lb K2O/ac. A pivot of 130 ac wets the hollow too.
    fixed = passed([5.0, 5.0], of=KTHI, step=0.1, kind="fixed", treated_ac=130.0,
                   method="through irrigation")
    price = Price(material=KTHI.id, usd=2.5, per="gal", as_of="2026-01-01")
    done = prescribed(fixed, area=[100.0, 20.0], prices=(price,), k2o=[15.25, 15.25])
    (one,), (line,) = done.passes, done.order
    assert one.prescription_total == pytest.approx(600)
    assert one.order_total == 650
    assert (line.quantity, line.unit) == (pytest.approx(650), "gal")
    assert line.lb == pytest.approx(650 * 12.2)
    assert line.k2o_lb == pytest.approx(15.25 * 130)
    assert line.usd == pytest.approx(1625)
    assert done.balances[0].brought == pytest.approx([15.25, 15.25])
    outside = found(done, "prescription-treated-acres")
    # Liquid on acres that the prescription left out, perhaps over water: a matter of safety.
    assert outside.severity == "warn"
    assert "10.00 ac outside" in outside.todo
    just = passed([5.0, 5.0], of=KTHI, step=0.1, kind="fixed", treated_ac=120.0)
    told = found(prescribed(just, area=[100.0, 20.0]), "prescription-treated-acres")
    assert (told.severity, told.todo) == ("note", "")
    by_ton = Price(material=KTHI.id, usd=500.0, per="short ton", as_of="2026-01-01")
    done = prescribed(fixed, area=[100.0, 20.0], prices=(by_ton,))
    assert done.order[0].usd == pytest.approx(650 * 12.2 / 2000 * 500)
    with pytest.raises(PlanError, match="one rate"):
        prescribed(passed([5.0, 4.0], of=KTHI, treated_ac=130.0), area=[100.0, 20.0])
    fewer = passed([5.0], of=KTHI, step=0.1, kind="fixed", treated_ac=90.0)
    assert found(prescribed(fewer, area=[100.0]), "prescription-treated-acres").severity == "warn"


@pytest.mark.parametrize(
    "price",
    [Price(material=KCL.id, usd=1.0, per="gal", as_of=""),
     Price(material=KCL.id, usd=1.0, per="bag", as_of=""),
     Price(material=KCL.id, usd=-1.0, per="lb", as_of="")],
)
def test_prices_that_do_not_fit_are_refused(price: Price) -> None:
    with pytest.raises(PlanError, match=r"price of muriate of potash 0-0-60"):
        prescribed(passed([100.0]), area=[1.0], prices=(price,))


def test_two_prices_no_price_and_unused_price() -> None:
    price = Price(material=KCL.id, usd=0.2, per="lb", as_of="2026-01-01")
    with pytest.raises(PlanError, match="two prices"):
        prescribed(passed([100.0]), area=[1.0], prices=(price, price))
    done = prescribed(passed([100.0], of=KSUL), area=[2.0], prices=(price,))
    assert done.order[0].usd is None
    assert found(done, "prescription-price-missing").where.endswith(KSUL.id)
    assert found(done, "prescription-price-unused").where.endswith(KCL.id)
    assert prescribed(passed([100.0]), area=[2.0], prices=(price,)).order[0].usd == 40


def test_a_price_of_fractions_of_a_cent_is_printed_whole() -> None:
    for usd, words in ((0.405, "0.405 usd per lb"), (480.0, "480.00 usd per lb"),
                       (1234.5, "1,234.50 usd per lb"), (1e9, "1,000,000,000.00 usd per lb")):
        price = Price(material=KCL.id, usd=usd, per="lb", as_of="2026-01-01")
        done = prescribed(passed([100.0]), area=[2.0], prices=(price,))
        assert done.order[0].price_note.startswith(words)
        assert done.order[0].usd == pytest.approx(200 * usd)


def test_a_pass_of_nothing_is_shown_but_not_ordered() -> None:
    done = prescribed(passed([100.0, 0.0]), passed([0.0, 0.0], of=GYPS, number=2, serves="S"),
                      area=[1.0, 2.0], k2o=[60.0, 0.0], s=[0.0, 0.0])
    assert len(done.passes) == 2
    assert [line.material for line in done.order] == [KCL.id]
    assert done.balances[1].brought.tolist() == [0, 0]


def test_one_material_over_two_passes_is_one_line() -> None:
    done = prescribed(passed([100.0]), passed([50.0], number=2), area=[4.0])
    assert [(line.quantity, line.k2o_lb) for line in done.order] == [(600, pytest.approx(360))]


def test_need_not_met_and_beyond_need_are_told_by_zone() -> None:
    done = prescribed(passed([100.0, 300.0]), area=[10.0, 10.0], k2o=[100.0, 120.0])
    assert "zone 1 (40)" in found(done, "prescription-k2o-not-met").what
    assert "400 lb" in found(done, "prescription-k2o-not-met").what
    assert "zone 2 (60)" in found(done, "prescription-k2o-beyond-need").what
    nothing = prescribed(area=[10.0], k2o=[50.0])
    assert "500 lb" in found(nothing, "prescription-k2o-not-met").what


def test_what_comes_with_the_other_nutrient_is_told_as_such() -> None:
    # 110 lb of 0-0-50-17S for 18.7 lb S brings 55 lb K2O on top (from the analysis).
    kcl, ksul = passed([400.0], number=1), passed([110.0], of=KSUL, number=2, serves="S")
    told = found(prescribed(kcl, ksul, area=[10.0], k2o=[240.0], s=[18.7]),
                 "prescription-k2o-beyond-need")
    assert "zone 1 (55)" in told.what
    assert "give that pass a fixed rate" in told.todo
    # Here the potash itself is too much, so the pass for S is not to blame.
    much = found(prescribed(passed([500.0], number=1), ksul, area=[10.0], k2o=[240.0], s=[18.7]),
                 "prescription-k2o-beyond-need")
    assert "flat rate" in much.todo


def test_elemental_s_does_not_serve_this_season() -> None:
    sele = Material(id="elemental sulfur 0-0-0-90S", code="SELE", form="dry", n_pct=0, p2o5_pct=0,
                    k2o_pct=0, s_pct=90, mg_pct=0, cl_pct=0, density_lb_per_gal=None,
                    s_form="elemental", cautions=(), evidence="user", source="label")
    done = prescribed(passed([30.0], of=sele, kind="fixed"), area=[10.0], s=[20.0])
    assert done.balances[0].brought[0] == 0
    assert done.order[0].s_lb == pytest.approx(270)


def test_column_names_fit_a_dbase_field() -> None:
    plans = [passed([1.0], number=1), passed([1.0], of=KTHI, number=2),
             passed([1.0], of=KSUL, number=9), passed([1.0], of=KSUL, number=10),
             passed([1.0], number=11)]
    names = column_names(plans)
    assert names == ("P1_KCL_LB", "P2_KTHI_GA", "P9_KSUL_LB", "P10KSUL_LB", "P11_KCL_LB")
    # dBASE III allows 10 characters in a field name.
    assert all(len(name) <= 10 and name.isascii() for name in names)
    with pytest.raises(PlanError, match="P100KSUL_LB"):
        column_names([passed([1.0], of=KSUL, number=100)])
    with pytest.raises(PlanError, match="twice"):
        column_names([passed([1.0]), passed([1.0])])


def test_arrays_must_fit_the_zones() -> None:
    with pytest.raises(ComputeError, match="pass p1"):
        prescribed(passed([1.0, 2.0]), area=[1.0])
    with pytest.raises(ComputeError, match="pass p1"):
        prescribed(passed([float("nan")]), area=[1.0])


def test_cautions_are_those_of_the_passes_that_go_out() -> None:
    water = passed([5.0], of=KTHI, method="through irrigation", kind="fixed")
    text = cautions([passed([100.0]), water])
    assert "overrule every number" in text[0]
    assert any("check valves" in line for line in text)
    assert any("regrowth starts about 5 days" in line for line in text)
    assert f"{KTHI.id}: mind the KTHI" in text
    assert len(text) == len(set(text))
    dry = cautions([passed([100.0]), passed([0.0], of=KTHI, number=2,
                                            method="through irrigation")])
    assert not any("check valves" in line or "KTHI" in line for line in dry)
    assert any("green-up" in line for line in cautions([passed([1.0], timing="spring green-up")]))
    assert any("unfrozen" in line for line in cautions([passed([1.0], timing="dormant")]))
    assert len(cautions([])) == 3


def test_cautions_of_stubble_and_injection_follow_the_method() -> None:
    thio = Material(id="a thiosulfate", code="KTHI", form="liquid", n_pct=0, p2o5_pct=0, k2o_pct=25,
                    s_pct=17, mg_pct=0, cl_pct=0, density_lb_per_gal=12.2, s_form="thiosulfate",
                    cautions=(), evidence="user", source="label")
    injected = cautions([passed([5.0], of=thio, method="through irrigation", kind="fixed")])
    sprayed = cautions([passed([5.0], of=thio, kind="fixed")])
    for words, where in (("over 1 to 4 hours", injected), ("2 in of regrowth", injected),
                         ("wheels hurt", sprayed)):
        other = sprayed if where is injected else injected
        assert any(words in line for line in where)
        assert not any(words in line for line in other)


def test_uptake_and_removal_are_never_ranked() -> None:
    # 57.2 lb K2O per ton taken up (common practice) lies under the 60 lb that Nebraska EC155
    # removes, so no sentence may say that one is always the larger.
    text = " ".join(cautions([passed([100.0])]))
    assert "two amounts" in text
    assert "takes up more" not in text


def test_findings_call_zones_by_their_names() -> None:
    done = prescribe(zone_ids=[1, 2], zone_area_ac=np.array([10.0, 10.0]), zone_names=["A", "B"],
                     plans=[passed([100.0, 300.0])], needs={"K2O": np.array([100.0, 120.0])},
                     s_most_lb_per_ac=None)
    assert "zone A (40)" in found(done, "prescription-k2o-not-met").what
    with pytest.raises(ComputeError, match="1 names for 2 zones"):
        prescribe(zone_ids=[1, 2], zone_area_ac=np.array([10.0, 10.0]), zone_names=["A"],
                  plans=[], needs={}, s_most_lb_per_ac=None)


RATES = st.lists(st.floats(0, 400, allow_subnormal=False), min_size=4, max_size=4)
ACRES = [12.345, 0.0357, 78.6857, 41.92]


@settings(derandomize=True, max_examples=40, deadline=None)
@given(rates=RATES, step=st.sampled_from([0.1, 0.25, 1.0, 5.0, 10.0]),
       most=st.one_of(st.none(), st.floats(400, 500)))
def test_laws_of_rounding(rates: list[float], step: float, most: float | None) -> None:
    done = prescribed(passed(rates, step=step, most=most), area=ACRES, k2o=[0.0] * 4)
    (one,) = done.passes
    planned = np.array(rates)
    assert (np.abs(one.rates - planned) <= step / 2 + 1e-6).all() or most is not None
    assert (one.rates <= (most or np.inf) + 1e-9).all()
    assert (one.rates[planned == 0] == 0).all()
    assert one.prescription_total == pytest.approx(float(one.steps @ np.array(ACRES)) * step)
    assert np.allclose(done.balances[0].brought, one.rates * 0.6)
    assert sum(line.k2o_lb for line in done.order) == pytest.approx(
        float(done.balances[0].brought @ np.array(ACRES)))


@settings(derandomize=True, max_examples=40, deadline=None)
@given(rates=RATES, s_most=st.floats(5, 80))
def test_the_s_ceiling_holds_after_rounding(rates: list[float], s_most: float) -> None:
    first = np.minimum(np.array(rates) / 2, s_most / 0.17)
    second = np.minimum(np.array(rates), (s_most - first * 0.17) / 0.18)
    done = prescribed(
        passed(first.tolist(), of=KSUL, step=10.0),
        passed(np.maximum(second, 0).tolist(), of=GYPS, number=2, step=10.0, serves="S"),
        area=ACRES, s_most=s_most, s=[0.0] * 4,
    )
    assert (done.balances[0].brought <= s_most + 1e-6).all()
