"""What the words of a heading say: analyte, unit, form, extractant, depth; each with its place.

Nothing is decided here. A fact that the words state carries `states`; what they only suggest does
not, and a plan never takes it by itself.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cache

from vrx.formats.soil_methods import FORMS_OF, UNITS, UNITS_OF
from vrx.formats.soil_words import joined, soil_words
from vrx.intake._depths import depth_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A word for the plan ("" if nothing is said), where it stands, and whether that states it."""

    value: str = ""
    source: str = "not said"
    states: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What a heading (or the name of an analyte in a long table) says."""

    analyte: str = ""
    unit: Fact = field(default_factory=Fact)
    form: Fact = field(default_factory=Fact)
    extractant: Fact = field(default_factory=Fact)
    depth: Fact = field(default_factory=Fact)
    saturation: bool = False


_DEPTH = re.compile(r"""(?i)(?<![\d.])\d+(?:\.\d+)?\s*(?:-|–|to)\s*\d+(?:\.\d+)?\s*"""
                    r"""(?:inches|inch|in|"|″|cm)(?![a-z])""")
_SATURATION = ("base-saturation", "base-sat", "saturation", "sat", "bs", "percent-cec")
_NO_UNITS = frozenset({"ph", "su", "s.u.", "-"})


@cache
def _units() -> tuple[tuple[str, str], ...]:
    """(joined spelling, unit), longest first."""
    pairs = {(_spread(word), unit)
             for unit, words in UNITS.items() for word in (unit, *words)}
    return tuple(sorted((p for p in pairs if p[0] and p[0] not in _NO_UNITS),
                        key=lambda p: (-len(p[0]), p[0])))


@cache
def _extractants() -> tuple[tuple[str, str, bool], ...]:
    """(joined words, extractant, whether they state it), longest first."""
    return tuple(sorted(((word, one.name, one.states) for one in soil_words().extractants
                         for word in one.words), key=lambda t: (-len(t[0]), t[0])))


def _spread(text: str) -> str:
    """Words joined, the per cent sign one of them, "100 g" in one."""
    return joined(text.replace("%", " % ")).replace("100-g", "100g")


def _without(text: str, words: str) -> str | None:
    """`text` without a run of whole words, None if it does not hold them."""
    padded = f"-{text}-"
    if f"-{words}-" not in padded:
        return None
    return re.sub("-+", "-", padded.replace(f"-{words}-", "-", 1)).strip("-")


def _pull_unit(text: str) -> tuple[str, str]:
    for words, unit in _units():
        rest = _without(text, words)
        if rest is not None:
            return rest, unit
    return text, ""


def _pull_extractant(text: str) -> tuple[str, str, bool]:
    """The longest words that leave an analyte behind, else the longest."""
    fit = [(rest, name, states) for words, name, states in _extractants()
           if (rest := _without(text, words)) is not None]
    if fit and not fit[0][0] and fit[0][1].startswith("bray"):
        return fit[0]  # "Bray P1" is a name of its own
    return next((one for one in fit if _analyte(one[0])), fit[0] if fit else (text, "", False))


def _analyte(text: str) -> str:
    """The analyte whose names are all the words left, "" if none or several."""
    known = soil_words().analytes
    words = [word for word in text.split("-") if word and word not in soil_words().noise]
    rest = "-".join(words)
    for key, names in known.items():
        if text in names or rest in names or (words and all(word in names for word in words)):
            return key
    return ""


def heard(heading: str, *, source: str = "the heading") -> Heard:
    """What the words of a heading say. An unknown heading gives an empty `analyte`."""
    depth = _DEPTH.search(heading)
    layer = depth_of(depth[0]) if depth else None
    text = heading.replace(depth[0], " ") if depth else heading
    text = _spread(text.replace("₂", "2").replace("₅", "5").replace("₄", "4"))
    whole = _analyte(text)
    saturation = False
    rest = text
    for words in _SATURATION:
        shorter = _without(rest, words)
        if shorter is not None:
            rest, saturation = shorter, True
            break
    rest, unit = _pull_unit(rest)
    bare = _analyte(rest)
    rest, extractant, states = _pull_extractant(rest)
    analyte = whole or bare or _analyte(rest)
    if not analyte and not rest and extractant in {"bray-1", "bray-2"}:
        analyte = "phosphorus"  # "Bray P1": its own name is all that the heading says
    if not analyte:
        return Heard(depth=_depth_fact(layer, source))
    if bare and not _analyte(rest):
        extractant = ""
    return Heard(
        analyte=analyte, unit=_unit_fact(analyte, unit, source, saturation=saturation),
        form=_form_fact(analyte, text, source),
        extractant=Fact(value=extractant, source=source, states=states) if extractant else Fact(),
        depth=_depth_fact(layer, source),
        saturation=saturation or (unit == "%" and "% saturation" in UNITS_OF[analyte]))


def _depth_fact(layer: tuple[float, float] | None, source: str) -> Fact:
    if layer is None:
        return Fact()
    return Fact(value=f"[{layer[0]:g}, {layer[1]:g}]", source=source, states=True)


def _unit_fact(analyte: str, unit: str, source: str, *, saturation: bool) -> Fact:
    if analyte == "ph":
        return Fact(value="pH", source="a pH has no other", states=True)
    if "% saturation" in UNITS_OF[analyte] and (saturation or unit in {"%", "% saturation"}):
        # A bare per cent of a cation is most likely of the CEC, but nobody said so.
        return Fact(value="% saturation", source=source,
                    states=saturation or unit == "% saturation")
    return Fact(value=unit, source=source, states=True) if unit in UNITS_OF[analyte] else Fact()


def _form_fact(analyte: str, text: str, source: str) -> Fact:
    forms = FORMS_OF[analyte]
    if not forms:
        return Fact()
    if len(forms) == 1:
        return Fact(value=forms[0], source="the only form", states=True)
    words = text.split("-")
    for oxide in ("K2O", "P2O5"):
        if oxide in forms and oxide.casefold() in words:
            return Fact(value=oxide, source=source, states=True)
    if analyte == "sulfate":
        if re.search(r"(?<![a-z0-9])(so4-?s|sul(f|ph)ate-s(ul(f|ph)ur)?)(?![a-z0-9])", text):
            return Fact(value="SO4-S", source=source, states=True)
        return Fact()  # "SO4" and "S" are both written for sulfate-sulfur
    # The bare symbol suggests the element; reports exist that print it over an oxide.
    return Fact(value=forms[0], source=source) if forms[0].casefold() in words else Fact()
