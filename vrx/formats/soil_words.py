"""Words of soil tables: what a heading may be, and what readings usually are (TOML beside this)."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from vrx.formats.soil_methods import METHODS


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtractantWord:
    """Words that point to an extractant; with `states` they name it, else they only suggest it."""

    words: tuple[str, ...]
    name: str
    states: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilWords:
    """The vocabulary: `usual` maps (analyte, unit) to the (low, high) of a field's usual mean."""

    noise: frozenset[str]
    analytes: Mapping[str, frozenset[str]]
    columns: Mapping[str, re.Pattern[str]]
    extractants: tuple[ExtractantWord, ...]
    usual: Mapping[tuple[str, str], tuple[float, float]]


@cache
def soil_words() -> SoilWords:
    """The vocabulary, with every spelling of `soil_methods` as words that state an extractant."""
    text = (files("vrx.formats") / "soil_words.toml").read_text(encoding="utf-8")
    told = tomllib.loads(text)
    short = [ExtractantWord(**{**entry, "words": tuple(entry["words"])})
             for entry in told["extractant"]]
    listed = {word for one in short for word in one.words}
    full = [
        ExtractantWord(name=m.name, states=True, why=f"names {m.name}", words=tuple(
            word for word in (joined(w) for w in (m.name, *m.aliases)) if word not in listed))
        for m in METHODS]
    return SoilWords(
        noise=frozenset(told["noise"]),
        analytes=MappingProxyType({k: frozenset(v) for k, v in told["analytes"].items()}),
        columns=MappingProxyType({k: re.compile(v) for k, v in told["columns"].items()}),
        extractants=(*full, *short),
        usual=MappingProxyType({(one["analyte"], one["unit"]): (one["low"], one["high"])
                                for one in told["usual"]}))


def joined(text: str) -> str:
    """Words in small letters joined by single hyphens: "1 N ammonium acetate" in one word."""
    return re.sub(r"[\s_,;/()\[\]-]+", "-", text.strip().casefold()).strip("-")


def heading_role(heading: str) -> str:
    """The key of `[soil]` that a heading reads like ("latitude_column"), "" if none."""
    plain = re.sub(r"[\s_]+", " ", heading.strip()).casefold()
    return next((key for key, pattern in soil_words().columns.items() if pattern.fullmatch(plain)),
                "")
