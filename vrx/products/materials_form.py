"""The form of a materials list: strict, each number with its evidence, and its faults in words."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import ErrorDetails

from vrx.model import Material, MaterialFacts

Evidence = Literal["read", "computed", "from memory", "common practice, no source", "user"]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
Above = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1)]
Code = Annotated[str, Field(pattern=r"^[A-Z]{3,4}$")]

NUTRIENT_KEYS = {"N": "n_pct", "P2O5": "p2o5_pct", "K2O": "k2o_pct", "S": "s_pct", "Mg": "mg_pct",
                 "Cl": "cl_pct"}
# "0-0-25-17S-11Mg" at the end of an id: N-P2O5-K2O, then S and Mg where they are named.
_GRADE = re.compile(
    r"(?<![\d.-])(?P<n>[\d.]+)-(?P<p2o5>[\d.]+)-(?P<k2o>[\d.]+)(?:-(?P<s>[\d.]+)S)?(?:-(?P<mg>[\d.]+)Mg)?$"
)


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Sourced(_Strict):
    """Anything with its evidence and source."""

    evidence: Evidence
    source: Text

    def cite(self) -> str:
        """Evidence and source in one phrase."""
        if self.source.startswith(self.evidence):
            return self.source
        return f"{self.evidence}: {self.source}"


class Analysis(Sourced):
    """Mass percent as on a label."""

    n_pct: Percent
    p2o5_pct: Percent
    k2o_pct: Percent
    s_pct: Percent
    mg_pct: Percent


class Chloride(Sourced):
    """Mass percent of chloride."""

    cl_pct: Percent


class Density(Sourced):
    """Pounds in a gallon, and the temperature that it stands for."""

    lb_per_gal: Annotated[float, Field(gt=6, lt=20, allow_inf_nan=False)]
    at: Text


class PureSalt(Sourced):
    """Nutrients of the pure salt, to set beside the label."""

    formula: Text
    n_pct: Percent = 0.0
    p2o5_pct: Percent = 0.0
    k2o_pct: Percent = 0.0
    s_pct: Percent = 0.0
    mg_pct: Percent = 0.0
    cl_pct: Percent = 0.0


class SaltIndex(Sourced):
    """Salt index and the basis that it stands on."""

    value: Above
    basis: Text


class Available(Sourced):
    """When the S serves the crop."""

    this_season: bool
    when: Text


class Bulk(Sourced):
    """Bulk density of a dry material, least and greatest."""

    lb_per_ft3: Annotated[list[Above], Field(min_length=2, max_length=2)]


class SaltOut(Sourced):
    """Temperature below which a liquid salts out."""

    below_f: Annotated[float, Field(gt=-60, lt=100, allow_inf_nan=False)]


class Said(Sourced):
    """A fact or a caution in words."""

    text: Text

    def line(self) -> str:
        """The text with where it comes from."""
        return f"{self.text} ({self.cite()})"


class Entry(_Strict):
    """One material."""

    id: Text
    code: Code
    form: Literal["dry", "liquid"]
    s_form: Literal["sulfate", "thiosulfate", "elemental", ""]
    not_for: list[Literal["leaves", "seed furrow", "acid", "need of this season"]] = []
    holds: list[Literal["acid", "calcium", "ammonium", "hypochlorite", "alkali", "oxidiser"]] = []
    analysis: Analysis
    chloride: Chloride | None = None
    density: Density | None = None
    pure_salt: PureSalt | None = None
    salt_index: SaltIndex | None = None
    s_available: Available | None = None
    bulk: Bulk | None = None
    salt_out: SaltOut | None = None
    fact: list[Said] = []
    caution: list[Said] = []

    @model_validator(mode="after")
    def _agree(self) -> Self:
        a = self.analysis
        cl = self.chloride.cl_pct if self.chloride else 0.0
        total = a.n_pct + a.p2o5_pct + a.k2o_pct + a.s_pct + a.mg_pct + cl
        # K2O counts oxygen that a chloride does not hold, so pure KCl adds up to 110.7.
        if total > 111:
            raise ValueError(f"the percents add up to {total:g}, more than any salt holds")
        if total <= 0:
            raise ValueError("the analysis is 0 for every nutrient")
        if (self.form == "liquid") != (self.density is not None):
            raise ValueError("a liquid needs a [material.density] (lb_per_gal, at, evidence,"
                             " source), a dry material has none")
        if (a.s_pct > 0) != (self.s_form != ""):
            raise ValueError('s_form must name the form of the S, and be "" where s_pct is 0')
        _check_grade(self.id, a)
        self._check_uses()
        return self

    def _check_uses(self) -> None:
        later = self.s_form == "elemental"
        if self.s_available is not None and self.s_available.this_season == later:
            raise ValueError(f"s_available.this_season = {str(not later).lower()} does not fit"
                             f" {self.s_form or 'a material without S'}")
        if self.bulk is not None and self.form == "liquid":
            raise ValueError("[material.bulk] belongs to a dry material")
        if self.salt_out is not None and self.form == "dry":
            raise ValueError("[material.salt_out] belongs to a liquid")
        if self.bulk is not None and self.bulk.lb_per_ft3[1] < self.bulk.lb_per_ft3[0]:
            raise ValueError("lb_per_ft3 is [least, greatest]")


class Part(_Strict):
    """One part of a blend."""

    material: Text
    parts: Annotated[float, Field(gt=0, allow_inf_nan=False)]


class BlendEntry(_Strict):
    """A mix by parts, as a list or a plan gives it."""

    id: Text
    code: Code = "BLND"
    by: Literal["weight", "volume"] = "weight"
    part: Annotated[list[Part], Field(min_length=2)]
    density_lb_per_gal: Annotated[float, Field(gt=6, lt=20, allow_inf_nan=False)] | None = None


class MaterialList(_Strict):
    """A whole file."""

    # `schema` is the key's name in the file; the attribute would shadow one of pydantic's.
    schema_: Annotated[Literal[1], Field(alias="schema")]
    material: list[Entry] = []
    blend: list[BlendEntry] = []

    @model_validator(mode="after")
    def _holds_something(self) -> Self:
        if not self.material and not self.blend:
            raise ValueError("the list holds neither a [[material]] nor a [[blend]]")
        return self


def grade_in(name: str) -> dict[str, float]:
    """Percents that an id ends with ("0-0-25-17S"), by "n", "p2o5", "k2o", "s", "mg"; or {}."""
    found = _GRADE.search(name)
    if found is None:
        return {}
    try:
        return {part: float(text or 0) for part, text in found.groupdict().items()}
    except ValueError:  # "1.2.3" is a version, not a percent
        return {}


def _check_grade(name: str, analysis: Analysis) -> None:
    for part, said in grade_in(name).items():
        holds = float(getattr(analysis, f"{part}_pct"))
        if abs(said - holds) > 1e-9:
            raise ValueError(f"the id says {said:g} % for {part}_pct, the analysis {holds:g} %")


def problem(error: ErrorDetails, raw: Mapping[str, Any]) -> str:
    """One fault of a list: place, value, rule, nearest key."""
    loc = error["loc"]
    place = ""
    for part in loc:
        place += f" {part + 1}" if isinstance(part, int) else f"{'.' if place else ''}{part}"
    if len(loc) > 1 and loc[0] in ("material", "blend") and isinstance(loc[1], int):
        listed = raw[str(loc[0])]
        entry = listed[loc[1]] if isinstance(listed, list) else None
        if isinstance(entry, dict) and "id" in entry:
            place += f" ({entry['id']})"
    if error["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(loc[-1]), _known(loc), n=1, cutoff=0.4)
        return f"{place}: unknown key" + (f"; nearest known key: {near[0]}" if near else "")
    value = error["input"]
    shown = "" if isinstance(value, dict | list) else f" (value {value!r})"
    return f"{place}: {error['msg'].removeprefix('Value error, ')}{shown}"


def _known(loc: Sequence[int | str]) -> list[str]:
    parts: dict[str, type[BaseModel]] = {
        "analysis": Analysis, "chloride": Chloride, "density": Density, "caution": Said,
        "fact": Said, "pure_salt": PureSalt, "salt_index": SaltIndex, "s_available": Available,
        "bulk": Bulk, "salt_out": SaltOut, "material": Entry, "blend": BlendEntry, "part": Part,
    }
    inner = [part for part in loc[:-1] if isinstance(part, str)]
    model = parts[inner[-1]] if inner else MaterialList
    return [field.alias or name for name, field in model.model_fields.items()]


def material_of(entry: Entry) -> Material:
    """The material that an entry describes."""
    groups = {"analysis": entry.analysis, "chloride": entry.chloride, "density": entry.density}
    given = {name: group for name, group in groups.items() if group is not None}
    analysis = entry.analysis
    source = [f"{name}: {group.source}" for name, group in given.items()]
    if entry.density:
        source.append(f"density stands for {entry.density.at}")
    return Material(
        id=entry.id, code=entry.code, form=entry.form,
        n_pct=float(analysis.n_pct), p2o5_pct=float(analysis.p2o5_pct),
        k2o_pct=float(analysis.k2o_pct), s_pct=float(analysis.s_pct),
        mg_pct=float(analysis.mg_pct), cl_pct=float(entry.chloride.cl_pct if entry.chloride else 0),
        density_lb_per_gal=float(entry.density.lb_per_gal) if entry.density else None,
        s_form=entry.s_form, cautions=tuple(caution.line() for caution in entry.caution),
        evidence="; ".join(f"{name}: {group.evidence}" for name, group in given.items()),
        source="; ".join(source), more=_facts(entry),
    )


def _facts(entry: Entry) -> MaterialFacts:
    salt, index, s, bulk, out = (entry.pure_salt, entry.salt_index, entry.s_available, entry.bulk,
                                 entry.salt_out)
    return MaterialFacts(
        not_for=tuple(entry.not_for), holds=tuple(entry.holds),
        density_at=entry.density.at if entry.density else "",
        pure_salt=None if salt is None else (salt.formula, tuple(
            (name, float(getattr(salt, key))) for name, key in NUTRIENT_KEYS.items()
            if getattr(salt, key) > 0)),
        salt_index=None if index is None else float(index.value),
        salt_basis="" if index is None else f"{index.basis}; {index.cite()}",
        s_available="" if s is None else f"{s.when} ({s.cite()})",
        bulk_lb_per_ft3=None if bulk is None else (bulk.lb_per_ft3[0], bulk.lb_per_ft3[1]),
        bulk_source="" if bulk is None else bulk.cite(),
        salt_out_below_f=None if out is None else float(out.below_f),
        salt_out_source="" if out is None else out.cite(),
        facts=tuple(one.line() for one in entry.fact),
    )
