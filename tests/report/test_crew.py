"""The crew's sheet: complete, self-contained, well formed, with any names and many points."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
import shapely

from vrx.model import BagLabel, CrewPlan, CrewPoint, note, warn
from vrx.report import crew_sheet

VOID = {"meta", "br", "link", "img", "hr", "input"}
EVIDENCE = "common practice, no source"


class Nesting(HTMLParser):
    """Checks that every tag that needs it is closed, in order."""

    def __init__(self, text):
        super().__init__()
        self.open, self.wrong = [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def plan_of(field, count=12, name="Kettle pivot", ranked=True):
    west, south, east, north = field.boundary.bounds
    generator = np.random.default_rng(2)
    points = []
    for k in range(1, count + 1):
        across, up = generator.uniform(0.2, 0.8, 2)
        points.append(CrewPoint(
            number=k, easting_m=west + across * (east - west),
            northing_m=south + up * (north - south),
            longitude=-85.55 + 1e-4 * k, latitude=41.93, zone="A" if k % 2 else "B",
            why=f"rank {k}: {100 - k} lb K2O" if ranked else "first sampling",
            rank=k if ranked else None, gain_lb=100.0 - k if ranked else None, plants=k == 3,
            second_bag=k == 5))
    labels = tuple(BagLabel(bag=str(k), field=name, number=k, what="soil 0 to 8 in")
                   for k in range(1, count + 1))
    return CrewPlan(
        field_name=name, layout="where it pays most", points=tuple(points), labels=labels,
        depths_in=((0.0, 8.0),), cores=10, core_radius_ft=15.0, practice=("cores: a guide (read)",),
        plant_words="top 6 in", start=(-85.55, 41.92), start_m=(west, south),
        start_words="the southwest corner", walk_m=2000.0, unsorted_walk_m=5000.0,
        ac_per_sample=3.0, taken=40,
        cautions=(f"Wet ground: stay off ({EVIDENCE})", f"Buried lines: call 811 ({EVIDENCE})"),
        findings=(note("sampling-worth", "[sampling]", "900 lb K2O expected"),
                  note("table-read", "soil.csv", "read"), warn("soil-x", "soil.csv", "a warning")))


@pytest.fixture(scope="module")
def sheet(job):
    return crew_sheet(field=job.field, plan=plan_of(job.field), run="crew-0007")


def test_the_sheet_holds_points_labels_depths_cautions_and_blanks(job, sheet):
    for one in plan_of(job.field).points:
        assert f"{one.latitude:.6f}" in sheet
        assert one.why in sheet
    assert sheet.count('class="label"') == 12
    assert "0 to 8 in" in sheet
    assert "with the 40 there are" in sheet
    assert sheet.count("date ____") == 12
    assert "Wet ground: stay off<" in sheet
    assert sheet.count(EVIDENCE) == 1
    assert "second bag" in sheet
    assert "crew-0007" in sheet
    assert "900 lb K2O expected" in sheet
    assert "a warning" in sheet
    assert "table-read" not in sheet


def test_it_needs_nothing_from_outside_and_every_tag_is_closed(sheet):
    assert not re.search(r"(src|href)=\"(?!#)", sheet)
    assert "<script" not in sheet
    assert "url(" not in sheet.replace("url(#", "")
    read = Nesting(sheet)
    assert not read.wrong
    assert not read.open


def test_equal_plans_make_equal_bytes(job, sheet):
    assert crew_sheet(field=job.field, plan=plan_of(job.field), run="crew-0007") == sheet


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "a & b\x07", "\ud800 lone", "ÅÄÖ 田"])
def test_any_name_is_text(job, name):
    field = replace(job.field, name=name)
    text = crew_sheet(field=field, plan=plan_of(field, name=name), run="x", zones=(
        (name, field.boundary),))
    text.encode()
    assert "<script>alert" not in text
    assert "\x07" not in text


@pytest.mark.parametrize("count", [1, 17, 60, 400])
def test_few_and_many_points(job, count):
    plan = plan_of(job.field, count, ranked=False)
    text = crew_sheet(field=job.field, plan=plan, run="x")
    assert text.count('class="tick"') == count
    assert ("halves" in text.split("</style>")[1]) == (count > 16)
    svg = re.search(r"<svg.*?</svg>", text, re.DOTALL)[0]
    shown = ET.fromstring(svg)  # noqa: S314 - our own drawing
    words = [one.text for one in shown.iter("text")]
    drawn = {one for one in words if one and one.isdigit() and int(one) <= count}
    left_out = re.search(r"(\d+) numbers had no room", text)
    assert len(drawn) + (int(left_out[1]) if left_out else 0) >= count


def test_ground_to_keep_off_and_the_value_of_places_are_drawn(job):
    off = shapely.Point(job.field.boundary.centroid).buffer(60)
    places = np.array([[p.easting_m, p.northing_m] for p in plan_of(job.field).points])
    text = crew_sheet(field=job.field, plan=plan_of(job.field), run="x", away=(off,),
                      worth=(places, np.linspace(0.0, 64.2, 12), "lb K2O"))
    assert "crew-map-off" in text
    assert "keep off" in text
    assert "64 lb K2O, the most" in text
    assert "worth-map" in text


def test_cautions_of_different_evidence_keep_it(job):
    plan = replace(plan_of(job.field), cautions=("One (read)", f"Two ({EVIDENCE})"))
    text = crew_sheet(field=job.field, plan=plan, run="x")
    assert "One (read)" in text
    assert f"Two ({EVIDENCE})" in text
