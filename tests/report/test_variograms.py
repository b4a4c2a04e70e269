"""The variogram's picture: to scale, marked, in order in grey, and spoken."""

import dataclasses
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from vrx.model import Variogram
from vrx.report.variograms import variogram_chart

LAGS = np.array([30.0, 90.0, 150.0, 210.0, 270.0])
GAMMA = np.array([140.0, 300.0, 420.0, 480.0, 520.0])
PAIRS = np.array([10.0, 40.0, 90.0, 160.0, 250.0])
MODEL = Variogram(model="exponential", nugget=120.0, partial_sill=400.0, range_m=70.0)


@pytest.fixture
def draw(job):
    base = job.surfaces["potassium"]

    def drawn(model, words=()):
        surface = dataclasses.replace(
            base, variogram=model, lag_m=LAGS, lag_semivariance=GAMMA, lag_pairs=PAIRS,
            variogram_words=words,
        )
        text = variogram_chart(key="v", surface=surface, name="potassium")
        return ET.fromstring(text)  # noqa: S314

    return drawn


def of(root, tag):
    return [one for one in root.iter() if one.tag.rsplit("}", 1)[-1] == tag]


def test_points_are_sized_by_pairs_and_to_scale(draw):
    root = draw(MODEL)
    dots = of(root, "circle")
    sizes = [float(dot.get("r")) for dot in dots]
    assert sizes == sorted(sizes)
    assert sizes[0] < sizes[-1]
    across = np.array([float(dot.get("cx")) for dot in dots])
    down = np.array([float(dot.get("cy")) for dot in dots])
    # Straight lines between what was measured and where it is drawn, to the drawing's 0.1.
    for drawn, value in ((across, LAGS), (down, GAMMA)):
        slope, start = np.polyfit(value, drawn, 1)
        np.testing.assert_allclose(drawn, slope * value + start, atol=0.15)


def test_nugget_sill_and_range_stand_where_the_model_has_them(draw):
    root = draw(MODEL)
    dots = of(root, "circle")
    fit_across = np.polyfit(LAGS, [float(d.get("cx")) for d in dots], 1)
    fit_down = np.polyfit(GAMMA, [float(d.get("cy")) for d in dots], 1)
    dashed = {line.get("stroke-dasharray"): line for line in of(root, "line")
              if line.get("stroke-dasharray")}
    dotted = [float(line.get("y1")) for line in of(root, "line")
              if line.get("stroke-dasharray") == "2 3"]
    np.testing.assert_allclose(
        sorted(dotted), sorted(np.polyval(fit_down, [120.0, 520.0])), atol=0.3
    )
    upright = dashed["4 3"]
    # Practical range: 3 length scales.
    assert float(upright.get("x1")) == pytest.approx(np.polyval(fit_across, 210.0), abs=0.3)
    words = {text.text for text in of(root, "text")}
    assert {"nugget", "sill", "range"} <= words
    line = of(root, "polyline")[0]
    ends = [tuple(map(float, pair.split(","))) for pair in line.get("points").split()]
    last_m = (ends[-1][0] - fit_across[1]) / fit_across[0]
    value = 120.0 + 400.0 * (1.0 - np.exp(-last_m / 70.0))
    assert ends[-1][1] == pytest.approx(np.polyval(fit_down, value), abs=0.3)


def test_two_ranges_are_two_lines_told_apart_without_colour(draw):
    turned = dataclasses.replace(MODEL, anisotropy_ratio=2.5, anisotropy_deg=30.0)
    lines = of(draw(turned), "polyline")
    assert [line.get("stroke-dasharray") for line in lines] == [None, "7 4"]
    assert len(of(draw(MODEL), "polyline")) == 1


@pytest.mark.parametrize("model", [None, MODEL, dataclasses.replace(MODEL, model="matern-3/2"),
                                   dataclasses.replace(MODEL, nugget=0.0, partial_sill=0.0),
                                   dataclasses.replace(MODEL, partial_sill=0.0)])
def test_every_picture_says_in_words_what_it_shows(draw, model):
    root = draw(model, words=("Samples closer than about 690 ft tell of each other.",))
    (told,) = [one.text for one in root if one.tag.rsplit("}", 1)[-1] == "desc"]
    assert "690 ft" in told
    assert "from 10 to 250 pairs" in told
    assert "Measured semivariance at 98 ft" in told
