"""Value of the next sample, against Monte Carlo, general integrals and cases made by hand."""

from __future__ import annotations

import time

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.sampling import disagreement, expected_misapplied, rank_samples
from vrx.surfaces import (
    block_krige,
    kriging_area_variance,
    kriging_covariance,
    kriging_system,
    point_krige,
)

MODEL = Variogram(model="exponential", nugget=150.0, partial_sill=900.0, range_m=90.0)


def sloped(tests: FloatArray) -> FloatArray:
    """An invented guide: 300 lb/ac at 60 ppm, falling to none at 160, with a step at 120."""
    return np.clip((160.0 - tests) * 3.0, 0.0, 300.0) + np.where(tests < 120.0, 40.0, 0.0)


def classes(tests: FloatArray) -> FloatArray:
    return np.where(tests < 120.0, 200.0, 0.0)


class Ground:
    """A small field: samples, cells, candidates, and the posterior of the true soil test."""

    def __init__(self, seed: int, samples: int = 12, cells: int = 8) -> None:
        generator = np.random.default_rng(seed)
        self.places = generator.uniform(0.0, 400.0, (samples, 2))
        self.values = generator.normal(125.0, 25.0, samples)
        side = (np.arange(cells) + 0.5) * 400.0 / cells
        east, north = np.meshgrid(side, side)
        self.cells = np.column_stack([east.ravel(), north.ravel()])
        self.system = kriging_system(places=self.places, values=self.values, variogram=MODEL)
        self.mean, _ = point_krige(system=self.system, targets=self.cells)
        self.cov = kriging_covariance(system=self.system, first=self.cells, second=self.cells)
        self.acres = np.full(len(self.cells), 0.62)

    def ranked(self, rates=sloped, count: int = 5, **more: float):
        return rank_samples(
            mean=self.mean, variance=np.diagonal(self.cov).copy(), cross=self.cov,
            between=self.cov, noise=MODEL.nugget, acres=self.acres, rates=rates, count=count,
            **more,
        )


def test_the_chance_of_a_limit_between_truth_and_map_is_that_of_the_bivariate_normal() -> None:
    # Reference: SciPy's multivariate normal distribution function.
    for h in (-2.1, -0.4, 0.0, 0.7, 1.9):
        for q in (0.02, 0.3, 0.5, 0.9, 0.99):
            rho = np.sqrt(1.0 - q)
            both = multivariate_normal.cdf([h, h / rho], mean=[0, 0], cov=[[1, rho], [rho, 1]])
            map_below, truth_below = disagreement(np.array(h), np.array(q))
            assert map_below == pytest.approx(norm.cdf(h / rho) - both, abs=2e-6)
            assert truth_below == pytest.approx(norm.cdf(h) - both, abs=2e-6)


def test_without_a_sample_to_come_the_chance_is_the_tail_beyond_the_limit() -> None:
    limits = np.array([-1.5, -0.2, 0.3, 2.0])
    map_below, truth_below = disagreement(limits, np.ones(4))
    assert np.allclose(map_below + truth_below, norm.cdf(-np.abs(limits)), atol=1e-12)
    none_left = disagreement(limits, np.zeros(4))
    assert np.allclose(none_left[0] + none_left[1], 0.0, atol=1e-12)


@pytest.mark.parametrize("rates", [sloped, classes])
def test_expected_misapplied_equals_drawing_maps_and_truths(rates) -> None:
    # Reference: brute force, 400,000 draws of (map to come, truth) a cell.
    mean = np.array([90.0, 118.0, 121.0, 150.0, 210.0])
    variance = np.array([400.0, 900.0, 100.0, 625.0, 400.0])
    left = variance * np.array([1.0, 0.5, 0.2, 0.8, 0.05])
    found = expected_misapplied(mean=mean, variance=variance, left=left, rates=rates)
    draws = np.random.default_rng(4).normal(size=(2, 400_000, 5))
    maps = mean + np.sqrt(variance - left) * draws[0]
    truth = np.maximum(maps + np.sqrt(left) * draws[1], 0.0)
    missed = np.abs(rates(truth) - rates(np.maximum(maps, 0.0)))
    error = missed.std(axis=0) / np.sqrt(len(missed))
    assert (np.abs(found - missed.mean(axis=0)) <= 4.0 * error + 0.004 * found + 1e-6).all()


def test_a_pound_too_much_and_a_pound_too_little_are_priced_apart() -> None:
    mean, variance, left = np.array([110.0, 140.0]), np.full(2, 600.0), np.array([600.0, 250.0])
    found = expected_misapplied(
        mean=mean, variance=variance, left=left, rates=sloped, usd_per_lb_over=0.4,
        usd_per_lb_short=1.1,
    )
    draws = np.random.default_rng(9).normal(size=(2, 400_000, 2))
    maps = mean + np.sqrt(variance - left) * draws[0]
    wrong = sloped(maps) - sloped(maps + np.sqrt(left) * draws[1])
    cost = np.where(wrong > 0, 0.4 * wrong, -1.1 * wrong)
    assert found == pytest.approx(cost.mean(axis=0), rel=0.01)


