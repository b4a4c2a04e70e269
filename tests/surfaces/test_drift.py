"""Kriging with a drift, anisotropy and error filtered: two general libraries, refits, refusals."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path
from typing import Any

import gstools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pykrige.ok import OrdinaryKriging
from pykrige.uk import UniversalKriging

from vrx.errors import ComputeError
from vrx.model import FloatArray, Variogram
from vrx.surfaces import (
    block_krige,
    kriging_leave_one_out,
    kriging_system,
    point_krige,
    trend_columns,
)

simulated = runpy.run_path(str(Path(__file__).with_name("simulated.py")))["simulated"]
MODELS = ["exponential", "spherical", "matern-3/2"]
SILL, RANGE_M = 400.0, 180.0


def variogram(model: str = "exponential", nugget: float = 80.0, **more: float) -> Variogram:
    return Variogram(
        model=model, nugget=nugget, partial_sill=SILL, range_m=RANGE_M, **more
    )


def targets_with_samples(places: FloatArray) -> FloatArray:
    east, north = np.meshgrid(np.linspace(-100.0, 900.0, 13), np.linspace(-100.0, 900.0, 11))
    return np.vstack([np.column_stack([east.ravel(), north.ravel()]), places[:3]])


def elevation(places: FloatArray) -> FloatArray:
    """An invented covariate, metres above the sea."""
    east, north = places.T
    return np.asarray(300.0 + 5.0 * np.sin(east / 200.0) * np.cos(north / 300.0) + 0.004 * east)


def pykrige_model(model: str, nugget: float) -> dict[str, Any]:
    """PyKrige's practical range is 3 length scales for the exponential; Matern as a function."""
    if model == "matern-3/2":
        return {
            "variogram_model": "custom",
            "variogram_parameters": [SILL, RANGE_M, nugget],
            "variogram_function": lambda p, h: (
                p[2] + p[0] * (1.0 - (1.0 + h / p[1]) * np.exp(-h / p[1]))
            ),
        }
    reach = 3.0 * RANGE_M if model == "exponential" else RANGE_M
    return {
        "variogram_model": model,
        "variogram_parameters": {"psill": SILL, "range": reach, "nugget": nugget},
    }


def gstools_model(model: str, nugget: float, **more: Any) -> gstools.CovModel:
    """GSTools writes sqrt(nu) h / len_scale into the Matern model."""
    if model == "matern-3/2":
        return gstools.Matern(
            dim=2, nu=1.5, var=SILL, len_scale=np.sqrt(1.5) * RANGE_M, nugget=nugget, **more
        )
    kind = gstools.Exponential if model == "exponential" else gstools.Spherical
    return kind(dim=2, var=SILL, len_scale=RANGE_M, nugget=nugget, **more)


def agree(own: tuple[FloatArray, FloatArray], other: tuple[Any, Any]) -> None:
    """To 1e-9 of the sill, estimates by its root."""
    np.testing.assert_allclose(own[0], np.asarray(other[0]), rtol=0, atol=1e-9 * SILL)
    np.testing.assert_allclose(own[1], np.asarray(other[1]), rtol=0, atol=1e-9 * SILL)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("nugget", [0.0, 80.0])
def test_linear_trend_equals_pykrige(model: str, nugget: float) -> None:
    places, values = simulated(50, 1)
    targets = targets_with_samples(places)
    centre = places.mean(axis=0)
    system = kriging_system(
        places=places, values=values, variogram=variogram(model, nugget),
        drift=trend_columns(places, centre=centre, scale_m=400.0),
    )
    own = point_krige(
        system=system, targets=targets, drift=trend_columns(targets, centre=centre, scale_m=400.0)
    )
    other = UniversalKriging(
        *places.T, values, drift_terms=["regional_linear"], **pykrige_model(model, nugget)
    )
    agree(own, other.execute("points", *targets.T))


@pytest.mark.parametrize("model", MODELS)
def test_external_drift_equals_pykrige(model: str) -> None:
    places, values = simulated(50, 2)
    values = values + 6.0 * elevation(places)
    targets = targets_with_samples(places)
    system = kriging_system(
        places=places, values=values, variogram=variogram(model),
        drift=elevation(places)[:, None], drift_names=("elevation",),
    )
    own = point_krige(system=system, targets=targets, drift=elevation(targets)[:, None])
    other = UniversalKriging(
        *places.T, values, drift_terms=["specified"], specified_drift=[elevation(places)],
        **pykrige_model(model, 80.0),
    )
    agree(own, other.execute(
        "points", *targets.T, specified_drift_arrays=[elevation(targets)]
    ))


