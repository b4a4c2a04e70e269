"""Which method is taken: on known truth, with layers as drift, in blocks, and with bad input."""

from __future__ import annotations

import importlib.util
import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely
from pykrige.uk import UniversalKriging

from vrx.errors import ComputeError
from vrx.geo import cells_within, grid_over
from vrx.model import FloatArray, Grid, Surface, Variogram
from vrx.surfaces import METHODS, map_analyte

GRID = Grid(west_m=0.0, north_m=800.0, cell_m=20.0, rows=40, columns=40)
EAST, NORTH = np.meshgrid(GRID.easting_m, GRID.northing_m)
simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]


def make(places: FloatArray, values: FloatArray, **more: object) -> Surface:
    surface = map_analyte(
        analyte="potassium", unit="ppm", places=places, values=values,
        grid=more.pop("grid", GRID), **more,  # type: ignore[arg-type]
    )
    assert np.isfinite(surface.values).all()
    assert np.isfinite(surface.standard_error).all()
    assert (surface.standard_error >= 0.0).all()
    low, high = float(np.min(values)), float(np.max(values))
    assert surface.values.min() >= low - 1e-9 * abs(low)
    assert surface.values.max() <= high + 1e-9 * abs(high)
    return surface


def codes(surface: Surface) -> set[str]:
    return {one.code for one in surface.findings}


def remarks(surface: Surface) -> dict[str, str]:
    return {one.method: one.remark for one in surface.scores}


def hill() -> FloatArray:
    """A smooth layer, (rows, columns)."""
    return np.asarray(np.sin(EAST / 130.0) * np.cos(NORTH / 170.0) * 10.0 + 200.0)


def layered(n: int = 50, seed: int = 1, effect: float = 4.0) -> tuple[FloatArray, FloatArray]:
    """Samples that follow `hill`, beside simulated structure of sd 23."""
    places, values = simulated(n, seed)
    places = np.clip(places, 1.0, 799.0)
    row = np.floor((800.0 - places[:, 1]) / 20.0).astype(int)
    at = hill()[row, np.floor(places[:, 0] / 20.0).astype(int)]
    return places, values + effect * (at - 200.0)


# --- layers as drift --------------------------------------------------------------------------


def test_a_layer_that_helps_guides_the_map() -> None:
    places, values = layered()
    surface = make(places, values, drift={"elevation": hill()})
    assert surface.method == "kriging with drift"
    assert surface.drift == ("elevation",)
    by = {one.method: one for one in surface.scores}
    assert by["kriging with drift"].rmse < 0.95 * by["kriging"].rmse
    assert by["kriging with drift"].remark == "taken"


def test_kriging_with_drift_is_that_of_another_library() -> None:
    """PyKrige's universal kriging with a specified drift, our fitted variogram; to 1e-8 ppm."""
    places, values = layered()
    values = values + 300.0
    surface = make(places, values, method="kriging with drift", drift={"elevation": hill()})
    fitted = surface.variogram
    assert fitted is not None
    row = np.floor((800.0 - places[:, 1]) / 20.0).astype(int)
    beside = hill()[row, np.floor(places[:, 0] / 20.0).astype(int)]
    theirs = UniversalKriging(
        *places.T, values, variogram_model="custom", drift_terms=["specified"],
        specified_drift=[beside], variogram_parameters=[1.0], pseudo_inv=False,
        variogram_function=lambda _, h: np.where(
            h > 0.0, fitted.nugget + fitted.partial_sill * (1 - _shape(fitted, h)), 0.0),
    )
    pick = np.arange(0, 1600, 37)
    flat = [each.ravel()[pick] for each in (EAST, NORTH, hill())]
    mean, variance = theirs.execute("points", flat[0], flat[1], specified_drift_arrays=[flat[2]])
    inside = np.clip(np.asarray(mean), values.min(), values.max())
    np.testing.assert_allclose(surface.values.ravel()[pick], inside, atol=1e-8)
    np.testing.assert_allclose(
        surface.standard_error.ravel()[pick] ** 2, np.asarray(variance) * surface.variance_factor,
        rtol=1e-8,
    )


