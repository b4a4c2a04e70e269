"""Potassium needs: lines, classes, refusals, and the shape of the response."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import RuleError
from vrx.model import Need, Severity, Yield, ZoneReading
from vrx.rules import Book, class_breaks, findings_of, load_books, need_surface, needs
from vrx.rules.load import parse_book

BOOKS = load_books()
Ask = Callable[..., tuple[Need, ...]]
Readings = Callable[..., dict[str, ZoneReading]]


def codes(found: tuple[Need, ...]) -> set[str]:
    return {f.code for f in findings_of(found)}


def test_tri_state_lines_say_what_was_read_and_how(ask: Ask, tri_state: Readings) -> None:
    # Tri-State 2020 classes (Release of New Tri-State Recommendations); 49 lb K2O per ton of dry
    # matter worked back from Michigan State's printed cost; build-up term from memory.
    low, = ask("tri-state-2020", tri_state(95.0))
    assert low.soil_class == "deficient"
    assert [line.term for line in low.lines] == ["soil test read", "hay removes", "build-up"]
    assert [line.lb_per_ac for line in low.lines] == pytest.approx([0, 294, 40])
    assert [line.evidence for line in low.lines] == ["read", "computed", "from memory"]
    assert "95 ppm (mehlich-3, 0-8 in), CEC 12.0" in low.lines[0].detail
    assert "49 lb K2O per ton of dry matter x 6.00" in low.lines[1].detail
    assert "(120 - 95.0 ppm) x (1 + 0.05 x 12.0)" in low.lines[2].detail
    assert all(line.locator for line in low.lines)
    memory = [f for f in low.findings if f.code == "rules-from-memory"]
    assert "check your guide" in memory[0].what
    assert memory[0].severity is Severity.WARN


def test_tri_state_class_edges(ask: Ask, tri_state: Readings) -> None:
    # Bulletin 974 ranges: 120-170 ppm where CEC > 5, 100-130 ppm where CEC <= 5.
    found = ask("tri-state-2020", tri_state(119.99, 120.0, 170.0, 170.01))
    assert [n.soil_class for n in found] == ["deficient", "optimal", "optimal", "sufficient"]
    assert [n.lb_per_ac for n in found] == pytest.approx([294.016, 294, 294, 0])
    light = ask("tri-state-2020", tri_state(99.0, 100.0, 130.0, 131.0, cec=5.0))
    assert [n.soil_class for n in light] == ["deficient", "optimal", "optimal", "sufficient"]


def test_build_up_is_optional_and_may_take_longer(ask: Ask, tri_state: Readings) -> None:
    none, = ask("tri-state-2020", tri_state(95.0), options={"build_up": False})
    assert none.lb_per_ac == pytest.approx(294)
    assert "no build-up" in none.lines[2].detail
    slow, = ask("tri-state-2020", tri_state(95.0), options={"build_up_years": 8})
    assert slow.lb_per_ac == pytest.approx(294 + 20)


def test_no_book_memory_finding_where_nothing_from_memory_was_used(
    ask: Ask, tri_state: Readings
) -> None:
    assert "rules-from-memory" not in codes(ask("tri-state-2020", tri_state(150.0)))


def test_dry_matter_ton_and_hay_ton_differ_by_the_moisture(ask: Ask) -> None:
    # 6 t of hay at 12 % moisture hold 5.28 t of dry matter (definition).
    wet = {"tons": 6.0, "moisture": 12.0}
    per_dm, = ask("removal-potassium", options={"removal_source": "tri-state-2020"}, **wet)
    assert per_dm.lb_per_ac == pytest.approx(49 * 5.28)
    per_hay, = ask("removal-potassium", options={"removal_source": "nebraska"}, **wet)
    assert per_hay.lb_per_ac == pytest.approx(360)
    ninety, = ask("removal-potassium", options={"removal_source": "colorado-adviser"}, **wet)
    assert ninety.lb_per_ac == pytest.approx(60 * 5.28 / 0.9)
    # The same hay in another ton gives the same need.
    dry, = ask("removal-potassium", options={"removal_source": "nebraska"}, tons=5.28)
    assert dry.lb_per_ac == pytest.approx(per_hay.lb_per_ac)
    assert "rules-ton-basis" in {f.code for f in per_hay.findings}
    assert "rules-ton-basis" not in {f.code for f in ninety.findings}


def test_a_removal_source_must_be_chosen(ask: Ask) -> None:
    with pytest.raises(RuleError) as caught:
        ask("removal-potassium")
    assert caught.value.code == "rules-source-missing"
    assert "nebraska: removes 60 lb K2O per ton at 12 % moisture" in caught.value.hint
    with pytest.raises(RuleError, match="mean 'nebraska'"):
        ask("removal-potassium", options={"removal_source": "nebrasca"})


def with_caution(name: str, above: float, text: str) -> Book:
    """A built-in book with a caution of its own above an amount, as a user's book may have one."""
    raw = resources.files("vrx.rules").joinpath(f"books/{name}.toml").read_text(encoding="utf-8")
    caution = (f'[[cautions]]\ntext = "{text}"\nabove_lb_per_ac = {above}\n'
               'locator = "invented for this test"\nevidence = "user"\n\n[[rules]]')
    return parse_book(raw.replace("[[rules]]", caution, 1).encode(), file="own.toml",
                      origin="user")


