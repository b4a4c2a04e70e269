"""From chosen places to what a crew is handed: numbers, walk, labels, files, record."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrx import export, geo, intake, report, sampling
from vrx.errors import PlanError
from vrx.model import CrewPlan, ExportedFile, Finding, FloatArray, note, warn
from vrx.pipeline import manifest
from vrx.pipeline.commit import MANIFEST, commit, json_bytes, scratch_folder, sha256
from vrx.pipeline.site import Chosen, Site
from vrx.plan import TissueSection

OUTPUT = "sampling"
_FARTHEST_START_M = 5000.0
Depths = tuple[tuple[float, float], ...]


def crew_plan(site: Site, chosen: Chosen, *, tissue: TissueSection | None) -> CrewPlan:
    """The crew's plan: points in walking order, bags, practice with its sources, findings."""
    told, usual, field = site.told, sampling.practice(), site.field
    start, start_words = _start(site)
    letters = _letters(site, chosen.places)
    plants = told.plants if told.plants is not None else tissue is not None
    words = usual.plant_words if tissue is None else f"{tissue.part}, {tissue.stage}"
    points = sampling.crew_points(
        places=chosen.places, letters=letters, whys=chosen.whys, ranks=chosen.ranks,
        gains=chosen.gains, start=start, crs_centre=field.crs_centre, zones=site.outlines,
        second_bag_one_in=usual.second_bag_one_in if told.second_bag_one_in is None
        else told.second_bag_one_in, plants=plants, ground=site.ground)
    walked = np.array([[one.easting_m, one.northing_m] for one in points])
    depths = _depths(site)
    labels = sampling.bag_labels(
        field_name=field.name, points=points, depths_in=depths, plant_words=words)
    taken = 0 if site.inputs is None else len(site.inputs.soil.sample_id)
    density = field.area_ac / (len(chosen.places) + taken)
    lonlat = geo.to_lonlat(shapely.Point(start), field.crs_centre)
    in_order = np.arange(len(points))
    return CrewPlan(
        field_name=field.name, layout=chosen.words, points=points, labels=labels,
        depths_in=depths, cores=told.cores or usual.cores,
        core_radius_ft=told.core_radius_ft or usual.core_radius_ft,
        practice=_sources(site, plants=plants, own_plants=tissue is not None),
        plant_words=words if plants else "", start=(lonlat.x, lonlat.y),
        start_m=(float(start[0]), float(start[1])), start_words=start_words,
        walk_m=sampling.walk_length(start=start, places=walked, order=in_order),
        unsorted_walk_m=sampling.walk_length(
            start=start, places=_as_found(walked, chosen.places), order=in_order),
        ac_per_sample=density, taken=taken, cautions=sampling.cautions(),
        findings=(*site.findings, *chosen.findings, *_told(site, start, walked, density)),
    )


def _as_found(walked: FloatArray, places: FloatArray) -> FloatArray:
    """The walked places in the order that they were chosen in, those for plants alone last."""
    gap = np.hypot(*(walked[:, None] - places[None]).transpose(2, 0, 1))
    found = gap.argmin(axis=1)
    rank = np.where(gap[np.arange(len(walked)), found] < 1e-6, found, len(places))
    return walked[np.argsort(rank, kind="stable")]


def _start(site: Site) -> tuple[FloatArray, str]:
    """Where the walk begins, metres in the field's CRS, and its name."""
    gate = site.told.gate
    boundary = site.field.boundary
    if isinstance(gate, str):
        west, south, east, north = boundary.bounds
        corner = np.array([west if "west" in gate else east, south if "south" in gate else north])
        vertices = shapely.get_coordinates(boundary)
        nearest = vertices[int(np.argmin(np.hypot(*(vertices - corner).T)))]
        return nearest, f"the {gate} corner"
    place = geo.from_lonlat(shapely.Point(gate), site.field.crs_centre)
    away = shapely.distance(place, boundary)
    if not away <= _FARTHEST_START_M:
        raise PlanError(
            f"gate = [{gate[0]:g}, {gate[1]:g}] lies {away / 1609.344:,.0f} miles from the field",
            code="sampling-gate-far", where="[sampling] gate",
            hint="give [longitude, latitude] in degrees; west and south are negative",
        )
    return np.array([place.x, place.y]), "the gate"


def _letters(site: Site, places: FloatArray) -> tuple[str, ...]:
    outlines = site.outlines
    if not outlines:
        return ("",) * len(places)
    points = shapely.points(places)
    away = np.array([shapely.distance(polygon, points) for _, polygon in outlines])
    return tuple(outlines[int(at)][0] for at in away.argmin(axis=0))


def _depths(site: Site) -> Depths:
    """The plan's depths of sampling; those of the samples there are; never a guess."""
    if site.told.depths_in:
        return tuple(site.told.depths_in)
    held = {
        column.depth_in: None for column in
        (() if site.inputs is None else site.inputs.soil.columns.values())
        if column.depth_in[1] > column.depth_in[0]
    }
    if not held:
        raise PlanError(
            "no depth of sampling is stated", code="sampling-depth", where="[sampling]",
            hint="give depths_in = [[0, 8]] or --depth 0 8 (inches), as your guide reads them",
        )
    return tuple(sorted(held))


def _sources(site: Site, *, plants: bool, own_plants: bool) -> tuple[str, ...]:
    """Figures of practice that the plan left to vrx, with their sources."""
    told, held = site.told, sampling.practice().sources
    used = ["offset"] if told.layout == "offset grid" else []
    if told.layout not in ("where it pays", "widest gaps"):
        used += [] if told.ac_per_sample is not None else ["grid"]
        used += ["zones"] if told.layout == "by zones" and told.least_per_zone is None else []
    used += ["cores"] if told.cores is None or told.core_radius_ft is None else []
    used += ["edge"] if told.edge_ft is None else []
    used += ["second_bag"] if told.second_bag_one_in is None else []
    used += ["plants"] if plants and not own_plants else []
    names = {"second_bag": "second bag", "grid": "acres per sample", "edge": "distances kept"}
    return tuple(f"{names.get(one, one)}: {held[one]}" for one in used)


