"""Constants and conversions against pint, published pages and their faulty neighbours."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx import units

UREG = pint.UnitRegistry()
# pint's `acre` is the US survey acre, which is about 4 ppm larger; vrx uses the international one.
ACRE = 43_560 * UREG.foot**2


def of(quantity: pint.Quantity, unit: object) -> float:
    return float(quantity.to(unit).magnitude)


def test_lengths_areas_masses_and_volumes_are_those_of_pint() -> None:
    assert of(1 * UREG.foot, UREG.metre) == pytest.approx(units.FT_M, rel=1e-12)
    assert of(1 * UREG.inch, UREG.metre) == pytest.approx(units.IN_M, rel=1e-12)
    assert of(1 * UREG.pound, UREG.kilogram) == pytest.approx(units.LB_KG, rel=1e-12)
    assert of(1 * UREG.gallon, UREG.metre**3) == pytest.approx(units.GAL_M3, rel=1e-12)
    assert of(1 * UREG.short_ton, UREG.pound) == pytest.approx(units.SHORT_TON_LB, rel=1e-12)
    assert of(ACRE, UREG.metre**2) == pytest.approx(units.ACRE_M2, rel=1e-12)


def test_the_international_acre_is_not_the_survey_acre() -> None:
    # NIST Handbook 44, appendix C: 4046.8564224 m2 against 62,726,400,000 / 15,499,969 m2.
    assert pytest.approx(4046.8564224, abs=1e-9) == units.ACRE_M2
    survey = 62_726_400_000 / 15_499_969
    assert survey / units.ACRE_M2 == pytest.approx(1.000004, abs=1e-7)
    assert of(1 * UREG.acre, UREG.metre**2) == pytest.approx(survey, rel=1e-9)


def test_an_acre_inch_of_water_per_ppm() -> None:
    litre = 1 * UREG.kilogram / UREG.litre
    mass = (1e-6 * litre * UREG.inch * ACRE).to(UREG.pound).magnitude
    assert mass == pytest.approx(units.LB_PER_AC_PER_PPM_IN, rel=1e-12)
    # Oregon State, water units: an acre-foot of water is 2,716,435 lb (its density is under 1).
    assert pytest.approx(2_716_435, rel=2e-3) == 12e6 * units.LB_PER_AC_PER_PPM_IN


def test_oxide_factors_from_atomic_weights() -> None:
    # IUPAC abridged standard atomic weights 2021 (K 39.0983, P 30.973762, S 32.06, O 15.999).
    assert units.k_from_k2o(1) == pytest.approx(0.830151, abs=5e-7)
    assert units.k2o_from_k(1) == pytest.approx(1.204600, abs=5e-7)
    assert units.p2o5_from_p(1) == pytest.approx(2.291335, abs=5e-7)
    assert pytest.approx(0.436427, abs=5e-7) == units.P_PER_P2O5
    assert units.s_from_so4(1) == pytest.approx(0.333764, abs=5e-7)
    assert pytest.approx(0.400465, abs=5e-7) == units.S_PER_SO3


def test_trade_rounding_of_the_oxide_factors() -> None:
    # PDA leaflet 8: K = 0.83 x K2O. Virginia Cooperative Extension SPES-201: 0.4365, 0.8301.
    assert units.k_from_k2o(1) == pytest.approx(0.83, abs=0.005)
    assert units.k_from_k2o(161.48) == pytest.approx(134.0, rel=2e-3)
    assert pytest.approx(17.0, rel=2e-3) == 38.95 * units.P_PER_P2O5


def test_michigan_state_k_to_k2o() -> None:
    # Michigan State, potassium and alfalfa persistence: 48 lb K/t x 5 t = 240 lb K, 290 lb K2O.
    assert units.k2o_from_k(48 * 5) == pytest.approx(290, abs=1.0)
    assert round(units.k2o_from_k(48 * 5), 1) == 289.1


def test_soil_class_notes() -> None:
    # University soil course notes: 0.98 meq K/100 g -> 383.18 ppm (with 39.1) -> 766.36 lb/ac-6in;
    # 50 g in 200 mL, diluted 25 times, reads 4 ppm -> 400 ppm -> 800 lb/ac -> 1.02 meq/100 g;
    # 100 lb P/ac-6in -> 50 ppm.
    assert units.k_ppm_from_meq_per_100g(0.98) == pytest.approx(383.18, abs=0.03)
    assert units.ppm_from_lb_per_ac(766.36, depth_in=6) == pytest.approx(383.18)
    soil_ppm = 4 * 25 * 200 / 50
    assert units.ppm_from_lb_per_ac(800, depth_in=6) == soil_ppm == 400
    assert soil_ppm / units.k_ppm_from_meq_per_100g(1) == pytest.approx(1.02, abs=0.005)
    assert units.ppm_from_lb_per_ac(100, depth_in=6) == 50


def test_eight_inch_samples_are_not_six_inch_samples() -> None:
    # 2,000,000 lb of soil an acre in 6 in (Univ. of Florida EDIS HS1229), in proportion at 8 in.
    assert units.ppm_from_lb_per_ac(266.7, depth_in=8) == pytest.approx(100.0, abs=0.02)


def test_oregon_state_water_units() -> None:
    # Oregon State, water units: 48 ppm SO4 = 16 ppm SO4-S (prints / 3).
    assert units.s_from_so4(48) == pytest.approx(16, abs=0.05)
    # 1 meq/L of sulfate is 48.03 mg/L SO4.
    assert units.so4s_ppm_from_meq_per_l(1) == pytest.approx(units.s_from_so4(48.03), abs=0.01)


def test_soil_layer_mass() -> None:
    # 6 2/3 in at 1.324 g/cm3 weigh 2,000,000 lb an acre: ppm x 2.
    assert units.lb_per_ac_from_ppm(1, depth_in=20 / 3, bulk_density_g_per_cm3=1.324) == (
        pytest.approx(2.0, abs=1e-3))
    # 12 in at 1.33: x 3.62; 24 in: x 7.23.
    assert units.lb_per_ac_from_ppm(1, depth_in=12, bulk_density_g_per_cm3=1.33) == (
        pytest.approx(3.62, abs=5e-3))


def test_a_web_page_that_is_wrong_by_a_factor_of_a_hundred() -> None:
    # A unit-conversion page prints lb/ac = ppm x in x BD x 0.002: 100 ppm, 6 in, 1.3 -> 1.56.
    ours = units.lb_per_ac_from_ppm(100, depth_in=6, bulk_density_g_per_cm3=1.3)
    assert ours == pytest.approx(176.8, abs=0.05)
    assert ours != pytest.approx(1.56, rel=0.5)


def test_nebraska_injection_rate() -> None:
    # Univ. of Nebraska, calibrating chemigation pumps: 10 gal/ac x 5 ac/h = 50 gal/h.
    assert units.injection_gal_per_h(10, ac_per_h=5) == 50


def test_pivot_acres() -> None:
    # South Dakota State extension prints acres = 7.208e-5 x R^2 (with pi = 3.14): 121.82 at
    # 1,300 ft; the exact circle has 121.88.
    assert units.pivot_area_ac(1300) == pytest.approx(121.88, abs=0.01)
    assert units.pivot_area_ac(1300) == pytest.approx(7.208e-5 * 1300**2, rel=6e-4)
    assert of(math.pi * (1300 * UREG.foot) ** 2, UREG.metre**2) / units.ACRE_M2 == (
        pytest.approx(units.pivot_area_ac(1300), rel=1e-12))


def test_rominger_rates() -> None:
    # Rominger et al., Agron. J. 68:573 (1976): 896 kg K/ha; 799.4 lb K/ac, 962.9 lb K2O/ac.
    lb_per_ac = of(896 * UREG.kilogram / UREG.hectare * ACRE, UREG.pound)
    assert lb_per_ac == pytest.approx(799.4, abs=0.05)
    assert units.k2o_from_k(lb_per_ac) == pytest.approx(962.9, abs=0.1)


def test_the_trade_fact_in_oxides() -> None:
    # Common practice, no source: 10 tons take up 50 lb P, 55 lb S, 475 lb K, all elemental.
    assert units.p2o5_from_p(50) == pytest.approx(114.6, abs=0.05)
    assert units.k2o_from_k(475) == pytest.approx(572.2, abs=0.05)


def test_metric_rates_against_pint() -> None:
    assert of(1 * UREG.pound / ACRE, UREG.kilogram / UREG.hectare) == pytest.approx(1.120851,
                                                                                    abs=5e-7)
    assert pytest.approx(1.120851, abs=5e-7) == units.LB_KG / units.ACRE_M2 * 1e4
    assert pytest.approx(9.353956, abs=5e-7) == units.GAL_M3 * 1e3 / units.ACRE_M2 * 1e4


def test_hay_moisture() -> None:
    # A ton at 12 % moisture holds 0.88 ton of dry matter; definition.
    assert units.dry_matter_tons(1, moisture_pct=12) == pytest.approx(0.88)
    assert units.dry_matter_tons(5, moisture_pct=0) == 5


@settings(derandomize=True, max_examples=30)
@given(st.floats(0, 1e5), st.floats(0.1, 60), st.floats(0.5, 2))
def test_soil_mass_is_linear(ppm: float, depth: float, density: float) -> None:
    one = units.lb_per_ac_from_ppm(1, depth_in=1, bulk_density_g_per_cm3=1)
    got = units.lb_per_ac_from_ppm(ppm, depth_in=depth, bulk_density_g_per_cm3=density)
    assert got == pytest.approx(one * ppm * depth * density, rel=1e-12)
    assert units.k2o_from_k(units.k_from_k2o(ppm)) == pytest.approx(ppm, rel=1e-12)
