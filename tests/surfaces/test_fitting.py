"""The automatic variogram and its guards; stated variograms judged; refits; words; intervals."""

from __future__ import annotations

import math
import runpy
from pathlib import Path

import gstools
import numpy as np
import pytest

from vrx.errors import ComputeError
from vrx.model import FloatArray, Grid, Surface, Variogram
from vrx.surfaces import (
    describe,
    experimental_variogram,
    fit_reml,
    fit_variogram,
    judge_variogram,
    judgement_findings,
    kriging_system,
    map_analyte,
    outlier_refit_finding,
    point_krige,
    refit_without_outliers,
    structure_test,
    trend_test,
    variance_factor,
    with_allowance,
)
from vrx.surfaces.fitting import MOST_REML
from vrx.surfaces.samples import outlier_limit
from vrx.surfaces.telling import reach_words

HERE = Path(__file__)
field = runpy.run_path(str(HERE.with_name("simulated_fields.py")))["field"]
simulated = runpy.run_path(str(HERE.with_name("simulated.py")))["simulated"]
GRID = Grid(west_m=0.0, north_m=800.0, cell_m=40.0, rows=20, columns=20)
TRUTH = Variogram(model="exponential", nugget=120.0, partial_sill=400.0, range_m=150.0)


def cells() -> FloatArray:
    east, north = np.meshgrid(GRID.easting_m, GRID.northing_m)
    return np.column_stack([east.ravel(), north.ravel()])


# --- automatic fit -----------------------------------------------------------------------------


def test_the_choice_is_never_less_likely_than_the_exponential_model() -> None:
    for seed in range(6):
        places, values = simulated(40, 40 + seed)
        plain = fit_reml(places=places, values=values)
        chosen = fit_variogram(places=places, values=values)
        assert chosen.likelihood_ratio >= plain.likelihood_ratio
        if chosen.variogram.model != "exponential":
            assert chosen.likelihood_ratio > plain.likelihood_ratio + 2.0


def test_a_very_smooth_field_takes_the_smooth_model() -> None:
    rng = np.random.default_rng(50)
    smooth = 0
    for _ in range(10):
        places, values, _, _ = field(
            truth="gaussian", kind="random", n=80, nugget_share=0.05, rng=rng
        )
        smooth += fit_variogram(places=places, values=values).variogram.model == "matern-3/2"
    assert smooth >= 8


def test_directions_are_taken_only_where_many_samples_show_them() -> None:
    places, values = simulated(150, 51)
    squeezed = places * [1.0, 0.2]
    assert fit_variogram(places=squeezed, values=values).variogram.anisotropy_ratio > 2.0
    few = fit_variogram(places=squeezed[:90], values=values[:90])
    assert few.variogram.anisotropy_ratio == 1.0


def test_many_samples_take_least_squares_also_beside_a_trend() -> None:
    places, values = simulated(MOST_REML + 50, 52)
    fit = fit_variogram(places=places, values=values)
    assert fit.method == "WLS"
    assert fit.variogram.nugget + fit.variogram.partial_sill == pytest.approx(520.0, rel=0.3)
    sloped = fit_variogram(places=places, values=values + 0.5 * places[:, 0], drift=places / 100.0)
    assert sloped.variogram.nugget + sloped.variogram.partial_sill < 800.0


def test_experimental_variogram_equals_that_of_a_general_library() -> None:
    """GSTools `vario_estimate`, Matheron, the same classes; its gamma is per pair halved too."""
    places, values = simulated(70, 53)
    lag_m, gamma, pairs = experimental_variogram(places=places, values=values, cutoff_m=375.0)
    edges = np.linspace(0.0, 375.0, 16)
    _, other, count = gstools.vario_estimate(
        tuple(places.T), values, edges, return_counts=True
    )
    np.testing.assert_array_equal(pairs, count)
    np.testing.assert_allclose(gamma, other, rtol=1e-12)
    assert (lag_m > edges[:-1]).all()
    assert (lag_m <= edges[1:]).all()


@pytest.mark.parametrize(
    ("values", "code"),
    [
        (np.arange(7.0), "surface-few-for-variogram"),
        (np.full(20, 3.0), "surface-few-for-variogram"),
        (np.tile([1.0, 2.0, 3.0], 7), "surface-few-for-variogram"),
        (np.append(np.arange(19.0), np.nan), "surface-not-finite"),
        (np.append(np.arange(19.0), np.inf), "surface-not-finite"),
        (np.empty(0), "surface-shape"),
    ],
)
def test_what_carries_no_variogram_is_refused(values: FloatArray, code: str) -> None:
    places = np.random.default_rng(54).uniform(0.0, 800.0, (len(values), 2))
    with pytest.raises(ComputeError) as caught:
        fit_variogram(places=places, values=values)
    assert caught.value.code == code