def test_a_caution_above_an_amount_stands_with_the_needs_above_it() -> None:
    book = with_caution("removal-potassium", 200.0, "more than 200 is much")
    for share, told in ((0.5, True), (0.4, False)):  # 60 x 6 / 0.88 x share = 204.5 and 163.6
        found, = needs(book=book, nutrient="K2O", zone_ids=[1], readings={}, crop="alfalfa",
                       expected_yield=Yield(tons_per_ac=6, moisture_pct=0),
                       options={"removal_source": "nebraska", "share": share})
        assert found.lb_per_ac == pytest.approx(60 * 6 / 0.88 * share)
        warned = [f for f in found.findings if "more than 200" in f.what]
        assert bool(warned) is told
        assert all(f.severity is Severity.WARN and "zone 1" in f.what for f in warned)


@pytest.mark.parametrize("name", sorted(BOOKS))
def test_no_built_in_book_speaks_of_splits_or_tops_of_the_season(name: str) -> None:
    # Whether a pass or a season is too much depends on the passes, which a book does not know.
    assert all(c.above_lb_per_ac is None for c in BOOKS[name].data.cautions)


def test_extractants_are_never_mixed(ask: Ask, reading: Any) -> None:
    acetate = {"potassium": reading("potassium", 100.0, extractant="1N ammonium acetate",
                                    depth_in=(0, 8)), "cec": reading("cec", 12.0)}
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", acetate)
    assert caught.value.code == "rules-extractant"
    assert 'conversion = "acetate to mehlich-3 (Ohio, Indiana)"' in caught.value.hint
    chosen = {"conversion": "acetate to mehlich-3 (Ohio, Indiana)"}
    found, = ask("tri-state-2020", acetate, options=chosen)
    # Ohio State ANR-75: 100 ppm by acetate read as 114 ppm by Mehlich-3.
    assert "100 ppm (ammonium acetate, 0-8 in), read as 114.0 ppm" in found.lines[0].detail
    assert "rules-conversion" in {f.code for f in found.findings}
    mehlich = dict(acetate, potassium=reading("potassium", 100.0, extractant="M3", depth_in=(0, 8)))
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", mehlich, options=chosen)
    assert caught.value.code == "rules-conversion"


def test_no_extractant_is_no_extractant(ask: Ask, reading: Any) -> None:
    bare = {"potassium": reading("potassium", 100.0, depth_in=(0, 8)), "cec": reading("cec", 12.0)}
    with pytest.raises(RuleError, match="without extractant"):
        ask("tri-state-2020", bare)


def test_depths_are_never_mixed(ask: Ask, reading: Any) -> None:
    deep = {"potassium": reading("potassium", 125.0, extractant="mehlich-3", depth_in=(0, 12)),
            "cec": reading("cec", 12.0)}
    with pytest.raises(RuleError, match="0-12 in, the guide reads 0-8 in") as caught:
        ask("tri-state-2020", deep)
    assert caught.value.code == "rules-depth"
    assert "accept_depth_in = [0, 12]" in caught.value.hint
    taken = ask("tri-state-2020", deep, options={"accept_depth_in": [0, 12]})
    assert taken[0].lb_per_ac == pytest.approx(294)
    assert "rules-depth-accepted" in codes(taken)
    with pytest.raises(RuleError, match="0-12 in"):
        ask("tri-state-2020", deep, options={"accept_depth_in": [0, 6]})


