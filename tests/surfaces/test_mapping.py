"""Maps: structure tested, methods chosen, degenerate and doubtful samples."""

from __future__ import annotations

import csv
import json
import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vrx.errors import ComputeError
from vrx.geo import WGS84, field_crs, from_lonlat, grid_over, transform_points
from vrx.model import FloatArray, Grid, Surface
from vrx.surfaces import METHODS, map_analyte
from vrx.surfaces.samples import MOST_SAMPLES, block_average
from vrx.surfaces.simple import inverse_distance, inverse_distance_leave_one_out

TROUBLES = Path(__file__).resolve().parents[2].parent / "shared" / "troubles"
CENTRE = (-93.59, 41.01)
GRID = Grid(west_m=-40.0, north_m=840.0, cell_m=20.0, rows=44, columns=44)
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


def codes(surface: Surface) -> set[str]:
    return {finding.code for finding in surface.findings}


def finding(surface: Surface, code: str) -> str:
    return next(f.line() for f in surface.findings if f.code == code)


def make(places: FloatArray, values: FloatArray, method: str = "choose", **more: object) -> Surface:
    surface = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values,
        grid=more.pop("grid", GRID), method=method, **more,  # type: ignore[arg-type]
    )
    assert surface.values.shape == surface.grid.shape == surface.standard_error.shape
    assert surface.values.dtype == surface.standard_error.dtype == np.float64
    assert np.isfinite(surface.values).all()
    assert np.isfinite(surface.standard_error).all()
    assert (surface.standard_error >= 0.0).all()
    assert surface.values.min() >= np.min(values) - 1e-9 * abs(np.min(values))
    assert surface.values.max() <= np.max(values) + 1e-9 * abs(np.max(values))
    return surface


def square_16() -> FloatArray:
    east, north = np.meshgrid([100.0, 300.0, 500.0, 700.0], [100.0, 300.0, 500.0, 700.0])
    return np.column_stack([east.ravel(), north.ravel()])


# --- choice -----------------------------------------------------------------------------------


def test_structure_is_mapped_and_every_method_scored() -> None:
    surface = make(*simulated())
    assert surface.method == "kriging"
    assert [s.method for s in surface.scores] == [
        "kriging", "kriging with trend", "inverse distance", "spline", "nearest sample",
        "field mean",
    ]
    by = {s.method: s for s in surface.scores}
    assert by["kriging"].skill > 0.1
    assert by["kriging"].skill == pytest.approx(
        1 - (by["kriging"].rmse / by["field mean"].rmse) ** 2
    )
    assert by["field mean"].skill == 0.0
    assert by["kriging"].msdr == pytest.approx(1.0, abs=0.3)
    assert by["inverse distance"].msdr is None
    assert surface.variogram is not None
    assert 0 < len(surface.lag_m) <= 15
    assert surface.lag_pairs.sum() <= 60 * 59 / 2


def test_pure_nugget_gives_the_mean_about_nine_times_in_ten() -> None:
    """The structure test's level is 9 %: of 60 fields 5.4 are expected.

    13 or more would be seen three times in a thousand at that level (binomial).
    """
    rng = np.random.default_rng(5)
    coarse = Grid(west_m=0.0, north_m=800.0, cell_m=200.0, rows=4, columns=4)
    mapped = 0
    for _ in range(60):
        places, values = rng.uniform(0, 800, (30, 2)), rng.normal(150.0, 20.0, 30)
        surface = make(places, values, grid=coarse)
        if surface.method == "field mean":
            assert "surface-no-structure" in codes(surface)
            np.testing.assert_allclose(surface.values, values.mean())
            np.testing.assert_allclose(
                surface.standard_error, values.std(ddof=1) * np.sqrt(1 + 1 / 30)
            )
        else:
            mapped += 1
    assert mapped < 13


def test_most_structured_fields_are_found() -> None:
    """A test that never finds structure would also pass the one above."""
    coarse = Grid(west_m=0.0, north_m=800.0, cell_m=200.0, rows=4, columns=4)
    found = [make(*simulated(60, seed), grid=coarse).method != "field mean" for seed in range(15)]
    assert sum(found) >= 12


def test_a_forced_method_is_obeyed_and_doubted() -> None:
    rng = np.random.default_rng(12)
    places, values = rng.uniform(0, 800, (20, 2)), rng.normal(150.0, 20.0, 20)
    assert make(places, values).method == "field mean"
    for method in ("kriging", "inverse distance"):
        surface = make(places, values, method)
        assert surface.method == method
        assert "surface-worse-than-mean" in codes(surface)
    assert make(places, values, "field mean").findings == ()


def test_unknown_method_names_the_nearest() -> None:
    with pytest.raises(ComputeError, match='nearest name is "kriging"') as caught:
        make(*simulated(), "krigging")
    assert caught.value.code == "surface-method-unknown"


