"""What manure and water bring, and what hay hauled since sampling took away."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from vrx import rules, units
from vrx.errors import PlanError
from vrx.model import Finding, Yield, Zones, note, warn
from vrx.pipeline.ground import find_book
from vrx.pipeline.inputs import Inputs
from vrx.plan import ManureSection, NeedSection, Plan

_OPTION = "manure_s_lb_per_ac"
Removal = Callable[[Plan, Inputs, Yield], dict[str, tuple[float, str]]]


def manure_lb_per_ac(plan: Plan, nutrient: str) -> tuple[float | None, str]:
    """(what the plan's manure brings of S or K2O in the season, its arithmetic); lb/ac.

    None where no application has an analysis of it.
    """
    held = _manures(plan, nutrient)
    if not held:
        return None, ""
    words = [f"{one.name}: {text}" + ("" if share is None else f" x available share {share:g}")
             for one, _, text, share in held]
    return sum(amount * (1.0 if share is None else share) for _, amount, _, share in held), \
        "; ".join(words)


def _manures(
    plan: Plan, nutrient: str
) -> list[tuple[ManureSection, float, str, float | None]]:
    """(application, total lb/ac of S or K2O, its arithmetic, share that is available) of each."""
    key = "s" if nutrient == "S" else "k2o"
    found = []
    for one in plan.manure:
        per_ton, per_gal = (getattr(one, f"{key}_lb_per_{per}") for per in ("ton", "1000_gal"))
        share = one.available_share if nutrient == "S" else one.k2o_available_share
        if one.tons_per_ac is not None and per_ton is not None:
            text = f"{one.tons_per_ac:g} tons/ac x {per_ton:g} lb {nutrient}/ton"
            found.append((one, one.tons_per_ac * per_ton, text, share))
        elif one.gal_per_ac is not None and per_gal is not None:
            text = f"{one.gal_per_ac:g} gal/ac x {per_gal:g} lb {nutrient}/1,000 gal"
            found.append((one, one.gal_per_ac / 1000.0 * per_gal, text, share))
    return found


def manure_option(
    plan: Plan, inputs: Inputs, nutrient: str, section: NeedSection
) -> dict[str, object]:
    """The option by which the plan's manure reaches the rule book of sulfur, if it takes one."""
    amount, _ = manure_lb_per_ac(plan, nutrient)
    if nutrient != "S" or amount is None or not _takes_manure(inputs, section):
        return {}
    return {_OPTION: amount}


def _takes_manure(inputs: Inputs, section: NeedSection | None) -> bool:
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
    held = _manures(plan, "S")
    found: list[Finding] = []
    if held:
        words = []
        for one, amount, text, share in held:
            by = "" if share is None else f" x available share {share:g}"
            on = "" if one.applied_on is None else f" of {one.applied_on}"
            counted = amount * (1.0 if share is None else share)
            words.append(f"{one.name}{on}: {text}{by} = {counted:.1f} lb S/ac")
        total = manure_lb_per_ac(plan, "S")[0] or 0.0
        what = "; ".join(words) + (f"; together {total:.1f} lb S/ac" if len(words) > 1 else "")
        rest = "its N and P are not counted" if _manures(plan, "K2O") else \
            "its N, P and K are not counted"
        if _takes_manure(inputs, plan.need.sulfur) or plan.credits.sulfur.manure:
            found.append(note("manure-s-counted", "[manure]", what,
                              done=f"subtracted from the sulfur need; {rest}"))
        elif total > 0:
            found.append(note("manure-s-uncounted", "[manure]", what,
                              done="not subtracted from any rate"))
    for nutrient, key in (("S", "available_share"), ("K2O", "k2o_available_share")):
        found += _open_share(plan, nutrient, key)
    return found


def _open_share(plan: Plan, nutrient: str, key: str) -> list[Finding]:
    """Told where no share is stated: all is counted."""
    names = [one.name for one, amount, _, share in _manures(plan, nutrient)
             if share is None and amount > 0]
    if not names:
        return []
    if nutrient == "S":
        return [warn(
            "manure-share-assumed", "[manure]",
            f"no {key} is given for {', '.join(names)}; part of the sulfur in "
            "manure is organic and comes later than this season",
            done="all of it counted as available",
            todo=f"give {key}, from your guide or the laboratory")]
    return [note(
        "manure-share-assumed", "[manure]", f"no {key} is given for {', '.join(names)}",
        done="all of its K2O counted as available",
        todo=f"give {key}, from your guide, where it says less")]


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
