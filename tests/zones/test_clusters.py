"""Clusters: against scikit-learn, Bezdek's equations written out, and fields of known truth."""

from __future__ import annotations

import math
import runpy
from pathlib import Path

import numpy as np
import pytest
import shapely
from sklearn.cluster import KMeans
from sklearn.datasets import load_iris
from sklearn.metrics import adjusted_rand_score, silhouette_score

from vrx.errors import ComputeError
from vrx.geo import cells_within, grid_over
from vrx.zones import ClusterLayer, MachineRules, zones_from_clusters
from vrx.zones import _cluster as cluster

_FIELDS = runpy.run_path(str(Path(__file__).with_name("fields.py")))
CENTRE = _FIELDS["CENTRE"]
FIELD = shapely.MultiPolygon([shapely.box(0, 0, 600, 600)])
RULES = MachineRules(smallest_ac=0.5, most_zones=60)


def _blobs(seed: int = 1, count: int = 240) -> np.ndarray:
    rng = np.random.default_rng(seed)
    centres = np.array([[0.0, 0.0, 1.0], [4.0, 1.0, -1.0], [1.0, 5.0, 0.0]])
    return np.vstack([rng.normal(centre, 1.0, (count // 3, 3)) for centre in centres])


def _bezdek(values, start, m: float, rounds: int):
    """Fuzzy c-means, cell by cell: Bezdek 1981, equations 11.3a and 11.3b."""
    centres = [list(row) for row in start]
    for _ in range(rounds):
        member = []
        for value in values:
            away = [math.dist(value, centre) for centre in centres]
            member.append([
                1.0 / sum((own / other) ** (2.0 / (m - 1.0)) for other in away) for own in away])
        centres = [
            [sum(u[i] ** m * v[d] for u, v in zip(member, values, strict=True))
             / sum(u[i] ** m for u in member) for d in range(len(values[0]))]
            for i in range(len(centres))
        ]
    return np.array(centres), np.array(member)


@pytest.mark.parametrize("m", [1.3, 1.5, 2.0])
def test_fuzzy_c_means_is_bezdeks(m: float) -> None:
    values = _blobs()
    start = values[[3, 90, 200]] + 0.01
    expected, _ = _bezdek(values.tolist(), start.tolist(), m, 60)
    found = cluster.fuzzy_c_means(values, start, fuzziness=m)
    assert found == pytest.approx(expected, abs=1e-3)
    # One settled step further nothing moves, and memberships are those of the plain formula.
    centres, member = _bezdek(values.tolist(), found.tolist(), m, 1)
    assert centres == pytest.approx(found, abs=1e-3)
    assert cluster.memberships(values, found, m) == pytest.approx(member, abs=1e-9)
    assert cluster.memberships(values, found, m).sum(axis=1) == pytest.approx(1.0)
    # A cell on a centre is wholly its own.
    on = cluster.memberships(found, found, m)
    assert on == pytest.approx(np.eye(3), abs=1e-6)


def test_kmeans_is_scikit_learns_and_iris_is_parted() -> None:
    iris = load_iris()
    values = (iris.data - iris.data.mean(axis=0)) / iris.data.std(axis=0)
    reference = KMeans(n_clusters=3, n_init=10, random_state=0).fit(values)
    centres = cluster.kmeans(values, 3, seed=0)
    labels = cluster.nearest(values, centres)
    assert adjusted_rand_score(reference.labels_, labels) == 1.0
    inertia = sum(((values[labels == k] - centres[k]) ** 2).sum() for k in range(3))
    assert inertia == pytest.approx(reference.inertia_, rel=1e-6)
    # Adjusted Rand index 0.620 of k-means on standardised iris: widely shown, from memory.
    assert adjusted_rand_score(iris.target, labels) == pytest.approx(0.62, abs=0.02)
    soft = cluster.fuzzy_c_means(values, centres, fuzziness=2.0)
    member = cluster.memberships(values, soft, 2.0)
    assert adjusted_rand_score(iris.target, member.argmax(axis=1)) > 0.6


@pytest.mark.parametrize("number", [2, 3, 5])
def test_silhouettes_are_scikit_learns(number: int) -> None:
    values = np.vstack([_blobs(), [[50.0, 50.0, 50.0]]])  # the last one alone in its cluster
    labels = np.append(cluster.nearest(values[:-1], values[:number] + 0.1), number)
    assert cluster.silhouettes(values, labels) == pytest.approx(
        silhouette_score(values, labels), abs=1e-9)
    assert math.isnan(cluster.silhouettes(values, np.zeros(len(values), dtype=np.int64)))


def test_scores_at_their_ends() -> None:
    values = _blobs()
    labels = np.repeat(np.arange(3), 80)
    everything = np.arange(len(values))
    centres = cluster.kmeans(values, 3, seed=0)
    crisp = cluster.score(values, everything, centres, np.eye(3)[labels], labels)
    vague = cluster.score(values, everything, centres, np.full((240, 3), 1 / 3), labels)
    # Crisp memberships: partition coefficient 1, entropy 0; all alike: 1 / k and log k.
    assert (crisp.fuzziness_index, crisp.entropy) == pytest.approx((0.0, 0.0), abs=1e-12)
    assert (vague.fuzziness_index, vague.entropy) == pytest.approx((1.0, 1.0), abs=1e-12)
    between = 80 * sum(
        ((values[labels == k].mean(axis=0) - values.mean(axis=0)) ** 2).sum() for k in range(3))
    total = ((values - values.mean(axis=0)) ** 2).sum()
    assert crisp.variance_reduction == pytest.approx(between / total)


def _truth(grid, *, noise: float, seed: int = 5):
    """Four blocks of the field and three layers that tell them apart."""
    rng = np.random.default_rng(seed)
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    truth = (east > 300).astype(int) + 2 * (north > 250).astype(int)
    means = np.array([[100.0, 20.0, 300.0], [160.0, 24.0, 303.0], [120.0, 40.0, 301.0],
                      [190.0, 44.0, 306.0]])
    spread = np.array([30.0, 9.0, 2.0])
    return truth, [
        ClusterLayer(name=name, unit=unit,
                     values=means[truth, k] + noise * rng.normal(0, spread[k], grid.shape))
        for k, (name, unit) in enumerate((("K", "ppm"), ("EC", "mS/m"), ("height", "m")))
    ]


def _made(layers, grid, boundary=FIELD, rules=RULES, **more):
    return zones_from_clusters(
        boundary=boundary, crs_centre=CENTRE, grid=grid, layers=layers, rules=rules, **more)


@pytest.mark.parametrize("way", ["k-means", "fuzzy c-means"])
def test_known_truth_comes_back(way) -> None:
    grid = grid_over(FIELD, cell_m=5.0)
    truth, layers = _truth(grid, noise=0.5)
    zones = _made(layers, grid, way=way)
    table = zones.clusters
    assert (table.proposed, table.used, len(zones.zones)) == (4, 4, 4)
    assert [one.number for one in table.scores] == [2, 3, 4, 5, 6, 7]
    found = np.full(grid.shape, -1)
    for zone in zones.zones:
        cells = cells_within(zone.polygon, grid)[1].astype(int)
        found[cells[:, 0], cells[:, 1]] = zone.zone_id
    inside = found >= 0
    assert adjusted_rand_score(truth[inside], found[inside]) > 0.97
    assert shapely.coverage_is_valid(np.array([z.polygon for z in zones.zones], dtype=object))
    assert sum(z.polygon.area for z in zones.zones) == pytest.approx(FIELD.area, rel=1e-9)
    assert zones.basis.startswith(f"4 clusters of K, EC, height ({way}, blurred over 33 ft)")
    # Clusters count up by the first layer; each label tells what the cluster reads.
    lowest = next(z for z in zones.zones if z.label.startswith("cluster 1: "))
    assert "K 99.8 ppm" in lowest.label  # drawn around 100
    assert not zones.findings


def test_blurring_makes_clusters_hang_together() -> None:
    grid = grid_over(FIELD, cell_m=6.0)
    _, layers = _truth(grid, noise=1.3)
    moved = []
    for blur_m in (0.0, 10.0):
        zones = _made(layers, grid, number=4, most=4, blur_m=blur_m)
        moved.append(sum(float(f.value) for f in zones.findings if f.code in (
            "zones-narrow-merged", "zones-small-merged")))
    assert moved[1] < 0.25 * moved[0]


def test_the_users_number_wins_and_is_told() -> None:
    grid = grid_over(FIELD, cell_m=10.0)
    _, layers = _truth(grid, noise=0.4)
    zones = _made(layers, grid, number=9, most=5)
    assert (zones.clusters.proposed, zones.clusters.used) == (4, 9)
    assert [one.number for one in zones.clusters.scores] == [2, 3, 4, 5, 9]
    (finding,) = [f for f in zones.findings if f.code == "zones-cluster-number"]
    assert "silhouette 4" in finding.what


def test_units_and_order_of_layers_do_not_matter_and_runs_repeat() -> None:
    grid = grid_over(FIELD, cell_m=10.0)
    _, layers = _truth(grid, noise=0.5)
    first = _made(layers, grid)
    again = _made(layers, grid)
    assert [z.polygon.wkb for z in first.zones] == [z.polygon.wkb for z in again.zones]
    scaled = [ClusterLayer(name=one.name, unit=one.unit, values=one.values * 2.54 - 7)
              for one in layers]
    other = _made([scaled[0], *scaled[:0:-1]], grid)
    areas = [sorted(round(z.polygon.area) for z in made.zones) for made in (first, other)]
    assert areas[0] == pytest.approx(areas[1], rel=0.02)


def test_noise_alone_is_called_weak() -> None:
    grid = grid_over(FIELD, cell_m=10.0)
    rng = np.random.default_rng(0)
    layers = [ClusterLayer(name=str(n), unit="", values=rng.normal(size=grid.shape))
              for n in range(5)]
    assert "zones-cluster-weak" in {f.code for f in _made(layers, grid).findings}


def test_a_constant_layer_is_left_out_and_gaps_are_filled_by_the_nearest() -> None:
    grid = grid_over(FIELD, cell_m=5.0)
    _, layers = _truth(grid, noise=0.4)
    holed = layers[1].values.copy()
    east, north = np.meshgrid(grid.easting_m, grid.northing_m)
    holed[(east > 100) & (east < 200) & (north > 400) & (north < 500)] = np.nan
    zones = _made([
        layers[0], ClusterLayer(name="EC", unit="mS/m", values=holed), layers[2],
        ClusterLayer(name="flat", unit="%", values=np.full(grid.shape, 3.0)),
        ClusterLayer(name="empty", unit="%", values=np.full(grid.shape, np.nan)),
    ], grid)
    told = {(f.code, f.where) for f in zones.findings}
    assert told == {("zones-cluster-constant", "flat"), ("zones-cluster-constant", "empty"),
                    ("zones-cluster-gaps", "EC")}
    (gap,) = [f for f in zones.findings if f.code == "zones-cluster-gaps"]
    assert float(gap.value) == pytest.approx(100 * 100 / 4046.8564224, rel=0.01)
    assert len(zones.zones) == 4


def test_refusals() -> None:
    grid = grid_over(FIELD, cell_m=50.0)
    _, layers = _truth(grid, noise=0.4)
    flat = [ClusterLayer(name="flat", unit="%", values=np.full(grid.shape, 3.0))]
    two = [ClusterLayer(name="two", unit="", values=np.where(
        np.arange(grid.rows)[:, None] > 5, 1.0, 2.0) + np.zeros(grid.shape))]
    gap = np.full(grid.shape, np.nan)
    gap[3:6] = np.arange(3 * grid.columns).reshape(3, -1)
    for given, more, code in (
        ([], {}, "zones-no-layer"),
        ([ClusterLayer(name="a", unit="", values=np.ones((2, 2)))], {}, "zones-shape"),
        (flat, {}, "zones-cluster-flat"),
        (layers, {"number": 1}, "zones-cluster-count"),
        (layers, {"fewest": 4, "most": 3}, "zones-cluster-count"),
        (layers, {"blur_m": -1.0}, "zones-limit"),
        (two, {"number": 3}, "zones-cluster-many"),
        (layers, {"number": 5000}, "zones-cluster-many"),
        ([*layers, ClusterLayer(name="gap", unit="", values=gap)], {}, "zones-cluster-cover"),
    ):
        with pytest.raises(ComputeError) as caught:
            _made(given, grid, **more)
        assert caught.value.code == code


def test_two_different_values_make_two_clusters() -> None:
    grid = grid_over(FIELD, cell_m=10.0)
    east, _ = np.meshgrid(grid.easting_m, grid.northing_m)
    layer = ClusterLayer(name="two", unit="", values=np.where(east < 300, 1.0, 2.0))
    zones = _made([layer], grid)
    assert [one.number for one in zones.clusters.scores] == [2]
    assert len(zones.zones) == 2
    assert zones.clusters.scores[0].silhouette == pytest.approx(1.0)


def test_a_field_narrower_than_a_cell() -> None:
    for width, grows in ((8.0, True), (3.0, False)):
        boundary = shapely.MultiPolygon([shapely.box(0, 0, width, 400)])
        grid = grid_over(boundary, cell_m=10.0)
        values = np.arange(grid.rows * grid.columns, dtype=np.float64).reshape(grid.shape)
        layers = [ClusterLayer(name="a", unit="", values=values)]
        if not grows:  # no cell centre in the field: one cell stands for it all
            with pytest.raises(ComputeError) as caught:
                _made(layers, grid, boundary)
            assert caught.value.code == "zones-cluster-flat"
            continue
        zones = _made(layers, grid, boundary)
        assert sum(z.polygon.area for z in zones.zones) == pytest.approx(3200.0, rel=1e-9)
        assert shapely.coverage_is_valid(np.array([z.polygon for z in zones.zones], dtype=object))
