"""What tests of water, plants and manure measure: kept unit, units and forms allowed, bounds.

`most` ends the reading: no irrigation water, alfalfa or manure reads so, and a unit or form is
mistaken. `odd` is warned of. Bounds are common practice, no source, and wide on purpose; sea water
holds about 2,700 ppm sulfate as SO4 and 54 dS/m (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from vrx import units

Factor = Callable[[float], float]


def _same(value: float) -> float:
    return value


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One quantity of a test.

    `units` gives for each unit the way to `kept` ("" where the form decides nothing more); `forms`
    the way from each form to the kept one. `ionic` units are of the ion, so that a form adds
    nothing. `needs_form` is set where two forms are often mixed up.
    """

    substance: str
    kept: str
    units: dict[str, Factor]
    forms: dict[str, Factor]
    needs_form: bool
    most: float
    odd: tuple[float, float]
    ionic: frozenset[str] = frozenset()


_IONIC = frozenset({"meq/L", "mmol/L"})
WATER: dict[str, Measured] = {
    "sulfate": Measured(
        substance="sulfate-S", kept="ppm S",
        units={"ppm": _same, "mg/L": _same, "meq/L": units.so4s_ppm_from_meq_per_l,
               "mmol/L": lambda value: units.so4s_ppm_from_meq_per_l(2.0 * value)},
        forms={"SO4": units.s_from_so4, "SO4-S": _same, "S": _same}, needs_form=True,
        most=units.s_from_so4(10_000.0), odd=(0.0, units.s_from_so4(2_500.0)), ionic=_IONIC),
    # Sea water holds about 400 ppm K (from memory).
    "potassium": Measured(
        substance="K", kept="ppm K",
        units={"ppm": _same, "mg/L": _same, "meq/L": units.k_ppm_from_meq_per_l,
               "mmol/L": units.k_ppm_from_meq_per_l},
        forms={"K": _same, "K2O": units.k_from_k2o}, needs_form=True, most=400.0, odd=(0.0, 60.0),
        ionic=_IONIC),
    "chloride": Measured(
        substance="chloride", kept="ppm",
        units={"ppm": _same, "mg/L": _same, "meq/L": units.cl_ppm_from_meq_per_l,
               "mmol/L": units.cl_ppm_from_meq_per_l},
        forms={"Cl": _same}, needs_form=False, most=20_000.0, odd=(0.0, 1_500.0), ionic=_IONIC),
    "sodium": Measured(
        substance="sodium", kept="ppm",
        units={"ppm": _same, "mg/L": _same, "meq/L": units.na_ppm_from_meq_per_l,
               "mmol/L": units.na_ppm_from_meq_per_l},
        forms={"Na": _same}, needs_form=False, most=12_000.0, odd=(0.0, 1_500.0), ionic=_IONIC),
    "ec": Measured(
        substance="EC", kept="dS/m",
        units={"dS/m": _same, "uS/cm": units.ds_per_m_from_us_per_cm},
        forms={}, needs_form=False, most=50.0, odd=(0.02, 8.0)),
}


def _pct_of_ppm(ppm: float) -> float:
    return ppm / 10_000.0


def _pct_of_g_per_kg(g_per_kg: float) -> float:
    return g_per_kg / 10.0


_DRY: dict[str, Factor] = {"%": _same, "g/kg": _pct_of_g_per_kg, "ppm": _pct_of_ppm,
                           "mg/kg": _pct_of_ppm}
TISSUE: dict[str, Measured] = {
    "sulfur": Measured(substance="S", kept="%", units=_DRY, forms={"S": _same}, needs_form=True,
                       most=2.0, odd=(0.10, 0.60)),
    "potassium": Measured(substance="K", kept="%", units=_DRY,
                          forms={"K": _same, "K2O": units.k_from_k2o}, needs_form=True,
                          most=10.0, odd=(0.6, 5.0)),
}

S_FORMS: dict[str, Factor] = {"S": _same, "SO4": units.s_from_so4, "SO3": units.s_from_so3}
K2O_FORMS: dict[str, Factor] = {"K2O": _same, "K": units.k2o_from_k}
def _by_weight(to_pct: Factor) -> Factor:
    return lambda value: units.lb_per_ton_from_pct(to_pct(value))


BY_WEIGHT: dict[str, Factor] = {
    "lb/ton": _same, **{unit: _by_weight(to_pct) for unit, to_pct in _DRY.items()}}
"""A nutrient by weight of manure -> lb/ton."""
BY_VOLUME: dict[str, Factor] = {
    "lb/1000 gal": _same, "mg/L": units.lb_per_1000_gal_from_mg_per_l}
"""A nutrient by volume of manure -> lb/1000 gal."""
MANURE: dict[str, Measured] = {
    "sulfur by weight": Measured(substance="S", kept="lb/ton", units=BY_WEIGHT, forms=S_FORMS,
                                 needs_form=True, most=100.0, odd=(0.0, 40.0)),
    "sulfur by volume": Measured(substance="S", kept="lb/1000 gal", units=BY_VOLUME, forms=S_FORMS,
                                 needs_form=True, most=500.0, odd=(0.0, 100.0)),
    "potassium by weight": Measured(substance="K2O", kept="lb/ton", units=BY_WEIGHT,
                                    forms=K2O_FORMS, needs_form=True, most=300.0,
                                    odd=(0.0, 100.0)),
    "potassium by volume": Measured(substance="K2O", kept="lb/1000 gal", units=BY_VOLUME,
                                    forms=K2O_FORMS, needs_form=True, most=1_500.0,
                                    odd=(0.0, 300.0)),
    "moisture": Measured(substance="moisture", kept="%", units={"%": _same, "g/kg":
                         _pct_of_g_per_kg}, forms={}, needs_form=False, most=100.0,
                         odd=(5.0, 99.9)),
    "dry matter": Measured(substance="dry matter", kept="%", units={"%": _same, "g/kg":
                           _pct_of_g_per_kg}, forms={}, needs_form=False, most=100.0,
                           odd=(0.1, 95.0)),
}
