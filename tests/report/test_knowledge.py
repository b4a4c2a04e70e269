"""How well a soil test is known, on the page."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from vrx.model import NOT_SURE, SAMPLE_HERE, SURE, Knowledge
from vrx.report import knowledge
from vrx.report.colours import error_ramp, luminance


@pytest.fixture(scope="module")
def judged(job):
    surface = job.surfaces["potassium"]
    shape = surface.grid.shape
    word = np.zeros(shape, dtype=np.int64)
    word[:, shape[1] // 2:] = NOT_SURE
    word[: shape[0] // 3, : shape[1] // 3] = SAMPLE_HERE
    zones = len(job.zones.zones)
    known = Knowledge(
        analyte="potassium", unit="ppm", grid=surface.grid, critical=(120.0, 170.0),
        below=np.zeros((2, *shape)), zone_below=np.linspace(0.0, 1.0, 2 * zones).reshape(2, zones),
        right=np.full(shape, 0.5), word=word, acres=(60.25, 40.5, 24.75), sure_from=0.8,
        third_word=True, basis="kriging normal",
    )
    return replace(job, knowledge=(known,))


def test_the_page_shows_the_three_words_with_their_acres(written, judged):
    text = written(judged)
    assert "sure: 60.2 ac" in text
    assert "not sure: 40.5 ac" in text
    assert "sample here: 24.8 ac" in text
    assert "80 % or more" in text
    assert "60.2 of 125.5 ac are surely in the class" in text
    assert "On 24.8 ac of the rest a sample would help." in text
    for zone in judged.zones.zones:
        assert re.search(rf'<th scope="row">{zone.letter}</th><td class="n">', text)


def test_without_a_judgement_the_page_has_no_such_map(written, job):
    assert "How sure the class" not in written(job)


def test_nobody_is_told_0_or_100_percent(judged):
    shown = knowledge.view(judged, "potassium")
    cells = [cell for row in shown.rows for cell in row[1:]]
    assert "under 1 %" in cells
    assert "over 99 %" in cells
    assert not {"0 %", "100 %"} & set(cells)


def test_without_a_variogram_the_third_word_is_neither_drawn_nor_explained(judged):
    without = replace(judged.knowledge[0], third_word=False)
    shown = knowledge.view(replace(judged, knowledge=(without,)), "potassium")
    assert "sample here" not in shown.picture.lower()
    assert "Without a variogram" in shown.meaning


def test_the_map_is_a_drawing_and_stays_in_order_in_grey(judged):
    shown = knowledge.view(judged, "potassium")
    root = ET.fromstring(str(shown.picture))  # noqa: S314 - our own drawing
    assert root.tag == "svg"
    light = [luminance(colour) for colour in error_ramp(3)]
    assert light[SURE] > light[NOT_SURE] + 0.1 > light[SAMPLE_HERE] + 0.2
