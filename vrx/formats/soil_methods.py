"""The vocabulary of soil-test methods, units and forms: one name each, other spellings listed.

Names follow the reference methods for soil testing in North America: Recommended Chemical Soil Test
Procedures for the North Central Region (Missouri Agr. Exp. Sta. SB 1001), and Soil, Plant and Water
Reference Methods for the Western Region (Gavlak, Horneck, Miller); both cited from memory. The use
of the 0.032 M potassium phosphate, 0.1 M lithium chloride and water extracts for sulfate in alfalfa
soils: Westermann, Agronomy Journal 66:578-581 (1974). Only spellings of one and the same method
share a name; nothing here converts one extractant into another.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from vrx.errors import InputError


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilMethod:
    """An extractant: `name` as vrx keeps it, the analytes it is used for, other spellings."""

    name: str
    analytes: frozenset[str]
    aliases: tuple[str, ...]


_K, _S, _P = "potassium", "sulfate", "phosphorus"
_B, _MG, _NA, _EC = "boron", "magnesium", "sodium", "ec"


def _method(name: str, analytes: tuple[str, ...], *aliases: str) -> SoilMethod:
    return SoilMethod(name=name, analytes=frozenset(analytes), aliases=aliases)


METHODS: tuple[SoilMethod, ...] = (
    _method("mehlich-3", (_K, _S, _P, _B, _MG, _NA), "mehlich 3", "mehlich3",
            "mehlich iii", "m3", "m-3"),
    _method("mehlich-1", (_K, _S, _P, _B, _MG, _NA), "mehlich 1", "mehlich1",
            "mehlich i", "m1", "m-1", "double acid"),
    _method("ammonium acetate", (_K, _S, _MG, _NA), "nh4oac", "nh4-acetate", "1 n ammonium acetate",
            "1n ammonium acetate", "1 m ammonium acetate", "1m ammonium acetate",
            "neutral ammonium acetate", "ammonium acetate ph 7", "neutral normal ammonium acetate"),
    _method("olsen", (_K, _P), "sodium bicarbonate", "bicarbonate", "nahco3",
            "0.5 m sodium bicarbonate", "olsen bicarbonate"),
    _method("bray-1", (_K, _P), "bray 1", "bray1", "bray p1", "bray-p1", "weak bray"),
    _method("bray-2", (_P,), "bray 2", "bray2", "bray p2", "bray-p2", "strong bray"),
    _method("morgan", (_K, _S, _P, _B, _MG), "sodium acetate ph 4.8"),
    _method("modified morgan", (_K, _S, _P, _B, _MG), "mod. morgan", "ammonium acetate ph 4.8"),
    _method("ammonium bicarbonate-dtpa", (_K, _S, _P), "ab-dtpa", "ab dtpa", "abdtpa"),
    _method("sulfuric acid", (_K,), "h2so4", "sulphuric acid"),
    _method("water", (_K, _S), "h2o", "distilled water", "deionized water", "water extract"),
    _method("saturated paste", (_K, _S, _B, _MG, _NA, _EC), "saturation extract",
            "saturated paste extract", "ece"),
    _method("hot water", (_B,), "hot-water soluble", "hot water soluble", "hws", "hwb"),
    _method("dtpa-sorbitol", (_B,), "dtpa sorbitol", "sorbitol-dtpa"),
    _method("1:1 water", (_EC,), "1:1 soil to water", "1:1 soil:water", "ec 1:1"),
    _method("1:2 water", (_EC,), "1:2 soil to water", "1:2 soil:water", "ec 1:2"),
    _method("1:5 water", (_EC,), "1:5 soil to water", "1:5 soil:water", "ec 1:5"),
    _method("calcium phosphate", (_S,), "monocalcium phosphate", "mono-calcium phosphate",
            "ca(h2po4)2", "mcp", "calcium phosphate 500 ppm p", "0.008 m calcium phosphate"),
    _method("potassium phosphate", (_S,), "monopotassium phosphate", "kh2po4", "0.032 m kh2po4",
            "potassium dihydrogen phosphate"),
    _method("lithium chloride", (_S,), "licl", "0.1 m licl", "0.1 m lithium chloride"),
    _method("calcium chloride", (_K, _S, _P), "cacl2", "0.01 m cacl2", "0.01 m calcium chloride"),
    _method("potassium chloride", (_S,), "kcl", "kcl-40", "0.25 m kcl"),
)

UNITS: dict[str, tuple[str, ...]] = {
    "ppm": ("ppm", "parts per million"),
    "mg/kg": ("mg/kg", "mg kg-1", "mg per kg", "mgkg", "ug/g"),
    "mg/L": ("mg/l", "mg l-1", "mg per l", "mg/dm3"),
    "lb/ac": ("lb/ac", "lbs/ac", "lb/a", "lbs/a", "lb/acre", "lbs/acre", "lb ac-1", "lb per acre",
              "lbs per acre", "pounds per acre", "#/ac", "#/acre", "#/a"),
    "meq/100 g": ("meq/100 g", "meq/100g", "meq per 100 g", "me/100 g", "me/100g", "meq"),
    "cmol/kg": ("cmol/kg", "cmolc/kg", "cmol(+)/kg", "cmol+/kg", "cmol kg-1"),
    "% saturation": ("% saturation", "% sat", "% base saturation", "% of cec", "% cec", "% bs",
                     "base saturation", "percent saturation"),
    "%": ("%", "percent", "pct", "% loi"),
    "pH": ("ph", "ph units", "ph unit", "su", "s.u."),
    "dS/m": ("ds/m", "ds m-1", "ms/cm", "ms cm-1", "mmhos/cm", "mmho/cm"),
    "meq/L": ("meq/l", "me/l", "meq per l", "meq l-1", "mmolc/l", "epm"),
    "mmol/L": ("mmol/l", "mmol l-1", "mm/l"),
    "g/kg": ("g/kg", "g kg-1", "g per kg", "mg/g"),
    "lb/ton": ("lb/ton", "lbs/ton", "lb/t", "lb per ton", "lbs per ton", "#/ton", "lb/short ton"),
    "lb/1000 gal": ("lb/1000 gal", "lbs/1000 gal", "lb/1,000 gal", "lbs/1,000 gal", "lb/1000gal",
                    "lbs/1000gal", "lb per 1000 gal", "lbs per 1000 gal", "lb/1000 gallons",
                    "lbs/1000 gallons", "#/1000 gal"),
    "uS/cm": ("us/cm", "µs/cm", "us cm-1", "umhos/cm", "umho/cm", "µmhos/cm"),
}
"""Units and their spellings. "ppm" and "mg/kg" are both by mass of soil; "mg/L" is by volume.

