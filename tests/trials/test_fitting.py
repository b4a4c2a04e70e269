"""Fits of response functions against published trials, and against planted truth.

Sources: alfalfa, Iowa 1952 (Heady, Pesek and Brown 1955) and clover, Dipton (Sinclair et al.), both
from the agridat collection; the check values were computed with another program's least squares.
"""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from vrx.errors import ComputeError
from vrx.trials import FORMS, fit_response, yield_at

IOWA = "data/heady.fertilizer.txt"
DIPTON = "data/sinclair.clover.txt"
# Mean yields t/ha of clover at P 160, five S rates (kg/ha): the units do not matter to a fit.
CLOVER_S = np.array([0.0, 11.25, 22.5, 45.0, 90.0])
CLOVER = np.array([4.75, 6.59, 9.04, 10.22, 10.53])


def _iowa(shared: Callable[[str], Path], p: int) -> tuple[np.ndarray, np.ndarray]:
    with shared(IOWA).open(newline="") as stream:
        rows = [one for one in csv.DictReader(stream, delimiter="\t")
                if one["crop"] == "alfalfa" and one["P"] == str(p)]
    return (np.array([float(one["K"]) for one in rows]),
            np.array([float(one["yield"]) for one in rows]))


def _fit(x: np.ndarray, y: np.ndarray, form: str) -> object:
    return fit_response(x, y, form=form, nutrient="K2O", source="test")


@pytest.mark.shared_data
@pytest.mark.parametrize(("form", "terms", "sse"), [
    ("quadratic", {"a": 1.60991, "b": 0.0120716, "c": -3.35701e-5}, 1.6797),
    ("linear-plateau", {"a": 1.390, "b": 0.021875, "join": 49.2}, 1.7632),
    ("quadratic-plateau", {"a": 1.390, "b": 0.0305526, "c": -2.16939e-4}, 1.7632),
])
def test_iowa_without_phosphorus(
    shared: Callable[[str], Path], form: str, terms: dict[str, float], sse: float
) -> None:
    x, y = _iowa(shared, 0)
    assert x.size == 18
    found = fit_response(x, y, form=form, nutrient="K2O", source="Iowa 1952")
    assert dict(found.terms) == pytest.approx(terms, rel=1e-3)
    assert found.sse == pytest.approx(sse, abs=6e-5)
    assert found.response is not None


@pytest.mark.shared_data
def test_iowa_with_phosphorus_shows_no_response_and_none_is_invented(
    shared: Callable[[str], Path],
) -> None:
    x, y = _iowa(shared, 160)
    for form in FORMS:
        found = fit_response(x, y, form=form, nutrient="K2O", source="Iowa 1952")
        assert found.response is None, form
        assert found.why


@pytest.mark.shared_data
def test_the_clover_means_are_those_of_the_collection(shared: Callable[[str], Path]) -> None:
    with shared(DIPTON).open(newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t"))
    for rate, mean in zip(CLOVER_S, CLOVER, strict=True):
        held = [float(one["yield"]) for one in rows
                if float(one["P"]) == 160 and float(one["S"]) == rate]
        assert np.mean(held) == pytest.approx(mean, abs=0.006)


@pytest.mark.parametrize(("form", "terms", "sse"), [
    ("linear-plateau", {"a": 4.6483, "b": 0.190667, "join": 30.035}, 0.11007),
    ("quadratic-plateau", {"a": 4.6184, "b": 0.235907}, 0.30491),
    ("mitscherlich", {"a": 10.790, "b": 6.215, "c": 0.047435}, 0.5462),
    ("quadratic", {"a": 4.82985, "b": 0.192668, "c": -1.443789e-3}, 0.5540),
])
def test_sulfur_on_clover(form: str, terms: dict[str, float], sse: float) -> None:
    found = fit_response(CLOVER_S, CLOVER, form=form, nutrient="S", source="Dipton")
    assert {key: found.terms[key] for key in terms} == pytest.approx(terms, rel=2e-4)
    assert found.sse == pytest.approx(sse, rel=2e-4)
    if form == "quadratic-plateau":
        assert -found.terms["b"] / 2 / found.terms["c"] == pytest.approx(49.317, abs=0.002)


@pytest.mark.parametrize("form", FORMS)
def test_an_exact_curve_comes_back(form: str) -> None:
    terms = {"quadratic": (2.0, 0.02, -5e-5), "quadratic-plateau": (2.0, 0.02, -5e-5),
             "linear-plateau": (2.0, 0.02, 110.0), "mitscherlich": (5.0, 3.0, 0.015),
             "square-root": (2.0, -0.003, 0.12)}[form]
    x = np.arange(0.0, 361.0, 30.0)
    formula = {
        "quadratic": lambda x, a, b, c: a + b * x + c * x * x,
        "quadratic-plateau": lambda x, a, b, c: np.where(
            x < -b / 2 / c, a + b * x + c * x * x, a - b * b / 4 / c),
        "linear-plateau": lambda x, a, b, join: a + b * np.where(x < join, x, join),
        "mitscherlich": lambda x, a, b, c: a - b * np.exp(-c * x),
        "square-root": lambda x, a, b, c: a + b * x + c * x**0.5,
    }[form]
    y = formula(x, *terms)
    found = fit_response(x, y, form=form, nutrient="K2O", source="planted")
    assert found.response is not None
    assert tuple(found.terms.values()) == pytest.approx(terms, rel=1e-4)
    assert yield_at(found.response, x) == pytest.approx(y, abs=1e-6)


@settings(max_examples=30)
@given(seed=st.integers(0, 10_000))
def test_mitscherlich_is_never_worse_than_a_general_fitter(seed: int) -> None:
    draw = np.random.default_rng(seed)
    x = np.repeat([0.0, 40, 80, 120, 200], 3)
    y = 6 - 2.5 * np.exp(-0.02 * x) + draw.normal(0, 0.3, x.size)
    found = fit_response(x, y, form="mitscherlich", nutrient="K2O", source="planted")
    try:
        popt, _ = curve_fit(lambda x, a, b, c: a - b * np.exp(-c * x), x, y, p0=(6, 2.5, 0.02),
                            bounds=([0, 0, 1e-4], [20, 20, 1.0]))
    except RuntimeError:
        return
    other = float(((y - (popt[0] - popt[1] * np.exp(-popt[2] * x))) ** 2).sum())
    assert found.sse <= other * (1 + 1e-6)


def test_noise_rarely_passes_for_a_response() -> None:
    draw = np.random.default_rng(5)
    x = np.repeat([0.0, 50, 100, 150, 200], 4)
    shown = dict.fromkeys(FORMS, 0)
    for _ in range(100):
        y = 6 + draw.normal(0, 0.4, x.size)
        for form in FORMS:
            shown[form] += _fit(x, y, form).response is not None  # type: ignore[attr-defined]
    # p is about true only where the bend is searched for, too.
    assert all(count <= 10 for count in shown.values()), shown


@pytest.mark.parametrize(("x", "y", "said"), [
    ([0, 50, 100], [5, 6], "3,"),
    ([0, 50, -1, 60], [5, 6, 6, 6], "plot 3"),
    ([0, 50, 100, 60], [5, float("nan"), 6, 6], "plot 2"),
    ([0, 0, 50, 50, 50], [5, 5, 6, 6, 6], "5 plots of 2 rates"),
])
def test_plots_that_cannot_be_fitted_are_named(
    x: list[float], y: list[float], said: str
) -> None:
    with pytest.raises(ComputeError, match=said):
        fit_response(np.array(x, float), np.array(y, float), form="quadratic", nutrient="K2O",
                     source="test")
