"""What the plan asks of each pass, and whether it can be asked."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from vrx.errors import PlanError, PlanInfeasible, VrxError
from vrx.model import Finding, FloatArray, Material, stop
from vrx.products.materials import find_material

METHODS = ("broadcast", "band", "through irrigation")
KINDS = ("variable", "flat", "fixed")
BELOW_LEAST = ("nearest", "raise", "off")
NUTRIENTS = ("K2O", "S")
WHAT_IS_LEFT: Literal["what is left"] = "what is left"

_DENSITY_APART = 1.2
"""How far a load ticket may lie from the list's density: the same grade is never so far (ours)."""

_OUT_OF_SEASON = re.compile(
    r"\bdormant|late fall|late autumn|winter|pre-?plant|before (seeding|planting)|establishment",
    re.IGNORECASE,
)
_IN_SEASON = re.compile(r"\bstubble|cutting|regrowth|in season", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class PassRequest:
    """One pass over the field as the plan asks for it; rates are lb/ac (dry) or gal/ac (liquid).

    `kind` is "variable" (by zone from the need), "flat" (one rate from the need's area-weighted
    mean) or "fixed" (the user's `fixed_rate`, or `zone_rates`, one a zone). `serves` is "K2O" or
    "S"; a fixed pass may leave it "" and then serves K2O if its material brings any.
    `share_of_need` is above 0 and at most 1, or "what is left"; it does not count for a fixed pass.
    `label_most` and `label_most_season` come from the product label: per pass, and over the
    season's passes of that material. `least`, `most`, `step` and `below_least` belong to the
    machine. `treated_ac` are the acres that really receive a flat or fixed pass; through irrigation
    either it or `treated_is_prescription` must be set. `density_lb_per_gal` (from the load ticket)
    replaces the list's density of a liquid. `wetted_ac` are the acres that a pivot wets with each
    zone's rate, where its sectors are the zones: only so can what is injected vary.
    """

    pass_id: str
    number: int
    timing: str
    method: str
    material: str
    kind: str
    serves: str = ""
    share_of_need: float | Literal["what is left"] = WHAT_IS_LEFT
    fixed_rate: float | None = None
    zone_rates: tuple[float, ...] | None = None
    label_most: float | None = None
    label_most_season: float | None = None
    treated_ac: float | None = None
    treated_is_prescription: bool = False
    least: float | None = None
    most: float | None = None
    step: float | None = None
    below_least: str = "nearest"
    density_lb_per_gal: float | None = None
    wetted_ac: tuple[float, ...] | None = None

    @property
    def in_season(self) -> bool:
        """Whether the pass meets a growing crop, read from `timing`.

        Stubble, cuttings and regrowth are in season, and so is every timing that does not say
        dormant, late fall, winter, preplant or establishment: the careful reading.
        """
        return bool(_IN_SEASON.search(self.timing)) or not _OUT_OF_SEASON.search(self.timing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A request that can be planned, with its material and what it serves."""

    request: PassRequest
    material: Material
    serves: str

    @property
    def where(self) -> str:
        """How findings name the pass."""
        return f"pass {self.request.pass_id}"

    @property
    def unit(self) -> str:
        """"lb" or "gal"."""
        return self.material.unit.removesuffix("/ac")

    @property
    def brings(self) -> float:
        """lb of the nutrient it serves in one unit of material."""
        return self.material.nutrient_lb_per_unit(self.serves)


def check_requests(
    requests: Sequence[PassRequest],
    *,
    materials: Mapping[str, Material],
    needs: Mapping[str, FloatArray],
) -> tuple[Checked, ...]:
    """The requests with their materials, by number.

    Raises one `PlanError` that lists everything wrong (also as stop findings), or `PlanInfeasible`
    where nothing but contradicting limits is wrong.
    """
    problems: list[Finding] = []
    impossible: list[Finding] = []
    checked: list[Checked] = []
    for request in sorted(requests, key=lambda item: item.number):
        try:
            one = _resolve(request, materials)
        except VrxError as error:
            problems.append(stop(error.code, error.where, error.message, todo=error.hint))
            continue
        wrong = [*_numbers(one), *_kind(one, needs), *_label(one), *_water(one)]
        problems += wrong
        if not wrong:
            impossible += _contradictions(one)
        checked.append(one)
    problems += _together(checked, requests)
    everything = [*problems, *impossible]
    if everything:
        kind = PlanError if problems else PlanInfeasible
        raise kind(
            "; ".join(f"{item.where}: {item.what}" for item in everything),
            code=everything[0].code, where="", findings=everything,
            hint="; ".join(dict.fromkeys(item.todo for item in everything if item.todo)),
        )
    return tuple(checked)


def _resolve(request: PassRequest, materials: Mapping[str, Material]) -> Checked:
    where = f"pass {request.pass_id}"
    _one_of(request.method, METHODS, key="method", where=where)
    _one_of(request.kind, KINDS, key="rate", where=where)
    _one_of(request.below_least, BELOW_LEAST, key="below_least", where=where)
    material = find_material(materials, request.material, where=where)
    own, listed = request.density_lb_per_gal, material.density_lb_per_gal
    if own is not None:
        if material.form != "liquid" or not (math.isfinite(own) and own > 0):
            raise PlanError(
                f"density {own:g} lb/gal does not fit {material.id} ({material.form})",
                code="pass-density", where=where, hint="a density above 0 belongs to a liquid",
            )
        if listed is not None and not 1 / _DENSITY_APART <= own / listed <= _DENSITY_APART:
            raise PlanError(
                f"density {own:g} lb/gal is too far from the {listed:g} lb/gal of {material.id}",
                code="pass-density", where=where,
                hint="give lb in a US gallon from the load ticket; a product of another strength"
                     " is a material of its own",
            )
        material = replace(
            material, density_lb_per_gal=own,
            evidence=re.sub(r"density: .*$", "density: user", material.evidence),
            source=f"{material.source}; density {own:g} lb/gal given by the user",
        )
    serves = request.serves
    if request.kind == "fixed" and not serves:
        serves = "K2O" if material.k2o_pct > 0 else "S"
    _one_of(serves, NUTRIENTS, key="serves", where=where)
    return Checked(request=request, material=material, serves=serves)


def _one_of(value: str, known: Sequence[str], *, key: str, where: str) -> None:
    if value not in known:
        raise PlanError(
            f"{key} = {value!r} is none of {', '.join(known)}", code="pass-value", where=where,
            hint=f"set {key} to one of {', '.join(known)}",
        )


def _key(one: Checked, name: str) -> str:
    return f"{name}_{one.unit}_per_ac"


def _numbers(one: Checked) -> list[Finding]:
    """Every number that is given is finite and makes sense on its own."""
    request = one.request
    given = {
        _key(one, "rate"): request.fixed_rate, _key(one, "label_most"): request.label_most,
        _key(one, "label_most_season"): request.label_most_season,
        "treated_ac": request.treated_ac, _key(one, "most"): request.most,
        _key(one, "step"): request.step,
    }
    bad = {key: value for key, value in given.items()
           if value is not None and not (math.isfinite(value) and value > 0)}
    if request.least is not None and not (math.isfinite(request.least) and request.least >= 0):
        bad[_key(one, "least")] = request.least
    if request.number < 1:
        bad["number"] = request.number
    return [stop("pass-value", one.where, f"{key} = {value:g} is not a number above 0",
                 todo=f"correct {key}") for key, value in bad.items()]


def _kind(one: Checked, needs: Mapping[str, FloatArray]) -> list[Finding]:
    request, material = one.request, one.material
    if request.zone_rates is not None:
        return _zone_rates(one)
    if request.kind == "fixed":
        if request.fixed_rate is None:
            key = _key(one, "rate")
            return [stop("pass-rate-missing", one.where, f"a fixed pass needs {key}",
                         todo=f"give {key}, or ask for a variable or flat rate")]
        return []
    out: list[Finding] = []
    if request.fixed_rate is not None:
        out.append(stop("pass-value", one.where,
                        f"a {request.kind} pass has a rate of its own ({request.fixed_rate:g})",
                        todo="leave the rate out, or make the pass fixed"))
    share = request.share_of_need
    known = (share == WHAT_IS_LEFT) if isinstance(share, str) else 0 < share <= 1
    if not known:
        out.append(stop("pass-share", one.where, f"share_of_need = {share!r}",
                        todo='give a share above 0 and at most 1, or "what is left"'))
    if one.brings <= 0:
        out.append(stop("pass-serves", one.where, f"{material.id} brings no {one.serves}",
                        todo="choose a material that brings it, or what the pass serves"))
    if one.serves not in needs:
        out.append(stop("pass-no-need", one.where,
                        f"the plan computes no need of {one.serves}",
                        todo=f"add the need of {one.serves}, or make the pass fixed"))
    if (request.treated_ac is not None and request.kind == "variable"
            and request.wetted_ac is None):
        out.append(stop("pass-treated", one.where,
                        "treated_ac belongs to a pass with one rate, this one is variable",
                        todo="leave treated_ac out, or ask for a flat or fixed rate"))
    return out


def _zone_rates(one: Checked) -> list[Finding]:
    """Rates that are given zone by zone: of a fixed pass without another rate, 0 or more."""
    request = one.request
    out: list[Finding] = []
    if request.kind != "fixed" or request.fixed_rate is not None:
        out.append(stop("pass-value", one.where, "has rates by zone and another rate too",
                        todo="keep one of them"))
    rates = request.zone_rates or ()
    if any(not (math.isfinite(rate) and rate >= 0) for rate in rates):
        out.append(stop("pass-value", one.where, "rates by zone are not all 0 or more",
                        todo="mend the rates in the file"))
    if len(set(rates)) > 1 and request.treated_ac is not None:
        out.append(stop("pass-treated", one.where, "treated_ac belongs to a pass with one rate",
                        todo="leave treated_ac out"))
    if len(set(rates)) > 1 and request.method == "through irrigation":
        out.append(stop("pass-irrigation-variable", one.where,
                        "injected water carries one rate; the file holds several",
                        todo="give one rate"))
    return out


def _label(one: Checked) -> list[Finding]:
    request = one.request
    liquid = one.material.form == "liquid"
    needed = liquid and (request.in_season or request.method == "through irrigation")
    if not needed or request.label_most is not None:
        return []
    key = _key(one, "label_most")
    return [stop("pass-label-missing", one.where,
                 f"{one.material.id} meets a growing crop ({request.timing}) and the plan does not"
                 f" give the label's maximum, {key}",
                 todo=f"read the product label and give {key}")]


def _water(one: Checked) -> list[Finding]:
    request = one.request
    if request.method != "through irrigation":
        return []
    out: list[Finding] = []
    if request.kind == "variable" and request.wetted_ac is None:
        out.append(stop("pass-irrigation-variable", one.where,
                        "injected water carries one rate; this pass asks for a variable one",
                        todo='set rate = "flat", or a fixed rate; by sectors of a pivot it can'
                             ' vary: zones from = "pivot sectors" and [irrigation.inject]'))
    if one.material.form != "liquid":
        out.append(stop("pass-irrigation-dry", one.where,
                        f"{one.material.id} is dry and cannot be injected",
                        todo="choose a liquid, or list the solution as a material of your own"))
    if (request.treated_ac is None and not request.treated_is_prescription
            and request.wetted_ac is None):
        out.append(stop("pass-treated-missing", one.where,
                        "irrigation wets more than the prescription (hollows, tracks, corners),"
                        " and the plan does not say how many acres",
                        todo='give treated_ac, the acres wetted, or treated_ac = "prescription"'
                             " where injector or nozzles shut off outside it, or describe the"
                             " system in [irrigation] with [irrigation.inject.<pass id>]"))
    if request.treated_ac is not None and request.treated_is_prescription:
        out.append(stop("pass-treated", one.where,
                        'acres and treated_ac = "prescription" contradict each other',
                        todo="keep one of them"))
    return out


def _contradictions(one: Checked) -> list[Finding]:
    request = one.request
    rate, label, least = request.fixed_rate, request.label_most, request.least
    if request.zone_rates:
        rate = max(request.zone_rates)
    out: list[Finding] = []
    if rate is not None and label is not None and rate > label:
        out.append(stop("pass-above-label", one.where,
                        f"the rate of {rate:g} {one.material.unit} is above the label's maximum"
                        f" {_key(one, 'label_most')} = {label:g}", todo="lower the rate"))
    tops = {_key(one, name): value for name, value in
            (("most", request.most), ("label_most", label)) if value is not None}
    for key, top in tops.items():
        if least is not None and least > top:
            out.append(stop("pass-limits", one.where,
                            f"{_key(one, 'least')} = {least:g} is above {key} = {top:g}"
                            f" ({one.material.id})",
                            todo="correct the limits, or use another machine"))
    return out


def _together(checked: Sequence[Checked], requests: Sequence[PassRequest]) -> list[Finding]:
    out: list[Finding] = []
    for name, values in (("id", [item.pass_id for item in requests]),
                         ("number", [item.number for item in requests])):
        out += [stop("pass-twice", f"pass {value}", f"the {name} {value} is given {times} times",
                     todo=f"give every pass its own {name}")
                for value, times in Counter(values).items() if times > 1]
    densities: dict[str, float | None] = {}
    for one in checked:
        first = densities.setdefault(one.material.id, one.material.density_lb_per_gal)
        if first != one.material.density_lb_per_gal:
            out.append(stop("pass-density", one.where,
                            f"{one.material.id} has two densities in one plan",
                            todo="give every pass of the material the same density"))
    for nutrient in NUTRIENTS:
        out += _shares([one for one in checked
                        if one.serves == nutrient and one.request.kind != "fixed"], nutrient)
    return out


def _shares(serving: Sequence[Checked], nutrient: str) -> list[Finding]:
    total, left_to = 0.0, ""
    for one in serving:
        share = one.request.share_of_need
        if isinstance(share, str):
            left_to = one.request.pass_id
            continue
        total += share
        if left_to:
            return [stop("pass-share", one.where,
                         f"pass {left_to} before it already takes what is left of {nutrient}",
                         todo='put the pass with "what is left" last')]
    if total > 1 + 1e-9:
        return [stop("pass-share", serving[-1].where,
                     f"the shares of the {nutrient} need add up to {total:g}, more than 1",
                     todo="lower the shares")]
    return []