@pytest.mark.parametrize("model", MODELS)
def test_drift_equals_gstools(model: str) -> None:
    places, values = simulated(50, 3)
    targets = targets_with_samples(places)
    universal = gstools.krige.Universal(
        gstools_model(model, 80.0), places.T, values, drift_functions="linear", exact=True
    )
    system = kriging_system(places=places, values=values, variogram=variogram(model), drift=places)
    agree(
        point_krige(system=system, targets=targets, drift=targets),
        universal(tuple(targets.T), return_var=True),
    )
    external = gstools.krige.ExtDrift(
        gstools_model(model, 80.0), places.T, values, ext_drift=elevation(places), exact=True
    )
    system = kriging_system(
        places=places, values=values, variogram=variogram(model), drift=elevation(places)[:, None]
    )
    agree(
        point_krige(system=system, targets=targets, drift=elevation(targets)[:, None]),
        external(tuple(targets.T), ext_drift=elevation(targets), return_var=True),
    )


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("direction", [0.0, 30.0, 110.0])
def test_anisotropy_equals_two_libraries(model: str, direction: float) -> None:
    """Their angles count from east, counter-clockwise; ours are compass degrees."""
    places, values = simulated(50, 4)
    targets = targets_with_samples(places)
    shape = variogram(model, anisotropy_ratio=2.5, anisotropy_deg=direction)
    own = point_krige(
        system=kriging_system(places=places, values=values, variogram=shape), targets=targets
    )
    from_east = 90.0 - direction
    other = gstools.krige.Ordinary(
        gstools_model(model, 80.0, anis=1.0 / 2.5, angles=np.radians(from_east)),
        places.T, values, exact=True,
    )
    agree(own, other(tuple(targets.T), return_var=True))
    third = OrdinaryKriging(
        *places.T, values, anisotropy_scaling=2.5, anisotropy_angle=from_east,
        **pykrige_model(model, 80.0),
    )
    agree(own, third.execute("points", *targets.T))


@pytest.mark.parametrize("model", MODELS)
def test_filtered_error_equals_gstools(model: str) -> None:
    """GSTools without `exact` takes the whole nugget for error of measurement."""
    places, values = simulated(50, 5)
    targets = targets_with_samples(places)
    shape = variogram(model, error_variance=80.0)
    system = kriging_system(places=places, values=values, variogram=shape)
    other = gstools.krige.Ordinary(
        gstools_model(model, 80.0), places.T, values, exact=False, cond_err="nugget"
    )
    estimate, spread = other(tuple(targets.T), return_var=True)
    own = point_krige(system=system, targets=targets, filtered=True)
    # GSTools adds the nugget to the variance of every target, a new measurement; ours is the soil.
    agree(own, (estimate, np.asarray(spread) - 80.0))
    np.testing.assert_array_less(1e-3, np.abs(own[0][-3:] - values[:3]))


def test_part_of_the_nugget_filtered_is_the_system_written_out() -> None:
    """By the block matrix of kriging: error on the diagonal only, micro-scale at samples too."""
    places, values = simulated(20, 6)
    shape = variogram(nugget=80.0, error_variance=50.0)
    targets = np.vstack([places[:2], [[333.0, 444.0]]])
    own = point_krige(
        system=kriging_system(places=places, values=values, variogram=shape), targets=targets,
        filtered=True,
    )

    def soil(one: FloatArray, other: FloatArray) -> FloatArray:
        apart = np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1))
        return np.asarray(SILL * np.exp(-apart / RANGE_M) + 30.0 * (apart == 0.0))

    bordered = np.zeros((21, 21))
    bordered[:20, :20] = soil(places, places) + 50.0 * np.eye(20)
    bordered[20, :20] = bordered[:20, 20] = 1.0
    right = np.vstack([soil(places, targets), np.ones((1, 3))])
    weights = np.linalg.solve(bordered, right)
    agree(own, (weights[:20].T @ values, SILL + 30.0 - (weights * right).sum(axis=0)))


