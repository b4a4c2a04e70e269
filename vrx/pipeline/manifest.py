"""The job record of a run: what went in, what came out, in numbers that an auditor recomputes."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import shapely

from vrx import __version__, geo
from vrx.model import (
    DepthProfile,
    ExportedFile,
    Field,
    Finding,
    Guide,
    InjectionSchedule,
    Job,
    Knowledge,
    LayerReading,
    PassRates,
    ResponseSaid,
    Surface,
    ZoneReading,
    Zones,
    ZoneTrend,
)
from vrx.pipeline.care_record import care_record
from vrx.pipeline.commit import json_bytes
from vrx.pipeline.edits_record import by_hand_record
from vrx.pipeline.machine_record import fit_record
from vrx.pipeline.money_record import money_record
from vrx.pipeline.need_record import comparison_json, need_json

SCHEMA = 1
_PINS = ("numpy", "scipy", "shapely", "pyproj", "pyogrio", "rasterio", "exactextract")


def library_versions(more: Sequence[str] = ()) -> dict[str, str]:
    """Versions of vrx and of the libraries that can move a number, or bytes (`more`)."""
    found = {"vrx": __version__}
    for name in (*_PINS, *more):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def run_name(identity: dict[str, Any]) -> str:
    """The run's name from what went in: the same inputs and versions give the same name."""
    return f"run-{hashlib.sha256(json_bytes(identity)).hexdigest()[:12]}"


def facts_of(identity: dict[str, Any], *, run: str) -> list[tuple[str, str]]:
    """The run's name and what went in as (name, text) pairs, for files that carry such facts."""

    def flat(value: Any, name: str) -> list[tuple[str, str]]:
        if isinstance(value, dict):
            return [one for key in sorted(value) for one in flat(value[key], f"{name}.{key}")]
        if isinstance(value, list | tuple):
            return [one for k, each in enumerate(value, 1) for one in flat(each, f"{name}.{k}")]
        return [(name, "" if value is None else str(value))]

    return [("run", run), *(one for key in sorted(identity) for one in flat(identity[key], key))]


