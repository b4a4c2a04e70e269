"""What a plan may say to a book, beside its name: names, types, limits, defaults."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from vrx.errors import RuleError
from vrx.rules.book import Book
from vrx.rules.names import advice, extractant


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """One option. `kind` is "number", "numbers that rise", "yes or no", "name", "text", "depth",
    "name by zone" (one name, or a table from zone to name) or "rates by class".

    `required`: the plan must give it; else `default` holds (None: not used unless given).
    """

    name: str
    kind: str
    what: str
    default: object = None
    low: float = 0.0
    high: float = math.inf
    choices: tuple[str, ...] = ()
    required: bool = False


def options_of(book: Book) -> tuple[Option, ...]:
    """Every option that a book takes in its section of the plan."""
    held: dict[str, Option] = {}
    if book.data.soil is not None:
        if book.data.soil.extractants:
            held["conversion"] = Option(
                name="conversion", kind="name", choices=_conversion_names(book),
                what="published conversion from the laboratory's extractant to the guide's",
            )
        else:
            held["accept_extractant"] = Option(
                name="accept_extractant", kind="text",
                what="your laboratory's extractant, taken although the guide names none",
            )
        if book.data.soil.scale is not None and book.data.soil.scale.per_ppm is None:
            unit = book.data.soil.unit
            held["soil_units_per_ppm"] = Option(
                name="soil_units_per_ppm", kind="number", low=0.01, high=100.0,
                what=f"how many {unit} of the guide are 1 ppm of your readings (1 where the "
                     f"laboratory's {unit} were read in as ppm)",
            )
        held["accept_depth_in"] = Option(
            name="accept_depth_in", kind="depth",
            what="your sampling depth in inches, [top, bottom], taken although the guide's differs",
        )
    for rule in book.data.rules:
        for option in _OF_KIND.get(rule.kind, _none)(rule):
            held.setdefault(option.name, option)
    return tuple(held.values())


def resolve(book: Book, given: Mapping[str, object]) -> dict[str, Any]:
    """Options with defaults filled in. RuleError for an unknown name or a wrong value."""
    known = {option.name: option for option in options_of(book)}
    for name in given:
        if name not in known:
            raise RuleError(
                f"the book takes no option {name!r} (value {given[name]!r})",
                code="rules-option-unknown", where=book.where,
                hint=advice(name, known) + f"; `vrx books {book.id}` explains them",
            )
    return {name: _checked(book, option, given[name]) if name in given else option.default
            for name, option in known.items()}


def _checked(book: Book, option: Option, value: object) -> object:
    good = _GOOD[option.kind](value)
    if not good:
        raise _wrong(book, option, value, f"a {option.kind} is wanted")
    if option.kind == "number" and isinstance(value, int | float):
        if not option.low <= value <= option.high:
            raise _wrong(book, option, value, f"must lie from {option.low:g} to {option.high:g}")
        return float(value)
    if option.kind in ("name", "name by zone"):
        for one in value.values() if isinstance(value, Mapping) else [value]:
            if one not in option.choices:
                raise _wrong(book, option, value, advice(str(one), option.choices))
    return value


def _wrong(book: Book, option: Option, value: object, why: str) -> RuleError:
    return RuleError(
        f"{option.name} = {value!r}: {why}", code="rules-option-value", where=book.where,
        hint=f"{option.name} is {option.what}",
    )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_bool(value: object) -> bool:
    return isinstance(value, bool)


def _is_text(value: object) -> bool:
    return isinstance(value, str)


def _is_depth(value: object) -> bool:
    return (isinstance(value, list | tuple) and len(value) == 2 and all(map(_is_number, value))
            and 0 <= value[0] < value[1])


def _is_rates(value: object) -> bool:
    return isinstance(value, Mapping) and all(
        isinstance(k, str) and _is_number(v) and v >= 0 for k, v in value.items())


def _is_rising(value: object) -> bool:
    return (isinstance(value, list | tuple) and len(value) > 0 and all(map(_is_number, value))
            and all(a < b for a, b in pairwise(value)))


def _is_name_by_zone(value: object) -> bool:
    if isinstance(value, Mapping):
        return bool(value) and all(isinstance(k, str) and isinstance(v, str)
                                   for k, v in value.items())
    return isinstance(value, str)


_GOOD: Mapping[str, Callable[[object], bool]] = {
    "number": _is_number, "numbers that rise": _is_rising, "yes or no": _is_bool, "name": _is_text,
    "text": _is_text, "name by zone": _is_name_by_zone, "depth": _is_depth,
    "rates by class": _is_rates,
}


def _conversion_names(book: Book) -> tuple[str, ...]:
    from vrx.rules.load import conversions

    soil = book.data.soil
    wanted = {extractant(e) for e in soil.extractants} if soil else set()
    return tuple(c.name for c in (*book.data.conversions, *conversions())
                 if c.analyte == book.analyte and extractant(c.to_extractant) in wanted)


def _none(_rule: Any) -> tuple[Option, ...]:
    return ()


def _own_class_rates(rule: Any, classes: Any) -> tuple[Option, ...]:
    if rule.has_rates:
        return ()
    return (Option(
        name="class_rates_lb_per_ac", kind="rates by class",
        what="your own lb/ac for every class that has no rate: "
             + ", ".join(c.name for c in classes if c.rate_lb_per_ac is None)),)


def _class_table(rule: Any) -> tuple[Option, ...]:
    return _own_class_rates(rule, rule.classes)


def _rating_table(rule: Any) -> tuple[Option, ...]:
    names = tuple(c.name for c in rule.ratings)
    held = [Option(
        name="rating", kind="name by zone", choices=names,
        what="the laboratory's own rating, for the field or by zone: { A = \"...\", ... }")]
    if not rule.has_limits:
        held.append(Option(
            name="rating_limits", kind="numbers that rise",
            what=f"the {len(names) - 1} limits between the laboratory's ratings, in the guide's "
                 "unit; a value on a limit belongs to the lower rating"))
    return (*held, *_own_class_rates(rule, rule.ratings))


def _group(rule: Any) -> tuple[Option, ...]:
    if rule.group_option is None:
        return ()
    return (Option(name=rule.group_option, kind="name by zone", required=True,
                   choices=tuple(g.name for g in rule.groups),
                   what="which of the guide's soils the field has, one for all or by zone"),)


def _grouped(rule: Any) -> tuple[Option, ...]:
    return (*_group(rule), *_own_class_rates(rule, rule.groups[0].classes))


def _class_share(rule: Any) -> tuple[Option, ...]:
    names = ", ".join(c.name for c in rule.groups[0].classes)
    return (
        *_group(rule),
        Option(name="class_shares", kind="rates by class", required=not rule.has_shares,
               what=f"share of removal to be replaced in every class: {names}"),
        Option(name="class_extra_lb_per_ac", kind="rates by class",
               what=f"lb/ac added beside removal, by class: {names}"),
    )


def _stand_age(rule: Any) -> tuple[Option, ...]:
    held = []
    if rule.last_year is not None:
        held.append(Option(name="last_year", kind="yes or no", default=False,
                           what="whether this is the last season of the stand"))
    if rule.years:
        held.append(Option(name="stand_year", kind="number", low=1, high=30,
                           what="the stand's year, the seeding year is 1; [field] stand_year says "
                                "it too"))
    return tuple(held)


def _conditional(rule: Any) -> tuple[Option, ...]:
    asked = tuple(Option(name=c.option, kind="yes or no", required=True, what=f"whether {c.words}")
                  for c in rule.conditions if c.option)
    return (*asked, *_own_rate(rule))


def _index(rule: Any) -> tuple[Option, ...]:
    held = [_index_term(t) for t in rule.terms if t.option]
    known = all(c.rate_lb_per_ac is not None for c in rule.classes)
    if not known:
        held += [Option(
            name="class_rates_lb_per_ac", kind="rates by class",
            what="your own lb/ac for every class that has no rate: "
                 + ", ".join(c.name for c in rule.classes if c.rate_lb_per_ac is None))]
    return tuple(held)


def _index_term(t: Any) -> Option:
    if t.choices:
        return Option(name=t.option, kind="name by zone", required=t.required,
                      choices=tuple(c.name for c in t.choices),
                      what=f"{t.term}, in words, for the field or by zone")
    return Option(name=t.option, kind="number", default=t.default, required=t.required,
                  what=f"{t.term} (counted x {t.per_unit:g})")


def _build_up(rule: Any) -> tuple[Option, ...]:
    return (
        Option(name="build_up", kind="yes or no", default=True,
               what="whether soils under the critical level are built up (no: removal only)"),
        Option(name="build_up_years", kind="number", default=rule.build_up.years, low=1, high=20,
               what="years over which the soil is built up"),
        Option(name="cec_meq_per_100g", kind="number", high=100,
               what="one CEC for the field, where it was not mapped"),
    )


def _removal(rule: Any) -> tuple[Option, ...]:
    only = rule.sources[0].name if len(rule.sources) == 1 else None
    return (
        Option(name=rule.source_option, kind="name", default=rule.default_source or only,
               choices=tuple(s.name for s in rule.sources),
               required=rule.default_source is None and only is None,
              what="whose figure per ton is used"),
        Option(name="share", kind="number", default=1.0, high=2.0,
               what="share of that amount to be replaced"),
    )


def _own_rate(rule: Any) -> tuple[Option, ...]:
    return (Option(name="rate_lb_per_ac", kind="number", default=rule.rate_lb_per_ac,
                   what="your own rate, lb/ac of the nutrient"),)


def _organic_matter(_rule: Any) -> tuple[Option, ...]:
    return (
        Option(name="om_credit", kind="yes or no", default=True,
               what="whether S released by organic matter is counted"),
        Option(name="om_pct", kind="number", high=100,
               what="one organic matter content for the field, where it was not mapped"),
    )


def _water(_rule: Any) -> tuple[Option, ...]:
    return (Option(name="water_share", kind="number", default=1.0, high=1.0,
                   what="share of the water's sulfate that is counted"),)


def _soil_layer(rule: Any) -> tuple[Option, ...]:
    return (
        Option(name="soil_share", kind="number", default=rule.default_share, high=1.0,
               what="share of the soil's sulfate that is counted"),
        Option(name="bulk_density_g_per_cm3", kind="number", default=rule.bulk_density_g_per_cm3,
               low=0.5, high=2.0, what="bulk density of the sampled layer"),
    )


def _stated(rule: Any) -> tuple[Option, ...]:
    return (Option(name=rule.option, kind="number", default=rule.default_lb_per_ac,
                   what=f"{rule.term}, lb/ac in the season"),)


_OF_KIND = {
    "class-table": _class_table, "build-up-maintenance": _build_up, "removal-balance": _removal,
    "tissue-criterion": _own_rate, "soil-criterion": _own_rate, "flat-rate": _own_rate,
    "organic-matter-credit": _organic_matter, "water-credit": _water, "water-cap": _water,
    "soil-layer-credit": _soil_layer, "stated-credit": _stated, "rating-table": _rating_table,
    "grouped-class-table": _grouped, "class-share": _class_share, "stand-age": _stand_age,
    "conditional-rate": _conditional, "availability-index": _index, "tissue-table": _class_table,
}
