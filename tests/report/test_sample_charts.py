"""Histogram, left-out plot, guide rows and season bars: to scale, and told in words.

Counts are those of `numpy.histogram`, positions are recomputed from the printed ticks.
"""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from vrx.model import MethodScore, NutrientBalance
from vrx.model.need_beside import GuideRate
from vrx.report import sample_charts, season_bars
from vrx.report.guide_chart import guide_chart
from vrx.report.season_bars import Bar


def read(text):
    root = ET.fromstring(text)  # noqa: S314 - our own drawing
    halos = {t for t in root.iter("text") if t.get("aria-hidden")}
    return root, [t for t in root.iter("text") if t not in halos]


def scale(texts, *, upright):
    """Drawing place of a value, by a straight line through the printed ticks of one axis."""
    ticks = [t for t in texts if re.fullmatch(r"−?[\d,.]+", t.text)
             and t.get("text-anchor") == ("end" if upright else "middle")
             and t.get("font-weight") is None]
    values = [float(t.text.replace(",", "").replace("−", "-")) for t in ticks]
    places = [float(t.get("y")) - 4 if upright else float(t.get("x")) for t in ticks]
    assert len(values) > 1
    return np.poly1d(np.polyfit(values, places, 1))


def bars_of(root):
    return [one for one in root.iter("rect") if one.get("fill") != "none"]


def test_bars_count_the_samples_and_stand_to_scale():
    values = np.array([41.0, 42, 56, 61, 62, 63, 64, 79, 81, 99])
    root, texts = read(sample_charts.histogram(
        key="h", name="Soil-test K, ppm", unit="ppm", values=values, limits=(60.0, 80.0),
        beyond=2))
    across, down = scale(texts, upright=False), scale(texts, upright=True)
    left_of = np.poly1d([1 / across.c[0], -across.c[1] / across.c[0]])
    total = 0
    for bar in bars_of(root):
        low = left_of(float(bar.get("x")))
        high = left_of(float(bar.get("x")) + float(bar.get("width")))
        count = int(((values > low) & (values < high)).sum())
        assert down(0) - float(bar.get("height")) == pytest.approx(down(count), abs=0.2)
        total += count
    assert total == len(values)
    dashed = sorted(float(one.get("x1")) for one in root.iter("line")
                    if one.get("stroke-dasharray"))
    assert dashed == pytest.approx([across(60), across(80)], abs=0.2)
    told = root.find("desc").text
    assert "10 samples from 41 to 99 ppm" in told
    assert "3 below 60" in told
    assert "8 below 80" in told
    assert "2 known only as beyond" in " ".join(t.text for t in texts)


@pytest.mark.parametrize("values", [[7.0], [7.0, 7.0, 7.0], [0.0, 0.0], [1e-3, 2e-3], [-3.0, 4.0]])
def test_few_and_equal_samples_are_drawn(values, svg_laws):
    text = sample_charts.histogram(key="h", name="pH", unit="", values=np.array(values), limits=(),
                                   beyond=0)
    assert svg_laws.faults(text) == []
    root, _ = read(text)
    assert bars_of(root)


def test_limits_near_each_other_do_not_overprint():
    _, texts = read(sample_charts.histogram(
        key="h", name="K", unit="ppm", values=np.linspace(20, 400, 50),
        limits=(80.0, 84.0, 88.0), beyond=0))
    places = [(float(t.get("x")), float(t.get("y"))) for t in texts if t.get("font-weight")
              and t.get("text-anchor") == "middle"]
    assert len(places) == 3
    assert len({down for _, down in places}) == 3


def surface_with(job, pairs):
    surface = job.surfaces["potassium"]
    n = len(pairs)
    return replace(surface, left_out=pairs, scores=(
        MethodScore(method=surface.method, n=n + 2, mean_error=0.4, rmse=9.0, skill=0.31,
                    msdr=1.0),))


