"""What the user must be told about a season plan: per pass, and over all passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from vrx.model import CropTruth, Finding, FloatArray, PassPlan, note, stop, warn
from vrx.products.limiting import TINY, zone_list
from vrx.products.limits import Limits, RuleOfThumb
from vrx.products.requests import NUTRIENTS, WHAT_IS_LEFT, Checked


def is_late_s(one: Checked) -> bool:
    """Elemental S that is asked to meet this season's S need."""
    return (one.material.s_form == "elemental" and one.serves == "S"
            and one.request.kind != "fixed")


def late_s(one: Checked) -> Finding:
    """The stop for it."""
    return stop("pass-elemental-s", one.where,
                f"{one.material.id} cannot meet this season's S need: it must first oxidise in the"
                " soil, which takes months", done="no rate planned",
                todo="choose a sulfate or thiosulfate; elemental S only as a fixed pass for later"
                     " years")


def step_assumed(one: Checked, rule: RuleOfThumb) -> Finding:
    """The machine's step was not given."""
    return note("pass-step-assumed", one.where, "the plan gives no rate step of the machine",
                value=f"{rule.value:g}", done=f"steps of {rule.value:g} {rule.unit} assumed",
                todo="give the step that the controller can set")


def about_need(
    one: Checked, *, need: Mapping[str, FloatArray], left_before: FloatArray,
    planned: FloatArray, zone_names: Sequence[str], area: FloatArray,
) -> list[Finding]:
    """How the pass stands to the need that it serves."""
    request = one.request
    if request.kind == "fixed":
        return _fixed_beyond(one, need=need, left_before=left_before, planned=planned)
    if is_late_s(one):
        return []
    out: list[Finding] = []
    if not (left_before > 0).any():
        covered = bool((need[one.serves] > 0).any())
        why = (f"the {one.serves} need is already met by the passes before it" if covered
               else f"no {one.serves} needed in any zone")
        out.append(note(f"pass-no-{one.serves.lower()}-needed", one.where, f"{why}: none bought",
                        value="0", done="the pass stays in the plan at rate 0"))
    dry = (left_before <= 0) & (planned > 0)
    if dry.any():
        out.append(note("pass-flat-beyond-need", one.where,
                        f"one rate for all, also where the {one.serves} need is 0:"
                        f" {zone_list(zone_names, dry, planned)}",
                        value=f"{float(planned[dry] @ area[dry]):.6g} {one.unit}",
                        todo="ask for a variable rate where the machine can follow it"))
    return out


def _fixed_beyond(
    one: Checked, *, need: Mapping[str, FloatArray], left_before: FloatArray, planned: FloatArray
) -> list[Finding]:
    """A rate set by hand may bring what nothing needs, above all S where water brings enough."""
    out: list[Finding] = []
    top = float(planned.max(initial=0.0))
    if top <= 0:
        return out
    for nutrient, wanted in need.items():
        brings = top * one.material.nutrient_lb_per_unit(nutrient)
        if brings > TINY and not (wanted > 0).any():
            out.append(warn(f"pass-beyond-need-{nutrient.lower()}", one.where,
                            f"no zone needs {nutrient}; this fixed pass brings {brings:.1f} lb"
                            f" {nutrient}/ac beyond the need", value=f"{brings:.6g} lb/ac",
                            done="kept as asked",
                            todo="leave the pass out, or keep it for a reason that you write down"))
    if one.material.s_form == "elemental":
        out.append(warn("pass-elemental-s-not-counted", one.where,
                        f"{top * one.material.nutrient_lb_per_unit('S'):.1f} lb/ac of elemental S"
                        " serve later years, if any",
                        done="counted against the S ceiling, not towards this season's need"))
    elif one.serves in need and (need[one.serves] > 0).any() and not (left_before > 0).any():
        out.append(warn("pass-fixed-on-top", one.where,
                        f"passes before it already bring the whole {one.serves} need",
                        done="kept as asked", todo="leave it out, or lower an earlier pass"))
    return out


