"""One rate everywhere held against rates by zone: product, supply, charges, breakeven.

Product and supply only: what hay answers to a pound too few is not known to vrx, and is counted
just where the user enters a figure. Supply is judged at the needs of the zones.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from vrx.errors import ComputeError, PlanError
from vrx.model import (
    Against,
    Charge,
    Comparison,
    FloatArray,
    PassRates,
    Prescription,
    RateCase,
    Supply,
)
from vrx.prescription import flat_words
from vrx.prescription.rates import brought_lb_per_ac

SPREAD = ("broadcast", "band")
BY_ZONE = "by zone"
AT_MEAN = "flat at the mean need"
AT_HIGHEST = "flat at the highest need"
_MOST_USD = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeTerms:
    """Charges as the user enters them, USD; None is "not known", never 0.

    `samples` is the number of samples that the plan reads, `flat_samples` what a flat rate takes.
    Sampling and mapping serve `sampling_seasons` seasons, of which this one bears its share.
    Spreading is per acre and trip. `hay_tons_per_lb_short` is the user's own figure, tons of hay
    lost for each lb of K2O or S short of the need, by nutrient.
    """

    sampling_usd_per_sample: float | None = None
    sampling_usd_per_ac: float | None = None
    samples: int | None = None
    flat_samples: int = 0
    mapping_usd_per_ac: float | None = None
    sampling_seasons: int = 1
    spreading_flat_usd_per_ac: float | None = None
    spreading_variable_usd_per_ac: float | None = None
    injection_usd_per_ac: float | None = None
    hay_usd_per_ton: float | None = None
    hay_tons_per_lb_short: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        """Raises `PlanError` for a charge below 0 and for seasons that are none."""
        named = {name: getattr(self, name) for name in self.__slots__
                 if name != "hay_tons_per_lb_short"}
        named |= {f"hay_tons_per_lb_{key.lower()}_short": value
                  for key, value in self.hay_tons_per_lb_short}
        for name, value in named.items():
            if value is not None and not 0 <= value <= _MOST_USD:
                raise PlanError(f"{name} = {value:g}", code="charges-value", where="[charges]",
                                hint="a charge is 0 or more; leave it out if it is not known")
        if self.sampling_seasons < 1:
            raise PlanError(f"sampling_seasons = {self.sampling_seasons}", code="charges-value",
                            where="[charges]", hint="give 1 or more")
        if self.sampling_usd_per_sample is not None and self.sampling_usd_per_ac is not None:
            raise PlanError("sampling is charged by the sample and by the acre",
                            code="charges-twice", where="[charges]", hint="keep one of them")


def rate_case(
    name: str, made: Prescription, *, needs: Mapping[str, FloatArray], terms: ChargeTerms,
) -> RateCase:
    """What a season of these passes takes, costs and supplies, against the zones' own needs.

    Raises `ComputeError` where needs do not fit the zones.
    """
    area = np.asarray(made.zone_area_ac, dtype=np.float64)
    for nutrient, need in needs.items():
        if np.shape(need) != area.shape:
            raise ComputeError(f"need of {nutrient}: not one number per zone",
                               code="prescription-shape", hint="run the plan again from its zones")
    known = [line.usd for line in made.order if line.usd is not None]
    return RateCase(
        name=name,
        rates=tuple((one.pass_id, one.material.unit, float(one.rates.min()),
                     float(one.rates.max())) for one in made.passes),
        product=tuple((line.material, line.quantity, line.unit, line.usd) for line in made.order),
        usd_product=math.fsum(known) if len(known) == len(made.order) else None,
        charges=_charges(made.passes, area=float(area.sum()), terms=terms, zoned=name == BY_ZONE),
        supplies=tuple(
            supply(nutrient, need=need, passes=made.passes, area=area)
            for nutrient, need in needs.items()
        ),
    )


def supply(
    nutrient: str, *, need: FloatArray, passes: Sequence[PassRates], area: FloatArray
) -> Supply:
    """Acres and pounds above, near and below the need; "near" is what half a step can make."""
    brought = brought_lb_per_ac(passes, nutrient, len(area))
    slack = math.fsum(one.step * one.material.nutrient_lb_per_unit(nutrient) / 2
                      for one in passes if one.rates.any()) + 0.05
    gap = brought - np.asarray(need, dtype=np.float64)
    over, short = gap > slack, gap < -slack
    near = ~(over | short)
    return Supply(
        nutrient=nutrient, slack=slack,
        over_ac=float(area[over].sum()), over_lb=float(gap[over] @ area[over]),
        near_ac=float(area[near].sum()), near_lb=float(gap[near] @ area[near]),
        short_ac=float(area[short].sum()), short_lb=float(-gap[short] @ area[short]),
    )


def _charges(
    passes: Sequence[PassRates], *, area: float, terms: ChargeTerms, zoned: bool
) -> tuple[Charge, ...]:
    """Charges of one case; one that no pass causes is left out."""
    seasons = terms.sampling_seasons
    share = "" if seasons == 1 else f" / {seasons} seasons"
    out = []
    if zoned:
        out += [_sampling(terms, area, share), _mapping(terms, area, share)]
    elif terms.flat_samples:
        each = terms.sampling_usd_per_sample
        out.append(Charge(
            what="sampling", usd=None if each is None else each * terms.flat_samples / seasons,
            how=_how(each, f"{terms.flat_samples} samples x {{}} USD{share}")))
    return (*out, *(_trip(one, area, terms) for one in passes if one.rates.any()))


def _trip(one: PassRates, area: float, terms: ChargeTerms) -> Charge:
    """One trip over the acres treated; the zones' acres all count, those at rate 0 too."""
    varies = one.method in SPREAD and float(np.ptp(one.rates)) > 0
    if one.method not in SPREAD:
        way, each = "injection", terms.injection_usd_per_ac
    elif varies:
        way, each = "spreading by zone", terms.spreading_variable_usd_per_ac
    else:
        way, each = "spreading", terms.spreading_flat_usd_per_ac
    acres = area if one.treated_ac is None else one.treated_ac
    return Charge(what=f"{way}, pass {one.number}", usd=None if each is None else each * acres,
                  how=_how(each, f"{acres:,.2f} ac x {{}} USD"))


