"""What a yield function says beside the plan: the rate that pays most, zone by zone."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import numpy as np

from vrx import intake, trials
from vrx.errors import PlanError
from vrx.model import (
    Finding,
    Prescription,
    Response,
    ResponseSaid,
    ResponseZone,
    Zones,
    note,
    warn,
)
from vrx.plan import Plan, ResponseSection

_NUTRIENT = {"potassium": "K2O", "sulfur": "S"}


def trial_files(plan: Plan) -> list[str]:
    """Tables of trials that the plan names, relative to it."""
    return [one.trial.file for one in _sections(plan).values() if one.trial is not None]


def _sections(plan: Plan) -> Mapping[str, ResponseSection]:
    if plan.response is None:
        return {}
    both = {"potassium": plan.response.potassium, "sulfur": plan.response.sulfur}
    return {name: one for name, one in both.items() if one is not None}


def read_responses(
    plan: Plan, *, folder: Path, made: Zones, planned: Prescription
) -> tuple[tuple[ResponseSaid, ...], tuple[Finding, ...]]:
    """What each function of `[response]` says, and findings.

    Raises a `VrxError` for figures that are no function, a trial that cannot be read, a zone that
    does not exist, and a price that nothing gives.
    """
    said, findings = [], []
    for name, told in _sections(plan).items():
        one, found = _say(name, told, folder=folder, made=made, planned=planned,
                          season=plan.field.season)
        said.append(one)
        findings += found
    return tuple(said), tuple(findings)


def _say(
    name: str, told: ResponseSection, *, folder: Path, made: Zones, planned: Prescription,
    season: int,
) -> tuple[ResponseSaid, list[Finding]]:
    where = f"[response.{name}]"
    nutrient = _NUTRIENT[name]
    response, why, form, findings = _function(nutrient, told, where=where, folder=folder,
                                              season=season)
    usd_per_lb, words = _price(nutrient, told, planned, where=where)
    usd_per_ton = told.hay_usd_per_ton * (
        (1.0 - told.moisture_pct / 100.0) / (1.0 - told.hay_moisture_pct / 100.0))
    best = least = None
    curve: tuple[tuple[float, float], ...] = ()
    zones: tuple[ResponseZone, ...] = ()
    if response is not None:
        best = trials.best_rate(response, tons_per_lb=usd_per_lb / usd_per_ton)
        least = trials.least_sensible_rate(
            response, usd_per_lb=usd_per_lb, usd_per_ton=usd_per_ton,
            fixed_usd_per_ac=told.trip_usd_per_ac)
        curve = _curve(response)
        zones = _zones(nutrient, told, response, best=best.rate_lb_per_ac, usd_per_lb=usd_per_lb,
                       usd_per_ton=usd_per_ton, made=made, planned=planned, where=where)
        findings += _remarks(response, best.edge, best.rate_lb_per_ac, zones, where=where)
    return ResponseSaid(
        nutrient=nutrient, response=response, why=why, equation=trials.EQUATIONS[form],
        usd_per_lb=usd_per_lb, price_words=words, usd_per_ton=usd_per_ton,
        moisture_pct=told.moisture_pct, trip_usd_per_ac=told.trip_usd_per_ac, best=best,
        least_sensible=least, curve=curve, zones=zones,
    ), findings


def _function(
    nutrient: str, told: ResponseSection, *, where: str, folder: Path, season: int
) -> tuple[Response | None, str, str, list[Finding]]:
    """The function (None where a trial shows nothing, with why), its form, findings."""
    if told.published is not None:
        one = trials.published_response(told.published, where=where)
        if one.nutrient != nutrient:
            raise PlanError(f"published = {told.published!r} is a response to {one.nutrient}",
                            code="response-nutrient", where=where,
                            hint=f"name one of {nutrient}, or leave the section out")
        if told.p2o5_lb_per_ac is None:
            raise PlanError(f"{one.id} also needs {one.beside}", code="response-beside",
                            where=where, hint="give the P2O5 that the field gets, lb/ac")
        found = one.at(told.p2o5_lb_per_ac, where=where)
        return found, "", found.form, [warn(
            "response-published", where, f"{one.title}: {found.evidence}",
            done="shown beside the plan; it moves no rate",
            todo="a response belongs to its soil, climate and year: trust strips of your own more")]
    form = told.form or ""
    if told.trial is None:
        found = Response(
            nutrient=nutrient, form=form, terms=MappingProxyType(told.terms()),
            least=told.least_lb_per_ac or 0.0, most=told.most_lb_per_ac or 0.0,
            source=told.source or "", evidence="user")
        trials.check_response(found, where=where)
        return found, "", form, []
    trial = told.trial
    plots = intake.read_trial(folder / trial.file, intake.TrialSpec(
        **trial.model_dump(exclude={"file"})), season=season)
    fit = trials.fit_response(plots.lb_per_ac, plots.tons_per_ac, form=form, nutrient=nutrient,
                              source=told.source or "", where=f"{where}, {trial.file}")
    what = f"{trial.file}: {fit.plots} plots, {form}, F {fit.f:.3g}, p {fit.p:.2g}"
    findings = [*plots.findings]
    if fit.response is None:
        findings.append(warn("response-none", where, f"{what}; {fit.why}",
                             done="no rate is called the one that pays",
                             todo="more plots or wider rates, if the question is worth them"))
    else:
        terms = ", ".join(f"{key} {value:.5g}" for key, value in fit.terms.items())
        findings.append(note("response-fitted", where, f"{what}; {terms}",
                             done="shown beside the plan; it moves no rate"))
    return fit.response, fit.why, form, findings


def _price(
    nutrient: str, told: ResponseSection, planned: Prescription, *, where: str
) -> tuple[float, str]:
    if told.usd_per_lb is not None:
        return told.usd_per_lb, "as the plan states it"
    lines = [(line.k2o_lb if nutrient == "K2O" else line.s_lb, line) for line in planned.order
             if line.usd is not None]
    amount, line = max(lines, key=lambda one: one[0], default=(0.0, None))
    if line is None or line.usd is None or amount <= 0:
        raise PlanError(f"no price tells what a lb of {nutrient} costs", code="response-price",
                        where=where, hint="give usd_per_lb, or the price of what brings it")
    return line.usd / amount, f"{line.material} of the order, all of its price on {nutrient}"


def _curve(response: Response) -> tuple[tuple[float, float], ...]:
    # Closer where functions bend most: near the least rate.
    rates = response.least + (response.most - response.least) * np.linspace(0.0, 1.0, 121) ** 2
    tons = trials.yield_at(response, rates)
    return tuple((float(x), float(y)) for x, y in zip(rates, tons, strict=True))


def _zones(
    nutrient: str, told: ResponseSection, response: Response, *, best: float, usd_per_lb: float,
    usd_per_ton: float, made: Zones, planned: Prescription, where: str,
) -> tuple[ResponseZone, ...]:
    letters = [zone.letter for zone in made.zones]
    strangers = [one for one in told.zones if one not in letters]
    if strangers:
        raise PlanError(f"zones names {strangers[0]!r}", code="response-zone", where=where,
                        hint=f"the zones are {', '.join(letters)}")
    balance = next((one for one in planned.balances if one.nutrient == nutrient), None)
    brought = np.zeros(len(letters)) if balance is None else balance.brought
    top = float(trials.yield_at(response, best))
    rows = []
    for k, zone in enumerate(made.zones):
        if told.zones and zone.letter not in told.zones:
            continue
        rate = float(brought[k])
        tons = float(trials.yield_at(response, rate))
        short = top - tons
        rows.append(ResponseZone(
            zone_id=zone.zone_id, letter=zone.letter, brought_lb_per_ac=rate, best_lb_per_ac=best,
            tons_per_ac=tons, tons_short=short,
            usd_per_ac_apart=short * usd_per_ton + (rate - best) * usd_per_lb))
    return tuple(rows)


def _remarks(
    response: Response, edge: str, best: float, zones: tuple[ResponseZone, ...], *, where: str
) -> list[Finding]:
    findings = []
    if edge:
        findings.append(note(
            "response-edge", where, f"the rate that pays most is the {edge} that was tried, "
            f"{best:.0f} lb/ac, or lies beyond", done="held there: nothing is known beyond"))
    beyond = [one.letter for one in zones if one.brought_lb_per_ac > response.most * (1 + 1e-9)]
    if beyond:
        findings.append(note(
            "response-beyond", where, f"the plan brings more than was tried ({response.most:g} "
            f"lb/ac) in zone {', '.join(beyond)}",
            done="the yield there is taken as that of the highest rate tried"))
    return findings
