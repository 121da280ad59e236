"""Mixtures: any number of parts, undefined parts, and what must hold."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import mixtures
from trialkit.measures.mixtures import colby, colby_expected

percent = st.floats(-300, 100)


@given(x=percent, y=percent, z=percent)
def test_order_and_grouping_do_not_matter(x: float, y: float, z: float) -> None:
    plain = colby_expected([x, y, z]).percent
    close = {"rel": 1e-9, "abs": 1e-9}
    assert colby_expected([z, x, y]).percent == pytest.approx(plain, **close)
    pair = colby_expected([x, y]).percent
    assert colby_expected([pair, z]).percent == pytest.approx(plain, **close)
    assert pair == pytest.approx(x + y - x * y / 100, **close)


@given(x=percent)
def test_a_part_without_effect_or_with_full_effect(x: float) -> None:
    assert colby_expected([x, 0]).percent == pytest.approx(x, abs=1e-12)
    assert colby_expected([x, 100]).percent == 100.0


@given(x=st.floats(0, 100), y=st.floats(0, 100))
def test_a_mixture_is_expected_to_be_no_worse_than_its_better_part(x: float, y: float) -> None:
    assert colby_expected([x, y]).percent >= max(x, y) - 1e-9


def test_difference_and_its_sign() -> None:
    result = colby([[60, 60], [50, 50]], [90, 65])
    np.testing.assert_allclose(result.expected, [80, 80])
    np.testing.assert_allclose(result.difference, [10, -15])
    assert result.reason.tolist() == ["", ""]


def test_undefined_parts_and_mixtures() -> None:
    parts = [[60, np.nan, 60, 60, 120], [50, 50, 50, 50, 50]]
    result = colby(parts, [80, 80, np.nan, 101, 80])
    np.testing.assert_allclose(result.expected, [80, np.nan, 80, 80, np.nan])
    np.testing.assert_allclose(result.difference, [0, *[np.nan] * 4])
    assert result.reason.tolist() == [
        "",
        mixtures.PART_UNDEFINED,
        mixtures.MIXTURE_UNDEFINED,
        mixtures.OVER_HUNDRED,
        mixtures.OVER_HUNDRED,
    ]


def test_parts_along_another_axis_and_draws() -> None:
    draws = np.array([[60.0, 50.0], [30.0, -10.0]])
    np.testing.assert_allclose(colby_expected(draws, axis=1).percent, [80, 23])
    many = colby(draws, [[80.0], [23.0], [0.0]], axis=1)
    assert many.difference.shape == (3, 2)
    np.testing.assert_allclose(np.diag(many.difference), [0, 0], atol=1e-12)
    with pytest.raises(ValueError, match="two parts"):
        colby_expected([60])
    with pytest.raises(ValueError, match="two parts"):
        colby_expected(60)
