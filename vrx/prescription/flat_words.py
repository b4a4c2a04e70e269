"""The verdicts of flat against variable, in plain sentences."""

from __future__ import annotations

from vrx.model import Against, RateCase, Supply

NO_RESPONSE = (
    "No answer of the yield is assumed: this compares product, charges and supply only, at the "
    "needs of the zones, each of which has its own error."
)
OWN_RESPONSE = "The answer of the hay is your own figure of [charges], not one of vrx."
_CENT = 0.005


def verdict(
    zoned: RateCase, flat: RateCase, against: Against, *, hay_usd: float | None, area_ac: float
) -> str:
    """Cost, what flat does on the ground, and whether by zone pays, as far as it can be known."""
    parts = [_cost(flat, against, hay_usd, area_ac), *(
        _ground(flat.name, one) for one in flat.supplies)]
    parts.append(_pays(zoned, flat, against, hay_usd))
    return " ".join(part for part in parts if part)


def _cost(flat: RateCase, against: Against, hay_usd: float | None, area_ac: float) -> str:
    more = against.usd_more
    if more is None:
        return f"What by zone costs beyond {flat.name} is not known: a price is missing."
    tail = f", not counting {_listed(against.uncounted)}" if against.uncounted else ""
    if abs(more) < _CENT:
        return f"By zone costs the same as {flat.name}{tail}."
    if more < 0:
        return (f"By zone costs ${-more:,.0f} less than {flat.name} "
                f"(${-more / area_ac:,.2f}/ac){tail}.")
    text = (f"By zone costs ${more:,.0f} more than {flat.name} (${more / area_ac:,.2f}/ac){tail}")
    if against.breakeven_tons is None:
        return f"{text}; enter hay_usd_per_ton in [charges] for the hay that pays for it."
    tons = against.breakeven_tons
    return (f"{text}: {tons:,.1f} tons of hay over the field at ${hay_usd:,.10g} a ton, "
            f"{tons / area_ac:.3f} ton/ac, must come of it.")


def _ground(name: str, one: Supply) -> str:
    short = (f"leaves {one.short_ac:,.1f} ac short of the need by {one.short_lb:,.0f} lb "
             f"{one.nutrient} ({one.short_lb / one.short_ac:,.0f} lb/ac there)"
             if one.short_ac > 0 else "")
    over = (f"puts {one.over_lb:,.0f} lb {one.nutrient} more than the need on "
            f"{one.over_ac:,.1f} ac" if one.over_ac > 0 else "")
    if not short and not over:
        return f"{_opening(name)} meets the {one.nutrient} need of every zone."
    return f"{_opening(name)} {' and '.join(part for part in (short, over) if part)}."


def _pays(zoned: RateCase, flat: RateCase, against: Against, hay_usd: float | None) -> str:
    more, gain = against.usd_more, against.response_tons
    if more is None:
        return ""
    if gain is not None:
        if not hay_usd:
            return f"By your own response figure by zone brings {gain:,.1f} tons of hay more."
        net = gain * hay_usd - more
        does = "pays" if net > 0 else "does not pay"
        return (f"By your own response figure by zone brings {gain:,.1f} tons of hay more, worth "
                f"${gain * hay_usd:,.0f}: it {does} ({'+' if net >= 0 else '-'}${abs(net):,.0f}).")
    if more <= 0:
        # Cheaper, and no acre is shorter: nothing speaks for flat.
        worse = _short(zoned) > _short(flat) + 0.5
        return "" if worse else "By zone pays on these figures, whatever the hay answers."
    if _short(flat) <= _short(zoned) + 0.5:
        return ("Variable rate does not pay here: it costs more, and flat leaves no more of the "
                "need unmet.")
    return ("Variable rate pays only if the hay answers to the pounds that flat leaves short; "
            "whether it does is not known.")


def _short(case: RateCase) -> float:
    return sum(one.short_lb for one in case.supplies)


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _opening(text: str) -> str:
    return text[:1].upper() + text[1:]
