"""Layouts refuse what is no layout."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import (
    Layout,
    completely_randomised,
    latin_square,
    randomised_blocks,
)


def test_constructors_name_their_blocking() -> None:
    assert completely_randomised([0, 1], 2).blocking == ()
    assert [name for name, _ in randomised_blocks([0, 1], [0, 0], 2).blocking] == ["block"]
    square = latin_square([0, 1, 1, 0], [0, 0, 1, 1], [0, 1, 0, 1], 2)
    assert [name for name, _ in square.blocking] == ["row", "column"]
    assert square.n_plots == 4


def test_codes_may_be_of_any_integer_type_and_have_gaps() -> None:
    layout = randomised_blocks(np.array([0, 2], dtype=np.uint8), np.array([7, 9]), 4)
    assert layout.treatment.dtype == np.intp
    assert layout.n_treatments == 4


@pytest.mark.parametrize(
    ("treatment", "block", "n_treatments"),
    [([0, 2], [0, 0], 2), ([-1, 0], [0, 0], 2), ([0, 1], [0], 2), ([], [], 0)],
)
def test_wrong_codes_are_refused(treatment: list[int], block: list[int], n_treatments: int) -> None:
    with pytest.raises(ValueError, match=r"treatment|block"):
        randomised_blocks(treatment, block, n_treatments)


def test_codes_that_are_no_integers_are_refused() -> None:
    with pytest.raises(TypeError, match="integers"):
        completely_randomised(np.array([0.0, 1.0]), 2)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="one-dimensional"):
        Layout(treatment=np.zeros((2, 2), dtype=np.intp), n_treatments=1)