def test_more_than_400_samples_take_least_squares_and_still_map() -> None:
    places, values = simulated(450, 3)
    surface = make(places, values)
    assert surface.method == "kriging"
    assert surface.variogram is not None
    assert surface.scores[0].n == 450


def test_too_many_samples_are_block_averaged() -> None:
    rng = np.random.default_rng(2)
    places = rng.uniform(0.0, 800.0, (3 * MOST_SAMPLES, 2))
    blocks, values, count, side = block_average(
        places=places, values=places[:, 0], most=MOST_SAMPLES
    )
    assert len(blocks) <= MOST_SAMPLES
    assert count.sum() == len(places)
    assert (count @ values) / count.sum() == pytest.approx(places[:, 0].mean())
    np.testing.assert_allclose(values, blocks[:, 0])
    assert 10.0 < side < 30.0
    line = np.column_stack([np.arange(9000.0), np.zeros(9000)])
    assert len(block_average(places=line, values=line[:, 0], most=100)[0]) <= 100


# --- exact leave-one-out and properties -------------------------------------------------------


def test_inverse_distance_leave_one_out_is_the_refit() -> None:
    places, values = simulated(25)
    residual = inverse_distance_leave_one_out(places=places, values=values)
    for i in range(25):
        rest = np.arange(25) != i
        left = inverse_distance(places=places[rest], values=values[rest], targets=places[i : i + 1])
        assert residual[i] == pytest.approx(values[i] - left[0], abs=1e-9)


def test_inverse_distance_by_hand() -> None:
    """Shepard's weights 1/d^2: 1 m and 2 m away give 4 : 1."""
    places = np.array([[0.0, 0.0], [3.0, 0.0]])
    estimate = inverse_distance(
        places=places, values=np.array([10.0, 20.0]), targets=np.array([[1.0, 0.0], [3.0, 0.0]])
    )
    np.testing.assert_allclose(estimate, [(4 * 10 + 20) / 5, 20.0])


def test_kriging_without_nugget_honours_samples() -> None:
    """A smooth surface sampled at cell centres: REML finds no nugget, the map meets the samples."""
    cells = np.array([(r, c) for r in range(4, 44, 8) for c in range(4, 44, 8)])
    places = np.column_stack([GRID.easting_m[cells[:, 1]], GRID.northing_m[cells[:, 0]]])
    values = 100.0 + places[:, 0] / 10.0 + 10.0 * np.sin(places[:, 1] / 300.0)
    surface = make(places, values, "kriging")
    assert surface.method == "kriging"
    assert surface.variogram is not None
    assert surface.variogram.nugget < 1e-6 * surface.variogram.partial_sill
    np.testing.assert_allclose(surface.values[cells[:, 0], cells[:, 1]], values, atol=1e-4)
    assert (surface.standard_error[cells[:, 0], cells[:, 1]] < 0.05).all()


@settings(max_examples=12, derandomize=True, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    n=st.integers(1, 40),
    east=st.floats(-5e5, 5e5),
    north=st.floats(-5e5, 5e5),
)
def test_translation_and_row_order_change_nothing(
    seed: int, n: int, east: float, north: float
) -> None:
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, 800.0, (n, 2))
    values = 100.0 + places[:, 0] / 20.0 + rng.normal(0.0, 5.0, n)
    small = Grid(west_m=0.0, north_m=800.0, cell_m=100.0, rows=8, columns=8)
    surface = make(places, values, grid=small)
    order = rng.permutation(n)
    shuffled = make(places[order], values[order], grid=small)
    np.testing.assert_array_equal(shuffled.values, surface.values)
    np.testing.assert_array_equal(shuffled.standard_error, surface.standard_error)
    moved_grid = Grid(west_m=east, north_m=800.0 + north, cell_m=100.0, rows=8, columns=8)
    moved = make(places + np.array([east, north]), values, grid=moved_grid)
    assert moved.method == surface.method
    np.testing.assert_allclose(moved.values, surface.values, rtol=1e-4)


@settings(max_examples=25, derandomize=True, deadline=None)
@given(
    points=st.lists(
        st.tuples(
            st.integers(0, 8), st.integers(0, 8), st.sampled_from([0.0, 1e-9, 3.0, 3.1, 40.0, 2e5])
        ),
        min_size=1, max_size=25,
    ),
    method=st.sampled_from([one for one in METHODS if one != "kriging with drift"]),
)
def test_awkward_samples_never_crash(
    points: list[tuple[int, int, float]], method: str
) -> None:
    """Repeated places, lines, ties and wild values: `make` checks finite, bounded, se >= 0."""
    table = np.array(points, dtype=np.float64)
    small = Grid(west_m=0.0, north_m=800.0, cell_m=100.0, rows=8, columns=8)
    make(table[:, :2] * 100.0, table[:, 2], method, grid=small)