def test_cec_must_come_from_somewhere(ask: Ask, tri_state: Readings) -> None:
    only_k = {"potassium": tri_state(125.0)["potassium"]}
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", only_k)
    assert caught.value.code == "rules-reading-missing"
    assert "cec_meq_per_100g" in caught.value.hint
    found = ask("tri-state-2020", only_k, options={"cec_meq_per_100g": 4})
    assert found[0].soil_class == "optimal"
    assert "rules-field-wide" in codes(found)


def test_mehlich_cec_on_lime_is_doubted(ask: Ask, tri_state: Readings, reading: Any) -> None:
    # Kansas research reports: never compute CEC from Mehlich-3 above pH 7.3.
    found = ask("tri-state-2020", {**tri_state(125.0, 125.0), "ph": reading("ph", 7.3, 8.1)})
    assert "rules-cec-lime" not in {f.code for f in found[0].findings}
    assert "rules-cec-lime" in {f.code for f in found[1].findings}


@pytest.mark.parametrize(
    ("more", "code", "word"),
    [
        ({"nutrient": "S"}, "rules-nutrient", "K2O, not S"),
        ({"crop": "barley"}, "rules-crop", "alfalfa"),
        ({"options": {"buildup": True}}, "rules-option-unknown", "mean 'build_up'"),
        ({"options": {"build_up": "yes"}}, "rules-option-value", "yes or no"),
        ({"options": {"build_up_years": 0}}, "rules-option-value", "from 1"),
        ({"options": {"build_up_years": "4"}}, "rules-option-value", "'4'"),
        ({"options": {"build_up_years": True}}, "rules-option-value", "number"),
        ({"tons": 0.0}, "rules-yield", "tons_per_ac"),
        ({"moisture": 88.0}, "rules-yield", "88"),
        ({"tons": 40.0}, "rules-out-of-range", "0.5 to 14"),
        ({"zone_ids": []}, "rules-no-zones", "zones"),
    ],
)
def test_refusals_say_why(ask: Ask, tri_state: Readings, more: Any, code: str, word: str) -> None:
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", tri_state(125.0), **more)
    assert caught.value.code == code
    assert word in str(caught.value)


def test_all_zones_out_of_range_are_listed(ask: Ask, tri_state: Readings) -> None:
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", tri_state(125.0, 1500.0, 2000.0), zone_ids=[4, 7, 9])
    assert [f.where for f in caught.value.findings] == [
        "tri-state-2020, zone 7", "tri-state-2020, zone 9"]


@pytest.mark.parametrize("bad", [float("nan"), -1.0, float("inf")])
def test_a_zone_without_a_usable_reading_stops(ask: Ask, tri_state: Readings, bad: float) -> None:
    with pytest.raises(RuleError, match="zone 2") as caught:
        ask("tri-state-2020", tri_state(125.0, bad))
    assert caught.value.code == "rules-reading-value"


def test_a_reading_in_another_unit_stops(ask: Ask, tri_state: Readings, reading: Any) -> None:
    held = tri_state(125.0)
    held["potassium"] = reading("potassium", 250.0, extractant="mehlich-3", depth_in=(0, 8),
                                unit="lb/ac")
    with pytest.raises(RuleError, match="'lb/ac', not 'ppm'"):
        ask("tri-state-2020", held)


def test_clamped_cec_is_a_finding(ask: Ask, tri_state: Readings) -> None:
    found = ask("tri-state-2020", tri_state(95.0, cec=80.0))
    assert "rules-clamped" in codes(found)
    assert found[0].lines[2].lb_per_ac == pytest.approx(25 * 3.5)


def test_region_is_told(ask: Ask, tri_state: Readings) -> None:
    assert "rules-region-unknown" in codes(ask("tri-state-2020", tri_state(125.0)))
    assert "rules-region" in codes(ask("tri-state-2020", tri_state(125.0), region="Idaho"))
    inside = codes(ask("tri-state-2020", tri_state(125.0), region="ohio"))
    assert not {"rules-region", "rules-region-unknown"} & inside


