"""The verdicts of flat against variable, in plain sentences."""

from __future__ import annotations

from vrx.model import Against, RateCase, Supply

_CENT = 0.005
_POUND = 0.5


def verdict(
    zoned: RateCase, flat: RateCase, against: Against, *, hay_usd: float | None, area_ac: float
) -> str:
    """Cost, what flat does on the ground, and whether by zone pays, as far as it can be known."""
    parts = [_cost(flat, against, hay_usd, area_ac), *(
        _ground(flat.name, one) for one in flat.supplies if not _alike(one, zoned))]
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
    return (f"{text}: it takes {tons:,.1f} tons more hay over the field to pay for that "
            f"({tons / area_ac:.3f} ton/ac, at ${hay_usd:,.10g} a ton).")


def _alike(one: Supply, zoned: RateCase) -> bool:
    """Whether by zone supplies the nutrient just so: then there is nothing to tell."""
    other = next(each for each in zoned.supplies if each.nutrient == one.nutrient)
    return all(abs(getattr(one, name) - getattr(other, name)) < _POUND
               for name in ("short_lb", "over_lb", "short_ac", "over_ac"))


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
    if against.response_tons is not None:
        return _by_response(against, against.response_tons, hay_usd)
    if against.usd_more is None:
        return ""
    no_shorter = _short(zoned) <= _short(flat) + _POUND
    if against.usd_more > 0:
        return ("Variable rate does not pay here: it costs more, and flat leaves no more of the "
                "need unmet." if _short(flat) <= _short(zoned) + _POUND else
                "Variable rate pays only if the hay answers to the pounds that flat leaves short; "
                "whether it does is not known.")
    if not no_shorter:
        return ""
    # Cheaper, and no acre is shorter: nothing speaks for flat, if nothing is left out.
    return "It leaves no more of the need unmet" + (
        "; whether it pays against this flat rate hangs on the charges that are not counted."
        if against.uncounted else
        ", so against this flat rate it pays, whatever the hay answers.")


def _by_response(against: Against, gain: float, hay_usd: float | None) -> str:
    """The user's own figure: tons, and money where both sides of it are known."""
    text = f"By your own response figure by zone brings {gain:,.1f} tons of hay more"
    more = against.usd_more
    if more is None or not hay_usd:
        return f"{text}."
    net = gain * hay_usd - more
    does = "pays" if net > 0 else "does not pay"
    return (f"{text}, worth ${gain * hay_usd:,.0f}: it {does} "
            f"({'+' if net >= 0 else '-'}${abs(net):,.0f}).")


def _short(case: RateCase) -> float:
    return sum(one.short_lb for one in case.supplies)


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _opening(text: str) -> str:
    return text[:1].upper() + text[1:]
