"""The material list against stoichiometry from standard atomic weights, and its strictness."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from vrx.errors import PlanError, RuleError
from vrx.products import find_material, load_limits, load_materials, materials_sha256

# IUPAC Commission on Isotopic Abundances and Atomic Weights, abridged standard weights 2021.
WEIGHT = {"H": 1.008, "C": 12.011, "N": 14.007, "O": 15.999, "Mg": 24.305, "S": 32.06,
          "Cl": 35.45, "K": 39.0983, "Ca": 40.078}
SALT = {
    "KCL": {"K": 1, "Cl": 1},
    "KSUL": {"K": 2, "S": 1, "O": 4},
    "KMGS": {"K": 2, "Mg": 2, "S": 3, "O": 12},
    "KTHI": {"K": 2, "S": 2, "O": 3},
    "NTHI": {"N": 2, "H": 8, "S": 2, "O": 3},
    "NLSU": {"N": 2, "H": 8, "S": 1, "O": 4},
    "NSUL": {"N": 2, "H": 8, "S": 1, "O": 4},
    "GYPS": {"Ca": 1, "S": 1, "O": 6, "H": 4},
    "SELE": {"S": 1},
}
K2O_PER_K = (2 * WEIGHT["K"] + WEIGHT["O"]) / (2 * WEIGHT["K"])
MATERIALS = load_materials()


def pure_pct(code: str) -> dict[str, float]:
    salt = SALT[code]
    mass = sum(WEIGHT[element] * count for element, count in salt.items())
    pct = {element: 100 * WEIGHT[element] * count / mass for element, count in salt.items()}
    return {"N": pct.get("N", 0), "P2O5": 0.0, "K2O": pct.get("K", 0) * K2O_PER_K,
            "S": pct.get("S", 0), "Mg": pct.get("Mg", 0), "Cl": pct.get("Cl", 0)}


@pytest.mark.parametrize("name", sorted(MATERIALS))
def test_a_label_never_holds_more_than_the_pure_salt(name: str) -> None:
    material = MATERIALS[name]
    pure = pure_pct(material.code)
    label = {"N": material.n_pct, "P2O5": material.p2o5_pct, "K2O": material.k2o_pct,
             "S": material.s_pct, "Mg": material.mg_pct, "Cl": material.cl_pct}
    for nutrient, percent in label.items():
        assert percent <= pure[nutrient] + 1e-9, nutrient
    # Every nutrient of the salt is diluted by nearly one factor. Labels are minima in round figures
    # and a nutrient may stand 3 percent points below the others, never more.
    shares = {key: label[key] / pure[key] for key in label if label[key] > 0}
    for key, share in shares.items():
        assert abs(share - max(shares.values())) * pure[key] < 3.0, (key, shares)


@pytest.mark.parametrize(("name", "cl"), [("muriate of potash 0-0-60", 45.2),
                                          ("muriate of potash 0-0-62", 46.7)])
def test_chloride_follows_from_k2o(name: str, cl: float) -> None:
    material = MATERIALS[name]
    pure = pure_pct("KCL")
    assert material.cl_pct == pytest.approx(material.k2o_pct * pure["Cl"] / pure["K2O"], abs=0.05)
    assert material.cl_pct == cl


@pytest.mark.parametrize("name", sorted(MATERIALS))
def test_the_pure_salt_beside_the_label_is_that_of_its_formula(name: str) -> None:
    shown = MATERIALS[name].more.pure_salt
    assert shown is not None
    pure = {key: pct for key, pct in pure_pct(MATERIALS[name].code).items() if pct > 0}
    assert dict(shown[1]) == pytest.approx(pure, abs=0.0051)


def test_salt_indexes_stand_on_one_basis_and_say_where_from() -> None:
    # Mortvedt 2001 as copied: KCl 116.2, K2SO4 42.6, ammonium sulfate 88.3, gypsum 8.1.
    told = {one.code: one.more.salt_index for one in MATERIALS.values()
            if one.more.salt_index is not None and "from memory" not in one.more.salt_basis}
    assert told == {"KCL": 116.2, "KSUL": 42.6, "NSUL": 88.3, "GYPS": 8.1}
    assert all("sodium nitrate = 100" in one.more.salt_basis for one in MATERIALS.values()
               if one.more.salt_index is not None)
    # Not read anywhere, so not held: no index of potassium thiosulfate, no salt-out of it.
    assert MATERIALS["potassium thiosulfate 0-0-25-17S"].more.salt_index is None
    assert MATERIALS["potassium thiosulfate 0-0-25-17S"].more.salt_out_below_f is None
    assert MATERIALS["ammonium thiosulfate 12-0-0-26S"].more.salt_out_below_f == 20


def test_where_a_material_may_not_be_used() -> None:
    for one in MATERIALS.values():
        assert ("need of this season" in one.more.not_for) == (one.s_form == "elemental")
        assert ({"leaves", "seed furrow", "acid"} <= set(one.more.not_for)) == (
            one.s_form == "thiosulfate")
        assert bool(one.more.s_available) == (one.s_pct > 0)


def test_label_of_potassium_thiosulfate_is_20_8_percent_k() -> None:
    # A maker's product page prints 0-0-25-17S together with 20.8 % K.
    k_pct = MATERIALS["potassium thiosulfate 0-0-25-17S"].k2o_pct / K2O_PER_K
    assert k_pct == pytest.approx(20.8, abs=0.05)


def test_nutrients_per_gallon() -> None:
    # Table of physical properties of fertilizer materials: 11.04 lb/gal, so 1.32 N and 2.87 S.
    thio = MATERIALS["ammonium thiosulfate 12-0-0-26S"]
    assert thio.nutrient_lb_per_unit("N") == pytest.approx(1.32, abs=0.005)
    assert thio.nutrient_lb_per_unit("S") == pytest.approx(2.87, abs=0.005)
    kts = MATERIALS["potassium thiosulfate 0-0-25-17S"]
    assert kts.nutrient_lb_per_unit("K2O") == pytest.approx(3.05)
    assert kts.nutrient_lb_per_unit("S") == pytest.approx(2.07, abs=0.005)
    assert MATERIALS["muriate of potash 0-0-60"].unit == "lb/ac"
    assert kts.unit == "gal/ac"


def test_printed_examples_of_potash() -> None:
    potash = MATERIALS["muriate of potash 0-0-60"]
    # South Dakota State: 25 lb Cl/ac is Cl x 2.2 of KCl, 55 lb.
    assert round(25 / potash.nutrient_lb_per_unit("Cl")) == 55
    # Michigan State: 0-0-62 at 360 USD a short ton, 49 lb K2O a ton of hay, prints 14.22 USD
    # (14.226 unrounded).
    k2o_lb = 2000 * MATERIALS["muriate of potash 0-0-62"].nutrient_lb_per_unit("K2O")
    assert 49 * 360 / k2o_lb == pytest.approx(14.226, abs=0.0005)
    # Rominger and others 1976: 896 kg K/ha is 963 lb K2O/ac, 1,605 lb of 0-0-60.
    k2o_lb_per_ac = 896 / 1.120851 * K2O_PER_K
    assert k2o_lb_per_ac == pytest.approx(962.9, abs=0.1)
    assert k2o_lb_per_ac / potash.nutrient_lb_per_unit("K2O") == pytest.approx(1604.8, abs=0.2)


def test_the_nine_codes_are_there_and_every_number_has_its_evidence() -> None:
    assert {material.code for material in MATERIALS.values()} == set(SALT)
    for material in MATERIALS.values():
        assert material.evidence.startswith("analysis: ")
        assert ("density: " in material.evidence) == (material.form == "liquid")
        assert material.source
        for caution in material.cautions:
            assert re.search(r"\((read|computed|from memory|common practice, no source)", caution)


def test_cautions_of_thiosulfate_and_elemental_s() -> None:
    for name in ("potassium thiosulfate 0-0-25-17S", "ammonium thiosulfate 12-0-0-26S"):
        text = " ".join(MATERIALS[name].cautions)
        assert "Not a foliar spray" in text
        assert "Never with acid" in text
        assert "pH of any mix above about 6" in text
    assert "Never for a need of this season" in MATERIALS["elemental sulfur 0-0-0-90S"].cautions[0]


def test_rules_of_thumb_have_sources() -> None:
    limits = load_limits()
    assert limits.k2o_per_pass.value == 200  # University of Georgia: split above 200 lb K2O/ac
    assert limits.k2o_per_season.value == 300  # Arizona's greatest rate; Clemson's top row
    # Common practice, no source: 10 t/ac takes up 475 lb of elemental K and 55 lb S.
    assert limits.uptake_k2o_per_ton.value * 10 == pytest.approx(475 * K2O_PER_K, abs=0.5)
    assert "from memory, check your guide" in limits.s_per_season.cite()


OWN = """schema = 1
[[material]]
id = "damp gypsum 0-0-0-15S"
code = "GYPS"
form = "dry"
s_form = "sulfate"
[material.analysis]
n_pct = 0
p2o5_pct = 0
k2o_pct = 0
s_pct = 15
mg_pct = 0
evidence = "user"
source = "load ticket 14"
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_users_material_works_like_ours(tmp_path: Path) -> None:
    path = write(tmp_path, OWN)
    found = load_materials([path])
    assert found["damp gypsum 0-0-0-15S"].nutrient_lb_per_unit("S") == pytest.approx(0.15)
    assert found["damp gypsum 0-0-0-15S"].evidence == "analysis: user"
    assert len(found) == len(MATERIALS) + 1
    assert materials_sha256([path]) != materials_sha256()
    assert re.fullmatch("[0-9a-f]{64}", materials_sha256())


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("s_pct = 15", "s_pct = 15\ns_pc = 1", "nearest known key: s_pct"),
        ("s_pct = 15", "s_pct = 150", "less than or equal to 100"),
        ("s_pct = 15", 's_pct = "15"', "valid number"),
        ("s_pct = 15", "s_pct = nan", "finite number"),
        ("s_pct = 15", "s_pct = 18", "the id says 15 % for s_pct, the analysis 18 %"),
        ('s_form = "sulfate"', 's_form = ""', "s_form must name the form"),
        ('form = "dry"', 'form = "liquid"', "a liquid needs a [material.density]"),
        ("s_pct = 15", "s_pct = 0", "the analysis is 0 for every nutrient"),
        ("k2o_pct = 0", "k2o_pct = 97", "the percents add up to 112"),
        ('form = "dry"', 'form = "dry"\nnot_for = ["leafs"]', "not_for"),
        ('source = "load ticket 14"', ('source = "x"\n[material.salt_out]\nbelow_f = 20\n'
         'evidence = "user"\nsource = "x"'), "belongs to a liquid"),
        ('source = "load ticket 14"', ('source = "x"\n[material.s_available]\nwhen = "never"\n'
         'this_season = false\nevidence = "user"\nsource = "x"'), "does not fit sulfate"),
        ('source = "load ticket 14"', ('source = "x"\n[material.bulk]\nlb_per_ft3 = [60, 50]\n'
         'evidence = "user"\nsource = "x"'), "[least, greatest]"),
        ('form = "dry"', 'form = "powder"', "'dry' or 'liquid'"),
        ('code = "GYPS"', 'code = "gypsum"', "code"),
        ('evidence = "user"', "", "evidence"),
        ("schema = 1", "schema = 2", "schema"),
        ("schema = 1", "schema = ", "not valid TOML"),
    ],
)
def test_a_wrong_list_says_what_and_where(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    with pytest.raises(RuleError) as caught:
        load_materials([write(tmp_path, OWN.replace(old, new, 1))])
    assert says in str(caught.value)
    assert "own.toml" in str(caught.value)
    if "nearest" in says or "less" in says:
        assert "damp gypsum" in str(caught.value)


def test_duplicates_are_refused_whatever_capitals_and_spaces(tmp_path: Path) -> None:
    text = OWN.replace("damp gypsum 0-0-0-15S", "Gypsum  0-0-0-18S").replace("= 15", "= 18")
    with pytest.raises(RuleError, match=r"already given in materials\.toml"):
        load_materials([write(tmp_path, text)])


def test_a_missing_list_is_named(tmp_path: Path) -> None:
    with pytest.raises(RuleError, match=r"absent\.toml"):
        load_materials([tmp_path / "absent.toml"])


def test_the_nearest_material_is_named() -> None:
    assert find_material(MATERIALS, " Muriate of  Potash 0-0-60 ").code == "KCL"
    with pytest.raises(PlanError, match="nearest: muriate of potash 0-0-60"):
        find_material(MATERIALS, "muriate 0-0-60")
