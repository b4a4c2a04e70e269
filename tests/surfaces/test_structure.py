"""Structure and trend tests: their level and power on seeded fields, what must not move them."""

from __future__ import annotations

import math
import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from vrx.errors import ComputeError
from vrx.model import Variogram
from vrx.surfaces import log_likelihood, structure_test, trend_test
from vrx.surfaces.structure import CHANCE, SHUFFLES

field = runpy.run_path(str(Path(__file__).with_name("simulated_fields.py")))["field"]
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


@pytest.mark.parametrize("kind", ["random", "grid"])
@pytest.mark.parametrize("n", [12, 30, 60])
def test_pure_nugget_seldom_shows_structure(kind: str, n: int) -> None:
    """Level 7 %: of 80 fields 5.6 are expected; 13 or more in 2 of 1,000 such tests (binomial).

    `scripts/bench/variograms.py` counts over 200 fields: 4 to 8 %.
    """
    rng = np.random.default_rng([n, kind == "grid"])
    shown = 0
    for _ in range(80):
        places, values, _, _ = field(
            truth="exponential", kind=kind, n=n, nugget_share=1.0, rng=rng
        )
        shown += structure_test(places=places, values=values).shown
    assert shown < 13


@pytest.mark.parametrize(
    ("truth", "kind", "least"),
    # What the likelihood ratio that knows the truth shows in the same study: 94, 86, 94, 95 %.
    [("spherical", "random", 50), ("spherical", "grid", 46), ("gaussian", "random", 50),
     ("gaussian", "grid", 50)],
)
def test_structure_at_half_nugget_is_mostly_shown(truth: str, kind: str, least: int) -> None:
    """60 samples, nugget share 0.5; of 60 fields 51 are 85 %."""
    rng = np.random.default_rng([7, kind == "grid"])
    shown = 0
    for _ in range(60):
        places, values, _, _ = field(truth=truth, kind=kind, n=60, nugget_share=0.5, rng=rng)
        shown += structure_test(places=places, values=values).shown
    assert shown >= least


def test_no_test_of_this_level_shows_more() -> None:
    """Neyman and Pearson (1933): against the likelihood ratio that knows range and nugget share.

    Its statistic is written out here with plain inverses; ours must come within 6 of 60 fields.
    """
    rng = np.random.default_rng(8)
    ours, known = 0, 0
    for _ in range(60):
        places, values, _, _ = field(
            truth="exponential", kind="random", n=60, nugget_share=0.5, rng=rng
        )
        ours += structure_test(places=places, values=values).shown
        distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
        inverse = np.linalg.inv(0.5 * np.exp(-distance / 150.0) + 0.5 * np.eye(60))
        unit = inverse.sum(axis=0)
        projector = inverse - np.outer(unit, unit) / unit.sum()
        each = [values, *(rng.permutation(values) for _ in range(SHUFFLES))]
        left = np.array([one @ projector @ one for one in each])
        known += (1 + np.count_nonzero(left[1:] <= left[0])) / (SHUFFLES + 1) <= CHANCE
    assert ours >= known - 6
    assert known >= 30


def test_moving_turning_reordering_and_scaling_change_nothing() -> None:
    places, values = simulated(40, 21)
    first = structure_test(places=places, values=values).p_value
    order = np.random.default_rng(1).permutation(40)
    assert structure_test(places=places[order], values=values[order]).p_value == first
    angle = 0.7
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    assert structure_test(places=places @ turn + 4e5, values=values).p_value == first
    assert structure_test(places=places, values=1e-6 * values - 3.0).p_value == first
    assert structure_test(places=1000.0 * places, values=values).p_value == first