def about_material(
    one: Checked, *, planned: FloatArray, area: FloatArray, limits: Limits,
    crop_truth: CropTruth | None,
) -> list[Finding]:
    """What the material brings along, and how sure its numbers are."""
    top, total = float(planned.max(initial=0.0)), float(planned @ area)
    material, out = one.material, list[Finding]()
    if top <= 0:
        return out
    n, cl = (material.nutrient_lb_per_unit(name) for name in ("N", "Cl"))
    if n > 0:
        out.append(warn("pass-nitrogen", one.where,
                        f"{material.id} brings up to {top * n:.1f} lb N/ac ({total * n:,.0f} lb in"
                        " all): no value to nodulated alfalfa", value=f"{top * n:.6g} lb N/ac",
                        todo="compare the price per lb S with the N at nothing"))
    if cl > 0:
        out.append(note("pass-chloride", one.where,
                        f"{material.id} brings up to {top * cl:.0f} lb Cl/ac",
                        value=f"{top * cl:.6g} lb Cl/ac",
                        todo="weigh it where water or soil is already salty"))
    if "density: from memory" in material.evidence:
        out.append(note("pass-density-from-memory", one.where,
                        f"{material.density_lb_per_gal:g} lb/gal for {material.id} is from memory,"
                        " check your guide",
                        todo="take the density from the load ticket (density_lb_per_gal)"))
    if material.s_form == "thiosulfate":
        out.append(_small_share(one, planned=planned, area=area, limits=limits,
                                crop_truth=crop_truth))
    if one.serves == "S" and material.k2o_pct > 0 and one.request.kind != "fixed":
        k2o = material.nutrient_lb_per_unit("K2O")
        out.append(note("pass-k2o-on-top", one.where,
                        f"serves S and brings up to {top * k2o:.1f} lb K2O/ac ({total * k2o:,.0f}"
                        " lb in all) on top of the K2O need", value=f"{top * k2o:.6g} lb K2O/ac",
                        done="not taken off the K2O passes, which come first",
                        todo="make it a fixed pass to have its K2O credited, or plan all passes"
                             " together ([season_plan])"))
    return out


def _small_share(
    one: Checked, *, planned: FloatArray, area: FloatArray, limits: Limits,
    crop_truth: CropTruth | None,
) -> Finding:
    """What a pass of thiosulfate brings, against what the crop takes up."""
    total = float(area.sum())
    # Whatever the machine's BLAS leaves in the last digit must not turn 15.25 into 15.3.
    rate = round(float(planned @ area) / total, 9) if total > 0 else 0.0
    parts = []
    for name in NUTRIENTS:
        brings = rate * one.material.nutrient_lb_per_unit(name)
        if brings <= 0:
            continue
        if crop_truth is not None:
            takes = (crop_truth.takes_up_k2o_lb_per_ac if name == "K2O"
                     else crop_truth.takes_up_s_lb_per_ac)
            share = f" ({100 * brings / takes:.0f} %)" if takes > 0 else ""
            parts.append(f"{brings:.1f} lb {name}/ac of the {takes:.0f} lb that the crop takes"
                         f" up{share}")
        else:
            rule = limits.uptake_k2o_per_ton if name == "K2O" else limits.uptake_s_per_ton
            parts.append(f"{brings:.1f} lb {name}/ac, what {brings / rule.value:.2f} ton of hay"
                         " takes up")
    source = crop_truth.takes_up_source if crop_truth else limits.uptake_k2o_per_ton.cite()
    return note("pass-small-share", one.where,
                f"{rate:.4g} {one.material.unit} of {one.material.id} brings {' and '.join(parts)}"
                f" ({source})", value=f"{rate:.6g} {one.material.unit}")


def with_season(
    plans: Sequence[PassPlan], *, checked: Sequence[Checked], zone_names: Sequence[str],
    area: FloatArray, needs: Mapping[str, FloatArray], limits: Limits, k2o_split: float,
    s_most: float | None,
) -> tuple[PassPlan, ...]:
    """The plans with findings on K2O per pass, and on the season (on the last pass)."""
    told = [_split(plan, zone_names=zone_names, limits=limits, k2o_split=k2o_split)
            for plan in plans]
    if not told:
        return ()
    season = [*_shares_left(checked, needs), *_season_k2o(told, zone_names, limits),
              *_season_chloride(told, zone_names, limits),
              *_season_s(told, zone_names, limits, s_most), *_same_liquid(checked)]
    told[-1] = replace(told[-1], findings=(*told[-1].findings, *season))
    return tuple(told)