def _shape(variogram: Variogram, h: FloatArray) -> FloatArray:
    scaled = h / variogram.range_m
    if variogram.model == "exponential":
        return np.asarray(np.exp(-scaled))
    if variogram.model == "matern-3/2":
        return np.asarray((1 + scaled) * np.exp(-scaled))
    return np.asarray(np.where(scaled < 1, 1 - 1.5 * scaled + 0.5 * scaled**3, 0.0))


def test_a_layer_that_says_nothing_is_left_aside_with_its_p_value() -> None:
    places, values = simulated(50, 4)
    other = np.random.default_rng(8).normal(size=GRID.shape)
    surface = make(places, values, drift={"noise": other})
    assert surface.method != "kriging with drift"
    assert "no effect of the layer shown: p = " in remarks(surface)["kriging with drift"]


def test_layers_of_any_scale_and_place_give_the_same_map() -> None:
    places, values = layered()
    base = make(places, values, drift={"elevation": hill()}, method="kriging with drift")
    other = make(places, values, drift={"elevation": 1e5 - 1e-4 * hill()},
                 method="kriging with drift")
    np.testing.assert_allclose(other.values, base.values, rtol=1e-4)


def test_gaps_of_a_layer_are_kriged_without_it_and_told() -> None:
    places, values = layered()
    gappy = hill()
    gappy[:, 30:] = np.nan
    surface = make(places, values, drift={"elevation": gappy}, method="kriging with drift")
    plain = make(places, values, method="kriging")
    np.testing.assert_allclose(surface.values[:, 30:], plain.values[:, 30:])
    assert not np.allclose(surface.values[:, :30], plain.values[:, :30], atol=1.0)
    told = next(f for f in surface.findings if f.code == "surface-drift-gaps")
    assert "25% of the field" in told.what
    off = int((places[:, 0] >= 600.0).sum())
    assert f"at {off} of 50 samples" in told.what
    half = make(places, values, drift={"elevation": gappy}, method="kriging with drift",
                inside=EAST < 600.0)
    assert "0% of the field" in next(
        f.what for f in half.findings if f.code == "surface-drift-gaps")


def test_infinite_layer_values_are_gaps() -> None:
    places, values = layered()
    wild = hill()
    wild[:4] = np.inf
    surface = make(places, values, drift={"elevation": wild}, method="kriging with drift")
    assert "surface-drift-gaps" in codes(surface)


@pytest.mark.parametrize(
    ("layers", "why"),
    [
        ({"flat": np.full(GRID.shape, 7.0)}, "is the same at all samples"),
        ({"a": hill(), "b": 3.0 * hill() - 5.0}, "'b' follows from the columns before it"),
        ({"off": np.full(GRID.shape, np.nan)}, "0 of 50 samples lie on off"),
    ],
)
def test_layers_that_cannot_guide_are_told(layers: dict[str, FloatArray], why: str) -> None:
    surface = make(*layered(), drift=layers)
    assert surface.method != "kriging with drift"
    told = next(f for f in surface.findings if f.code == "surface-drift-not-possible")
    assert why in told.what


def test_a_layer_beyond_its_sampled_values_is_told() -> None:
    places, values = layered()
    steep = hill()
    steep[:5] += 100.0
    kept = places[:, 1] < 690.0
    surface = make(places[kept], values[kept], drift={"elevation": steep},
                   method="kriging with drift")
    assert "surface-drift-beyond" in codes(surface)


def test_requests_that_make_no_sense_are_refused() -> None:
    places, values = layered()
    with pytest.raises(ComputeError) as caught:
        make(places, values, method="kriging with drift")
    assert caught.value.code == "surface-drift-none"
    with pytest.raises(ComputeError) as caught:
        make(places, values, drift={"a": np.zeros((3, 3))})
    assert caught.value.code == "surface-drift-shape"
    with pytest.raises(ComputeError) as caught:
        make(places, values, drift={"a": hill()}, drift_at_samples={"a": np.zeros(3)})
    assert caught.value.code == "surface-drift-shape"


# --- choice -----------------------------------------------------------------------------------


def test_a_trend_is_seen_and_carried() -> None:
    places, noise = simulated(60, 3)
    values = 300.0 + 0.25 * places[:, 0] + 0.2 * (noise - 150.0)
    surface = make(places, values)
    assert surface.method in {"kriging with trend", "spline"}
    truth = 300.0 + 0.25 * EAST
    inside = (truth > values.min()) & (truth < values.max())
    assert np.abs(surface.values - truth)[inside].mean() < 6.0


