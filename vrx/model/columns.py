"""The register of analytes: name, substance, unit, limits, label. One place for all rooms."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Analyte:
    """A soil property as vrx keeps it, whatever unit or form the laboratory printed.

    `low` and `high` bound what is plausible in an agricultural soil; outside them a reading is
    refused, since it is far more likely a wrong unit or form than a soil. `usual` is where a whole
    field's median lies (common practice, no source); outside it the unit is asked about.
    """

    key: str
    column: str
    substance: str
    unit: str
    low: float
    high: float
    label: str
    needs_extractant: bool
    decimals: int
    usual: tuple[float, float] | None = None


ANALYTES: dict[str, Analyte] = {
    a.key: a
    for a in (
        Analyte(key="potassium", column="k_ppm", substance="K", unit="ppm", low=0, high=3000,
                label="soil-test K, ppm K", needs_extractant=True, decimals=0,
                usual=(5, 1200)),
        Analyte(key="sulfate", column="so4s_ppm", substance="SO4-S", unit="ppm", low=0, high=1000,
                label="sulfate-S, ppm S", needs_extractant=True, decimals=1,
                usual=(0.3, 300)),
        Analyte(key="cec", column="cec_meq_per_100g", substance="CEC", unit="meq/100 g", low=0,
                high=100, label="CEC, meq/100 g", needs_extractant=False, decimals=1,
                usual=(0.8, 70)),
        Analyte(key="organic_matter", column="om_pct", substance="organic matter", unit="%", low=0,
                high=100, label="organic matter, %", needs_extractant=False, decimals=1,
                usual=(0.1, 40)),
        Analyte(key="ph", column="ph_water", substance="pH", unit="pH", low=2.5, high=11,
                label="pH", needs_extractant=False, decimals=1),
        Analyte(key="phosphorus", column="p_ppm", substance="P", unit="ppm", low=0, high=1500,
                label="soil-test P, ppm P", needs_extractant=True, decimals=0,
                usual=(0.8, 600)),
        Analyte(key="boron", column="b_ppm", substance="B", unit="ppm", low=0, high=100,
                label="soil-test B, ppm B", needs_extractant=True, decimals=2),
        Analyte(key="magnesium", column="mg_ppm", substance="Mg", unit="ppm", low=0, high=10000,
                label="soil-test Mg, ppm Mg", needs_extractant=True, decimals=0),
        Analyte(key="sodium", column="na_ppm", substance="Na", unit="ppm", low=0, high=20000,
                label="soil-test Na, ppm Na", needs_extractant=True, decimals=0),
        Analyte(key="ec", column="ec_ds_per_m", substance="EC", unit="dS/m", low=0, high=100,
                label="salinity (EC), dS/m", needs_extractant=True, decimals=2),
    )
}
READ_ALONG = frozenset({"boron", "magnesium", "sodium", "ec"})
"""Analytes that move no rate and are told zone by zone without a map of their own."""