def _split(
    plan: PassPlan, *, zone_names: Sequence[str], limits: Limits, k2o_split: float
) -> PassPlan:
    k2o = plan.planned * plan.material.nutrient_lb_per_unit("K2O")
    over = k2o > k2o_split + TINY
    if not over.any():
        return plan
    cite = (limits.k2o_per_pass.cite() if k2o_split == limits.k2o_per_pass.value
            else "limit given by the user")
    found = warn("pass-k2o-split", f"pass {plan.pass_id}",
                 f"{zone_list(zone_names, over, np.round(k2o, 1))} above {k2o_split:g} lb K2O/ac in"
                 f" one pass ({cite})", value=f"{float(k2o.max()):.6g} lb K2O/ac",
                 done="kept as planned",
                 todo="split it: after the first cutting and, in cold climates, 4 to 6 weeks before"
                      " killing frost")
    return replace(plan, findings=(*plan.findings, found))


def _season_k2o(
    plans: Sequence[PassPlan], zone_names: Sequence[str], limits: Limits
) -> list[Finding]:
    k2o = _brought(plans, "K2O")
    rule = limits.k2o_per_season
    over = k2o > rule.value + TINY
    if not over.any():
        return []
    return [warn("pass-k2o-season", "season",
                 f"{zone_list(zone_names, over, np.round(k2o, 1))} above {rule.value:g} lb K2O/ac"
                 f" in one season ({rule.cite()})", value=f"{float(k2o.max()):.6g} lb K2O/ac",
                 done="kept as planned",
                 todo="where build-up is part of it, spread it over more years; test the hay for"
                      " K")]


def _season_chloride(
    plans: Sequence[PassPlan], zone_names: Sequence[str], limits: Limits
) -> list[Finding]:
    salted = [plan for plan in plans if plan.material.cl_pct > 0]
    rule = limits.chloride_k2o_per_season
    if not salted:
        return []
    k2o = _brought(salted, "K2O")
    over = k2o > rule.value + TINY
    if not over.any():
        return []
    return [warn("pass-chloride-season", "season",
                 f"{zone_list(zone_names, over, np.round(k2o, 1))} above {rule.value:g} lb K2O/ac"
                 f" from potassium chloride in one season ({rule.cite()})",
                 value=f"{float(k2o.max()):.6g} lb K2O/ac", done="kept as planned",
                 todo="lower the rate, or bring part of the K2O with another material")]


def _season_s(
    plans: Sequence[PassPlan], zone_names: Sequence[str], limits: Limits, s_most: float | None
) -> list[Finding]:
    s = _brought(plans, "S")
    rule = limits.s_per_season
    over = s > rule.value + TINY
    if not over.any():
        return []
    own = "no S ceiling is set" if s_most is None else f"your own ceiling is {s_most:g}"
    return [warn("pass-s-season", "season",
                 f"{zone_list(zone_names, over, np.round(s, 1))} above {rule.value:g} lb S/ac in"
                 f" one season ({rule.cite()}); {own}", value=f"{float(s.max()):.6g} lb S/ac",
                 done="kept as planned",
                 todo="bring the K2O with a material without S, or write down the reason")]


def _brought(plans: Sequence[PassPlan], nutrient: str) -> FloatArray:
    total = np.zeros_like(plans[0].planned)
    for plan in plans:
        total = total + plan.planned * plan.material.nutrient_lb_per_unit(nutrient)
    return total


def _shares_left(checked: Sequence[Checked], needs: Mapping[str, FloatArray]) -> list[Finding]:
    out: list[Finding] = []
    for nutrient in NUTRIENTS:
        shares = [one.request.share_of_need for one in checked
                  if one.serves == nutrient and one.request.kind != "fixed"]
        total = sum(share for share in shares if not isinstance(share, str))
        if (shares and WHAT_IS_LEFT not in shares and total < 1 - 1e-9
                and (needs[nutrient] > 0).any()):
            out.append(warn("pass-shares", "season",
                            f"the passes serve {100 * total:.0f} % of the {nutrient} need that"
                            " fixed passes leave", value=f"{total:.6g}",
                            todo='raise a share, or give one pass "what is left"'))
    return out


def _same_liquid(checked: Sequence[Checked]) -> list[Finding]:
    seen: dict[str, list[Checked]] = {}
    for one in checked:
        if one.material.form == "liquid" and one.request.label_most is not None:
            seen.setdefault(one.material.id, []).append(one)
    return [note("pass-season-label-unknown", "season",
                 f"{len(passes)} passes of {name} and no season maximum of the label",
                 todo="read the label for one and give label_most_season_gal_per_ac")
            for name, passes in seen.items()
            if len(passes) > 1
            and all(one.request.label_most_season is None for one in passes)]