def _told(
    site: Site, start: FloatArray, walked: FloatArray, density: float
) -> tuple[Finding, ...]:
    found = []
    path = np.vstack([start, walked])
    legs = shapely.linestrings(np.stack([path[:-1], path[1:]], axis=1))
    open_ground = shapely.buffer(site.field.boundary, 1.0)
    if site.away:
        open_ground = shapely.difference(open_ground, shapely.union_all(list(site.away)))
    shapely.prepare(open_ground)
    # The first leg leads in from the gate.
    crossing = int((~shapely.covers(open_ground, legs[1:])).sum())
    if crossing:
        found.append(note(
            "sampling-walk-crosses", "[sampling]",
            f"{crossing} of {len(legs)} straight legs between points leave the field or cross "
            "ground to keep off", todo="go round there; the order of the points still holds",
        ))
    most = sampling.practice().most_ac_per_sample
    if density > most:
        found.append(warn(
            "sampling-sparse", "[sampling]",
            f"one sample stands for {density:.1f} ac, more than {most:g}",
            todo=f"take more samples: {sampling.practice().sources['most_area']}",
        ))
    return tuple(found)


def write(
    site: Site, chosen: Chosen, plan: CrewPlan, *, plan_file: Path
) -> tuple[Path, dict[str, Any]]:
    """Write, read back and commit the crew's files; gives their folder and the record."""
    identity = _identity(site, plan_file)
    run = manifest.run_name(identity).replace("run-", "crew-", 1)
    output = plan_file.parent / OUTPUT
    with scratch_folder(output) as scratch:
        files = [
            _file(kind, path, scratch) for kind, path in export.write_crew(plan, scratch)
        ]
        sheet = scratch / "crew.html"
        worth = chosen.worth
        sheet.write_text(report.crew_sheet(
            field=site.field, plan=plan, run=run, zones=site.outlines, away=site.away,
            worth=None if worth is None else (worth.candidates, worth.first_gain, worth.unit),
        ), encoding="utf-8", newline="\n")
        files.append(_file("html", sheet, scratch))
        record: dict[str, Any] = manifest.twelve_digits({
            **identity, "schema": manifest.SCHEMA, "run": run,
            "field": {"name": site.field.name, "area_ac": site.field.area_ac,
                      "crs_centre": list(site.field.crs_centre)},
            **_plan_record(plan), "worth": _worth_record(site, chosen),
            "files": [asdict(one) for one in files],
            "findings": manifest.findings(plan.findings),
        })
        (scratch / MANIFEST).write_bytes(json_bytes(record))
        return commit(scratch, output=output, run=run), record


def _file(kind: str, path: Path, scratch: Path) -> ExportedFile:
    return ExportedFile(
        path=path.relative_to(scratch).as_posix(), format=kind, sha256=sha256(path),
        bytes=path.stat().st_size)


def _identity(site: Site, plan_file: Path) -> dict[str, Any]:
    """What went in: the same gives the same run."""
    folder = plan_file.parent
    told = site.told.model_dump(mode="json")
    if site.inputs is not None:
        record = dict(site.inputs.record)
        named = []
    else:
        record = {"plan": {"path": plan_file.name, "sha256": sha256(plan_file)}, "inputs": []}
        named = [site.boundary_file] if site.boundary_file else []
        named += [site.zones_file] if site.zones_file else []
    named += [site.told.exclusions] if site.told.exclusions else []
    more = {
        path.name: {"path": path.name, "sha256": sha256(path), "bytes": path.stat().st_size}
        for name in named for path in intake.input_files(folder / name)
    }
    record["inputs"] = [*record["inputs"], *(more[name] for name in sorted(more))]
    if site.edits:
        record["edits"] = site.edits
    return {"versions": manifest.library_versions(), "sampling": told, **record}


def _plan_record(plan: CrewPlan) -> dict[str, Any]:
    return {
        "layout": plan.layout,
        "depths_in": [list(one) for one in plan.depths_in],
        "cores": plan.cores, "core_radius_ft": plan.core_radius_ft,
        "ac_per_sample": plan.ac_per_sample, "samples_there_are": plan.taken,
        "start": {"lonlat": list(plan.start), "words": plan.start_words},
        "walk_m": plan.walk_m, "unsorted_walk_m": plan.unsorted_walk_m,
        "plant_words": plan.plant_words, "practice": list(plan.practice),
        "points": [asdict(one) for one in plan.points],
        "labels": [asdict(one) for one in plan.labels],
    }


def _worth_record(site: Site, chosen: Chosen) -> dict[str, Any] | None:
    worth = chosen.worth
    if worth is None:
        return None
    degrees = shapely.get_coordinates(
        geo.to_lonlat(shapely.multipoints(worth.candidates), site.field.crs_centre))
    return {
        "nutrient": site.told.nutrient, "unit": worth.unit, "words": worth.words,
        "expected_misapplied_before": worth.loss_before,
        "expected_misapplied_after": worth.loss_after,
        "gain_by_rank": [float(one) for one in worth.gain],
        "cells": worth.cells, "lattice_m": worth.lattice_m,
        "candidates": [
            {"lonlat": [float(a), float(b)], "gain_alone": float(gain)}
            for (a, b), gain in zip(degrees, worth.first_gain, strict=True)
        ],
    }