def test_the_statistic_is_the_averaged_likelihood() -> None:
    """Against `log_likelihood`, which is itself checked against normal densities."""
    from vrx.surfaces.likelihood import trend_basis
    from vrx.surfaces.structure import TEST_RANGES, TEST_SHARES, _mean_likelihood
    from vrx.surfaces.variogram import diagonal_m

    places, values = simulated(25, 22)
    basis = trend_basis(None, 25)
    rest = values - values.mean()
    length = float(np.sqrt(rest @ rest))
    found = _mean_likelihood(places, (rest / length)[:, None], basis)[0]
    distance = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    gap = float(np.median(np.where(distance > 0, distance, np.inf).min(axis=1)))
    tops = []
    for range_m in np.geomspace(gap, diagonal_m(places) / 4.0, TEST_RANGES):
        for share in TEST_SHARES:
            def deviance(log_sill: float, share=share, range_m=float(range_m)) -> float:
                sill = math.exp(log_sill)
                return -log_likelihood(places=places, values=values, variogram=Variogram(
                    model="exponential", nugget=share * sill, partial_sill=(1 - share) * sill,
                    range_m=range_m))

            # The sill at its best, by trying.
            middle = math.log(values.var())
            found_sill = minimize_scalar(deviance, bounds=(middle - 3, middle + 3),
                                         options={"xatol": 1e-9})
            tops.append(-found_sill.fun)
    # Constants that are the same for every shuffling: of 24 contrasts and the data's length.
    constant = -0.5 * 24 * (math.log(2 * math.pi) + 1 + math.log(length**2 / 24))
    expected = np.log(np.mean(np.exp(np.array(tops) - constant)))
    assert found == pytest.approx(expected, abs=1e-6)


def test_many_samples_take_their_neighbours() -> None:
    rng = np.random.default_rng(23)
    places = rng.uniform(0.0, 800.0, (600, 2))
    smooth = np.sin(places[:, 0] / 100.0)
    assert structure_test(places=places, values=smooth + rng.normal(size=600)).p_value < 0.01
    shown = [
        structure_test(places=places, values=rng.normal(size=600)).shown for _ in range(30)
    ]
    assert sum(shown) <= 7


def test_a_layer_takes_the_structure_that_it_explains() -> None:
    """Values that follow a layer and nothing else have structure, but none beside the layer."""
    rng = np.random.default_rng(24)
    shown_beside = 0
    for _ in range(30):
        places = rng.uniform(0.0, 800.0, (50, 2))
        layer = np.sin(places[:, 0] / 120.0) + np.cos(places[:, 1] / 150.0)
        values = 40.0 * layer + rng.normal(0.0, 8.0, 50)
        assert structure_test(places=places, values=values).shown
        shown_beside += structure_test(
            places=places, values=values, drift=layer[:, None]
        ).shown
    assert shown_beside <= 6


def test_equal_values_are_refused() -> None:
    places, _ = simulated(20, 25)
    with pytest.raises(ComputeError) as caught:
        structure_test(places=places, values=np.full(20, 7.0))
    assert caught.value.code == "surface-constant"


# --- trend ------------------------------------------------------------------------------------


def test_a_trend_is_shown_with_its_slope_and_direction() -> None:
    """Truth: 6 ppm per 100 m towards the south-east (compass 135), noise of 8 ppm."""
    rng = np.random.default_rng(26)
    places = rng.uniform(0.0, 800.0, (60, 2))
    along = (places[:, 0] - places[:, 1]) / math.sqrt(2.0)
    values = 150.0 + 0.06 * along + rng.normal(0.0, 8.0, 60)
    found = trend_test(places=places, values=values)
    assert found.shown
    assert found.aicc_gain > 0.0
    assert found.slope_per_100m == pytest.approx(6.0, abs=1.0)
    assert found.direction_deg == pytest.approx(135.0, abs=10.0)
    turned = trend_test(places=places[:, ::-1] * [1.0, -1.0], values=values)
    assert turned.likelihood_ratio == pytest.approx(found.likelihood_ratio, abs=1e-4)


def test_a_stationary_field_seldom_shows_a_trend() -> None:
    """Range 150 m in 806 m; `scripts/bench/variograms.py` counts 0 to 5 %."""
    rng = np.random.default_rng(27)
    shown = 0
    for _ in range(40):
        places, values, _, _ = field(
            truth="exponential", kind="random", n=60, nugget_share=0.3, rng=rng
        )
        shown += trend_test(places=places, values=values).shown
    assert shown <= 6
