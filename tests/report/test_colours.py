"""Ramps must stay in order for every eye and in grey; class edges must be round and cover."""

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import vrx.report
from vrx.report import colours

# Machado, Oliveira and Fernandes (2009), IEEE TVCG 15(6):1291, severity 1.0 (from memory).
EYES = {
    "usual": np.eye(3),
    "protan": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
                        [-0.003882, -0.048116, 1.051998]]),
    "deutan": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
                        [-0.011820, 0.042940, 0.968881]]),
}
RAMPS = {"surface": colours.surface_ramp, "rate": colours.rate_ramp, "error": colours.error_ramp}


def linear(colour):
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def lightness(colour, eye):
    """CIE 1976 L* (ISO/CIE 11664-4) of what an eye sees."""
    y = float(np.clip(EYES[eye] @ linear(colour), 0, 1) @ [0.2126, 0.7152, 0.0722])
    return 116 * y ** (1 / 3) - 16 if y > (6 / 29) ** 3 else y * (29 / 3) ** 3


def contrast(one, other):
    """Contrast ratio of WCAG 2.1."""
    light, dark = sorted((colours.luminance(one), colours.luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("ramp", RAMPS)
@pytest.mark.parametrize("count", [2, 3, 4, 5, 6])
def test_dark_means_more_for_every_eye_and_in_grey(ramp, eye, count):
    steps = -np.diff([lightness(c, eye) for c in RAMPS[ramp](count)])
    assert steps.min() > 7.5


@pytest.mark.parametrize("ramp", RAMPS)
def test_a_single_class_is_neither_paper_nor_ink(ramp):
    (only,) = RAMPS[ramp](1)
    assert 0.05 < colours.luminance(only) < 0.85


def test_luminance_against_the_grey_everyone_quotes():
    # WCAG 2.1, success criterion 1.4.3: #767676 is the lightest grey that reaches 4.5 on white.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


def test_cividis_ends_are_the_published_ones():
    # Nunez, Anderton and Renslow (2018): dark blue 0,34,78 to yellow 254,232,56 (of 255).
    ramp = colours.surface_ramp(6)
    assert (ramp[0], ramp[-1]) == ("#fee838", "#00224e")


def test_text_colours_of_the_page_can_be_read():
    css = Path(vrx.report.__file__).with_name("templates").joinpath("page.css").read_text()
    named = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", css))
    for fore, back in (("ink", "paper"), ("soft", "paper"), ("clay", "clay-pale"),
                       ("deep", "paper"), ("clay", "paper"), ("ink", "faint")):
        assert contrast(named[fore], named[back]) >= 4.5


@given(
    low=st.floats(-500, 3000), span=st.one_of(st.just(0.0), st.floats(1e-3, 3000)),
    parts=st.lists(st.floats(0, 1), min_size=1, max_size=8),
)
@settings(derandomize=True, max_examples=40, deadline=None)
def test_classes_are_few_round_and_cover(low, span, parts):
    values = np.array([low, low + span, *(low + span * p for p in parts)])
    classes = colours.nice_classes(values)
    assert 1 <= classes.count <= 6
    room = 1e-6 * max(1.0, abs(low) + span)
    assert classes.edges[0] <= values.min() + room
    assert classes.edges[-1] >= values.max() - room
    if span > 1e-6 * max(1.0, abs(low)):
        assert np.allclose(classes.edges, np.round(classes.edges, classes.decimals), atol=room)
    index = classes.index(values)
    assert index.min() >= 0
    assert index.max() < classes.count
    edges = np.array(classes.edges)
    assert (edges[index] <= values + room).all()
    assert (values <= edges[index + 1] + room).all()
