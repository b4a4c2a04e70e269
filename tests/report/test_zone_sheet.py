"""The sheet of zones: shapes to touch, labels that fit, colours with a legend.

Path data is read back by a small reader of its own here, from the SVG 1.1 grammar (W3C, section
8.3): M absolute, l relative, z.
"""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
import shapely

from vrx.report import zone_colours, zone_sheet
from vrx.report.colours import luminance
from vrx.report.labels import extent

BAD = "<script>alert('x')</script> & \"q\""


def shape_of(path):
    rings = []
    for ring in re.findall(r"M[^z]*z", path):
        numbers = [float(x) for x in re.findall(r"-?\d*\.?\d+", ring)]
        steps = np.array(numbers).reshape(-1, 2)
        rings.append(np.cumsum(steps, axis=0))
    return rings


def parsed(markup):
    return ET.fromstring(f"<svg>{markup}</svg>")  # noqa: S314 - our own drawing


@pytest.fixture
def frame(job):
    return zone_sheet.sheet_frame(job.field.boundary)


@pytest.fixture
def colours(job):
    def made(key, over=None):
        return zone_colours.colouring(
            key, job.zones, job.needs, over or job.prescription)

    return made


@pytest.fixture
def sheet(job, frame, colours):
    return zone_sheet.zone_sheet(
        frame, job.field, job.zones, colours("rate 1"),
        said=[f"zone {zone.letter}" for zone in job.zones.zones])


def test_a_place_goes_to_the_sheet_and_back_to_the_same_metres(job, frame):
    west, south, east, north = job.field.boundary.bounds
    places = np.random.default_rng(1).uniform((west, south), (east, north), (200, 2))
    on_sheet = frame.places(places)
    assert (on_sheet > 0).all()
    assert (on_sheet < (frame.width, frame.height)).all()
    for place, (across, down) in zip(places, on_sheet, strict=True):
        # 1e-9 m of a few hundred: the last bits of double precision.
        assert np.abs(zone_sheet.place_m(frame, across, down) - place).max() < 1e-9


def test_every_corner_of_a_zone_is_drawn_within_a_hundredth_of_a_unit(job, frame, sheet):
    for zone in job.zones.zones:
        path = parsed(sheet.shapes[zone.zone_id]).find(".//path").get("d")
        rings = shape_of(path)
        parts = shapely.get_parts(zone.polygon)
        own = [ring for part in parts for ring in (part.exterior, *part.interiors)]
        assert len(rings) == len(own)
        for drawn, ring in zip(rings, own, strict=True):
            true = frame.places(shapely.get_coordinates(ring)[:-1])
            assert drawn.shape == true.shape
            assert np.abs(drawn - true).max() <= 0.005 + 1e-9


def test_neighbours_draw_a_shared_corner_at_the_very_same_place(job, frame, sheet):
    drawn = {}
    for zone in job.zones.zones:
        path = parsed(sheet.shapes[zone.zone_id]).find(".//path").get("d")
        corners = np.vstack(shape_of(path))
        true = shapely.get_coordinates(zone.polygon)
        true = np.vstack([shapely.get_coordinates(ring)[:-1] for part in
                          shapely.get_parts(zone.polygon)
                          for ring in (part.exterior, *part.interiors)])
        for place, at in zip(map(tuple, true), np.round(corners, 2), strict=True):
            drawn.setdefault(place, set()).add(tuple(at))
    assert max(len(one) for one in drawn.values()) == 1
    assert len(drawn) > 300


def test_each_zone_is_one_option_with_its_words(job, sheet):
    for zone in job.zones.zones:
        [group] = parsed(sheet.shapes[zone.zone_id])
        assert group.get("id") == f"zone-{zone.zone_id}"
        assert group.get("data-zone") == str(zone.zone_id)
        assert group.get("role") == "option"
        assert group.get("tabindex") == "-1"
        assert group.get("aria-label") == f"zone {zone.letter}"


def test_texts_are_escaped(job, frame):
    zone = job.zones.zones[0]
    shape = zone_sheet.zone_shape(
        frame, zone_id=1, polygon=zone.polygon, fill="#ffffff", said=BAD, letter=BAD)
    label = zone_sheet.zone_label(
        frame, zone_id=1, polygon=zone.polygon, letter=BAD, text=BAD)
    for markup in (shape, label):
        assert "<script" not in markup
        parsed(markup)