def test_units_scale_the_map() -> None:
    places, values = simulated()
    grams = make(places, values * 1e-9)
    np.testing.assert_allclose(grams.values * 1e9, make(places, values).values, rtol=1e-6)


# --- errors and guards ------------------------------------------------------------------------


def test_values_that_are_no_numbers_are_refused_by_name() -> None:
    places, values = simulated(10)
    values[3] = np.nan
    with pytest.raises(ComputeError, match=r"1 of 10 .* S4") as caught:
        make(places, values, sample_id=tuple(f"S{i + 1}" for i in range(10)))
    assert caught.value.code == "surface-not-finite"
    assert caught.value.where == "potassium"
    with pytest.raises(ComputeError, match=r"sample no\. 4"):
        make(places, values)


@pytest.mark.parametrize(
    ("places", "values", "code"),
    [
        (np.empty((0, 2)), np.empty(0), "surface-no-samples"),
        (np.zeros((3, 3)), np.zeros(3), "surface-shape"),
        (np.zeros((3, 2)), np.zeros(4), "surface-shape"),
    ],
)
def test_wrong_input_is_refused(places: FloatArray, values: FloatArray, code: str) -> None:
    with pytest.raises(ComputeError) as caught:
        map_analyte(analyte="potassium", unit="ppm", places=places, values=values, grid=GRID)
    assert caught.value.code == code


def test_few_distinct_values_are_not_kriged() -> None:
    places, _ = simulated(30)
    surface = make(places, np.where(places[:, 0] > 400.0, 10.0, 5.0), "kriging")
    assert surface.method == "inverse distance"
    assert {"surface-few-values", "surface-method-not-possible"} <= codes(surface)


def test_six_samples_get_no_variogram() -> None:
    places = square_16()[[0, 2, 5, 8, 10, 15]]
    surface = make(places, places[:, 0])
    assert surface.method in {"inverse distance", "field mean"}
    assert surface.variogram is None
    assert "at least 8" in finding(surface, "surface-too-few")
    assert [s.method for s in surface.scores] == ["inverse distance", "field mean"]


def test_inverse_distance_standard_error_is_the_leave_one_out_error() -> None:
    surface = make(*simulated(), "inverse distance")
    score = next(s for s in surface.scores if s.method == "inverse distance")
    np.testing.assert_allclose(surface.standard_error, score.rmse)


# --- the same troubles inline, so that they are checked without the folder --------------------


def test_constant_values() -> None:
    surface = make(square_16(), np.full(16, 150.0))
    np.testing.assert_allclose(surface.values, 150.0, atol=1e-6)
    assert "no variation" in finding(surface, "surface-constant")
    noisy = np.full(16, 150.0)
    noisy[3] += 1e-11
    assert "surface-constant" in codes(make(square_16(), noisy))


def test_one_sample() -> None:
    surface = make(np.array([[300.0, 500.0]]), np.array([144.0]), "kriging")
    assert (surface.values == 144.0).all()
    assert (surface.standard_error == 144.0).all()
    assert codes(surface) == {
        "surface-one-sample", "surface-too-few", "surface-method-not-possible"
    }


def test_four_samples() -> None:
    surface = make(square_16()[[0, 3, 12, 15]], np.array([134.0, 217.0, 224.0, 226.0]))
    np.testing.assert_allclose(surface.values, 200.25)
    assert finding(surface, "surface-too-few").startswith(
        "potassium: 4 samples: too few for a variogram (at least 8)"
    )


@pytest.mark.parametrize("method", [one for one in METHODS if one != "kriging with drift"])
def test_samples_on_a_line(method: str) -> None:
    east = np.linspace(40.0, 760.0, 10)
    places = np.column_stack([east, 400.0 + 0.01 * east])
    surface = make(places, np.arange(130.0, 212.0, 9.0), method)
    assert "no information across it" in finding(surface, "surface-collinear")


def test_samples_at_one_place_are_merged() -> None:
    places = np.vstack([square_16(), square_16()[[5, 10]]])
    rng = np.random.default_rng(3)
    values = np.concatenate([rng.uniform(120, 235, 16), [184.0, 157.0]])
    values[5], values[10] = 144.0, 177.0
    ids = (*(f"S{i + 1:02}" for i in range(16)), "S06-RERUN", "S11-RERUN")
    surface = make(places, values, "kriging", sample_id=ids)
    told = finding(surface, "surface-merged")
    assert "S06 + S06-RERUN = 164" in told
    assert "S11 + S11-RERUN = 167" in told
    assert surface.scores[0].n == 16


