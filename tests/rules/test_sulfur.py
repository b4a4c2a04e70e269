"""Sulfur needs: tissue, soil criterion, balance with credits, flat rate."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import RuleError
from vrx.model import Need, Yield
from vrx.rules import TissueTest, WaterTest, class_breaks, findings_of, load_books, needs

Ask = Callable[..., tuple[Need, ...]]
BOOKS = load_books()
TOP = "top 6 in, bud to first flower"


def line(need: Need, term: str) -> float:
    return next(x.lb_per_ac for x in need.lines if x.term == term)


def test_wisconsin_tissue_rule(ask: Ask) -> None:
    # Univ. Wisconsin (Laboski 2012): < 0.25 % S -> 25 lb S/ac; >= 0.25 % -> none.
    for pct, rate in ((0.10, 25), (0.249, 25), (0.25, 0), (0.34, 0)):
        found, = ask("tissue-sulfur", tissue=TissueTest(part=TOP, sulfur_pct=pct))
        assert found.lb_per_ac == rate


def test_tissue_by_zone(ask: Ask) -> None:
    by_zone = TissueTest(part="Top 6 in", stage="Bud", sulfur_pct={3: 0.22, 5: 0.30})
    found = ask("tissue-sulfur", tissue=by_zone, zone_ids=[3, 5])
    assert [n.lb_per_ac for n in found] == [25, 0]
    with pytest.raises(RuleError, match="zone 6"):
        ask("tissue-sulfur", tissue=by_zone, zone_ids=[3, 6])


@pytest.mark.parametrize(
    ("tissue", "code", "word"),
    [
        (None, "rules-tissue-missing", "sulfur_pct"),
        (TissueTest(part=TOP, potassium_pct=2.0), "rules-tissue-missing", "sulfur"),
        (TissueTest(part="whole plant", stage="bud", sulfur_pct=0.2), "rules-tissue-part",
         "not comparable"),
        (TissueTest(part="hay", stage="bud", sulfur_pct=0.2), "rules-tissue-part", "top 6 in"),
        (TissueTest(part="top 6in", stage="bud", sulfur_pct=0.2), "rules-tissue-part",
         "mean 'top 6 in'"),
        (TissueTest(part="top 6 in", stage="full bloom", sulfur_pct=0.2), "rules-tissue-stage",
         "bud to first flower"),
        (TissueTest(part=TOP, sulfur_pct=2400.0), "rules-out-of-range", "2400"),
    ],
)
def test_tissue_refusals(ask: Ask, tissue: TissueTest | None, code: str, word: str) -> None:
    with pytest.raises(RuleError) as caught:
        ask("tissue-sulfur", tissue=tissue)
    assert caught.value.code == code
    assert word in str(caught.value)


def test_westermann_criterion_by_extractant(ask: Ask, reading: Any) -> None:
    # Agron. J. 66:578-581 (1974): 4.0 ppm SO4-S by 0.032 M KH2PO4, 3.0 by water or 0.1 M LiCl,
    # 0-30 cm (11.8 in; 0-12 in taken).
    options = {"rate_lb_per_ac": 22}
    for method, critical in (("0.032 M KH2PO4", 4.0), ("water", 3.0), ("LiCl", 3.0)):
        soil = {"sulfate": reading("sulfate", critical - 0.01, critical, extractant=method)}
        found = ask("western-sulfate-criterion", soil, options=options)
        assert [n.lb_per_ac for n in found] == [22, 0]
        assert found[0].lines[0].evidence == "user"
    breaks, _ = class_breaks(book=BOOKS["western-sulfate-criterion"], extractant="kh2po4")
    assert breaks == (4.0,)
    with pytest.raises(RuleError, match="depends on the extractant"):
        class_breaks(book=BOOKS["western-sulfate-criterion"])


def test_the_criterion_never_guesses_a_rate_or_a_method(ask: Ask, reading: Any) -> None:
    low = {"sulfate": reading("sulfate", 2.0, extractant="water")}
    with pytest.raises(RuleError) as caught:
        ask("western-sulfate-criterion", low)
    assert caught.value.code == "rules-rate-missing"
    for method, depth, code in (("calcium phosphate", (0, 12), "rules-extractant"),
                                ("water", (0, 24), "rules-depth")):
        soil = {"sulfate": reading("sulfate", 2.0, extractant=method, depth_in=depth)}
        with pytest.raises(RuleError) as caught:
            ask("western-sulfate-criterion", soil, options={"rate_lb_per_ac": 22})
        assert caught.value.code == code


def test_the_water_credit_by_hand(ask: Ask) -> None:
    # Oregon State water units: SO4 / 3 = SO4-S. 24 in at 30 ppm SO4 = 10.01 ppm SO4-S; an
    # acre-foot weighs about 2.72 million lb: 2 ac-ft x 2.72 x 10.01 = 54.5 lb S.
    found, = ask("sulfur-balance", tons=10, moisture=12,
                 water=WaterTest(net_in=24, sulfate_so4_ppm=30))
    assert line(found, "irrigation water brings") == pytest.approx(-54.5, abs=0.05)
    assert line(found, "crop takes up (fact of the trade)") == pytest.approx(55.0)
    same, = ask("sulfur-balance", tons=10, moisture=12,
                water=WaterTest(net_in=24, sulfate_s_ppm=10.0129))
    assert same.lb_per_ac == pytest.approx(found.lb_per_ac, abs=1e-3)
    meq, = ask("sulfur-balance", tons=10, moisture=12,
               water=WaterTest(net_in=24, sulfate_meq_per_l=10.0129 / 16.03))
    assert meq.lb_per_ac == pytest.approx(found.lb_per_ac, abs=1e-2)


def test_taking_so4_for_s_would_be_three_times_as_much(ask: Ask) -> None:
    as_so4, = ask("sulfur-balance", tons=10, moisture=12,
                  water=WaterTest(net_in=6, sulfate_so4_ppm=30))
    as_s, = ask("sulfur-balance", tons=10, moisture=12,
                water=WaterTest(net_in=6, sulfate_s_ppm=30))
    ratio = line(as_s, "irrigation water brings") / line(as_so4, "irrigation water brings")
    assert ratio == pytest.approx(2.996, abs=1e-3)


def test_water_that_brings_more_than_the_crop_takes_up(ask: Ask) -> None:
    found, = ask("sulfur-balance", tons=6.5, moisture=12,
                 water=WaterTest(net_in=14, sulfate_so4_ppm=38))
    assert found.lb_per_ac == 0
    assert found.lines[-1].term == "more than covered: nothing to apply"
    assert sum(x.lb_per_ac for x in found.lines) == pytest.approx(0, abs=1e-9)


def test_organic_matter_credit_of_wisconsin(ask: Ask, reading: Any) -> None:
    # Univ. Wisconsin Extension prints 2.8 lb S/ac per 1 % organic matter, from 0.56 % S in it and
    # 2.5 % of that released a year: 2,000,000 lb x 1 % x 0.56 % x 2.5 %.
    om = {"organic_matter": reading("organic_matter", 1.0, 2.5)}
    found = ask("sulfur-balance", om, tons=10, moisture=12)
    assert [line(n, "organic matter releases") for n in found] == pytest.approx([-2.8, -7.0])
    by_hand = 2_000_000 * 0.01 * 0.0056 * 0.025
    assert line(found[0], "organic matter releases") == pytest.approx(-by_hand)
    off, = ask("sulfur-balance", {"organic_matter": reading("organic_matter", 2.0)}, tons=10,
               moisture=12, options={"om_credit": False})
    assert off.lb_per_ac == pytest.approx(55)
    one, = ask("sulfur-balance", tons=10, moisture=12, options={"om_pct": 2.0})
    assert one.lb_per_ac == pytest.approx(55 - 5.6)


def test_every_credit_is_its_own_line_with_its_own_source(ask: Ask, reading: Any) -> None:
    soil = {"sulfate": reading("sulfate", 5.0, extractant="calcium phosphate"),
            "organic_matter": reading("organic_matter", 2.0)}
    found, = ask("sulfur-balance", soil, tons=10, moisture=12,
                 water=WaterTest(net_in=10, sulfate_s_ppm=5),
                 options={"soil_share": 0.5, "deposition_lb_per_ac": 3, "manure_s_lb_per_ac": 6})
    terms = {x.term: x for x in found.lines}
    assert list(terms) == [
        "crop takes up (fact of the trade)", "organic matter releases", "irrigation water brings",
        "soil sulfate counts", "deposition brings", "manure brings"]
    # 12 in of soil at 1.33 g/cm3: ppm x 3.62 lb/ac.
    assert terms["soil sulfate counts"].lb_per_ac == pytest.approx(-5 * 3.62 / 2, abs=0.01)
    assert terms["deposition brings"].evidence == "user"
    assert terms["organic matter releases"].evidence == "read"
    assert all(x.locator and x.detail for x in found.lines)
    assert found.lb_per_ac == pytest.approx(sum(x.lb_per_ac for x in found.lines))


def test_what_is_not_known_is_told(ask: Ask) -> None:
    found, = ask("sulfur-balance", tons=6, moisture=12)
    told = {f.code: f.severity.value for f in found.findings}
    assert told["rules-water-missing"] == "warn"
    assert told["rules-om-missing"] == "note"
    with pytest.raises(RuleError, match="soil_share asks"):
        ask("sulfur-balance", options={"soil_share": 0.5})
    high, = ask("sulfur-balance", options={"deposition_lb_per_ac": 15})
    assert "rules-credit-unusual" in {f.code for f in high.findings}


def test_one_finding_for_all_zones_that_water_covers(ask: Ask, reading: Any) -> None:
    soil = {"organic_matter": reading("organic_matter", 1.0, 1.5, 2.0)}
    found = ask("flat-sulfur", soil, tons=6.5, moisture=12, zone_names=["A", "B", "C"],
                water=WaterTest(net_in=24, sulfate_so4_ppm=180))
    told = [f for f in findings_of(found) if f.code == "rules-water-covers"]
    assert [f.where for f in told] == ["flat-sulfur, zones A, B, C"]
    assert "cut by 25 lb" in told[0].what


@pytest.mark.parametrize(("pct", "severity"), [(0.24, "warn"), (0.31, "note")])
def test_a_tissue_test_that_the_guide_does_not_read_is_told(
    ask: Ask, pct: float, severity: str
) -> None:
    # Univ. Wisconsin (Laboski 2012): under 0.25 % S in the top 6 inches, bud to first flower, is
    # low. The balance does not read tissue, so its rate may differ from that rule's 25 lb.
    found, = ask("sulfur-balance", tissue=TissueTest(part=TOP, sulfur_pct=pct))
    told, = (f for f in found.findings if f.code == "rules-tissue-unread")
    assert told.severity == severity
    assert f"{pct:g} %" in told.what
    assert "0.25 %" in told.what
    assert ("tissue-sulfur" in told.todo) is (severity == "warn")


def test_a_tissue_test_that_is_read_or_of_another_part_gives_no_verdict(ask: Ask) -> None:
    read, = ask("tissue-sulfur", tissue=TissueTest(part=TOP, sulfur_pct=0.24))
    assert "rules-tissue-unread" not in {f.code for f in read.findings}
    # Whole hay is not comparable with the top 6 inches.
    hay, = ask("sulfur-balance", tissue=TissueTest(part="hay", stage="bud", sulfur_pct=0.2))
    told, = (f for f in hay.findings if f.code == "rules-tissue-unread")
    assert told.severity == "note"
    other, = ask("sulfur-balance", tissue=TissueTest(part=TOP, potassium_pct=1.5))
    assert "rules-tissue-unread" not in {f.code for f in other.findings}


def test_flat_rate_and_water(ask: Ask) -> None:
    # Common practice, no source: flat 20 to 25 lb S/ac, none where water supplies it.
    plain, = ask("flat-sulfur", tons=6.5, moisture=12)
    assert plain.lb_per_ac == 25
    own, = ask("flat-sulfur", tons=6.5, moisture=12, options={"rate_lb_per_ac": 20})
    assert (own.lb_per_ac, own.lines[0].evidence) == (20, "user")
    odd, = ask("flat-sulfur", tons=6.5, moisture=12, options={"rate_lb_per_ac": 60})
    assert "rules-rate-unusual" in {f.code for f in odd.findings}
    rich, = ask("flat-sulfur", tons=6.5, moisture=12,
                water=WaterTest(net_in=14, sulfate_so4_ppm=38))
    assert rich.lb_per_ac == 0
    assert [x.lb_per_ac for x in rich.lines] == pytest.approx([25, -25])
    assert "rules-water-covers" in {f.code for f in rich.findings}
    half, = ask("flat-sulfur", tons=6.5, moisture=12, options={"water_share": 0.5},
                water=WaterTest(net_in=14, sulfate_so4_ppm=38))
    assert half.lb_per_ac == pytest.approx(35.75 - 40.24 / 2, abs=0.01)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"net_in": 10}, "0 times"),
        ({"net_in": 10, "sulfate_so4_ppm": 30, "sulfate_s_ppm": 10}, "2 times"),
        ({"net_in": -1, "sulfate_s_ppm": 10}, "net_in"),
        ({"net_in": 10, "sulfate_s_ppm": float("nan")}, "sulfate_s_ppm"),
        ({"net_in": "10", "sulfate_s_ppm": 10}, "net_in"),
    ],
)
def test_water_tests_that_cannot_be(values: dict[str, Any], word: str) -> None:
    with pytest.raises(RuleError, match=word):
        WaterTest(**values)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(ppm=st.floats(0, 200), inches=st.floats(0, 40), tons=st.floats(1, 12),
       deposition=st.floats(0, 10), om=st.floats(0, 8),
       book=st.sampled_from(["sulfur-balance", "flat-sulfur"]))
def test_sulfur_is_never_negative_never_rises_with_water_and_is_the_sum_of_its_lines(
    *, ppm: float, inches: float, tons: float, deposition: float, om: float, book: str
) -> None:
    options = {"deposition_lb_per_ac": deposition, "om_pct": om} if book == "sulfur-balance" else {}

    def run(sulfate: float, goal: float) -> Need:
        return needs(book=BOOKS[book], nutrient="S", zone_ids=[1], readings={}, crop="alfalfa",
                     expected_yield=Yield(tons_per_ac=goal, moisture_pct=12), options=options,
                     water=WaterTest(net_in=inches, sulfate_s_ppm=sulfate))[0]

    found = run(ppm, tons)
    assert found.lb_per_ac >= 0
    assert sum(x.lb_per_ac for x in found.lines) == pytest.approx(found.lb_per_ac, abs=1e-9)
    assert run(ppm + 5, tons).lb_per_ac <= found.lb_per_ac + 1e-9
    assert run(ppm, tons + 1).lb_per_ac >= found.lb_per_ac - 1e-9


@pytest.mark.parametrize("book", ["western-sulfate-threshold", "western-sulfate-criterion"])
def test_a_rate_of_the_plan_keeps_the_evidence_of_who_gets_it(
    book: str, ask: Ask, reading: Any
) -> None:
    # "< 10 ppm SO4-S" is from memory, 4.0 ppm by phosphate was read; the 25 lb are the plan's.
    memory = book == "western-sulfate-threshold"
    more = {"accept_extractant": "potassium phosphate"} if memory else {}
    soil = reading("sulfate", 2.0, 40.0, extractant="potassium phosphate", depth_in=(0, 12))
    low, enough = ask(book, {"sulfate": soil}, options={"rate_lb_per_ac": 25.0, **more})
    assert (low.lb_per_ac, enough.lb_per_ac) == (25, 0)
    assert [line.evidence for line in low.lines if line.term == "soil criterion"] == [
        "from memory" if memory else "user"]
    assert ("rules-from-memory" in {f.code for f in low.findings}) is memory


def test_a_condition_and_a_usual_span_from_memory_say_so(ask: Ask) -> None:
    iowa, = ask("iowa-sulfur", options={"deficiency_confirmed": True, "rate_lb_per_ac": 25.0})
    assert [line.evidence for line in iowa.lines if "conditions" in line.term] == ["from memory"]
    flat, = ask("wisconsin-topdress-sulfur", options={"rate_lb_per_ac": 20.0})
    assert "(usual 15 to 25, from memory)" in flat.lines[0].detail