def test_classes_without_rates(ask: Ask, reading: Any) -> None:
    # Univ. California publication 8292, classes from memory: < 40, 40-80, 80-125, > 125 ppm.
    k = {"potassium": reading("potassium", 39.9, 40.0, 80.0, 125.0, 125.1,
                              extractant="ammonium acetate")}
    with pytest.raises(RuleError) as caught:
        ask("western-acetate-k-classes", k)
    assert caught.value.code == "rules-no-rate"
    assert "book of your own" in caught.value.hint
    rates = {"deficient": 300, "marginal": 200, "adequate": 0, "high": 0}
    found = ask("western-acetate-k-classes", k, options={"class_rates_lb_per_ac": rates})
    assert [n.soil_class for n in found] == ["deficient", "marginal", "adequate", "adequate",
                                             "high"]
    assert [n.lb_per_ac for n in found] == [300, 200, 0, 0, 0]
    # The rates are the plan's own, but a class from memory decides which one a zone gets.
    assert {line.evidence for n in found for line in n.lines} == {"from memory"}
    assert all("your own rate" in n.lines[0].detail for n in found)
    assert "rules-from-memory" in codes(found)
    with pytest.raises(RuleError, match=r"missing high.*'hihg'.*'high'"):
        ask("western-acetate-k-classes", k, options={"class_rates_lb_per_ac": {
            "deficient": 300, "marginal": 200, "adequate": 0, "hihg": 0}})


def test_class_breaks_for_zones() -> None:
    assert class_breaks(book=BOOKS["tri-state-2020"], cec_meq_per_100g=12.0) == (
        (120.0, 170.0), ("deficient", "optimal", "sufficient"))
    assert class_breaks(book=BOOKS["tri-state-2020"], cec_meq_per_100g=5.0)[0] == (100.0, 130.0)
    assert class_breaks(book=BOOKS["tri-state-2020"], options={"cec_meq_per_100g": 5.0})[0] == (
        100.0, 130.0)
    # 1995: 75 + 2.5 x CEC, and 30 ppm above it (from memory; Michigan State for the 30).
    assert class_breaks(book=BOOKS["tri-state-1995"], cec_meq_per_100g=10.0)[0] == (100.0, 130.0)
    breaks, labels = class_breaks(book=BOOKS["western-acetate-k-classes"])
    assert (breaks, len(labels)) == ((40.0, 80.0, 125.0), 4)
    # With a conversion the breaks lie on the laboratory's scale.
    ours, _ = class_breaks(book=BOOKS["tri-state-2020"], cec_meq_per_100g=12.0,
                           options={"conversion": "acetate to mehlich-3 (Ohio, Indiana)"})
    assert ours == pytest.approx((120 / 1.14, 170 / 1.14))
    with pytest.raises(RuleError) as caught:
        class_breaks(book=BOOKS["tri-state-2020"])
    assert caught.value.code == "rules-reading-missing"
    with pytest.raises(RuleError) as caught:
        class_breaks(book=BOOKS["south-dakota-k-equation"])
    assert caught.value.code == "rules-no-classes"


def test_a_surface_gives_the_same_as_zones(tri_state: Readings, reading: Any) -> None:
    k = np.linspace(60, 220, 12).reshape(3, 4)
    flat = tri_state(*k.ravel(), cec=9.0)
    zones = needs(book=BOOKS["tri-state-2020"], nutrient="K2O", zone_ids=range(12), readings=flat,
                  crop="alfalfa", expected_yield=Yield(tons_per_ac=6, moisture_pct=12))
    cells = {name: ZoneReading(analyte=name, unit=r.unit, extractant=r.extractant,
                               depth_in=r.depth_in, mean=r.mean.reshape(3, 4),
                               standard_error=r.mean * 0, low=r.mean, high=r.mean)
             for name, r in flat.items()}
    surface, found = need_surface(
        book=with_caution("tri-state-2020", 200.0, "more than 200 is much"), nutrient="K2O",
        readings=cells, crop="alfalfa",
        expected_yield=Yield(tons_per_ac=6, moisture_pct=12))
    assert surface.shape == (3, 4)
    assert surface.ravel() == pytest.approx([n.lb_per_ac for n in zones])
    split = [f for f in found if "more than 200" in f.what]
    assert len(split) == 1
    assert "of 12 cells" in split[0].what


def test_each_zone_may_have_its_own_yield(tri_state: Readings) -> None:
    found = needs(book=BOOKS["tri-state-2020"], nutrient="K2O", zone_ids=[1, 2],
                  readings=tri_state(150.0, 150.0), crop="alfalfa",
                  expected_yield=[Yield(tons_per_ac=4, moisture_pct=0),
                                  Yield(tons_per_ac=8, moisture_pct=0)])
    assert [n.lb_per_ac for n in found] == pytest.approx([4 * 49, 8 * 49])


