"""Neighbours on the field map."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from trialkit.measures.neighbours import adjacency, neighbour_means

NAN = np.nan
# A map of 2 rows and 3 columns, numbered along the rows: 0 1 2 over 3 4 5.
ROW, COLUMN = [1, 1, 1, 2, 2, 2], [1, 2, 3, 1, 2, 3]


def neighbours(touching: np.ndarray) -> list[list[int]]:
    return [np.flatnonzero(row).tolist() for row in touching]


def test_rook_and_queen() -> None:
    rook = [[1, 3], [0, 2, 4], [1, 5], [0, 4], [1, 3, 5], [2, 4]]
    assert neighbours(adjacency(ROW, COLUMN)) == rook
    queen = [[1, 3, 4], [0, 2, 3, 4, 5], [1, 4, 5], [0, 1, 4], [0, 1, 2, 3, 5], [1, 2, 4]]
    assert neighbours(adjacency(ROW, COLUMN, contact="queen")) == queen


def test_gaps_and_plots_without_a_position() -> None:
    touching = adjacency([1, 1, 1, NAN], [1, 3, 4, 2])
    assert neighbours(touching) == [[], [2], [1], []]


@pytest.mark.parametrize(
    ("row", "column", "message"),
    [
        ([1, 1], [2, 2], "same place"),
        ([1, 1.5], [1, 2], "whole numbers"),
        ([1, 2], [1], "same length"),
    ],
)
def test_bad_maps(row: list[float], column: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        adjacency(row, column)


def test_bad_contact_and_shapes() -> None:
    with pytest.raises(ValueError, match="contact"):
        adjacency([1], [1], contact="bishop")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="adjacent"):
        neighbour_means(np.zeros((2, 2)), [1, 2, 3])


def test_means_by_hand() -> None:
    values = [10.0, 20.0, NAN, 40.0, 50.0, 60.0]
    result = neighbour_means(adjacency(ROW, COLUMN), values)
    # The neighbours of plot 0 are 1 and 3; plot 2 was not counted and is left out of 1 and 5.
    np.testing.assert_allclose(result.mean, [30, 30, 40, 30, 40, 50])
    assert result.n.tolist() == [2, 2, 2, 2, 3, 1]


def test_a_plot_without_counted_neighbours() -> None:
    result = neighbour_means(adjacency([1, 1, 5], [1, 2, 5]), [1.0, NAN, 3.0])
    np.testing.assert_array_equal(result.mean, [NAN, 1, NAN])
    assert result.n.tolist() == [0, 1, 0]


@given(
    shape=st.tuples(st.integers(1, 5), st.integers(1, 5)),
    contact=st.sampled_from(["rook", "queen"]),
    data=st.data(),
)
def test_what_holds_on_any_map(shape: tuple[int, int], contact: str, data: st.DataObject) -> None:
    row, column = (part.ravel() for part in np.indices(shape))
    touching = adjacency(row, column, contact=contact)  # type: ignore[arg-type]
    assert (touching == touching.T).all()
    assert not touching.diagonal().any()
    r, c = shape
    sides = r * (c - 1) + c * (r - 1)
    corners = 2 * (r - 1) * (c - 1) if contact == "queen" else 0
    assert touching.sum() == 2 * (sides + corners)
    values = data.draw(hnp.arrays(float, (r * c, 3), elements=st.floats(0, 1e4)))
    values[data.draw(hnp.arrays(bool, values.shape))] = NAN
    result = neighbour_means(touching, values)
    for j in range(3):
        alone = neighbour_means(touching, values[:, j])
        np.testing.assert_allclose(result.mean[:, j], alone.mean)
    mean, counted = result.mean, ~np.isnan(result.mean)
    np.testing.assert_array_equal(counted, result.n > 0)
    if counted.any():
        assert mean[counted].min() >= np.nanmin(values) - 1e-9
        assert mean[counted].max() <= np.nanmax(values) + 1e-9


def test_moving_the_map_changes_nothing() -> None:
    moved = adjacency(np.array(ROW) + 7, np.array(COLUMN) - 3)
    np.testing.assert_array_equal(moved, adjacency(ROW, COLUMN))