mS/cm and mmho/cm are dS/m, number for number (SI brochure, 9th edition: S = 1/ohm).
"""

STRANGE_UNITS = (
    "kg/ha", "kg ha-1", "t/ha", "g/kg", "g kg-1", "mg/g", "mg/100 g", "mg/100g", "ppb", "ug/kg",
    "ug/l", "g/l", "meq/l", "me/l", "meq/kg", "mmol/kg", "mmolc/kg", "mmol/l", "mmolc/dm3",
    "cmolc/dm3", "oz/ac", "kg/ac", "lb/1000 sq ft",
)
"""Units that laboratories print and that nothing here converts: known only to contradict a plan."""

UNITS_OF: dict[str, tuple[str, ...]] = {
    "potassium": ("ppm", "mg/kg", "mg/L", "lb/ac", "meq/100 g", "cmol/kg", "% saturation"),
    "sulfate": ("ppm", "mg/kg", "mg/L", "lb/ac"),
    "phosphorus": ("ppm", "mg/kg", "mg/L", "lb/ac"),
    "cec": ("meq/100 g", "cmol/kg"),
    "organic_matter": ("%",),
    "ph": ("pH",),
    "boron": ("ppm", "mg/kg", "mg/L", "lb/ac"),
    "magnesium": ("ppm", "mg/kg", "mg/L", "lb/ac", "meq/100 g", "cmol/kg", "% saturation"),
    "sodium": ("ppm", "mg/kg", "mg/L", "lb/ac", "meq/100 g", "cmol/kg", "% saturation"),
    "ec": ("dS/m", "uS/cm"),
}

FORMS_OF: dict[str, tuple[str, ...]] = {
    "potassium": ("K", "K2O"),
    "sulfate": ("SO4-S", "SO4", "S"),
    "phosphorus": ("P", "P2O5"),
    "boron": ("B",), "magnesium": ("Mg",), "sodium": ("Na",),
    "cec": (), "organic_matter": (), "ph": (), "ec": (),
}


def _plain(text: str) -> str:
    return re.sub(r"[\s_-]+", "-", text.strip().casefold())


_METHOD_OF = {_plain(word): m for m in METHODS for word in (m.name, *m.aliases)}
_UNIT_OF = {_plain(word): unit for unit, words in UNITS.items() for word in (unit, *words)}


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name closest to `name`, as a hint "did you mean ...? known: ..."."""
    options = list(known)
    near = difflib.get_close_matches(name.casefold(), [o.casefold() for o in options], 1, 0.5)
    listed = ", ".join(repr(option) for option in options)
    if not near:
        return f"known: {listed}"
    found = next(option for option in options if option.casefold() == near[0])
    return f"did you mean {found!r}? known: {listed}"