def test_a_label_fits_inside_its_zone_from_its_enlargement_on(job, frame, sheet):
    for zone in job.zones.zones:
        [group] = parsed(sheet.labels[zone.zone_id])
        shape = frame.geometry(zone.polygon)
        for part, key in (("both", "data-both"), ("letter", "data-letter")):
            [inner] = [one for one in group if one.get("data-part") == part]
            place = inner.find("g")
            across, down = map(float, re.findall(r"-?[\d.]+", place.get("transform")))
            lines = [one.text for one in place.findall("text")]
            wide, tall = extent(lines, zone_sheet.LETTER)
            # At the enlargement that the label asks for, the text is that much smaller on the map.
            need = float(group.get(key)) * 1.002
            box = shapely.box(across - wide / need / 2, down - tall / need / 2,
                              across + wide / need / 2, down + tall / need / 2)
            assert shape.buffer(0.01).contains(box), (zone.letter, part)
    assert float(group.get("data-letter")) <= float(group.get("data-both")) * 1.05


def test_what_does_not_fit_is_not_displayed(crowded):
    frame = zone_sheet.sheet_frame(crowded.field.boundary)
    colours = zone_colours.colouring("acres", crowded.zones, crowded.needs, crowded.prescription)
    sheet = zone_sheet.zone_sheet(frame, crowded.field, crowded.zones, colours,
                                  said=["" for _ in crowded.zones.zones])
    shown = []
    for markup in sheet.labels.values():
        [group] = parsed(markup)
        inner = {one.get("data-part"): one.get("display") != "none" for one in group}
        assert inner["both"] == (float(group.get("data-both")) <= 1.0)
        assert not (inner["both"] and inner["letter"])
        shown.append(inner["both"] or inner["letter"])
    assert any(shown)


def test_every_choice_of_colouring_has_one_text_and_colour_a_zone(job, colours):
    choices = zone_colours.choices(job.needs, job.prescription)
    assert len(choices) == 2 * len(job.prescription.passes) + len(job.needs) + 1
    for key, words in choices:
        made = colours(key)
        assert made.key == key
        assert words
        assert len(made.fills) == len(made.texts) == len(job.zones.zones)


def test_more_is_darker_and_the_legend_holds_all_acres(job, colours):
    for key, values in (
        ("rate 1", job.prescription.passes[0].rates),
        ("need K2O", np.array([one.lb_per_ac for one in job.needs["K2O"]])),
    ):
        made = colours(key)
        shades = np.array([luminance(one) for one in made.fills])
        order = np.argsort(values, kind="stable")
        assert (np.diff(shades[order]) <= 1e-12).all()
        acres = [float(re.search(r"([\d.]+) ac$", said)[1]) for _, said in made.legend]
        assert sum(acres) == pytest.approx(job.zones.area_ac, abs=0.01 * len(acres))


def test_differences_are_from_the_area_weighted_mean_and_signed(job, colours):
    made = colours("apart 1")
    rates, areas = job.prescription.passes[0].rates, np.array(job.prescription.zone_area_ac)
    mean = float((rates * areas).sum() / areas.sum())
    for text, rate in zip(made.texts, rates, strict=True):
        told = float(text.replace("−", "-").replace("+", ""))
        assert told == pytest.approx(rate - mean, abs=0.51)
        assert text == "0" or text[0] in "+−"


def test_an_unknown_choice_is_the_first_one(job, colours):
    assert colours("nonsense").key == zone_colours.choices(job.needs, job.prescription)[0][0]


def test_over_a_ground_only_outlines_and_numbers_stay(job, frame, colours):
    sheet = zone_sheet.zone_sheet(frame, job.field, job.zones, colours("rate 1"), over_ground=True,
                                  said=["" for _ in job.zones.zones])
    for markup in sheet.shapes.values():
        [group] = parsed(markup)
        assert group.get("fill") == "none"
        assert group.get("pointer-events") == "all"


def test_a_ground_has_its_map_and_a_legend_with_its_unit(job, frame):
    surface = job.surfaces["potassium"]
    made = zone_sheet.ground_layer(frame, job.field, surface, name="soil-test K, ppm")
    assert "data:image/png;base64," in made.markup
    assert 2 <= len(made.legend) <= 6
    assert all(words.endswith("ppm") for _, words in made.legend)
    error = zone_sheet.ground_layer(frame, job.field, surface, name="K", error=True)
    assert error.title == "Standard error of K"
    flat = replace(surface, values=np.full(surface.grid.shape, 120.0))
    assert zone_sheet.ground_layer(frame, job.field, flat, name="K").legend[0][1].endswith(
        "everywhere")


def test_samples_stand_at_their_places_with_their_readings(job, frame):
    made = zone_sheet.samples_layer(frame, job.soil, "potassium")
    marks = parsed(made.markup).findall(".//g[@data-place]")
    places, values = job.soil.measured("potassium")
    assert len(marks) == len(values)
    for mark, place in zip(marks, frame.places(places), strict=True):
        at = list(map(float, re.findall(r"-?[\d.]+", mark.get("transform"))))
        assert np.abs(at - place).max() < 0.006
    names = zone_sheet.samples_layer(frame, job.soil, "")
    assert job.soil.sample_id[0] in names.markup