def test_a_complicated_method_must_clearly_win() -> None:
    """On fields made for ordinary kriging it stands, mostly, though others err less by chance."""
    surfaces = [make(*simulated(60, seed)) for seed in range(20)]
    taken = [one.method for one in surfaces]
    least = [min(one.scores, key=lambda each: each.rmse).method for one in surfaces]
    assert taken.count("kriging") + taken.count("field mean") >= 16
    assert least.count("kriging") < taken.count("kriging")


def test_every_method_tried_says_why_it_was_not_taken() -> None:
    surface = make(*simulated(60, 1), drift={"elevation": hill()})
    told = remarks(surface)
    assert [one.method for one in surface.scores] == [m for m in METHODS if m != "choose"]
    assert all(told.values())
    assert list(told.values()).count("taken") == 1
    assert all(one.block_rmse is not None and one.block_rmse > 0 for one in surface.scores)


def test_a_stated_variogram_is_obeyed_and_compared() -> None:
    places, values = simulated(60, 1)
    own = Variogram(model="spherical", nugget=100.0, partial_sill=500.0, range_m=300.0)
    surface = make(places, values, variogram=own)
    assert surface.variogram == own
    assert surface.variance_factor == 1.0
    assert "kriging, fitted variogram" in remarks(surface)


def test_blocks_that_deny_the_map_are_told() -> None:
    """Tight pairs far apart: a neighbour tells, the next pair does not."""
    told = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        centres = rng.uniform(50.0, 750.0, (24, 2))
        level = rng.normal(150.0, 20.0, 24)
        values = np.concatenate([level, level + rng.normal(0.0, 2.0, 24)])
        smooth = Variogram(model="matern-3/2", nugget=4.0, partial_sill=400.0, range_m=300.0)
        surface = make(np.vstack([centres, centres + 4.0]), values, variogram=smooth)
        by = {one.method: one for one in surface.scores}
        own, mean = by[surface.method].block_rmse, by["field mean"].block_rmse
        assert own is not None
        assert mean is not None
        told.append("surface-near-samples-only" in codes(surface))
        assert told[-1] == (own > mean)
    assert any(told)


# --- bad input --------------------------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 4, 7, 8])
@pytest.mark.parametrize("method", METHODS)
def test_few_samples(n: int, method: str) -> None:
    places, values = layered(n, 2)
    surface = make(places, values, method=method, drift={"elevation": hill()})
    if n < 8:
        assert "surface-too-few" in codes(surface)
        assert surface.variogram is None


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("kind", ["equal", "line", "outlier", "twins", "two values", "tiny"])
def test_awkward_samples(kind: str, method: str) -> None:
    places, values = layered(24, 3)
    if kind == "equal":
        values = np.full(24, 151.0)
    elif kind == "line":
        places[:, 1] = 400.0 + 0.5 * places[:, 0]
    elif kind == "outlier":
        values[7] = 1e9
    elif kind == "twins":
        places = np.vstack([places, places[:6]])
        values = np.concatenate([values, values[:6] + 30.0])
    elif kind == "two values":
        values = np.where(values > 150.0, 10.0, 5.0)
    else:
        values = values * 1e-12
    surface = make(places, values, method=method, drift={"elevation": hill()})
    expected = {"equal": "surface-constant", "line": "surface-collinear",
                "outlier": "surface-outlier", "twins": "surface-merged",
                "two values": "surface-few-values"}
    if kind in expected:
        assert expected[kind] in codes(surface)