def twelve_digits(value: Any) -> Any:
    """Round every float in a nest of dicts and lists to 12 significant digits."""
    if isinstance(value, dict):
        return {key: twelve_digits(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [twelve_digits(inner) for inner in value]
    if isinstance(value, float) and math.isfinite(value):
        return float(f"{value:.12g}")
    return value


def build(
    *, job: Job, identity: dict[str, Any], run: str, files: Sequence[ExportedFile],
    without_map: Mapping[str, tuple[float, float]] | None = None,
    default_rates: Mapping[str, float] | None = None,
) -> dict[str, Any]:
    """The manifest as plain JSON values; `identity` holds versions, plan, inputs and books.

    `without_map` are rates by pass outside the field and for a lost position, `default_rates`
    those of task data where no zone applies; 0 where left out.
    """
    off, default = without_map or {}, default_rates or {}
    zone_ids = [zone.zone_id for zone in job.zones.zones]
    manifest = {
        **identity,
        "schema": SCHEMA,
        "vrx": __version__,
        "run": run,
        "field": {**_field(job.field, job.zones), "crop": job.crop, "season": job.season},
        "zones": [
            {"zone_id": z.zone_id, "letter": z.letter, "area_ac": z.area_ac, "label": z.label}
            for z in job.zones.zones
        ],
        "zones_from": {
            "basis": job.zones.basis,
            "clusters": None if job.zones.clusters is None else asdict(job.zones.clusters),
        },
        "guides": [_guide(one) for one in job.guides],
        "passes": [_pass(one, zone_ids, (*off.get(one.pass_id, (0.0, 0.0)),
                                         default.get(one.pass_id, 0.0)))
                   for one in job.prescription.passes],
        "order": [asdict(line) for line in job.prescription.order],
        "nutrients": [
            {
                "nutrient": balance.nutrient,
                "zones": [
                    {"zone_id": i, "need_lb_per_ac": float(n), "brought_lb_per_ac": float(b)}
                    for i, n, b in zip(zone_ids, balance.need, balance.brought, strict=True)
                ],
            }
            for balance in job.prescription.balances
        ],
        "needs": [need_json(job, nutrient) for nutrient in job.needs],
        "guides_compared": [comparison_json(one, job.zones) for one in job.need_beside.comparisons],
        "irrigation": [_schedule(one) for one in job.irrigation],
        "readings": [_reading(one, zone_ids) for one in job.readings.values()],
        "trends": [_trend(one, zone_ids) for one in job.past.trends],
        "depth_profiles": [_profile(one, zone_ids) for one in job.past.profiles],
        "layers": [_layer(one, zone_ids) for one in job.layers],
        "maps": [_map(one) for one in job.surfaces.values()],
        "care": care_record(job),
        "money": money_record(job.money, zone_ids),
        "knowledge": [_known_of(one, zone_ids) for one in job.knowledge],
        "responses": [_response(one) for one in job.responses],
        "machine_fit": fit_record(job.fit),
        "files": [asdict(one) for one in files],
        "findings": findings(job.findings),
    }
    if job.prescription.mix is not None:
        manifest["season_plan"] = asdict(job.prescription.mix)
    rounded: dict[str, Any] = twelve_digits(manifest)
    return rounded


def findings(found: Sequence[Finding]) -> list[dict[str, str]]:
    """Findings as JSON values."""
    return [{**asdict(one), "severity": one.severity.value} for one in found]


def _guide(one: Guide) -> dict[str, Any]:
    return {
        "nutrient": one.nutrient, "id": one.id, "name": one.name, "source": one.source,
        "evidence": list(one.evidence), "reads": list(one.reads), "options": dict(one.options),
    }


def _field(field: Field, made: Zones) -> dict[str, Any]:
    # Zones have corners along the field's edges. An edge that is straight in the field's CRS bends
    # in degrees, so that such a corner may lie beyond the boundary's own bounds.
    corners = [geo.to_lonlat(zone.polygon, field.crs_centre) for zone in made.zones]
    return {
        "name": field.name,
        "area_ac": field.area_ac,
        "crs_centre": list(field.crs_centre),
        "bounds_deg": [float(one) for one in shapely.total_bounds(corners)],
    }


def _layer(one: LayerReading, zone_ids: Sequence[int]) -> dict[str, Any]:
    layer = one.layer
    zones = []
    for k, zone_id in enumerate(zone_ids):
        row: dict[str, Any] = {"zone_id": zone_id, "covered_share": _known(one.covered[k])}
        if one.codes:
            row["shares"] = {
                f"{code:g}": _known(one.shares[j, k]) for j, code in enumerate(one.codes)
            }
        else:
            row |= {"mean": _known(one.mean[k]), "least": _known(one.low[k]),
                    "greatest": _known(one.high[k])}
        zones.append(row)
    return {
        "name": layer.name, "kind": layer.kind, "unit": layer.unit, "source": layer.source,
        "covered_share": layer.covered_share, "yield_goal": one.for_yield, "zones": zones,
        "agreement": [asdict(each) for each in one.agreements],
    }


def _map(one: Surface) -> dict[str, Any]:
    return {
        "analyte": one.analyte, "unit": one.unit, "method": one.method, "cell_m": one.grid.cell_m,
        "drift": list(one.drift),
        "variogram": None if one.variogram is None else asdict(one.variogram),
        "variance_factor": one.variance_factor,
        "variogram_words": list(one.variogram_words),
        "scores": [asdict(score) for score in one.scores],
    }


def _known_of(one: Knowledge, zone_ids: Sequence[int]) -> dict[str, Any]:
    sure, not_sure, here = one.acres
    return {
        "analyte": one.analyte, "unit": one.unit, "critical": list(one.critical),
        "basis": one.basis, "sure_from": one.sure_from,
        "sure_ac": sure, "not_sure_ac": not_sure,
        "sample_here_ac": here if one.third_word else None,
        "zones": [
            {"zone_id": zone_id,
             "probability_below": [float(p) for p in one.zone_below[:, k]]}
            for k, zone_id in enumerate(zone_ids)
        ],
    }


def _response(one: ResponseSaid) -> dict[str, Any]:
    held = one.response
    return {
        "nutrient": one.nutrient, "equation": one.equation, "why_none": one.why,
        "function": None if held is None else {
            "form": held.form, "terms": dict(held.terms), "least_lb_per_ac": held.least,
            "most_lb_per_ac": held.most, "source": held.source, "evidence": held.evidence},
        "usd_per_lb": one.usd_per_lb, "price": one.price_words, "usd_per_ton": one.usd_per_ton,
        "moisture_pct": one.moisture_pct, "trip_usd_per_ac": one.trip_usd_per_ac,
        "best": None if one.best is None else asdict(one.best),
        "least_sensible_lb_per_ac": one.least_sensible,
        "zones": [asdict(zone) for zone in one.zones],
    }


def _reading(one: ZoneReading, zone_ids: Sequence[int]) -> dict[str, Any]:
    zones = []
    for k, zone_id in enumerate(zone_ids):
        row: dict[str, Any] = {
            "zone_id": zone_id, "mean": _known(one.mean[k]),
            "standard_error": _known(one.standard_error[k]), "least": _known(one.low[k]),
            "greatest": _known(one.high[k]),
        }
        if one.percentiles is not None:
            row["percentiles_10_50_90"] = [_known(value) for value in one.percentiles[:, k]]
        if one.samples is not None:
            row["samples"] = int(one.samples[k])
        if one.outside_share is not None and one.outside_chance is not None:
            row["share_outside_class"] = _known(one.outside_share[k])
            row["chance_outside_class"] = _known(one.outside_chance[k])
        zones.append(row)
    return {
        "analyte": one.analyte, "unit": one.unit, "mean_by": one.mean_by,
        "class_breaks": list(one.class_breaks),
        "explained_of_map": _known(one.explained_map),
        "explained_of_samples_left_out": _known(one.explained_samples), "zones": zones,
    }


def _trend(one: ZoneTrend, zone_ids: Sequence[int]) -> dict[str, Any]:
    return {
        "analyte": one.analyte, "unit": f"{one.unit} per year", "extractant": one.extractant,
        "depth_in": list(one.depth_in), "years": list(one.years), "noise": _known(one.noise),
        "freedom": one.freedom, "level": 0.9, "same_places": one.paired,
        "zones": [
            {"zone_id": zone_id, "samples": [int(n) for n in one.samples[k]],
             "mean": [_known(value) for value in one.mean[k]], "slope": _known(one.slope[k]),
             "low": _known(one.low[k]), "high": _known(one.high[k]), "verdict": one.verdict[k]}
            for k, zone_id in enumerate(zone_ids)
        ],
    }


def _profile(one: DepthProfile, zone_ids: Sequence[int]) -> dict[str, Any]:
    return {
        "analyte": one.analyte, "unit": one.unit, "extractant": one.extractant,
        "depths_in": [list(depth) for depth in one.depths_in],
        "zones": [
            {"zone_id": zone_id, "samples": [int(n) for n in one.samples[k]],
             "mean": [_known(value) for value in one.mean[k]]}
            for k, zone_id in enumerate(zone_ids)
        ],
    }


def _schedule(one: InjectionSchedule) -> dict[str, Any]:
    told = asdict(one)
    return {key: value for key, value in told.items() if key not in ("findings", "checks")}


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _pass(
    one: PassRates, zone_ids: Sequence[int], without_map: tuple[float, float, float]
) -> dict[str, Any]:
    material = one.material
    return {
        "pass_id": one.pass_id,
        "number": one.number,
        "column": one.column,
        "material": material.id,
        "unit": material.unit,
        "step": one.step,
        "method": one.method,
        "timing": one.timing,
        "kind": one.kind,
        "serves": one.serves,
        "treated_ac": one.treated_ac,
        "rate_outside": without_map[0],
        "rate_position_lost": without_map[1],
        "rate_default": without_map[2],
        "lb_per_unit": material.lb_per_unit,
        "k2o_lb_per_unit": material.nutrient_lb_per_unit("K2O"),
        "s_lb_per_unit": material.nutrient_lb_per_unit("S"),
        # Elemental S serves later years: it is bought, and brings nothing to this season's need.
        "s_this_season_lb_per_unit": 0.0 if material.s_form == "elemental" else
        material.nutrient_lb_per_unit("S"),
        "n_lb_per_unit": material.nutrient_lb_per_unit("N"),
        "steps": [
            {"zone_id": i, "steps": int(s)} for i, s in zip(zone_ids, one.steps, strict=True)
        ],
        "wanted_total": one.wanted_total,
        "planned_total": one.planned_total,
        "prescription_total": one.prescription_total,
        "order_total": one.order_total,
        **by_hand_record(one),
        **({} if one.wetted_ac is None else {"wetted_ac_by_zone": [
            {"zone_id": i, "wetted_ac": float(ac)}
            for i, ac in zip(zone_ids, one.wetted_ac, strict=True)
        ]}),
    }
