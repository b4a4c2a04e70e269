"""Blends by parts: the analysis and density that follow from those of the parts.

Mass is conserved: with parts of weight w and percents p the blend holds sum(w p) / sum(w) percent.
Parts by volume weigh volume x density. The density of a liquid blend is its weight over the sum of
its volumes, unless the load ticket gives it.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from typing import Any

from vrx.errors import RuleError
from vrx.model import Finding, Material, MaterialFacts, note, warn
from vrx.products.materials_form import NUTRIENT_KEYS, grade_in

OWN_RULES = Path(__file__).with_name("mixing.toml")
GRADE_SLACK_PCT = 0.5
"""A grade in a blend's id is rounded to whole percents on labels, so half a percent is allowed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Blend:
    """A mix as it is asked for: `parts` are (material, parts), `by` is "weight" or "volume"."""

    id: str
    parts: tuple[tuple[str, float], ...]
    code: str = "BLND"
    by: str = "weight"
    density_lb_per_gal: float | None = None


def mix(
    blend: Blend, materials: Mapping[str, Material], *, where: str
) -> tuple[Material, tuple[Finding, ...]]:
    """The blend as a material, and what is to be told of it.

    Raises `RuleError` for a part that is unknown or given twice, parts by volume of dry materials,
    dry and liquid in one mix, elemental S with another form of S, a pair that must not be mixed,
    and a grade in the id that the parts do not give.
    """
    parts = _parts(blend, materials, where=where)
    found = list(_pairs(parts, where=where))
    weights = [count * (one.lb_per_unit if blend.by == "volume" else 1.0) for one, count in parts]
    total = sum(weights)
    pct = {
        name: sum(w * float(getattr(one, key)) for w, (one, _) in zip(weights, parts, strict=True))
        / total for name, key in NUTRIENT_KEYS.items()
    }
    _same_grade(blend, pct, where=where)
    liquid = parts[0][0].form == "liquid"
    own = blend.density_lb_per_gal
    if own is not None and not liquid:
        raise _refused(f"density {own:g} lb/gal does not fit a dry blend", where=where,
                       hint="take density_lb_per_gal out")
    density = None
    if liquid:
        volume = sum(w / one.lb_per_unit for w, (one, _) in zip(weights, parts, strict=True))
        density = total / volume if own is None else own
        if own is None:
            found.append(_note_of("blend-density", where, "volumes", f"{density:.2f} lb/gal",
                               todo="take the density from the load ticket (density_lb_per_gal)"))
        found.append(_note_of("blend-jar", where, "jar", ""))
    else:
        found.append(_note_of("blend-segregation", where, "segregation", _bulks(parts)))
    shares = tuple((one.id, w / total) for w, (one, _) in zip(weights, parts, strict=True))
    return Material(
        id=blend.id, code=blend.code, form=parts[0][0].form, n_pct=pct["N"], p2o5_pct=pct["P2O5"],
        k2o_pct=pct["K2O"], s_pct=pct["S"], mg_pct=pct["Mg"], cl_pct=pct["Cl"],
        density_lb_per_gal=density, s_form=_s_form([one for one, _ in parts], where=where),
        # What is told of the mix stays with it, also where a list of materials holds it.
        cautions=tuple(dict.fromkeys((
            *(one.what for one in found),
            *(f"{one.id}: {text}" for one, _ in parts for text in one.cautions)))),
        evidence=_evidence(parts, own=own is not None),
        source="blend of " + ", ".join(f"{100 * share:.4g} % {name}" for name, share in shares)
        + " by weight" + ("; volumes taken to add up" if liquid and own is None else ""),
        more=_facts([one for one, _ in parts]), parts=shares,
    ), tuple(found)


def _parts(
    blend: Blend, materials: Mapping[str, Material], *, where: str
) -> list[tuple[Material, float]]:
    plain = {_plain(name): one for name, one in materials.items()}
    if len(blend.parts) < 2:
        raise _refused("a blend has two parts or more", where=where,
                       hint="name the material itself in the pass")
    found: list[tuple[Material, float]] = []
    for name, count in blend.parts:
        one = plain.get(_plain(name))
        if one is None:
            near = difflib.get_close_matches(_plain(name), plain, n=1, cutoff=0.4)
            raise _refused(f"part {name!r} is no material that stands before it", where=where,
                           hint=f"nearest: {plain[near[0]].id}" if near else
                           "`vrx materials` lists them")
        if one.id in [known.id for known, _ in found]:
            raise _refused(f"part {one.id!r} is given twice", where=where,
                           hint="add its parts together")
        if not count > 0:
            raise _refused(f"part {one.id!r} has {count:g} parts", where=where,
                           hint="give parts above 0, or leave the material out")
        found.append((one, count))
    forms = {one.form for one, _ in found}
    if len(forms) > 1:
        raise _refused("dry and liquid materials in one blend", where=where,
                       hint="what dissolves is known to the maker only: give the solution as a"
                            " material of your own, with its analysis and density")
    if blend.by == "volume" and "dry" in forms:
        raise _refused("parts by volume of dry materials", where=where,
                       hint='dry materials are blended by weight: by = "weight"')
    return found


