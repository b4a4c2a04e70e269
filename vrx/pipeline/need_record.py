"""Needs, their bounds and other guides as plain JSON values for the job record."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from vrx.model import Job, Zones
from vrx.model.need_beside import Comparison


def known(value: float) -> float | None:
    """The number, None where it is not known."""
    return float(value) if math.isfinite(value) else None


def need_json(job: Job, nutrient: str) -> dict[str, Any]:
    """Needs of a nutrient by zone with lines, bounds and cells, as JSON values."""
    needs, beside = job.needs[nutrient], job.need_beside
    bounds, cells = beside.bounds.get(nutrient), beside.cells.get(nutrient)
    zones = []
    for k, need in enumerate(needs):
        row: dict[str, Any] = {
            "zone_id": need.zone_id, "need_lb_per_ac": need.lb_per_ac,
            "surplus_lb_per_ac": need.surplus_lb_per_ac, "soil_class": need.soil_class,
            "lines": [asdict(line) for line in need.lines],
        }
        if bounds is not None and not bounds.refused:
            row |= {"low_lb_per_ac": known(bounds.low[k]),
                    "high_lb_per_ac": known(bounds.high[k]),
                    "thresholds": [
                        {"is": one.words, "level": float(one.level[k]),
                         "probability_below": float(one.below[k])} for one in bounds.thresholds]}
        if cells is not None and not cells.refused:
            row |= {"rule_on_zone_mean_lb_per_ac": float(cells.zone_rule[k]),
                    "mean_of_cells_lb_per_ac": float(cells.cell_mean[k])}
        zones.append(row)
    return {
        "nutrient": nutrient, "book": needs[0].book,
        "used": None if cells is None else cells.used,
        "cells_refused": None if cells is None else cells.refused,
        "bounds_level": None if bounds is None else bounds.level,
        "bounds_standard_errors": None if bounds is None else bounds.times,
        "bounds_refused": None if bounds is None else bounds.refused or bounds.no_rate,
        "zones": zones,
    }


def comparison_json(one: Comparison, made: Zones) -> dict[str, Any]:
    """Several guides on the same zones, as JSON values."""
    ids = [zone.zone_id for zone in made.zones]
    return {
        "nutrient": one.nutrient, "a_pass_follows_it": one.followed,
        "spread": [{"zone_id": i, "lb_per_ac": value}
                   for i, value in zip(ids, one.spread, strict=True)],
        "guides": [{
            "book": guide.book, "name": guide.name, "of_plan": guide.of_plan,
            "zones": [{"zone_id": i, "need_lb_per_ac": rate}
                      for i, rate in zip(ids, guide.need, strict=False)],
            "total_lb": known(guide.total_lb),
            "parts": [{"term": term, "mean_lb_per_ac": value} for term, value in guide.parts],
            "order": [asdict(line) for line in guide.order], "usd": guide.usd,
            "evidence": list(guide.evidence), "ways": dict(guide.ways), "why": list(guide.why),
            "notes": list(guide.notes),
            "refused": guide.refused or None, "refused_code": guide.refused_code or None,
            "todo": guide.todo or None, "order_refused": guide.order_refused or None,
        } for guide in one.guides],
    }
