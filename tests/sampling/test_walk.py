"""The crew's walk against every order there is, and against the given order."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest

from vrx.model import FloatArray, IntArray
from vrx.sampling import walk, walk_length

START = np.array([0.0, 0.0])


def shortest(places: FloatArray) -> float:
    """Length of the best of all orders, by trying every one."""
    nodes = np.vstack([START, places])
    gap = np.hypot(*(nodes[:, None] - nodes[None]).transpose(2, 0, 1))
    orders = np.array(list(permutations(range(1, len(nodes)))))
    paths = np.column_stack([np.zeros(len(orders), dtype=int), orders])
    return float(gap[paths[:, :-1], paths[:, 1:]].sum(axis=1).min())


def length(places: FloatArray, order: IntArray) -> float:
    return walk_length(start=START, places=places, order=order)


def test_up_to_eight_points_the_walk_is_the_shortest_or_hardly_longer() -> None:
    generator = np.random.default_rng(12)
    ratios = []
    for count in (1, 2, 3, 4, 5, 6, 7, 8):
        for _ in range(25):
            places = generator.uniform(0.0, 800.0, (count, 2))
            ratios.append(length(places, walk(start=START, places=places)) / shortest(places))
    found = np.array(ratios)
    assert found.min() > 1 - 1e-9
    assert np.mean(found < 1 + 1e-9) >= 0.9
    assert found.max() < 1.10


@pytest.mark.parametrize("count", [10, 40, 150])
def test_every_point_once_and_never_longer_than_the_given_order(count: int) -> None:
    for seed in range(6):
        places = np.random.default_rng(seed).uniform(0.0, 800.0, (count, 2))
        if seed % 2:
            places = places[np.lexsort((places[:, 0], places[:, 1].round(-2)))]
        order = walk(start=START, places=places)
        assert sorted(order.tolist()) == list(range(count))
        assert length(places, order) <= length(places, np.arange(count)) * (1 + 1e-12)


def test_a_walk_around_a_ring_goes_round_once() -> None:
    angle = np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * 300.0
    mixed = ring[np.random.default_rng(3).permutation(24)]
    start = ring[0] * 1.2
    order = walk(start=start, places=mixed)
    found = walk_length(start=start, places=mixed, order=order)
    assert found == pytest.approx(60.0 + 23 * 2 * 300.0 * np.sin(np.pi / 24), rel=1e-9)


def test_rows_of_a_grid_are_walked_to_and_fro() -> None:
    east, north = np.meshgrid(np.arange(6) * 100.0, np.arange(5) * 100.0)
    places = np.column_stack([east.ravel(), north.ravel()])
    order = walk(start=np.array([-50.0, 0.0]), places=places)
    assert walk_length(start=np.array([-50.0, 0.0]), places=places, order=order) <= 2950 * 1.05


def test_none_one_and_equal_places() -> None:
    assert walk(start=START, places=np.empty((0, 2))).tolist() == []
    assert walk(start=START, places=np.array([[3.0, 4.0]])).tolist() == [0]
    assert sorted(walk(start=START, places=np.zeros((5, 2))).tolist()) == [0, 1, 2, 3, 4]
