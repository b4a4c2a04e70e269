"""The clean-up of class rasters: widths and sizes counted by hand."""

from __future__ import annotations

import numpy as np
import pytest

from vrx.zones._raster import clean, fill_outside
from vrx.zones._regions import merge_small


def steps(count: int) -> np.ndarray:
    index = np.arange(count)
    return np.abs(index[:, None] - index[None, :])


def run(classes, *, width=1.0, smallest=0.0, inside=None, most=None):
    inside = np.ones(classes.shape, dtype=bool) if inside is None else inside
    return clean(
        classes=classes.astype(np.int64), inside=inside, distance=steps(int(classes.max()) + 1),
        width_cells=width, smallest_cells=smallest, most=most,
    )


@pytest.mark.parametrize("width", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("turned", [False, True])
def test_a_strip_stays_if_it_is_as_wide_as_the_limit(width: int, turned: bool) -> None:
    for cells in (width - 1, width):
        classes = np.zeros((30, 40), dtype=np.int64)
        classes[10 : 10 + cells, :] = 1
        found = run(classes.T if turned else classes, width=width)
        assert found.stable
        assert (found.classes == 1).sum() == (0 if cells < width else cells * 40)


@pytest.mark.parametrize(("across", "stays"), [(3, False), (5, False), (13, True)])
def test_a_diagonal_strip_is_measured_across(across: int, stays: bool) -> None:
    # Cells with |row - column| <= across form a strip about sqrt(2) * across cells wide.
    row, column = np.indices((60, 60))
    classes = (np.abs(row - column) <= across).astype(np.int64)
    found = run(classes, width=10.0)
    left = (found.classes == 1).sum()
    assert left >= 0.95 * classes.sum() if stays else left == 0


def test_a_narrow_tongue_goes_and_its_body_stays() -> None:
    classes = np.zeros((40, 60), dtype=np.int64)
    classes[5:35, 5:25] = 1
    classes[19:21, 25:55] = 1
    found = run(classes, width=4)
    assert (found.classes[:, 28:] == 0).all()
    assert (found.classes[8:32, 8:22] == 1).all()
    # The tongue, and no more than the four corners of its body beside it.
    assert 58 <= sum(found.narrow_moved) <= 70


def test_narrow_cells_go_to_the_class_they_touch_most() -> None:
    classes = np.zeros((21, 40), dtype=np.int64)
    classes[10, :] = 1
    classes[11:, :] = 2
    found = run(classes, width=3)
    # Row 10 touches class 0 above and class 2 below alike, both one step away: the lower wins.
    assert (found.classes[10] == 0).all()
    classes[11:, :] = 3
    assert (run(classes, width=3).classes[10] == 0).all()
    classes[10, :] = 2
    assert (run(classes, width=3).classes[10] == 3).all()


def test_where_the_field_is_narrow_its_classes_stay() -> None:
    inside = np.zeros((40, 80), dtype=bool)
    inside[5:35, 5:30] = True
    inside[19:21, 30:75] = True  # a lane two cells wide
    classes = np.zeros((40, 80), dtype=np.int64)
    classes[:, 52:] = 1
    found = run(classes, width=6, inside=inside)
    assert np.array_equal(found.classes, classes)
    assert found.field_narrow[19:21, 40:75].all()
    assert not found.field_narrow[5:35, 5:25].any()
    # Plain corners of a field are not narrow places.
    square = run(np.zeros((40, 40), dtype=np.int64), width=6)
    assert not square.field_narrow.any()


def test_a_field_all_narrower_than_the_limit_is_left_alone() -> None:
    classes = np.zeros((3, 60), dtype=np.int64)
    classes[:, 30:] = 1
    found = run(classes, width=8)
    assert np.array_equal(found.classes, classes)
    assert found.field_narrow.all()
    assert found.stable


def test_small_pieces_join_along_the_longest_edge() -> None:
    classes = np.zeros((12, 12), dtype=np.int64)
    classes[:, 6:] = 2
    classes[4:7, 5:9] = 4  # touches class 0 along 5 sides, class 2 along 9
    found = run(classes, smallest=13)
    expected = np.where(np.indices((12, 12))[1] >= 6, 2, 0)
    expected[4:7, 5] = 2
    assert np.array_equal(found.classes, expected)
    assert found.small_moved == (12.0,)
    assert np.array_equal(run(classes, smallest=12).classes, classes)


def test_equal_edges_go_to_the_nearest_class() -> None:
    classes = np.array([[0] * 4, [0] * 4, [1] * 4, [4] * 4, [4] * 4])
    assert (run(classes, smallest=5).classes[2] == 0).all()
    classes[2] = 3
    assert (run(classes, smallest=5).classes[2] == 4).all()


def test_pieces_that_come_together_are_one() -> None:
    # Two pieces of class 0, each under the limit, with a smaller strip of class 1 between them.
    classes = np.array([[0, 0, 0, 1, 0, 0, 0, 2, 2, 2, 2, 2]] * 3)
    found = run(classes, smallest=12)
    assert found.small_moved == (3.0,)
    assert np.array_equal(found.classes, np.array([[0] * 7 + [2] * 5] * 3))


def test_a_part_without_neighbour_stays() -> None:
    inside = np.ones((10, 20), dtype=bool)
    inside[:, 12:14] = False
    classes = np.zeros((10, 20), dtype=np.int64)
    classes[:, 14:] = 1
    found = run(classes, smallest=100, inside=inside)
    assert np.array_equal(found.classes, classes)


def test_most_pieces() -> None:
    classes = np.repeat(np.arange(8), 5)[None, :].repeat(4, axis=0)
    found = run(classes, smallest=1, most=3)
    assert len(np.unique(found.classes)) == 3
    assert found.forced >= 20
    assert run(classes, smallest=1, most=8).forced == 0


def test_merge_is_the_same_in_any_unit_and_keeps_sizes() -> None:
    rng = np.random.default_rng(2)
    count = 200
    sizes = rng.uniform(1, 30, count)
    kinds = rng.integers(0, 4, count)
    pairs = np.array([(n, n + 1) for n in range(count - 1)] + [(n, n + 7) for n in range(193)])
    lengths = rng.uniform(1, 9, len(pairs))
    found = merge_small(
        sizes=sizes, kinds=kinds, pairs=pairs, lengths=lengths, smallest=40.0, distance=steps(4)
    )
    total = np.bincount(found.owner, weights=sizes)
    assert total[total > 0].min() >= 40.0
    assert total.sum() == pytest.approx(sizes.sum())
    # An owner owns itself.
    assert np.array_equal(found.owner[found.owner], found.owner)


def test_outside_takes_the_nearest_class() -> None:
    inside = np.zeros((5, 7), dtype=bool)
    inside[1:4, 1:3] = inside[1:4, 4:6] = True
    classes = np.full((5, 7), 9)
    classes[1:4, 1:3], classes[1:4, 4:6] = 1, 2
    filled = fill_outside(classes, inside)
    assert set(np.unique(filled)) == {1, 2}
    assert (filled[:, 0] == 1).all()
    assert (filled[:, 6] == 2).all()
