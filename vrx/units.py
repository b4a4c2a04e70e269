"""Exact constants and conversions; every function names substance and unit on both sides.

Soil and rate arithmetic goes wrong most often by taking K for K2O, SO4 for S, or lb/ac for ppm, so
no function here takes a unit silently. Sources: international yard and pound agreement (1959) for
ft, lb and the international acre; US liquid gallon of 231 cubic inches; standard atomic weights of
IUPAC (abridged, 2021) for the oxide factors.
"""

from __future__ import annotations

import math

FT_M = 0.3048
IN_M = 0.0254
LB_KG = 0.45359237
FT2_PER_AC = 43_560.0
ACRE_M2 = FT2_PER_AC * FT_M**2
"""International acre, 4046.8564224 m2."""
GAL_M3 = 231 * IN_M**3
SHORT_TON_LB = 2000.0

_K, _P, _S, _O = 39.0983, 30.973762, 32.06, 15.999
_MG, _NA, _CL = 24.305, 22.98976928, 35.45
K_PER_K2O = 2 * _K / (2 * _K + _O)
P_PER_P2O5 = 2 * _P / (2 * _P + 5 * _O)
S_PER_SO4 = _S / (_S + 4 * _O)
S_PER_SO3 = _S / (_S + 3 * _O)

LB_PER_AC_PER_PPM_IN = ACRE_M2 * IN_M * 1000.0 / LB_KG * 1e-6
"""lb/ac of a substance in 1 acre-inch of a liquid or soil of density 1 g/cm3, per ppm: 0.22661."""


def k_from_k2o(k2o: float) -> float:
    """Elemental K in an amount of K2O (same unit)."""
    return k2o * K_PER_K2O


def k2o_from_k(k: float) -> float:
    """K2O that an amount of elemental K counts as (same unit)."""
    return k / K_PER_K2O


def p2o5_from_p(p: float) -> float:
    """P2O5 that an amount of elemental P counts as (same unit)."""
    return p / P_PER_P2O5


def s_from_so4(so4: float) -> float:
    """Elemental S in an amount of sulfate reported as SO4 (same unit)."""
    return so4 * S_PER_SO4


def lb_per_ac_from_ppm(ppm: float, *, depth_in: float, bulk_density_g_per_cm3: float) -> float:
    """lb/ac in a soil layer of `depth_in` inches; 6 2/3 in at 1.324 g/cm3 gives ppm x 2."""
    return ppm * LB_PER_AC_PER_PPM_IN * depth_in * bulk_density_g_per_cm3


def ppm_from_lb_per_ac(lb_per_ac: float, *, depth_in: float) -> float:
    """ppm by the trade's rule of 2,000,000 lb of soil per acre in 6 in: lb/ac / (2 x depth/6)."""
    return lb_per_ac / (2.0 * depth_in / 6.0)


def k_ppm_from_meq_per_100g(meq: float) -> float:
    """ppm of K from meq/100 g (equal to cmol/kg)."""
    return meq * _K * 10.0


def mg_ppm_from_meq_per_100g(meq: float) -> float:
    """ppm of Mg from meq/100 g (equal to cmol of charge/kg); Mg carries two charges."""
    return meq * _MG / 2.0 * 10.0


def na_ppm_from_meq_per_100g(meq: float) -> float:
    """ppm of Na from meq/100 g (equal to cmol/kg)."""
    return meq * _NA * 10.0


def ds_per_m_from_us_per_cm(us_per_cm: float) -> float:
    """dS/m from microsiemens per centimetre (also written umho/cm)."""
    return us_per_cm / 1000.0


def so4s_ppm_from_meq_per_l(meq: float) -> float:
    """ppm of sulfate-S in water from meq/L of sulfate."""
    return meq * _S / 2.0


def ppm_from_meq_per_l(meq: float, *, g_per_mol: float, charge: int) -> float:
    """ppm (mg/L) of an ion in water from meq/L."""
    return meq * g_per_mol / charge


def cl_ppm_from_meq_per_l(meq: float) -> float:
    """ppm of chloride in water from meq/L (equal to mmol/L: one charge)."""
    return ppm_from_meq_per_l(meq, g_per_mol=_CL, charge=1)


def na_ppm_from_meq_per_l(meq: float) -> float:
    """ppm of sodium in water from meq/L (equal to mmol/L: one charge)."""
    return ppm_from_meq_per_l(meq, g_per_mol=_NA, charge=1)


def k_ppm_from_meq_per_l(meq: float) -> float:
    """ppm of K in water from meq/L (equal to mmol/L: one charge)."""
    return ppm_from_meq_per_l(meq, g_per_mol=_K, charge=1)


def s_from_so3(so3: float) -> float:
    """Elemental S in an amount reported as SO3 (same unit)."""
    return so3 * S_PER_SO3


def lb_per_ton_from_pct(pct: float) -> float:
    """lb in a short ton from per cent of weight."""
    return pct / 100.0 * SHORT_TON_LB


def lb_per_1000_gal_from_mg_per_l(mg_per_l: float) -> float:
    """lb in 1,000 US gallons from mg/L: 0.0083454."""
    return mg_per_l * 1e-3 * 1000.0 * GAL_M3 / LB_KG


def water_lb_per_ac(ppm: float, *, net_in: float) -> float:
    """lb/ac that `net_in` acre-inches of water per acre bring at `ppm` (mg/L) of a substance."""
    return ppm * LB_PER_AC_PER_PPM_IN * net_in


def acres_from_m2(area_m2: float) -> float:
    """International acres."""
    return area_m2 / ACRE_M2


def m_from_ft(ft: float) -> float:
    """Metres in international feet."""
    return ft * FT_M


def dry_matter_tons(tons: float, *, moisture_pct: float) -> float:
    """Dry-matter tons in `tons` of hay at `moisture_pct` percent moisture."""
    return tons * (1.0 - moisture_pct / 100.0)


def pivot_area_ac(radius_ft: float) -> float:
    """Acres under a full circle of the given radius in feet."""
    return math.pi * radius_ft**2 / FT2_PER_AC


def injection_gal_per_h(rate_gal_per_ac: float, *, ac_per_h: float) -> float:
    """Injection pump setting, gal/h, for a rate and the acres that the system covers in an hour."""
    return rate_gal_per_ac * ac_per_h


def water_lb_per_gal() -> float:
    """lb of water of 1 kg/L in a US gallon: 8.3454."""
    return GAL_M3 * 1000.0 / LB_KG


def cation_anion_difference_meq_per_100g(
    *, na_pct: float, k_pct: float, cl_pct: float, s_pct: float
) -> float:
    """(Na + K) - (Cl + S) of a feed, meq/100 g, from percents of its dry matter; S counts twice."""
    return 1000.0 * (na_pct / _NA + k_pct / _K - cl_pct / _CL - 2.0 * s_pct / _S)