def test_places_that_are_none_are_refused() -> None:
    places, values = simulated(20, 56)
    lost = places.copy()
    lost[3, 1] = np.nan
    for one, code in (
        (lost, "surface-not-finite"), (np.zeros((20, 2)), "surface-few-for-variogram"),
        (places[:, :1], "surface-shape"),
    ):
        with pytest.raises(ComputeError) as caught:
            fit_variogram(places=one, values=values)
        assert caught.value.code == code
    for test in (structure_test, trend_test):
        with pytest.raises(ComputeError) as caught:
            test(places=lost, values=values)
        assert caught.value.code == "surface-not-finite"


@pytest.mark.parametrize("case", ["line", "pairs", "huge", "tiny", "corner", "trend", "coarse"])
def test_awkward_samples_give_a_variogram_that_is_one(case: str) -> None:
    places, values = simulated(40, 55)
    if case == "line":
        places = np.column_stack([places[:, 0], np.full(40, 5.0)])
    elif case == "pairs":
        places = np.vstack([places[:20], places[:20] + 0.02])
    elif case == "huge":
        values = np.append(values[:-1], 1e9)
    elif case == "tiny":
        values = 1e-9 * values
    elif case == "corner":
        places = np.vstack([places[:38] / 100.0, [[800.0, 800.0], [790.0, 800.0]]])
    elif case == "trend":
        values = values + 5.0 * places[:, 0]
    else:
        values = np.round(values / 25.0) * 25.0
    fit = fit_variogram(places=places, values=values)
    one = fit.variogram
    assert one.nugget >= 0.0
    assert one.partial_sill >= 0.0
    assert one.nugget + one.partial_sill > 0.0
    assert 0.0 < one.range_m < 1e5
    assert math.isfinite(fit.log_likelihood)
    assert describe(fit=fit, n=40, unit="ppm")


# --- a stated variogram ------------------------------------------------------------------------


def test_a_stated_variogram_is_judged_beside_the_fitted_one() -> None:
    places, values = simulated(60, 60)
    fit = fit_variogram(places=places, values=values)
    same = judge_variogram(places=places, values=values, stated=fit.variogram)
    assert same.automatic is not None
    assert same.automatic_left_out is not None
    assert same.stated_left_out.rmse == pytest.approx(same.automatic_left_out.rmse)
    assert same.likelihood_loss == pytest.approx(0.0, abs=1e-6)
    truth = judge_variogram(places=places, values=values, stated=TRUTH)
    # The fit is the likeliest: whatever is stated loses.
    assert truth.likelihood_loss is not None
    assert truth.likelihood_loss >= -1e-6
    told = judgement_findings(judgement=truth, analyte="potassium", unit="ppm", places=places)
    assert [one.code for one in told] == ["surface-variogram-stated"]
    # Left out by hand: kriging of each sample from the others.
    misses = []
    for i in range(60):
        rest = np.arange(60) != i
        system = kriging_system(places=places[rest], values=values[rest], variogram=TRUTH)
        misses.append(values[i] - point_krige(system=system, targets=places[i : i + 1])[0][0])
    assert truth.stated_left_out.rmse == pytest.approx(np.sqrt(np.mean(np.square(misses))))


@pytest.mark.parametrize(
    ("stated", "why"),
    [
        (Variogram(model="spherical", nugget=0.001, partial_sill=0.001, range_m=5.0), "too small"),
        (Variogram(model="spherical", nugget=9e5, partial_sill=9e5, range_m=100.0), "too large"),
        (Variogram(model="exponential", nugget=120.0, partial_sill=400.0, range_m=5e4), "in feet"),
    ],
)
def test_an_unsuitable_variogram_is_doubted(stated: Variogram, why: str) -> None:
    places, values = simulated(60, 61)
    judged = judge_variogram(places=places, values=values, stated=stated)
    told = judgement_findings(judgement=judged, analyte="potassium", unit="ppm", places=places)
    assert told[-1].code == "surface-variogram-doubtful"
    assert why in told[-1].line()


