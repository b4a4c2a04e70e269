"""Materials and rounded passes for the tests of buying, bids, flat rates and balances."""

from __future__ import annotations

import numpy as np

from vrx.model import Material, PassPlan, Prescription, Price
from vrx.prescription import prescribe


def material(name: str, code: str, *, lb_per_gal: float | None = None, **pct: float) -> Material:
    """A material by its analysis."""
    nutrients = {f"{key}_pct": pct.get(key, 0.0) for key in ("n", "p2o5", "k2o", "s", "mg", "cl")}
    return Material(id=name, code=code, form="liquid" if lb_per_gal else "dry",
                    density_lb_per_gal=lb_per_gal, s_form="sulfate" if pct.get("s") else "",
                    cautions=(), evidence="user", source="label", **nutrients)


KCL = material("muriate of potash 0-0-60", "KCL", k2o=60.0, cl=45.2)
KCL62 = material("muriate of potash 0-0-62", "KCL", k2o=62.0, cl=46.7)
KSUL = material("potassium sulfate 0-0-50-17S", "KSUL", k2o=50.0, s=17.0)
GYPS = material("gypsum 0-0-0-18S", "GYPS", s=18.0)
AMS = material("ammonium sulfate 21-0-0-24S", "NSUL", n=21.0, s=24.0)
KTHI = material("potassium thiosulfate 0-0-25-17S", "KTHI", lb_per_gal=12.2, k2o=25.0, s=17.0)
NTHI = material("ammonium thiosulfate 12-0-0-26S", "NTHI", lb_per_gal=11.04, n=12.0, s=26.0)
ALL = {one.id: one for one in (KCL, KCL62, KSUL, GYPS, AMS, KTHI, NTHI)}


def passed(
    planned: list[float], *, of: Material = KCL, number: int = 1, step: float = 1e-6,
    kind: str = "variable", serves: str = "K2O", treated_ac: float | None = None,
    method: str = "broadcast",
) -> PassPlan:
    """One pass with its exact rates."""
    rates = np.array(planned, dtype=float)
    return PassPlan(pass_id=f"p{number}", number=number, timing="stubble of cutting 1",
                    method=method, material=of, serves=serves, kind=kind, wanted=rates,
                    planned=rates, step=step, most=None, treated_ac=treated_ac)


def season(
    *plans: PassPlan, area: list[float], prices: tuple[Price, ...] = (),
    k2o: list[float] | None = None, s: list[float] | None = None,
) -> Prescription:
    """The prescription of these passes."""
    needs = {name: np.array(values, dtype=float) for name, values in (("K2O", k2o), ("S", s))
             if values is not None}
    return prescribe(zone_ids=range(1, len(area) + 1), zone_area_ac=np.array(area), plans=plans,
                     needs=needs, prices=prices, s_most_lb_per_ac=None)


def price(of: Material, usd: float, per: str = "short ton", as_of: str = "2027-01-01") -> Price:
    """A price."""
    return Price(material=of.id, usd=usd, per=per, as_of=as_of)