def test_a_typing_error_is_named_before_it_flattens_the_map() -> None:
    values = np.array(
        [134, 233, 171, 217, 232, 144, 1230, 120, 173, 174, 177, 235, 224, 143, 148, 226.0]
    )
    ids = tuple(f"S{i + 1:02}" for i in range(16))
    surface = make(square_16(), values, sample_id=ids)
    assert "S07 (1230; robust z 17" in finding(surface, "surface-outlier")
    assert "no spatial structure found" in finding(surface, "surface-no-structure")
    assert surface.method == "field mean"
    np.testing.assert_allclose(surface.values, 248.8125)


def test_a_hot_spot_stays_within_what_was_measured() -> None:
    """`make` checks the range; the unlimited map falls below it, and the count is told."""
    rng = np.random.default_rng(32)
    east, north = np.meshgrid(np.arange(50.0, 800.0, 100.0), np.arange(50.0, 800.0, 100.0))
    values = np.round(rng.uniform(3.0, 5.0, 64), 1)
    values[[27, 28, 35]] = [198.8, 200.4, 206.8]
    values[36] = 4.0
    surface = make(np.column_stack([east.ravel(), north.ravel()]), values, "kriging")
    assert int(next(f.value for f in surface.findings if f.code == "surface-limited")) > 0


def test_a_misplaced_value_is_named_by_leave_one_out() -> None:
    """Ordinary among all values, but far from what its neighbours say."""
    places, _ = simulated(60, 8)
    values = 100.0 + places[:, 0] / 4.0
    west = int(np.argmin(places[:, 0]))
    values[west] = 290.0
    told = finding(make(places, values, "kriging"), "surface-outlier")
    assert f"sample no. {west + 1} (290; leave-one-out z" in told


# --- the troubles' files ----------------------------------------------------------------------


def read(name: str, column: str, method: str = "choose") -> tuple[Surface, FloatArray]:
    path = TROUBLES / name
    if not path.exists():
        pytest.skip(f"open data folder absent: {name}")
    with path.open() as file:
        rows = list(csv.DictReader(file))
    lonlat = np.array([[float(row["lon"]), float(row["lat"])] for row in rows])
    east, north = transform_points(
        lonlat[:, 0], lonlat[:, 1], source=WGS84, target=field_crs(CENTRE)
    )
    boundary = TROUBLES / "S31_degenerate_sample_sets" / "boundary.geojson"
    geometry = json.loads(boundary.read_text())["features"][0]["geometry"]
    polygon = from_lonlat(shapely.from_geojson(json.dumps(geometry)), CENTRE)
    values = np.array([float(row[column]) for row in rows])
    surface = make(
        np.column_stack([east, north]), values, method, grid=grid_over(polygon, cell_m=20.0),
        sample_id=tuple(row["sample_id"] for row in rows),
    )
    return surface, values


@pytest.mark.shared_data
@pytest.mark.parametrize("method", ["choose", "kriging", "inverse distance", "field mean"])
def test_degenerate_files(method: str) -> None:
    folder = "S31_degenerate_sample_sets"
    constant, _ = read(f"{folder}/constant.csv", "K_ppm", method)
    np.testing.assert_allclose(constant.values, 150.0, atol=1e-6)
    assert "surface-constant" in codes(constant)
    one, _ = read(f"{folder}/one_sample.csv", "K_ppm", method)
    assert (one.values == 144.0).all()
    four, _ = read(f"{folder}/four_samples.csv", "K_ppm", method)
    np.testing.assert_allclose(four.values, 200.25)
    assert "surface-too-few" in codes(four)
    line, _ = read(f"{folder}/collinear.csv", "K_ppm", method)
    assert 130.0 <= line.values.min() <= line.values.max() <= 211.0
    assert "surface-collinear" in codes(line)


@pytest.mark.shared_data
@pytest.mark.parametrize("method", ["choose", "kriging", "inverse distance"])
def test_outlier_and_hot_spot_files(method: str) -> None:
    folder = "S32_outlier_and_negative_predictions"
    typo, _ = read(f"{folder}/outlier_typo.csv", "K_ppm")
    assert "S07 (1230; robust z 17" in finding(typo, "surface-outlier")
    assert "surface-no-structure" in codes(typo)
    spot, _ = read(f"{folder}/hot_spot.csv", "P_ppm", method)
    assert 3.0 <= spot.values.min() <= spot.values.max() <= 206.8
    if spot.method == "kriging":
        assert "surface-limited" in codes(spot)


@pytest.mark.shared_data
def test_duplicate_points_file() -> None:
    for column, first, second in (("P_ppm", "28", "42"), ("K_ppm", "164", "167")):
        surface, values = read("S11_duplicate_points.csv", column, "kriging")
        told = finding(surface, "surface-merged")
        assert f"S06 + S06-RERUN = {first}" in told
        assert f"S11 + S11-RERUN = {second}" in told
        assert values.min() <= surface.values.min() <= surface.values.max() <= values.max()
