"""Method codes of laboratory result files -> analyte, form, extractant, basis and unit (TOML)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any


@dataclass(frozen=True, slots=True, kw_only=True)
class LabMethod:
    """What one method code says; `basis` is "mass", "volume" or "not stated".

    `caution` is told wherever the code is used; with `refuse` its numbers are not taken at all.
    """

    code: str
    analyte: str
    form: str
    extractant: str
    basis: str
    unit: str
    source: str
    evidence: str
    locator: str
    caution: str = ""
    refuse: str = ""


def _plain(code: str) -> str:
    return "".join(code.split()).casefold()


@cache
def _register() -> MappingProxyType[str, LabMethod]:
    text = (files("vrx.formats") / "lab_methods.toml").read_text(encoding="utf-8")
    found: dict[str, LabMethod] = {}
    for entry in tomllib.loads(text)["method"]:
        facts: dict[str, Any] = {key: value for key, value in entry.items() if key != "codes"}
        for code in entry["codes"]:
            if _plain(code) in found:
                raise AssertionError(f"lab_methods.toml names {code!r} twice")
            found[_plain(code)] = LabMethod(code=code, **facts)
    return MappingProxyType(found)


def lab_method(code: str) -> LabMethod | None:
    """The facts of a method code, without regard to case; None for a code that is not known."""
    return _register().get(_plain(code))


def lab_methods() -> tuple[LabMethod, ...]:
    """All known codes, in the order of the file."""
    return tuple(_register().values())