def test_the_rank_one_update_is_kriging_with_the_sample_added() -> None:
    # Reference: the kriging system factorised anew with all picked samples in it.
    ground = Ground(1)
    ranking = ground.ranked(count=4)
    picked = ground.cells[list(ranking.chosen)]
    again = kriging_system(
        places=np.vstack([ground.places, picked]), values=np.zeros(len(ground.places) + 4),
        variogram=MODEL,
    )
    fresh = kriging_area_variance(system=again, places=ground.cells)
    assert np.abs(fresh - ranking.variance_after).max() < 1e-9 * MODEL.partial_sill


def test_the_covariance_of_errors_is_block_krigings_variance_on_its_diagonal() -> None:
    # A block of one point has point-to-point covariance and no nugget: the area variance.
    ground = Ground(2)
    own = kriging_area_variance(system=ground.system, places=ground.cells)
    assert np.allclose(own, np.diagonal(ground.cov), atol=1e-9)
    for at in (0, 17, 40):
        _, variance = block_krige(system=ground.system, points=ground.cells[at:at + 1])
        assert own[at] == pytest.approx(variance, abs=1e-9)
    pair = ground.cells[[3, 30]]
    _, of_both = block_krige(system=ground.system, points=pair)
    covs = kriging_covariance(system=ground.system, first=pair, second=pair)
    assert of_both == pytest.approx(covs.mean(), abs=1e-9)


def test_the_first_gain_equals_monte_carlo_over_whole_fields() -> None:
    # Brute force: true fields and the readings of the new sample are drawn from the posterior, the
    # map is kriged again with every reading, and the misapplied pounds are counted.
    ground = Ground(3, samples=9, cells=5)
    ranking = ground.ranked(count=1)
    generator = np.random.default_rng(11)
    root = np.linalg.cholesky(ground.cov + 1e-9 * np.eye(len(ground.cov)))
    truth = ground.mean + generator.normal(size=(60_000, len(ground.mean))) @ root.T
    at = ranking.chosen[0]
    reading = truth[:, at] + generator.normal(0.0, np.sqrt(MODEL.nugget), len(truth))
    # Kriging is linear in the readings: the map is that with reading 0 plus reading times its
    # change per unit.
    places = np.vstack([ground.places, ground.cells[at] + 1e-6])
    maps = [
        point_krige(
            system=kriging_system(places=places, values=np.append(ground.values, one),
                                  variogram=MODEL), targets=ground.cells + 1e-4, filtered=False)[0]
        for one in (0.0, 1.0)
    ]
    drawn = maps[0] + reading[:, None] * (maps[1] - maps[0])
    before = np.abs(sloped(truth) - sloped(ground.mean)) @ ground.acres
    after = np.abs(sloped(truth) - sloped(drawn)) @ ground.acres
    for figure, draws in ((ranking.loss_before, before), (ranking.loss_after[0], after)):
        assert abs(figure - draws.mean()) < 4.0 * draws.std() / np.sqrt(len(draws)) + 0.004 * figure


def test_expected_misapplied_falls_with_every_sample_and_never_rises() -> None:
    for seed in range(6):
        ground = Ground(20 + seed)
        ranking = ground.ranked(count=12)
        assert ranking.monotone
        assert (ranking.gain > 0).all()
        assert (np.diff(np.append(ranking.loss_before, ranking.loss_after)) < 0).all()
        assert ranking.first_gain.min() >= -1e-9 * ranking.loss_before
        assert ranking.gain[0] == pytest.approx(ranking.first_gain.max())


def test_greedy_picks_are_near_the_best_pair_of_all() -> None:
    ground = Ground(31, samples=7, cells=5)
    ranking = ground.ranked(count=2)
    best = np.inf
    for first in range(25):
        for second in range(first + 1, 25):
            pair = [first, second]
            noisy = ground.cov[np.ix_(pair, pair)] + MODEL.nugget * np.eye(2)
            fall = ground.cov[:, pair] @ np.linalg.solve(noisy, ground.cov[pair])
            left = np.diagonal(ground.cov) - np.diagonal(fall)
            loss = expected_misapplied(
                mean=ground.mean, variance=np.diagonal(ground.cov).copy(), left=left, rates=sloped)
            best = min(best, float(loss @ ground.acres))
    assert best <= ranking.loss_after[1] * (1 + 1e-9)
    assert ranking.loss_before - ranking.loss_after[1] > 0.95 * (ranking.loss_before - best)


def test_the_first_point_sits_where_reading_and_gap_meet() -> None:
    # Hand-made: one line of cells. In the west the test is far above every limit, in the middle it
    # is densely sampled, in the east it lies at the limit and nothing was sampled.
    east = np.arange(5.0, 600.0, 10.0)
    cells = np.column_stack([east, np.zeros_like(east)])
    sampled = np.array([[x, 0.0] for x in (200.0, 230.0, 260.0, 290.0, 320.0)])
    system = kriging_system(
        places=sampled, values=np.zeros(5),
        variogram=Variogram(model="spherical", nugget=20.0, partial_sill=400.0, range_m=120.0))
    cov = kriging_covariance(system=system, first=cells, second=cells)
    mean = np.where(east < 190.0, 300.0, 120.0)
    ranking = rank_samples(
        mean=mean, variance=np.diagonal(cov).copy(), cross=cov, between=cov, noise=20.0,
        acres=np.full(len(cells), 0.25), rates=classes, count=3)
    first = east[ranking.chosen[0]]
    # Best covers the gap from the last sample's reach to the edge: its middle.
    assert 400.0 < first < 520.0
    assert all(east[one] > 190.0 for one in ranking.chosen)


