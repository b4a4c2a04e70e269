"""What manure and water bring, and what hay hauled since sampling took away."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from vrx import rules, units
from vrx.errors import PlanError
from vrx.model import Finding, Yield, Zones, note, warn
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.plan import Plan

_OPTION = "manure_s_lb_per_ac"
Removal = Callable[[Plan, Inputs, Yield], dict[str, tuple[float, str]]]


def manure_s_lb_per_ac(plan: Plan) -> float:
    """Sulfur that the plan's manure brings, lb S/ac: amount x its analysis x available share."""
    return sum(
        s_lb_per_ac * (1.0 if one.available_share is None else one.available_share)
        for one, (s_lb_per_ac, _) in zip(plan.manure, _manures(plan), strict=True)
    )


def _manures(plan: Plan) -> list[tuple[float, str]]:
    """(total lb S/ac, its arithmetic) of each application."""
    found = []
    for one in plan.manure:
        if one.tons_per_ac is not None and one.s_lb_per_ton is not None:
            amount = one.tons_per_ac * one.s_lb_per_ton
            text = f"{one.tons_per_ac:g} tons/ac x {one.s_lb_per_ton:g} lb S/ton"
        elif one.gal_per_ac is not None and one.s_lb_per_1000_gal is not None:
            amount = one.gal_per_ac / 1000.0 * one.s_lb_per_1000_gal
            text = f"{one.gal_per_ac:g} gal/ac x {one.s_lb_per_1000_gal:g} lb S/1,000 gal"
        else:
            raise AssertionError("the plan's schema lets no such manure through")
        found.append((amount, text))
    return found


def manure_option(plan: Plan, inputs: Inputs, nutrient: str) -> dict[str, object]:
    """The option by which the plan's manure reaches the rule book of sulfur, if it takes one."""
    if nutrient != "S" or not plan.manure or not _takes_manure(plan, inputs):
        return {}
    return {_OPTION: manure_s_lb_per_ac(plan)}


def _takes_manure(plan: Plan, inputs: Inputs) -> bool:
    section = plan.need.sulfur
    if section is None:
        return False
    book = find_book(inputs.books, section.book)
    return any(option.name == _OPTION for option in rules.options_of(book))


def tissue_test(plan: Plan, inputs: Inputs, made: Zones) -> rules.TissueTest | None:
    """The plan's plant test: one figure for the field, or one for each zone of the table.

    Raises `PlanError` where the table names zones that this field has not.
    """
    told = plan.tissue
    if told is None:
        return None
    contents: dict[str, float | Mapping[int, float] | None] = {
        "sulfur_pct": told.sulfur_pct, "potassium_pct": told.potassium_pct,
        "sulfate_s_ppm": told.sulfate_s_ppm}
    known = {zone.letter.casefold(): zone.zone_id for zone in made.zones}
    for key, of in inputs.tests.tissue_by_zone.items():
        strangers = [name for name in of if name.casefold() not in known]
        if strangers:
            raise PlanError(
                f"the plant tests name zone {', '.join(strangers)}; the zones are "
                f"{', '.join(zone.letter for zone in made.zones)}", code="test-tissue-zone-unknown",
                where="[tissue.table] zone_column",
                hint="write the letters of this plan's zones, or leave zone_column out: then the "
                "field's mean is used")
        contents[key] = {known[name.casefold()]: value for name, value in of.items()}
    return rules.TissueTest(part=told.part, stage=told.stage, **contents)


def findings(plan: Plan, inputs: Inputs, *, removal: Removal) -> tuple[Finding, ...]:
    """Manure, water and hauled cuttings in words; `removal` gives what hay removes."""
    return (*_manure(plan, inputs), *_water(plan), *_hauled(plan, inputs, removal))


def _manure(plan: Plan, inputs: Inputs) -> list[Finding]:
    if not plan.manure:
        return []
    words, open_share = [], []
    for one, (amount, text) in zip(plan.manure, _manures(plan), strict=True):
        share = "" if one.available_share is None else f" x available share {one.available_share:g}"
        on = "" if one.applied_on is None else f" of {one.applied_on}"
        counted = amount * (1.0 if one.available_share is None else one.available_share)
        words.append(f"{one.name}{on}: {text}{share} = {counted:.1f} lb S/ac")
        if one.available_share is None and amount > 0:
            open_share.append(one.name)
    total = manure_s_lb_per_ac(plan)
    what = "; ".join(words) + (f"; together {total:.1f} lb S/ac" if len(words) > 1 else "")
    found: list[Finding] = []
    if _takes_manure(plan, inputs):
        found.append(note(
            "manure-s-counted", "[manure]", what,
            done="subtracted from the sulfur need; its N, P and K are not counted"))
    elif total > 0:
        found.append(warn(
            "manure-s-uncounted", "[manure]",
            f"{what}, which the sulfur rule of this plan does not read",
            done="not subtracted from any rate",
            todo='book = "sulfur-balance" in [need.sulfur] counts it; its K is not counted either'))
    if open_share:
        found.append(warn(
            "manure-share-assumed", "[manure]",
            f"no available_share is given for {', '.join(open_share)}; part of the sulfur in "
            "manure is organic and comes later than this season",
            done="all of it counted as available",
            todo="give available_share, from your guide or the laboratory"))
    return found


def _water(plan: Plan) -> list[Finding]:
    water = plan.water
    if water is None:
        return []
    words = []
    for name, ppm in (("chloride", water.chloride_ppm), ("sodium", water.sodium_ppm)):
        if ppm is not None:
            brought = units.water_lb_per_ac(ppm, net_in=water.net_in)
            words.append(f"{name} {ppm:g} ppm x {water.net_in:g} in net x 0.22661 = "
                         f"{brought:.0f} lb/ac")
    if water.ec_ds_per_m is not None:
        words.append(f"EC {water.ec_ds_per_m:g} dS/m")
    if not words and water.sampled_on is None:
        return []
    if water.sampled_on is not None:
        words.append(f"water sampled on {water.sampled_on}")
    return [note("plan-water-read-along", "[water]", "; ".join(words),
                 done="moves no rate",
                 todo="weigh chloride and salt with your adviser before more chloride is bought")]


def _hauled(plan: Plan, inputs: Inputs, removal: Removal) -> list[Finding]:
    cuttings = plan.soil.cuttings_hauled_since_sampling
    if not cuttings:
        return []
    total: dict[str, float] = {}
    sources: dict[str, str] = {}
    for one in cuttings:
        hay = Yield(tons_per_ac=one.tons_per_ac, moisture_pct=one.moisture_pct)
        for nutrient, (amount, source) in removal(plan, inputs, hay).items():
            total[nutrient] = total.get(nutrient, 0.0) + amount
            sources[nutrient] = source
    hay_words = " + ".join(f"{c.tons_per_ac:g} t/ac at {c.moisture_pct:g} %" for c in cuttings)
    taken = " and ".join(f"{amount:.0f} lb {nutrient}/ac" for nutrient, amount in total.items())
    cited = "; ".join(f"{nutrient} {source}" for nutrient, source in sources.items())
    return [warn(
        "soil-cuttings-since", "[soil] cuttings_hauled_since_sampling",
        f"hay hauled since the samples ({hay_words}) took {taken} ({cited})",
        done="not subtracted from the soil test, and no rate is changed",
        todo="sample again, or weigh with your adviser whether the readings still stand")]
