"""Every drawing of every page keeps the laws of `svg_laws.py`, and the laws do catch faults."""

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from vrx.model.need_beside import Comparison, NeedBeside
from vrx.report import crew_sheet, page, page_views, sheet

_OF = {name: runpy.run_path(str(Path(__file__).with_name(f"test_{name}.py")))
       for name in ("crew", "need_beside")}


def full(job, injections):
    """A job with guides compared, a rule by cells and an injection."""
    own = [one.lb_per_ac for one in job.needs["K2O"]]
    guides = tuple(_OF["need_beside"]["guide"](name, [value + k * 9 for value in own])
                   for k, name in enumerate(("own", "a-guide-of-a-long-name", "third")))
    compared = Comparison(nutrient="K2O", guides=guides, spread=tuple(18.0 for _ in own))
    held = NeedBeside(
        bounds={"K2O": _OF["need_beside"]["bounds_of"](job)},
        cells={"K2O": _OF["need_beside"]["cells_of"](job)}, comparisons=(compared,))
    return replace(job, need_beside=held, irrigation=(injections.pivot_schedule(),))


def test_the_pages_of_a_job_keep_the_laws(job, injections, svg_laws):
    views = page_views(full(job, injections), run="x", cautions=())
    whole, alone = page(views), sheet(views)
    assert svg_laws.faults(whole) == []
    assert svg_laws.faults(alone) == []
    assert len(svg_laws.drawings(whole)) == 21 + 1 + 1 + 2
    assert len(svg_laws.drawings(alone)) == 3 + 1


def test_maps_name_substance_and_unit_and_have_scale_and_north(job, injections, svg_laws):
    text = page(page_views(full(job, injections), run="x", cautions=()))
    said = {r.get("aria-labelledby").split("-title")[0]: [t.text for t in r.iter("text")]
            for r in svg_laws.drawings(text)}
    units = {f"map-pass-{one.number}": (one.material.id, one.material.unit)
             for one in job.prescription.passes}
    for key, surface in job.surfaces.items():
        name = {"potassium": "Soil-test K", "sulfate": "Sulfate-S"}[key]
        for drawing in (f"map-{key}", f"histogram-{key}", f"left-out-{key}", f"variogram-{key}"):
            units[drawing] = (name, surface.unit)
        units[f"error-{key}"] = (name.lower(), surface.unit)
    units |= {"spread-k2o": ("K2O", "lb K2O/ac"), "cells-k2o": ("K2O", "lb K2O/ac"),
              "guides-k2o": ("K2O", "lb K2O/ac"), "season-s": ("S", "lb/ac")}
    for drawing, wanted in units.items():
        whole = " ".join(said[drawing]).lower()
        assert all(word.lower() in whole for word in wanted), (drawing, wanted)
    maps = [name for name in said if name.startswith(("map-", "error-", "cells-", "spread-"))]
    assert len(maps) == 1 + 3 + 1 + 2 * 2 + 2
    for name in maps:
        assert "N" in said[name]
        assert any(text.endswith(" ft") for text in said[name])
        assert any(text.endswith(" m") for text in said[name])


@pytest.mark.parametrize("shape", ["crowded", "forty", "one"])
def test_many_zones_strips_and_one_zone(shape, builders, written, svg_laws):
    field = builders.boundary()
    polygons = {"crowded": builders.crowded_zones, "forty": builders.forty_zones,
                "one": lambda shape: [shape.geoms[0]]}[shape](field)
    job = builders.make_job(polygons=polygons, cell_m=20.0)
    text = written(job)
    assert svg_laws.faults(text) == []
    # Letter and rate of every zone stand on the map of every pass.
    for one in job.prescription.passes:
        root = next(r for r in svg_laws.drawings(text)
                    if r.get("aria-labelledby").startswith(f"map-pass-{one.number}-"))
        said = " ".join(t.text for t in root.iter("text") if not t.get("aria-hidden"))
        for zone, rate in zip(job.zones.zones, one.rates.tolist(), strict=True):
            shown = f"{rate:.2f}" if one.step < 1 else f"{rate:.0f}"
            assert f"{zone.letter} {shown}" in said


def test_a_hostile_job_keeps_the_laws(builders, job, written, svg_laws):
    assert svg_laws.faults(written(builders.hostile(job))) == []


@pytest.mark.parametrize("count", [1, 60])
def test_a_crew_sheet_keeps_the_laws(job, count, svg_laws):
    plan = _OF["crew"]["plan_of"](job.field, count)
    places = np.array([[p.easting_m, p.northing_m] for p in plan.points])
    text = crew_sheet(
        field=job.field, plan=plan, run="x", away=(shapely.Point(140, -90).buffer(60),),
        worth=(places, np.linspace(0.5, 64.2, count), "lb K2O"),
        zones=[(z.letter, z.polygon) for z in job.zones.zones])
    assert svg_laws.faults(text) == []
    assert len(svg_laws.drawings(text)) == 2


GOOD = ('<svg role="img" viewBox="0 0 100 50" aria-labelledby="k-title k-desc"><title id="k-title">'
        't</title><desc id="k-desc">d</desc>%s</svg>')
INK = '<text x="5" y="20" font-size="11" fill="#000000">a</text>'


@pytest.mark.parametrize(("body", "word"), [
    ('<rect x="0" y="0" width="9" height="9" style="fill:red"/>', "has style"),
    ('<rect x="0" y="0" width="9" height="9" class="a"/>', "has class"),
    ('<line x1="0" y1="0" x2="56008000" y2="1"/>', "10,000"),
    ('<foreignObject/>', "element foreignObject"),
    ('<use href="#gone"/>', "no part of the drawing"),
    ('<text x="5" y="20" font-size="6" fill="#000000">a</text>', "size of 6"),
    ('<text x="5" y="20" font-size="11" fill="#999999">a</text>', "cannot be read"),
    ('<rect x="0" y="0" width="99" height="49" fill="#333333"/>' + INK, "cannot be read"),
    ('<path d="M0 0l99 0l0 49l-99 0z" fill="#333333"/>' + INK, "cannot be read"),
    ('<text x="90" y="20" font-size="11" fill="#000000">a long word</text>', "leaves"),
    ('<path id="k-title" d="M0 0z"/>', "stands 2 times"),
    ('<rect x="0" y="0" width="9" height="9" fill="#fff" onclick="x"/>', "has onclick"),
])
def test_a_drawing_that_breaks_a_law_is_told(body, word, svg_laws):
    found = svg_laws.faults(GOOD % body)
    assert any(word in fault for fault in found), found


def test_a_drawing_without_words_is_told(svg_laws):
    bare = '<svg role="img" viewBox="0 0 9 9"></svg>'
    assert {"?: no title", "?: no desc"} <= set(svg_laws.faults(bare))
    assert svg_laws.faults(GOOD % "") == []


def test_the_contrast_is_that_of_the_guidelines(svg_laws):
    # WCAG 2.2, 1.4.3: black on white is 21 : 1; #767676 on white is the grey quoted as 4.54 : 1.
    assert svg_laws.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert svg_laws.contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
