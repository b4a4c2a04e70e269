"""The verdicts of flat against variable, in plain sentences."""

from __future__ import annotations

from vrx.model import Against, RateCase, Supply

_ASK_HAY = "; enter hay_usd_per_ton in [charges] for the hay that pays for it"
_CENT = 0.005
_POUND = 0.5
_TENTH_TON = 0.05


def verdicts(
    zoned: RateCase, flat: RateCase, against: Against, *, hay_usd: float | None, area_ac: float
) -> tuple[str, str]:
    """Cost, what flat does on the ground, and whether by zone pays; and that without the ground."""
    cost, pays = _cost(flat, against, hay_usd, area_ac), _pays(zoned, flat, against, hay_usd)
    ground = [_ground(flat.name, one, _of(zoned, one.nutrient)) for one in flat.supplies
              if not _alike(one, _of(zoned, one.nutrient))]
    # Keys of the plan are for who writes it, not for the grower's summary.
    short = " ".join(filter(None, (cost.replace(_ASK_HAY, ""), pays)))
    return " ".join(filter(None, (cost, *ground, pays))), short


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
        return f"{text}{_ASK_HAY}."
    tons = against.breakeven_tons
    if tons < _TENTH_TON:
        return (f"{text}: less than a tenth of a ton of hay pays for that, at ${hay_usd:,.10g} a "
                "ton.")
    return (f"{text}: it takes {tons:,.1f} tons more hay over the field to pay for that "
            f"({tons / area_ac:.3f} ton/ac, at ${hay_usd:,.10g} a ton).")


def _of(case: RateCase, nutrient: str) -> Supply:
    return next(one for one in case.supplies if one.nutrient == nutrient)


def _alike(one: Supply, other: Supply) -> bool:
    """Whether by zone supplies the nutrient just so: then there is nothing to tell."""
    return all(abs(getattr(one, name) - getattr(other, name)) < _POUND
               for name in ("short_lb", "over_lb", "short_ac", "over_ac"))


def _ground(name: str, one: Supply, zoned: Supply) -> str:
    """What flat does on the ground; by zone stands beside it where it misses the need too."""
    short = (f"leaves {one.short_ac:,.1f} ac short of the need by {one.short_lb:,.0f} lb "
             f"{one.nutrient} ({one.short_lb / one.short_ac:,.0f} lb/ac there)"
             if one.short_ac > 0 else "")
    over = (f"puts {one.over_lb:,.0f} lb {one.nutrient} more than the need on "
            f"{one.over_ac:,.1f} ac" if one.over_ac > 0 else "")
    text = (f"{_opening(name)} {' and '.join(part for part in (short, over) if part)}"
            if short or over else f"{_opening(name)} meets the {one.nutrient} need of every zone")
    own = [f"{lb:,.0f} lb {way} on {ac:,.1f} ac" for lb, ac, way in
           ((zoned.short_lb, zoned.short_ac, "short"), (zoned.over_lb, zoned.over_ac, "over"))
           if ac > 0]
    return f"{text} (by zone: {', '.join(own)})." if own else f"{text}."


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
    more = against.usd_more
    if abs(gain) < _TENTH_TON:
        text = "By your own response figure by zone brings no more hay than this flat rate"
    else:
        text = (f"By your own response figure by zone brings {abs(gain):,.1f} tons of hay "
                f"{'more' if gain > 0 else 'less'}")
    if more is None or not hay_usd:
        return f"{text}."
    if abs(gain) >= _TENTH_TON:
        text += f", worth ${abs(gain) * hay_usd:,.0f}"
    net = gain * hay_usd - more
    amount = f"{'+' if net >= 0 else '-'}${abs(net):,.0f}"
    if against.uncounted:
        # A charge that nobody entered may be more than the gain: no verdict without it.
        return (f"{text}: {amount} before {_listed(against.uncounted)}, which are not counted; "
                "whether it pays hangs on them.")
    return f"{text}: it {'pays' if net > 0 else 'does not pay'} ({amount})."


def _short(case: RateCase) -> float:
    return sum(one.short_lb for one in case.supplies)


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def _opening(text: str) -> str:
    return text[:1].upper() + text[1:]