@pytest.mark.parametrize("wrong", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_refused(wrong: float) -> None:
    places, values = layered(24, 3)
    values[5] = wrong
    with pytest.raises(ComputeError) as caught:
        make(places, values)
    assert caught.value.code == "surface-not-finite"
    places, values = layered(24, 3)
    places[5, 1] = wrong
    with pytest.raises(ComputeError) as caught:
        make(places, values, drift={"elevation": hill()})
    assert caught.value.code == "surface-not-finite"


def test_samples_all_in_one_corner() -> None:
    places, values = simulated(30, 2)
    surface = make(places / 4.0, values)
    told = next(f for f in surface.findings if f.code == "surface-far-from-samples")
    assert "% of the field lies more than" in told.what
    spread = make(places, values)
    assert "surface-far-from-samples" not in codes(spread)


def test_a_field_narrower_than_a_cell() -> None:
    narrow = Grid(west_m=0.0, north_m=20.0, cell_m=20.0, rows=1, columns=40)
    places = np.column_stack([np.linspace(5.0, 795.0, 20), np.linspace(9.0, 11.0, 20)])
    inside = np.zeros((1, 40), dtype=bool)
    inside[0, :3] = True
    make(places, 100.0 + places[:, 0] / 10.0, grid=narrow, inside=inside)


def test_a_boundary_of_a_thousand_parts() -> None:
    corner = np.arange(32) * 25.0
    parts = shapely.MultiPolygon(
        [shapely.box(e, n, e + 18.0, n + 18.0) for e in corner for n in corner][:1000])
    grid = grid_over(parts, cell_m=10.0)
    rows, columns = cells_within(parts, grid)[1].astype(np.int64).T
    inside = np.zeros(grid.shape, dtype=bool)
    inside[rows, columns] = True
    surface = make(*layered(40, 3), grid=grid, inside=inside)
    assert surface.values.shape == grid.shape


@pytest.mark.parametrize("seed", range(4))
def test_a_quarter_turn_turns_the_map(seed: int) -> None:
    """Moved, turned and reordered samples, layer and bounds: the same map, turned."""
    places, values = layered(60, seed)
    values = np.round(values, 1)
    limit = float(np.quantile(values, 0.15))
    marks = np.where(values < limit, -1, 0).astype(np.int64)
    half = np.where(values < limit, limit / 2.0, values)
    base = make(places, half, drift={"elevation": hill()}, censored=marks)
    order = np.random.default_rng(seed).permutation(60)
    # About the middle of the grid, 90 degrees anticlockwise: (e, n) -> (800 - n, e); then moved.
    turned = np.column_stack([800.0 - places[:, 1], places[:, 0]])[order] + np.array([5000.0, 70.0])
    grid = Grid(west_m=5000.0, north_m=870.0, cell_m=20.0, rows=40, columns=40)
    again = make(turned, half[order], grid=grid, drift={"elevation": np.rot90(hill())},
                 censored=marks[order])
    assert again.method == base.method
    np.testing.assert_allclose(again.values, np.rot90(base.values), rtol=1e-3)
    np.testing.assert_allclose(again.standard_error, np.rot90(base.standard_error), rtol=1e-3)


# --- real fields ------------------------------------------------------------------------------

REAL = ("BB.250", "BB.72", "G.104", "MG.112", "MWP.36", "SC.50", "SM.40")
"""Sets of LimeSoDa 0.1.5 (CC BY-SA 4.0) with true coordinates; read from the installed wheel."""


def real_fields() -> list[tuple[str, str, FloatArray, FloatArray]]:
    spec = importlib.util.find_spec("LimeSoDa")
    if spec is None or spec.origin is None:
        pytest.skip("LimeSoDa data absent: pip install --no-deps LimeSoDa==0.1.5")
    found = []
    for name in REAL:
        held = np.load(Path(spec.origin).parent / "data" / f"{name}.npz", allow_pickle=True)
        places = np.asarray(held["coordinates_data"], dtype=np.float64)[:, :2]
        for column, heading in enumerate(held["dataset_columns"]):
            if str(heading).endswith("_target"):
                values = np.asarray(held["dataset_data"][:, column], dtype=np.float64)
                known = np.isfinite(values)
                found.append((name, str(heading), places[known], values[known]))
    return found


def test_on_real_fields_the_chosen_method_never_loses_to_the_mean() -> None:
    gains = []
    for name, heading, places, values in real_fields():
        west, south = places.min(axis=0)
        size = float(np.ptp(places, axis=0).max())
        grid = Grid(west_m=west, north_m=south + size, cell_m=size / 10, rows=10, columns=10)
        surface = make(places, values, grid=grid)
        by = {one.method: one for one in surface.scores}
        chosen, mean = by[surface.method], by["field mean"]
        assert chosen.rmse <= mean.rmse * (1.0 + 1e-9), (name, heading)
        gains.append(1.0 - chosen.rmse / mean.rmse)
    assert len(gains) >= 15
    assert np.median(gains) > 0.1