@pytest.mark.parametrize("model", MODELS)
def test_closed_leave_one_out_is_the_refit_with_drift(model: str) -> None:
    places, values = simulated(40, 7)
    drift = np.column_stack([places, elevation(places)])
    shape = variogram(model, anisotropy_ratio=1.7, anisotropy_deg=40.0)
    residual, variance = kriging_leave_one_out(
        system=kriging_system(places=places, values=values, variogram=shape, drift=drift)
    )
    for i in range(len(values)):
        rest = np.arange(len(values)) != i
        part = kriging_system(
            places=places[rest], values=values[rest], variogram=shape, drift=drift[rest]
        )
        estimate, spread = point_krige(
            system=part, targets=places[i : i + 1], drift=drift[i : i + 1]
        )
        assert residual[i] == pytest.approx(values[i] - estimate[0], abs=1e-12 * values.std())
        assert variance[i] == pytest.approx(spread[0], rel=1e-12)


def test_coefficients_are_generalised_least_squares() -> None:
    """(F'K^-1 F)^-1 F'K^-1 z (Aitken 1935), written out with the raw columns."""
    places, values = simulated(30, 8)
    drift = np.column_stack([elevation(places), places[:, 1]])
    system = kriging_system(places=places, values=values, variogram=variogram(), drift=drift)
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    inverse = np.linalg.inv(SILL * np.exp(-apart / RANGE_M) + 80.0 * np.eye(30))
    basis = np.column_stack([np.ones(30), drift])
    wanted = np.linalg.solve(basis.T @ inverse @ basis, basis.T @ inverse @ values)
    np.testing.assert_allclose(system.coefficients, wanted, rtol=1e-8)


def test_block_with_drift_is_the_mean_of_its_points() -> None:
    """Kriging is linear: without a nugget the block's value is the mean of point values."""
    places, values = simulated(40, 9)
    shape = variogram(nugget=0.0)
    points = np.random.default_rng(1).uniform(200.0, 300.0, (30, 2))
    system = kriging_system(
        places=places, values=values, variogram=shape, drift=elevation(places)[:, None]
    )
    drift = elevation(points)[:, None]
    mean, spread = block_krige(system=system, points=points, drift=drift)
    values_at, spreads = point_krige(system=system, targets=points, drift=drift)
    assert mean == pytest.approx(values_at.mean(), abs=1e-9)
    assert 0.0 < spread < spreads.mean()


# --- what must change nothing -------------------------------------------------------------------


@pytest.mark.parametrize("model", MODELS)
def test_moving_turning_reordering_and_units_change_nothing(model: str) -> None:
    places, values = simulated(40, 10)
    targets = targets_with_samples(places)
    drift, drift_at = elevation(places)[:, None], elevation(targets)[:, None]

    def krige(**changed: Any) -> tuple[FloatArray, FloatArray]:
        given = {
            "places": places, "values": values, "drift": drift, "variogram": variogram(model)
        } | {key: one for key, one in changed.items() if key not in ("targets", "drift_at")}
        return point_krige(
            system=kriging_system(**given), targets=changed.get("targets", targets),
            drift=changed.get("drift_at", drift_at),
        )

    base = krige()
    move = np.array([500_000.0, 4_500_000.0])
    agree(krige(places=places + move, targets=targets + move), base)
    turn = np.array([[np.cos(0.7), -np.sin(0.7)], [np.sin(0.7), np.cos(0.7)]])
    agree(krige(places=places @ turn.T, targets=targets @ turn.T), base)
    order = np.random.default_rng(2).permutation(len(values))
    agree(krige(places=places[order], values=values[order], drift=drift[order]), base)
    agree(krige(drift=drift * -0.3048 + 7e4, drift_at=drift_at * -0.3048 + 7e4), base)
    raised = krige(values=values + 1e6)
    agree((raised[0] - 1e6, raised[1]), base)
    for unit in (1e-6, 2.242, 1e9):
        scaled = krige(values=values * unit, variogram=Variogram(
            model=model, nugget=80.0 * unit**2, partial_sill=SILL * unit**2, range_m=RANGE_M
        ))
        agree((scaled[0] / unit, scaled[1] / unit**2), base)
    feet = krige(places=places / 0.3048, targets=targets / 0.3048, variogram=Variogram(
        model=model, nugget=80.0, partial_sill=SILL, range_m=RANGE_M / 0.3048
    ))
    agree(feet, base)