def test_a_smooth_variogram_of_noise_misses_by_more_than_the_mean() -> None:
    rng = np.random.default_rng(67)
    places, values = rng.uniform(0.0, 800.0, (40, 2)), rng.normal(150.0, 20.0, 40)
    smooth = Variogram(model="matern-3/2", nugget=1.0, partial_sill=400.0, range_m=300.0)
    judged = judge_variogram(places=places, values=values, stated=smooth)
    told = judgement_findings(judgement=judged, analyte="potassium", unit="ppm", places=places)
    assert "the field mean misses by less" in told[-1].line()


@pytest.mark.parametrize(
    "wrong",
    [
        {"nugget": -1.0}, {"partial_sill": math.nan}, {"range_m": 0.0}, {"anisotropy_ratio": 0.5},
        {"anisotropy_deg": math.inf}, {"error_variance": 500.0},
        {"nugget": 0.0, "partial_sill": 0.0},
    ],
)
def test_a_variogram_that_is_none_is_refused(wrong: dict[str, float]) -> None:
    places, values = simulated(20, 62)
    parts = {"nugget": 120.0, "partial_sill": 400.0, "range_m": 150.0} | wrong
    with pytest.raises(ComputeError) as caught:
        judge_variogram(
            places=places, values=values, stated=Variogram(model="exponential", **parts)
        )
    assert caught.value.code == "surface-variogram-invalid"


def mapped(places: FloatArray, values: FloatArray, **more: object) -> Surface:
    return map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values, grid=GRID,
        **more,  # type: ignore[arg-type]
    )


def test_the_map_tells_of_a_stated_variogram() -> None:
    places, values = simulated(60, 63)
    surface = mapped(places, values, variogram=TRUTH, method="kriging")
    assert surface.variogram == TRUTH
    assert surface.variance_factor == 1.0
    assert "surface-variogram-stated" in {one.code for one in surface.findings}
    assert any("as the plan states it" in words for words in surface.variogram_words)
    with pytest.raises(ComputeError) as caught:
        mapped(places, values, variogram=Variogram(
            model="exponential", nugget=-5.0, partial_sill=1.0, range_m=10.0))
    assert caught.value.code == "surface-variogram-invalid"


# --- doubtful samples --------------------------------------------------------------------------


def test_the_refit_without_an_outlier_is_the_fit_of_the_others() -> None:
    places, values = simulated(60, 64)
    wrong = values.copy()
    wrong[17] += 250.0
    fit = fit_variogram(places=places, values=wrong)
    refit = refit_without_outliers(places=places, values=wrong, fit=fit, targets=cells())
    assert refit is not None
    assert refit.index == (17,)
    assert refit.without is not None
    rest = np.arange(60) != 17
    assert refit.without.variogram == fit_variogram(
        places=places[rest], values=wrong[rest]
    ).variogram
    maps = [
        point_krige(system=kriging_system(places=p, values=v, variogram=m), targets=cells())[0]
        for p, v, m in (
            (places, wrong, fit.variogram), (places[rest], wrong[rest], refit.without.variogram),
        )
    ]
    assert refit.mean_change == pytest.approx(float(np.abs(maps[0] - maps[1]).mean()))
    names = tuple(f"S{i}" for i in range(60))
    told = outlier_refit_finding(
        refit=refit, analyte="potassium", unit="ppm", names=names, values=wrong
    ).line()
    assert "S17" in told
    assert f"{refit.mean_change:.3g} ppm" in told
    good = fit_variogram(places=places, values=values)
    assert refit_without_outliers(
        places=places, values=values, fit=good, targets=cells()
    ) is None


def test_a_billion_in_place_of_a_reading_is_shown_and_kept() -> None:
    places, values = simulated(60, 65)
    values[5] = 1e9
    surface = mapped(places, values)
    told = {one.code: one.line() for one in surface.findings}
    assert "sample no. 6" in told["surface-outlier"]
    assert np.isfinite(surface.values).all()
    if surface.method.startswith("kriging"):
        assert "sample no. 6" in told["surface-outlier-refit"]


def test_good_samples_are_seldom_doubted() -> None:
    """At 3.5 and 60 samples chance doubts one of about 36 fields (two-sided normal)."""
    doubted = 0
    for seed in range(40):
        places, values = simulated(60, 100 + seed)
        fit = fit_reml(places=places, values=values)
        doubted += refit_without_outliers(
            places=places, values=values, fit=fit, targets=cells()[:4]
        ) is not None
    assert doubted <= 5
    assert outlier_limit(60) == 3.5


# --- words -------------------------------------------------------------------------------------