def methods_of(analyte: str) -> tuple[str, ...]:
    """Canonical names of the extractants used for an analyte."""
    return tuple(m.name for m in METHODS if analyte in m.analytes)


def method_named(text: str, *, analyte: str, where: str) -> str:
    """The canonical name of an extractant for an analyte. Raises `InputError` with the list."""
    found = _METHOD_OF.get(_plain(text))
    if found is None:
        words = [word for m in METHODS if analyte in m.analytes for word in (m.name, *m.aliases)]
        near = difflib.get_close_matches(text.casefold(), words, 1, 0.5)
        meant = f"did you mean {_METHOD_OF[_plain(near[0])].name!r}? " if near else ""
        raise InputError(
            f"extractant {text!r} is not known for {analyte}", code="soil-extractant-unknown",
            where=where,
            hint=f"{meant}known: {', '.join(repr(n) for n in methods_of(analyte))}; "
            "the laboratory's report names it",
        )
    if analyte not in found.analytes:
        raise InputError(
            f"extractant {found.name!r} is not used for {analyte}",
            code="soil-extractant-not-for-analyte", where=where,
            hint=f"known: {', '.join(repr(n) for n in methods_of(analyte))}",
        )
    return found.name


def unit_spelled(text: str) -> str | None:
    """The canonical unit of a spelling, None if there is none."""
    return _UNIT_OF.get(_plain(text))


def unit_named(text: str, *, analyte: str, where: str) -> str:
    """The canonical unit of an analyte. Raises `InputError` with the list."""
    unit = unit_spelled(text)
    allowed = UNITS_OF[analyte]
    if unit not in allowed:
        said = "is not known" if unit is None else f"({unit}) is not a unit"
        raise InputError(
            f"unit {text!r} {said} for {analyte}", code="soil-unit-unknown", where=where,
            hint=nearest(text, allowed),
        )
    return unit


def form_named(text: str, *, analyte: str, where: str) -> str:
    """The canonical nutrient form of an analyte. Raises `InputError` with the list."""
    allowed = FORMS_OF[analyte]
    for form in allowed:
        if _plain(text) == _plain(form):
            return form
    raise InputError(
        f"form {text!r} is not known for {analyte}", code="soil-form-unknown", where=where,
        hint=nearest(text, allowed),
    )