def test_turning_an_anisotropic_field_turns_its_direction() -> None:
    places, values = simulated(40, 11)
    targets = targets_with_samples(places)
    angle = np.radians(25.0)  # clockwise, as a compass counts
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    base, turned = (
        point_krige(
            system=kriging_system(
                places=places @ by.T, values=values,
                variogram=variogram(anisotropy_ratio=3.0, anisotropy_deg=degrees),
            ),
            targets=targets @ by.T,
        )
        for by, degrees in ((np.eye(2), 50.0), (turn, 75.0))
    )
    agree(turned, base)


def test_no_columns_and_no_drift_are_the_same() -> None:
    places, values = simulated(30, 12)
    targets = targets_with_samples(places)
    empty = point_krige(
        system=kriging_system(
            places=places, values=values, variogram=variogram(), drift=np.empty((30, 0))
        ),
        targets=targets, drift=np.empty((len(targets), 0)),
    )
    plain = point_krige(
        system=kriging_system(places=places, values=values, variogram=variogram()), targets=targets
    )
    np.testing.assert_array_equal(empty, plain)


def test_a_straight_plane_is_found_beyond_the_samples() -> None:
    """With the right trend nothing is left to err: the plane itself, everywhere."""
    places, _ = simulated(25, 13)
    far = np.array([[5_000.0, -3_000.0], [0.0, 0.0]])
    plane = 140.0 + places @ [0.02, -0.05]
    system = kriging_system(places=places, values=plane, variogram=variogram(), drift=places)
    estimate, spread = point_krige(system=system, targets=far, drift=far)
    np.testing.assert_allclose(estimate, 140.0 + far @ [0.02, -0.05], rtol=1e-9)
    assert spread[0] > spread[1] > 0.0


# --- refusals -----------------------------------------------------------------------------------


def refused(code: str, words: str, **more: Any) -> None:
    places, values = simulated(20, 14)
    given = {"places": places, "values": values, "variogram": variogram()} | more
    with pytest.raises(ComputeError, match=words) as caught:
        kriging_system(**given)
    assert caught.value.code == code


def test_bad_drift_columns_are_refused_by_name() -> None:
    places, values = simulated(20, 14)
    east = places[:, 0]
    names = ("easting", "conductivity")
    columns = np.column_stack([east, 3.0 * east - 2.0])
    refused(
        "surface-drift-collinear", "'conductivity' follows .*easting", drift=columns,
        drift_names=names,
    )
    columns[:, 1] = 7.0
    refused("surface-drift-collinear", "'conductivity' is the same", drift=columns,
            drift_names=names)
    columns[:, 1] = np.where(np.arange(20) == 3, np.nan, east)
    refused("surface-drift-gaps", "'conductivity'.*1 of 20 samples.*no. 4", drift=columns,
            drift_names=names)
    refused("surface-drift-shape", "shape", drift=columns[:5], drift_names=names)
    refused("surface-drift-shape", "shape", drift=east, drift_names=("easting",))
    refused(
        "surface-drift-too-many", "4 are the least|4 samples", places=places[:3], values=values[:3],
        drift=places[:3], drift_names=("easting", "northing"),
    )
    line = np.column_stack([np.arange(20.0), 5.0 + 2.0 * np.arange(20.0)])
    refused("surface-drift-collinear", "drift column 2", places=line, drift=line)


def test_drift_at_targets_must_be_there_and_whole() -> None:
    places, values = simulated(20, 15)
    system = kriging_system(
        places=places, values=values, variogram=variogram(), drift=elevation(places)[:, None],
        drift_names=("elevation",),
    )
    for drift, code in (
        (None, "surface-drift-shape"), (np.full((4, 1), np.nan), "surface-drift-gaps"),
        (np.ones((3, 1)), "surface-drift-shape"),
    ):
        with pytest.raises(ComputeError, match="elevation") as caught:
            point_krige(system=system, targets=places[:4], drift=drift)
        assert caught.value.code == code