def test_words_say_reach_and_noise_in_feet() -> None:
    """Practical range 3 x 100 m = 984 ft; nugget 120 of 300: 40 %, sd 11."""
    one = Variogram(model="exponential", nugget=120.0, partial_sill=180.0, range_m=100.0)
    said = reach_words(one, unit="ppm", seen_m=400.0)
    assert "closer than about 980 ft (300 m)" in said
    assert "40 % of the variance is noise at one spot (nugget), about ± 11 ppm" in said
    trend = reach_words(one, unit="ppm", seen_m=100.0)
    assert "a pattern as wide as the field" in trend
    assert "%" not in trend
    bare = Variogram(model="spherical", nugget=5.0, partial_sill=0.0, range_m=100.0)
    assert "pure nugget" in reach_words(bare, unit="ppm")
    turned = Variogram(
        model="spherical", nugget=0.0, partial_sill=5.0, range_m=300.0, anisotropy_ratio=3.0,
        anisotropy_deg=135.0,
    )
    both = reach_words(turned, unit="ppm")
    assert "980 ft (300 m) tell of each other along south-east to north-west" in both
    assert "330 ft (100 m) along south-west to north-east" in both


def test_words_hold_what_the_tests_found() -> None:
    places, values = simulated(60, 66)
    fit = fit_variogram(places=places, values=values)
    structure = structure_test(places=places, values=values)
    trend = trend_test(places=places, values=values)
    said = " ".join(describe(fit=fit, n=60, unit="ppm", structure=structure, trend=trend))
    assert ("Structure is shown" in said) == structure.shown
    assert ("No straight trend" in said) != trend.shown
    assert f"{trend.likelihood_ratio:.1f} against 9.21" in said
    assert "60 samples" in said


# --- are the intervals honest? -----------------------------------------------------------------


@pytest.mark.parametrize("n", [30, 60])
@pytest.mark.parametrize("truth", ["exponential", "spherical", "gaussian", "two scales"])
def test_nine_in_ten_intervals_hold_about_nine_in_ten(truth: str, n: int) -> None:
    """40 fields of 60 new samples, nugget share 0.3; `scripts/bench/coverage.py` has 200 each."""
    rng = np.random.default_rng([n, len(truth)])
    held = []
    for _ in range(40):
        places, values, targets, news = field(
            truth=truth, kind="random", n=n, nugget_share=0.3, rng=rng, targets=60
        )
        fit = fit_variogram(places=places, values=values)
        system = kriging_system(places=places, values=values, variogram=fit.variogram)
        estimate, variance = point_krige(system=system, targets=targets)
        error = np.sqrt(variance * fit.variance_factor)
        held.append(np.mean(np.abs(news - estimate) <= 1.6449 * error))
    assert 0.85 <= np.mean(held) <= 0.95


def test_a_grid_that_cannot_tell_nugget_from_short_range_gets_wider_intervals() -> None:
    """40 very smooth fields on a grid of 30: 79 to 81 % plain, 85 % and more with the allowance."""
    rng = np.random.default_rng(80)
    plain, allowed = [], []
    for _ in range(40):
        places, values, targets, news = field(
            truth="gaussian", kind="grid", n=30, nugget_share=0.1, rng=rng, targets=60
        )
        fit = fit_variogram(places=places, values=values)
        wider = with_allowance(places=places, values=values, fit=fit)
        assert wider.variance_factor >= fit.variance_factor
        system = kriging_system(places=places, values=values, variogram=fit.variogram)
        estimate, variance = point_krige(system=system, targets=targets)
        miss = np.abs(news - estimate)
        plain.append(np.mean(miss <= 1.6449 * np.sqrt(variance)))
        allowed.append(np.mean(miss <= 1.6449 * np.sqrt(variance * wider.variance_factor)))
    assert np.mean(plain) < 0.85 <= np.mean(allowed) <= 0.95


def test_the_allowance_does_not_depend_on_order_place_or_unit() -> None:
    places, values = simulated(50, 81)
    fit = fit_variogram(places=places, values=values)
    first = with_allowance(places=places, values=values, fit=fit).variance_factor
    assert first >= variance_factor(n=50)
    again = with_allowance(
        places=places, values=values, fit=with_allowance(places=places, values=values, fit=fit)
    )
    assert again.variance_factor == pytest.approx(first)
    order = np.random.default_rng(2).permutation(50)
    turn = np.array([[0.8, -0.6], [0.6, 0.8]])
    moved, scaled = places[order] @ turn + 1000.0, 7.0 * values[order]
    other = with_allowance(
        places=moved, values=scaled, fit=fit_variogram(places=moved, values=scaled)
    )
    # The ranges tried follow the bounding box, which turns with the field.
    assert other.variance_factor == pytest.approx(first, rel=0.02)