def test_one_caution_names_all_its_zones(tri_state: Readings) -> None:
    book = with_caution("tri-state-2020", 200.0, "more than 200 is much")
    found = needs(book=book, nutrient="K2O", zone_ids=[2, 5, 8], zone_names=["B", "E", "H"],
                  readings=tri_state(150.0, 200.0, 110.0), crop="alfalfa",
                  expected_yield=Yield(tons_per_ac=6, moisture_pct=0))
    split = [[f for f in n.findings if "more than 200" in f.what] for n in found]
    assert [len(s) for s in split] == [1, 0, 1]
    assert "need 294 to 310 lb/ac in zones B, H" in split[0][0].what
    assert len([f for f in findings_of(found) if "more than 200" in f.what]) == 1


def test_findings_call_zones_by_their_names(ask: Ask, tri_state: Readings) -> None:
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", tri_state(125.0, 1500.0), zone_ids=[4, 7], zone_names=["D", "G"])
    assert [f.where for f in caught.value.findings] == ["tri-state-2020, zone G"]
    with pytest.raises(RuleError) as caught:
        ask("tri-state-2020", tri_state(125.0, 150.0), zone_names=["A"])
    assert caught.value.code == "rules-shape"


def test_a_zone_without_build_up_does_not_rest_on_the_build_up_from_memory(
    ask: Ask, tri_state: Readings
) -> None:
    # 110 ppm lies under the critical level of 120 ppm, 150 ppm does not (Tri-State 2020, read).
    low, enough = ask("tri-state-2020", tri_state(110.0, 150.0))
    assert "from memory" in {line.evidence for line in low.lines}
    assert "from memory" not in {line.evidence for line in enough.lines}
    off, = ask("tri-state-2020", tri_state(110.0), options={"build_up": False})
    assert [(line.lb_per_ac, line.evidence) for line in off.lines
            if line.term == "build-up"] == [(0, "user")]


# The books that read soil K, their reading and the options under which they give a rate.
SOIL_BOOKS = {
    "tri-state-2020": ("mehlich-3", (0, 8), {}),
    "tri-state-1995": ("ammonium acetate", (0, 8), {}),
    "south-dakota-k-equation": ("ammonium acetate", (0, 6), {}),
    "western-acetate-k-classes": ("ammonium acetate", (0, 12), {"class_rates_lb_per_ac": {
        "deficient": 300, "marginal": 200, "adequate": 50, "high": 0}}),
}


@pytest.mark.parametrize("name", SOIL_BOOKS)
@settings(derandomize=True, max_examples=30, deadline=None)
@given(k=st.lists(st.floats(0, 600), min_size=2, max_size=12), cec=st.floats(1, 45),
       tons=st.floats(1, 12))
def test_need_falls_with_soil_k_rises_with_yield_and_is_the_sum_of_its_lines(
    name: str, k: list[float], cec: float, tons: float
) -> None:
    extractant, depth, options = SOIL_BOOKS[name]
    values = np.sort(np.array(k))

    def run(goal: float) -> tuple[Need, ...]:
        made = {
            "potassium": ZoneReading(analyte="potassium", unit="ppm", extractant=extractant,
                                     depth_in=depth, mean=values, standard_error=values * 0,
                                     low=values, high=values),
            "cec": ZoneReading(analyte="cec", unit="meq/100 g", extractant="", depth_in=depth,
                               mean=values * 0 + cec, standard_error=values * 0, low=values,
                               high=values),
        }
        return needs(book=BOOKS[name], nutrient="K2O", zone_ids=range(values.size), readings=made,
                     crop="alfalfa", options=options,
                     expected_yield=Yield(tons_per_ac=goal, moisture_pct=12))

    found = run(tons)
    rates = np.array([n.lb_per_ac for n in found])
    assert (np.diff(rates) <= 1e-9).all()
    assert (rates >= 0).all()
    for need in found:
        assert sum(line.lb_per_ac for line in need.lines) == pytest.approx(need.lb_per_ac, abs=1e-9)
    more = np.array([n.lb_per_ac for n in run(tons + 1)])
    assert (more >= rates - 1e-9).all()