def test_a_column_that_hangs_on_one_sample_has_no_leave_one_out() -> None:
    places, values = simulated(20, 16)
    flag = (np.arange(20) == 6).astype(np.float64)
    system = kriging_system(
        places=places, values=values, variogram=variogram(), drift=flag[:, None],
        drift_names=("old yard",),
    )
    with pytest.raises(ComputeError, match=r"sample no\. 7.*old yard") as caught:
        kriging_leave_one_out(system=system)
    assert caught.value.code == "surface-drift-one-sample"


def test_samples_and_targets_that_are_no_numbers_are_refused() -> None:
    places, values = simulated(20, 17)
    for bad in (np.nan, np.inf):
        refused("surface-not-finite", "no. 1", values=np.where(np.arange(20) == 0, bad, values))
    refused("surface-shape", "shape", places=np.empty((0, 2)), values=np.empty(0))
    refused("surface-shape", "shape", values=values[:5])
    refused("surface-model-unknown", "spherical", variogram=variogram("spheric"))
    system = kriging_system(places=places, values=values, variogram=variogram())
    for targets in (np.array([[0.0, np.nan]]), np.zeros((3, 3)), np.zeros(2)):
        with pytest.raises(ComputeError) as caught:
            point_krige(system=system, targets=targets)
        assert caught.value.code == "surface-targets"
    empty = point_krige(system=system, targets=np.empty((0, 2)))
    assert empty[0].shape == empty[1].shape == (0,)


def test_nearly_one_place_is_refused_rather_than_mapped_from_rounding() -> None:
    places, values = simulated(20, 18)
    places = np.vstack([places, places[0] + 1e-6])
    refused(
        "surface-singular", "positive definite", places=places, values=np.append(values, 500.0),
        variogram=variogram("matern-3/2", 0.0),
    )


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("nugget", -1.0), ("nugget", np.nan), ("partial_sill", -1.0), ("partial_sill", np.inf),
        ("range_m", 0.0), ("range_m", -5.0), ("error_variance", 81.0), ("error_variance", -1.0),
        ("anisotropy_ratio", 0.5), ("anisotropy_deg", np.nan),
    ],
)
def test_a_variogram_that_is_none_is_refused(name: str, number: float) -> None:
    refused(
        "surface-variogram-invalid", name, variogram=replace(variogram(), **{name: number})
    )


@settings(max_examples=80, deadline=None)
@given(
    n=st.integers(1, 14), seed=st.integers(0, 10_000), model=st.sampled_from(MODELS),
    share=st.sampled_from([0.0, 0.01, 0.5, 1.0]), error=st.sampled_from([0.0, 0.5, 1.0]),
    reach=st.floats(0.01, 1e5), ratio=st.floats(1.0, 20.0), degrees=st.floats(0.0, 180.0),
)
def test_equal_values_stay_and_variances_are_no_less_than_nothing(
    *, n: int, seed: int, model: str, share: float, error: float, reach: float, ratio: float,
    degrees: float,
) -> None:
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, 800.0, (n, 2))
    shape = Variogram(
        model=model, nugget=share * 4.0, partial_sill=(1.0 - share) * 4.0, range_m=reach,
        error_variance=error * share * 4.0, anisotropy_ratio=ratio, anisotropy_deg=degrees,
    )
    targets = np.vstack([rng.uniform(-4000.0, 4000.0, (20, 2)), places])
    try:
        system = kriging_system(places=places, values=np.full(n, 173.25), variogram=shape)
    except ComputeError:
        # Long ranges without a nugget: all samples say the same.
        assert share == 0.0
        return
    for filtered in (False, True):
        estimate, spread = point_krige(system=system, targets=targets, filtered=filtered)
        np.testing.assert_allclose(estimate, 173.25, rtol=1e-9)
        assert (spread >= 0.0).all()
        assert (spread <= 1e3).all()


def test_an_outlier_of_1e9_leaves_the_variances_alone() -> None:
    places, values = simulated(30, 19)
    targets = targets_with_samples(places)
    wild = values.copy()
    wild[4] = 1e9
    base, moved = (
        point_krige(
            system=kriging_system(places=places, values=z, variogram=variogram()), targets=targets
        )
        for z in (values, wild)
    )
    np.testing.assert_array_equal(base[1], moved[1])
    assert np.isfinite(moved[0]).all()
