"""Materials, passes over the field, and the prescription that a machine follows."""

from __future__ import annotations

from dataclasses import dataclass

from vrx.model.arrays import FloatArray, IntArray, array_value
from vrx.model.by_hand import RateByHand
from vrx.model.finding import Finding
from vrx.model.mix import SeasonMix


@dataclass(frozen=True, slots=True, kw_only=True)
class MaterialFacts:
    """What is known of a material beside its analysis; every text ends with its evidence.

    `not_for` are uses that are forbidden ("leaves", "seed furrow", "acid", "need of this season"),
    `holds` what decides about mixes ("acid", "calcium", ...). `salt_index` stands on `salt_basis`.
    `pure_salt` is (formula, nutrient percents of the pure salt). Temperatures in degrees F,
    `bulk_lb_per_ft3` least and greatest. None, "" and () are not known.
    """

    not_for: tuple[str, ...] = ()
    holds: tuple[str, ...] = ()
    density_at: str = ""
    pure_salt: tuple[str, tuple[tuple[str, float], ...]] | None = None
    salt_index: float | None = None
    salt_basis: str = ""
    s_available: str = ""
    bulk_lb_per_ft3: tuple[float, float] | None = None
    bulk_source: str = ""
    salt_out_below_f: float | None = None
    salt_out_source: str = ""
    facts: tuple[str, ...] = ()


NO_FACTS = MaterialFacts()


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A fertilizer by its analysis, mass percent as on a label (P as P2O5, K as K2O, S as S).

    `code` is 3 or 4 upper-case letters for column names. `form` is "dry" or "liquid";
    `density_lb_per_gal` is set for liquids. `s_form` is "sulfate", "thiosulfate", "elemental" or
    "" (brings no S). `evidence` and `source` say where analysis and density come from. `parts` of a
    blend are (material id, share of its weight). `more` holds what is only told.
    """

    id: str
    code: str
    form: str
    n_pct: float
    p2o5_pct: float
    k2o_pct: float
    s_pct: float
    mg_pct: float
    cl_pct: float
    density_lb_per_gal: float | None
    s_form: str
    cautions: tuple[str, ...]
    evidence: str
    source: str
    more: MaterialFacts = NO_FACTS
    parts: tuple[tuple[str, float], ...] = ()

    @property
    def unit(self) -> str:
        """Rate unit: gal/ac for a liquid, lb/ac for a dry material."""
        return "gal/ac" if self.form == "liquid" else "lb/ac"

    @property
    def lb_per_unit(self) -> float:
        """Pounds of material in one unit (1 for lb, the density for gal)."""
        return self.density_lb_per_gal or 1.0

    def nutrient_lb_per_unit(self, nutrient: str) -> float:
        """lb of "N", "P2O5", "K2O", "S", "Mg" or "Cl" in one lb or gal of material."""
        pct = {
            "N": self.n_pct, "P2O5": self.p2o5_pct, "K2O": self.k2o_pct, "S": self.s_pct,
            "Mg": self.mg_pct, "Cl": self.cl_pct,
        }[nutrient]
        return self.lb_per_unit * pct / 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """A price as the user gave it: usd per "short ton", "lb" or "gal", on a date."""

    material: str
    usd: float
    per: str
    as_of: str


@array_value
class PassPlan:
    """Exact (unrounded) rates of one pass, arrays in the order of the zones.

    `wanted` is what the need asks of this pass, `planned` after limits of label, season and
    machine. `step` is the machine's rate step in the material's unit. `most` is the binding upper
    limit, None if there is none. `treated_ac` is None where the pass covers just the prescription
    (else the acres that really receive it, for example those a pivot wets). `season_most` is the
    label's maximum over all passes of the material, in its unit per acre. `wetted_ac` are acres by
    zone where irrigation wets sectors at several rates; they then add up to `treated_ac`.
    """

    pass_id: str
    number: int
    timing: str
    method: str
    material: Material
    serves: str
    kind: str
    wanted: FloatArray
    planned: FloatArray
    step: float
    most: float | None
    treated_ac: float | None
    season_most: float | None = None
    wetted_ac: FloatArray | None = None
    findings: tuple[Finding, ...] = ()


@array_value
class PassRates:
    """Machine-ready rates of one pass: rate = steps * step, in the material's unit.

    `column` is the pass's name in files (at most 10 characters). `prescription_total` is the sum of
    rate x unrounded zone acres, `order_total` covers `treated_ac` (both lb or gal), zone by zone
    where `wetted_ac` holds the acres that irrigation wets with each zone's rate. `wanted_total`
    and `planned_total` show what limits and rounding changed. `by_hand` are the rates that a person
    set, which `planned_total` counts; `rule_planned_total` is that total without them (None where
    there are none).
    """

    pass_id: str
    number: int
    timing: str
    method: str
    material: Material
    serves: str
    kind: str
    column: str
    step: float
    steps: IntArray
    rates: FloatArray
    treated_ac: float | None
    wanted_total: float
    planned_total: float
    prescription_total: float
    order_total: float
    wetted_ac: FloatArray | None = None
    findings: tuple[Finding, ...] = ()
    by_hand: tuple[RateByHand, ...] = ()
    rule_planned_total: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """One material over all passes. `quantity` is in `unit` ("lb" or "gal"); tons are short tons.

    `usd` is None without a price. K2O, S and N are pounds brought to all treated acres.
    """

    material: str
    unit: str
    quantity: float
    lb: float
    short_tons: float
    k2o_lb: float
    s_lb: float
    n_lb: float
    usd: float | None
    price_note: str


@array_value
class NutrientBalance:
    """Need against what the rounded rates bring, lb/ac, arrays in the order of the zones."""

    nutrient: str
    need: FloatArray
    brought: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prescription:
    """All passes over one set of zones, with the order and the balance per nutrient.

    `mix` tells of passes that were planned together, None where none were.
    """

    zone_ids: tuple[int, ...]
    zone_area_ac: tuple[float, ...]
    passes: tuple[PassRates, ...]
    order: tuple[OrderLine, ...]
    balances: tuple[NutrientBalance, ...]
    findings: tuple[Finding, ...] = ()
    mix: SeasonMix | None = None