def _sampling(terms: ChargeTerms, area: float, share: str) -> Charge:
    if terms.sampling_usd_per_ac is not None:
        each = terms.sampling_usd_per_ac
        return Charge(what="sampling", usd=each * area / terms.sampling_seasons,
                      how=_how(each, f"{area:,.2f} ac x {{}} USD{share}"))
    a_sample, count = terms.sampling_usd_per_sample, terms.samples
    if a_sample is None or count is None:
        return Charge(what="sampling", usd=None, how=_how(None, ""))
    return Charge(what="sampling", usd=a_sample * count / terms.sampling_seasons,
                  how=_how(a_sample, f"{count} samples x {{}} USD{share}"))


def _mapping(terms: ChargeTerms, area: float, share: str) -> Charge:
    each = terms.mapping_usd_per_ac
    return Charge(what="mapping",
                  usd=None if each is None else each * area / terms.sampling_seasons,
                  how=_how(each, f"{area:,.2f} ac x {{}} USD{share}"))


def _how(each: float | None, text: str) -> str:
    return "not entered in [charges]" if each is None else text.format(f"{each:,.10g}")


def compare(
    cases: Sequence[RateCase], terms: ChargeTerms, *, remarks: Sequence[str] = (),
    area_ac: float,
) -> Comparison:
    """The first case, by zone, held against each of the others."""
    zoned, *flats = cases
    against = []
    for flat in flats:
        more, uncounted = _more(zoned, flat)
        hay = terms.hay_usd_per_ton
        tons = None if more is None or not hay else max(more, 0.0) / hay
        gain = _response(zoned, flat, terms)
        one = Against(
            flat=flat.name, usd_more=more, uncounted=uncounted, breakeven_tons=tons,
            response_tons=gain, verdict="")
        against.append(Against(
            flat=one.flat, usd_more=more, uncounted=uncounted, breakeven_tons=tons,
            response_tons=gain,
            verdict=flat_words.verdict(zoned, flat, one, hay_usd=hay, area_ac=area_ac)))
    return Comparison(
        cases=tuple(cases), against=tuple(against), hay_usd_per_ton=terms.hay_usd_per_ton,
        response=terms.hay_tons_per_lb_short, remarks=tuple(remarks),
    )


def _more(zoned: RateCase, flat: RateCase) -> tuple[float | None, tuple[str, ...]]:
    """Dollars by zone beyond flat over what is known of both, and what that leaves out.

    Where a charge of a pass is not known on one side, those of that pass count on neither.
    """
    open_charges = [
        {one.what for one in case.charges if one.usd is None} for case in (zoned, flat)]
    # What is open on both sides alike is the same on both, and moves no difference.
    missing = [one.what for case in (zoned, flat) for one in case.charges
               if one.usd is None and not all(one.what in names for names in open_charges)]
    kinds = tuple(dict.fromkeys(
        name.rpartition(", pass ")[0].removesuffix(" by zone") or name for name in missing))
    if zoned.usd_product is None or flat.usd_product is None:
        return None, ("product without a price", *kinds)
    blind = {name.rpartition(", ")[2] for name in missing if ", pass " in name}

    def counted(case: RateCase) -> float:
        return math.fsum(one.usd for one in case.charges
                         if one.usd is not None and one.what.rpartition(", ")[2] not in blind)

    return zoned.usd_product - flat.usd_product + counted(zoned) - counted(flat), kinds


def _response(zoned: RateCase, flat: RateCase, terms: ChargeTerms) -> float | None:
    """Tons of hay that the user's own figures give by zone beyond flat; None without figures."""
    figures = dict(terms.hay_tons_per_lb_short)
    if not figures:
        return None
    by_nutrient = {one.nutrient: one for one in zoned.supplies}
    return math.fsum(
        (one.short_lb - by_nutrient[one.nutrient].short_lb) * figures[one.nutrient]
        for one in flat.supplies if one.nutrient in figures and one.nutrient in by_nutrient)