def test_a_gap_between_two_samples_is_filled_in_its_middle() -> None:
    east = np.arange(0.0, 401.0, 10.0)
    cells = np.column_stack([east, np.zeros_like(east)])
    system = kriging_system(
        places=np.array([[0.0, 0.0], [400.0, 0.0]]), values=np.zeros(2),
        variogram=Variogram(model="exponential", nugget=10.0, partial_sill=400.0, range_m=150.0))
    cov = kriging_covariance(system=system, first=cells, second=cells)
    ranking = rank_samples(
        mean=np.full(41, 120.0), variance=np.diagonal(cov).copy(), cross=cov, between=cov,
        noise=10.0, acres=np.ones(41), rates=classes, count=1)
    assert east[ranking.chosen[0]] == 200.0


def test_a_flat_rate_makes_no_sample_worth_anything() -> None:
    ranking = Ground(5).ranked(rates=lambda tests: np.full_like(tests, 60.0))
    assert ranking.chosen == ()
    assert ranking.loss_before == 0.0


def test_a_sample_that_costs_more_than_it_saves_is_not_taken() -> None:
    ground = Ground(6)
    all_of_them = ground.ranked(count=20)
    few = ground.ranked(count=20, least_gain=float(all_of_them.gain[4]))
    assert 0 < len(few.chosen) < len(all_of_them.chosen)
    assert (few.gain > all_of_them.gain[4]).all()


def test_a_rate_that_rises_and_falls_is_said_to_be_an_upper_bound() -> None:
    ranking = Ground(7).ranked(rates=lambda t: 100.0 - np.abs(t - 125.0), count=1)
    assert not ranking.monotone


def test_order_and_place_of_the_frame_do_not_matter() -> None:
    ground = Ground(8)
    ranking = ground.ranked(count=3)
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    places, cells = ground.places @ turn + 1e5, ground.cells @ turn + 1e5
    system = kriging_system(places=places, values=ground.values, variogram=MODEL)
    cov = kriging_covariance(system=system, first=cells, second=cells)
    mean, _ = point_krige(system=system, targets=cells)
    mixed = np.random.default_rng(0).permutation(len(cells))
    again = rank_samples(
        mean=mean[mixed], variance=np.diagonal(cov)[mixed], cross=cov[np.ix_(mixed, mixed)],
        between=cov[np.ix_(mixed, mixed)], noise=MODEL.nugget, acres=ground.acres, rates=sloped,
        count=3)
    assert [int(mixed[one]) for one in again.chosen] == list(ranking.chosen)
    assert np.allclose(again.loss_after, ranking.loss_after, rtol=1e-8)


@pytest.mark.parametrize(("what", "value"), [
    ("mean", np.array([np.nan])), ("variance", np.array([-1.0])), ("acres", np.ones(3))])
def test_what_cannot_be_ranked_is_refused(what: str, value: FloatArray) -> None:
    held = {"mean": np.zeros(1), "variance": np.ones(1), "cross": np.ones((1, 1)),
            "between": np.ones((1, 1)), "acres": np.ones(1), what: value}
    with pytest.raises(ComputeError) as err:
        rank_samples(**held, noise=0.1, rates=sloped, count=1)  # type: ignore[arg-type]
    assert err.value.code == "sampling-shapes"


def test_a_rate_function_that_gives_no_number_is_refused() -> None:
    with pytest.raises(ComputeError) as err:
        Ground(9).ranked(rates=lambda tests: tests * np.nan)
    assert err.value.code == "sampling-rate"


def test_sixty_five_hectares_are_ranked_within_seconds() -> None:
    generator = np.random.default_rng(0)
    side = np.arange(10.0, 806.0, 20.0)
    east, north = np.meshgrid(side, side)
    cells = np.column_stack([east.ravel(), north.ravel()])
    candidates = cells[generator.choice(len(cells), 500, replace=False)]
    places = generator.uniform(0.0, 806.0, (60, 2))
    begun = time.perf_counter()
    system = kriging_system(places=places, values=generator.normal(size=60), variogram=MODEL)
    ranking = rank_samples(
        mean=generator.normal(125.0, 25.0, len(cells)),
        variance=kriging_area_variance(system=system, places=cells),
        cross=kriging_covariance(system=system, first=candidates, second=cells),
        between=kriging_covariance(system=system, first=candidates, second=candidates),
        noise=MODEL.nugget, acres=np.full(len(cells), 0.1), rates=sloped, count=10)
    seconds = time.perf_counter() - begun
    assert len(ranking.chosen) == 10
    assert seconds < 6.0, f"{seconds:.2f} s for {len(cells)} cells and 500 candidates"
