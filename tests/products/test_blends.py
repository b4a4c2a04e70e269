"""Blends against conservation of mass, with exact fractions and with pint, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import RuleError
from vrx.model import Material, MaterialFacts
from vrx.products import Blend, add_blends, load_materials, mix

FEW = settings(derandomize=True, max_examples=60, deadline=None)
MATERIALS = load_materials()
KCL, KSUL, NSUL = ("muriate of potash 0-0-60", "potassium sulfate 0-0-50-17S",
                   "ammonium sulfate 21-0-0-24S")
KTHI, NTHI, NLSU = ("potassium thiosulfate 0-0-25-17S", "ammonium thiosulfate 12-0-0-26S",
                    "liquid ammonium sulfate 8-0-0-9S")
DRY = [name for name, one in MATERIALS.items() if one.form == "dry" and one.s_form != "elemental"]
LIQUID = [name for name, one in MATERIALS.items() if one.form == "liquid"]


def made(*parts: tuple[str, float], **more: object) -> Material:
    return mix(Blend(id="mix", parts=parts, **more), MATERIALS, where="test")[0]  # type: ignore[arg-type]


def codes(*parts: tuple[str, float], **more: object) -> set[str]:
    blend = Blend(id="mix", parts=parts, **more)  # type: ignore[arg-type]
    return {one.code for one in mix(blend, MATERIALS, where="test")[1]}


def test_a_blend_worked_by_hand() -> None:
    # 3 parts 0-0-60 and 1 part 0-0-50-17S: K2O (180 + 50) / 4 = 57.5 %, S 17 / 4 = 4.25 %,
    # Cl 3 x 45.2 / 4 = 33.9 % (mass balance, by hand).
    one = made((KCL, 3), (KSUL, 1))
    assert (one.k2o_pct, one.s_pct, one.cl_pct) == pytest.approx((57.5, 4.25, 33.9))
    assert one.s_form == "sulfate"
    assert one.unit == "lb/ac"
    assert dict(one.parts) == pytest.approx({KCL: 0.75, KSUL: 0.25})
    # From these 1,000 lb: 575 lb K2O, as 750 lb x 0.60 + 250 lb x 0.50.
    assert 1000 * one.nutrient_lb_per_unit("K2O") == pytest.approx(575)


def test_a_liquid_blend_by_volume_with_pint() -> None:
    # 7 gal potassium and 3 gal ammonium thiosulfate, weighed and analysed by a unit library.
    ureg = pint.UnitRegistry()
    gal, lb = ureg.gallon, ureg.pound
    k = 7 * gal * (12.2 * lb / gal)
    n = 3 * gal * (11.04 * lb / gal)
    weight, volume = k + n, 10 * gal
    one = made((KTHI, 7), (NTHI, 3), by="volume")
    assert one.density_lb_per_gal == pytest.approx((weight / volume).to(lb / gal).magnitude)
    s_kg_per_l = ((0.17 * k + 0.26 * n) / volume).to(ureg.kilogram / ureg.liter).magnitude
    ours = one.nutrient_lb_per_unit("S") * (1 * lb / gal).to(
        ureg.kilogram / ureg.liter).magnitude
    assert ours == pytest.approx(s_kg_per_l)
    assert one.k2o_pct == pytest.approx(float((25 * k / weight).magnitude))


def test_the_density_of_the_load_ticket_goes_first() -> None:
    one = made((KTHI, 1), (NTHI, 1), by="volume", density_lb_per_gal=11.5)
    assert one.density_lb_per_gal == 11.5
    assert one.evidence == "analysis: computed from its parts; density: user"
    weak = made((KTHI, 1), (NTHI, 1), by="volume")
    assert weak.evidence.endswith("density: from memory")  # potassium thiosulfate's is
    assert "blend-density" in codes((KTHI, 1), (NTHI, 1), by="volume")


COUNTS = st.floats(0.01, 1000)


@FEW
@given(st.lists(st.tuples(st.sampled_from(DRY), COUNTS), min_size=2, max_size=5,
                unique_by=lambda item: item[0]))
def test_pounds_of_every_nutrient_are_those_of_the_parts(parts: list[tuple[str, float]]) -> None:
    one = made(*parts)
    total = sum(Fraction(count) for _, count in parts)
    for nutrient in ("N", "P2O5", "K2O", "S", "Mg", "Cl"):
        brought = sum(Fraction(count) * Fraction(MATERIALS[name].nutrient_lb_per_unit(nutrient))
                      for name, count in parts)
        assert one.nutrient_lb_per_unit(nutrient) == pytest.approx(float(brought / total),
                                                                   rel=1e-12, abs=1e-12)
    assert sum(share for _, share in one.parts) == pytest.approx(1)


@FEW
@given(st.lists(st.tuples(st.sampled_from(LIQUID), COUNTS), min_size=2, max_size=3,
                unique_by=lambda item: item[0]))
def test_by_volume_and_by_the_same_weights_is_one_blend(parts: list[tuple[str, float]]) -> None:
    volume = made(*parts, by="volume")
    weight = made(*((name, count * MATERIALS[name].lb_per_unit) for name, count in parts))
    for nutrient in ("N", "K2O", "S"):
        assert volume.nutrient_lb_per_unit(nutrient) == pytest.approx(
            weight.nutrient_lb_per_unit(nutrient), rel=1e-12)
    lows = [MATERIALS[name].lb_per_unit for name, _ in parts]
    assert min(lows) - 1e-9 <= volume.lb_per_unit <= max(lows) + 1e-9


def test_every_ban_and_caution_of_a_part_is_one_of_the_blend() -> None:
    one = made((KTHI, 1), (NLSU, 1), by="volume")
    assert set(one.more.not_for) == {"leaves", "seed furrow", "acid"}
    assert one.s_form == "thiosulfate"
    assert any(text.startswith(f"{KTHI}: Never with acid") for text in one.cautions)
    assert made((KTHI, 1), (NTHI, 1), by="volume").more.salt_out_below_f == 20
    assert {"blend-jar"} <= codes((KTHI, 1), (NLSU, 1), by="volume")
    assert codes((KCL, 1), (NSUL, 1)) == {"blend-segregation"}


@pytest.mark.parametrize(("parts", "more", "says"), [
    (((KCL, 1.0),), {}, "two parts or more"),
    (((KCL, 1.0), ("potash", 1.0)), {}, "no material that stands before"),
    (((KCL, 1.0), (KCL.upper(), 1.0)), {}, "given twice"),
    (((KCL, 1.0), (NSUL, 0.0)), {}, "0 parts"),
    (((KCL, 1.0), (KTHI, 1.0)), {}, "dry and liquid"),
    (((KCL, 1.0), (NSUL, 1.0)), {"by": "volume"}, "by volume of dry"),
    (((KCL, 1.0), (NSUL, 1.0)), {"density_lb_per_gal": 9.0}, "does not fit a dry"),
    (((NSUL, 1.0), ("elemental sulfur 0-0-0-90S", 1.0)), {}, "elemental S with S"),
])
def test_what_cannot_be_a_blend_says_why(
    parts: tuple[tuple[str, float], ...], more: dict[str, object], says: str
) -> None:
    with pytest.raises(RuleError, match=says) as caught:
        made(*parts, **more)
    assert caught.value.code == "blend-parts"
    assert caught.value.hint


def test_a_grade_in_the_id_must_be_that_of_the_parts() -> None:
    for name in ("blend 0-0-58-4S", "blend 0-0-57-4S", "plain name", "blend 1.2.3-0-0"):
        blend = Blend(id=name, parts=((KCL, 3), (KSUL, 1)))  # 57.5 % K2O, 4.25 % S
        assert mix(blend, MATERIALS, where="test")[0].id == name
    with pytest.raises(RuleError, match=r"says 60 % K2O, the parts give 57\.50 %"):
        mix(Blend(id="blend 0-0-60", parts=((KCL, 3), (KSUL, 1))), MATERIALS, where="test")


def user(name: str, base: str, *, s_form: str | None = None, holds: tuple[str, ...]) -> Material:
    one = MATERIALS[base]
    return replace(one, id=name, s_form=one.s_form if s_form is None else s_form,
                   more=MaterialFacts(holds=holds))


def test_pairs_that_must_not_meet() -> None:
    # Acid breaks thiosulfate to SO2 + S (encyclopedia article); Ca precipitates gypsum (maker).
    own = {**MATERIALS, "acid": user("acid", NLSU, s_form="", holds=("acid",)),
           "calcium": user("calcium", NLSU, s_form="", holds=("calcium",))}
    with pytest.raises(RuleError, match="sulfur dioxide gas"):
        mix(Blend(id="x", parts=((KTHI, 1), ("acid", 1)), by="volume"), own, where="t")
    _, told = mix(Blend(id="x", parts=((KTHI, 1), ("calcium", 1)), by="volume"), own, where="t")
    assert "gypsum" in next(one.what for one in told if one.code == "blend-pair")
    # Dry gypsum with dry potassium sulfate meets no water: no such warning.
    assert "blend-pair" not in codes(("gypsum 0-0-0-18S", 1), (KSUL, 1))


LIST = """schema = 1
[[blend]]
id = "half and half"
code = "HALF"
[[blend.part]]
material = "muriate of potash 0-0-60"
parts = 1
[[blend.part]]
material = "potassium sulfate 0-0-50-17S"
parts = 1
"""


def test_a_list_of_the_users_own_may_hold_blends(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(LIST, encoding="utf-8")
    assert load_materials([path])["half and half"].k2o_pct == pytest.approx(55)
    path.write_text(LIST.replace("parts = 1", "part = 1", 1), encoding="utf-8")
    with pytest.raises(RuleError, match=r"half and half.*nearest known key: parts"):
        load_materials([path])
    path.write_text("schema = 1\n", encoding="utf-8")
    with pytest.raises(RuleError, match="neither a"):
        load_materials([path])


def test_a_blend_may_be_a_part_and_names_are_given_once() -> None:
    first = Blend(id="a", parts=((KCL, 1), (KSUL, 1)))
    found, _ = add_blends(MATERIALS, [first, Blend(id="b", parts=(("a", 1), (NSUL, 1)))],
                          where="[[blend]]")
    assert found["b"].k2o_pct == pytest.approx(27.5)
    with pytest.raises(RuleError, match="already given"):
        add_blends(MATERIALS, [first, first], where="[[blend]]")