def test_dots_stand_at_what_was_measured_and_foretold(job, svg_laws):
    pairs = np.array([[100.0, 120.0], [150.0, 140.0], [210.0, 205.0]])
    text = sample_charts.left_out_chart(key="c", surface=surface_with(job, pairs), name="K")
    assert svg_laws.faults(text) == []
    root, texts = read(text)
    across, down = scale(texts, upright=False), scale(texts, upright=True)
    dots = [(float(c.get("cx")), float(c.get("cy"))) for c in root.iter("circle")]
    np.testing.assert_allclose(
        dots, [(across(m), down(p)) for m, p in pairs], atol=0.2)
    line = next(one for one in root.iter("line") if one.get("stroke-dasharray"))
    # The line of agreement joins equal values of both axes.
    ends = [(float(line.get(f"x{k}")), float(line.get(f"y{k}"))) for k in (1, 2)]
    values = [np.roots([across.c[0], across.c[1] - x])[0] for x, _ in ends]
    assert [down(v) for v in values] == pytest.approx([y for _, y in ends], abs=0.3)
    told = root.find("desc").text
    assert "3 samples, kriging: root mean square miss 9 ppm" in told
    assert "skill +0.31" in told
    assert "scores of 5" in told


def test_thousands_of_samples_are_thinned_and_told(job):
    values = np.linspace(50, 350, 4000)
    text = sample_charts.left_out_chart(
        key="c", surface=surface_with(job, np.column_stack([values, values + 3])), name="K")
    assert text.count("<circle") == sample_charts.MOST_DOTS
    assert "300 of 4000 samples" in text
    assert len(text) < 30_000


def test_guides_stand_in_rows_with_their_span_and_mean(svg_laws):
    def guide(book, need, total, *, of_plan=False):
        return GuideRate(book=book, name=book, of_plan=of_plan, ways={}, why=(), need=need,
                         total_lb=total)

    guides = [guide("own-guide", (0.0, 200.0), 5000.0, of_plan=True),
              guide("another", (80.0, 80.0), 4000.0)]
    text = guide_chart(key="g", nutrient="K2O", guides=guides, area_ac=50.0)
    assert svg_laws.faults(text) == []
    root, texts = read(text)
    across = scale(texts, upright=False)
    rows = bars_of(root)
    assert [float(r.get("x")) for r in rows] == pytest.approx([across(0), across(80)], abs=0.2)
    assert float(rows[0].get("width")) == pytest.approx(across(200) - across(0), abs=0.2)
    assert [float(c.get("cx")) for c in root.iter("circle")] == pytest.approx(
        [across(100), across(80)], abs=0.2)
    assert root.find("desc").text == (
        "own-guide: 0 to 200, mean 100; another: 80, mean 80 lb K2O/ac.")


def test_bars_of_a_season_are_to_scale_and_the_crop_stands_apart(svg_laws):
    bars = [Bar("Crop takes up", 372.0, 372.0, 372.0, False),
            Bar("Zones need", 263.0, 0.0, 310.0, True),
            Bar("Passes bring", 264.0, 10.0, 310.0, True)]
    text = season_bars.season_bars(key="s", nutrient="K2O", bars=bars)
    assert svg_laws.faults(text) == []
    root, texts = read(text)
    across = scale(texts, upright=False)
    drawn = bars_of(root)
    assert [float(b.get("width")) for b in drawn] == pytest.approx(
        [across(v.value) - across(0) for v in bars], abs=0.2)
    assert drawn[0].get("fill") != drawn[1].get("fill") == drawn[2].get("fill")
    gaps = [float(b.get("y")) for b in drawn]
    assert gaps[1] - gaps[0] > gaps[2] - gaps[1]
    assert "crop takes up 372; zones need 263; passes bring 264 lb K2O/ac." in (
        root.find("desc").text)


def test_means_of_a_season_are_weighted_by_acres(job):
    area = np.asarray(job.prescription.zone_area_ac)
    told = dict(season_bars.views(job))
    for balance in job.prescription.balances:
        mean = float(balance.need @ area) / area.sum()
        shown = f"{mean:.0f}" if mean >= 9.95 else f"{mean:.1f}"
        assert f"zones need {shown};" in told[balance.nutrient]


def test_a_nutrient_that_nobody_needs_or_brings_is_not_drawn(job):
    nothing = NutrientBalance(nutrient="S", need=np.zeros(5), brought=np.zeros(5))
    changed = replace(job, prescription=replace(
        job.prescription, balances=(job.prescription.balances[0], nothing)))
    assert [name for name, _ in season_bars.views(changed)] == ["K2O"]