def _same_grade(blend: Blend, pct: Mapping[str, float], *, where: str) -> None:
    keys = {"n": "N", "p2o5": "P2O5", "k2o": "K2O", "s": "S", "mg": "Mg"}
    for part, said in grade_in(blend.id).items():
        holds = pct[keys[part]]
        if abs(said - holds) > GRADE_SLACK_PCT + 1e-9:
            raise _refused(f"the id says {said:g} % {keys[part]}, the parts give {holds:.2f} %",
                           where=where, hint="correct the parts, or the grade in the id")


def _s_form(parts: Sequence[Material], *, where: str) -> str:
    forms = {one.s_form for one in parts if one.s_form}
    if "elemental" in forms and len(forms) > 1:
        raise _refused("elemental S with S that serves this season", where=where,
                       hint="only part of its S would count for this season's need: spread the"
                            " elemental S in a pass of its own")
    # Thiosulfate asks for more care than sulfate, so it names a mix of the two.
    return "thiosulfate" if "thiosulfate" in forms else next(iter(forms), "")


def _pairs(parts: Sequence[tuple[Material, float]], *, where: str) -> list[Finding]:
    """Findings for pairs that are better not mixed; raises for those that must not be."""
    found = []
    for (one, _), (other, _) in combinations(parts, 2):
        for rule in incompatible(one, other):
            words = f"{one.id} with {other.id}: {rule['text']} ({_cite(rule)})"
            if rule["weight"] == "stop":
                raise _refused(words, where=where, hint="apply them in passes of their own")
            found.append(warn("blend-pair", where, words, done="the blend is kept",
                              todo="apply them in passes of their own, or test a jar of the mix"))
    return found


def incompatible(one: Material, other: Material) -> tuple[Mapping[str, str], ...]:
    """Rules of `mixing.toml` that two materials in one mix meet."""
    first, second = ({material.s_form, *material.more.holds} for material in (one, other))
    return tuple(
        rule for rule in _rules()["pair"]
        if rule.get("form", one.form) == one.form
        and ((rule["a"] in first and rule["b"] in second)
             or (rule["b"] in first and rule["a"] in second))
    )


def _bulks(parts: Sequence[tuple[Material, float]]) -> str:
    known = [f"{one.id} {one.more.bulk_lb_per_ft3[0]:g} to {one.more.bulk_lb_per_ft3[1]:g} lb/ft3"
             for one, _ in parts if one.more.bulk_lb_per_ft3 is not None]
    return "; ".join(known)


def _evidence(parts: Sequence[tuple[Material, float]], *, own: bool) -> str:
    """"computed", and what of the parts is from memory, so that it is told with the blend."""
    pieces = {"analysis": "computed from its parts"}
    if parts[0][0].form == "liquid":
        pieces["density"] = "user" if own else "computed from its parts"
    for name in pieces:
        if name == "density" and own:
            continue
        weak = [one.id for one, _ in parts if f"{name}: from memory" in one.evidence]
        if weak:
            pieces[name] = "from memory"
    return "; ".join(f"{name}: {text}" for name, text in pieces.items())


def _facts(parts: Sequence[Material]) -> MaterialFacts:
    """Every ban of a part is a ban of the blend; figures of one part are not the blend's."""
    outs = [one for one in parts if one.more.salt_out_below_f is not None]
    warmest = max(outs, key=lambda one: one.more.salt_out_below_f or 0.0, default=None)
    return MaterialFacts(
        not_for=tuple(dict.fromkeys(use for one in parts for use in one.more.not_for)),
        holds=tuple(dict.fromkeys(word for one in parts for word in one.more.holds)),
        s_available="; ".join(f"{one.id}: {one.more.s_available}" for one in parts
                              if one.more.s_available),
        salt_out_below_f=None if warmest is None else warmest.more.salt_out_below_f,
        salt_out_source="" if warmest is None else
        f"that of {warmest.id}, a mix may differ; {warmest.more.salt_out_source}",
    )


def _note_of(code: str, where: str, rule: str, value: str, todo: str = "") -> Finding:
    entry = _rules()[rule]
    return note(code, where, f"{entry['text']} ({_cite(entry)})", value=value, todo=todo)


def _cite(entry: Mapping[str, str]) -> str:
    if entry["source"].startswith(entry["evidence"]):
        return entry["source"]
    return f"{entry['evidence']}: {entry['source']}"


@lru_cache(maxsize=1)
def _rules() -> dict[str, Any]:
    return tomllib.loads(OWN_RULES.read_text(encoding="utf-8"))


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def _refused(what: str, *, where: str, hint: str) -> RuleError:
    return RuleError(what, code="blend-parts", where=where, hint=hint)
