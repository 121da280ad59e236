"""Percent control: undefined cases, exact ends, identities, averages over blocks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.measures import control
from trialkit.measures.control import abbott, adjusted, henderson_tilton

counts = st.integers(0, 10_000)
some = st.integers(1, 10_000)
amounts = st.floats(1e-3, 1e6)
anything = st.floats(allow_nan=True, allow_infinity=True)


@pytest.mark.parametrize("treated", [0, 1, 40])
def test_abbott_without_pests_in_the_untreated(treated: int) -> None:
    result = abbott(treated, 0)
    assert np.isnan(result.percent)
    assert result.reason.item() == "none in the untreated, so there is nothing to compare with"


@pytest.mark.parametrize(
    ("ta", "tb", "ca", "cb", "reason"),
    [
        (5, 0, 10, 10, control.TREATED_NONE_BEFORE),
        (5, 10, 0, 10, control.UNTREATED_NONE_LEFT),
        (0, 10, 0, 10, control.UNTREATED_NONE_LEFT),
        (5, 10, 10, 0, control.UNTREATED_NONE_BEFORE),
        (0, 10, 10, 0, control.UNTREATED_NONE_BEFORE),
        (5, 10, 0, 0, control.UNTREATED_NONE_BEFORE),
        (np.nan, 0, 10, 10, control.NOT_COUNTED),
        (5, None, 10, 10, control.NOT_COUNTED),
        (5, 10, np.inf, 10, control.NOT_COUNTED),
        (5, -1, 10, 10, control.BELOW_ZERO),
    ],
)
def test_before_and_after_undefined(ta, tb, ca, cb, reason) -> None:
    result = henderson_tilton(ta, tb, ca, cb)
    assert np.isnan(result.percent)
    assert result.reason.item() == reason


def test_missing_counts_are_said() -> None:
    assert abbott(np.nan, 0).reason.item() == "not counted"
    assert abbott(0, None).reason.item() == "not counted"


def test_broadcasting_and_scalars() -> None:
    treated = np.array([[1.0, 2.0, 3.0], [4.0, 0.0, 6.0]])
    result = abbott(treated, [10, 20, 0])
    np.testing.assert_array_equal(result.percent, [[90, 90, np.nan], [60, 100, np.nan]])
    assert result.reason.shape == (2, 3)
    assert result.reason[:, :2].tolist() == [["", ""], ["", ""]]
    assert abbott(1, 2).percent.shape == ()
    assert abbott([], []).percent.shape == (0,)
    with pytest.raises(ValueError, match="shape"):
        abbott([1, 2, 3], [1, 2])


def test_inputs_are_left_alone() -> None:
    treated, untreated = np.array([1.0, np.nan]), np.array([0.0, 2.0])
    abbott(treated, untreated)
    np.testing.assert_array_equal(treated, [1, np.nan])
    np.testing.assert_array_equal(untreated, [0, 2])


@given(x=amounts)
def test_equal_values_are_exactly_zero_and_none_left_exactly_hundred(x: float) -> None:
    assert abbott(x, x).percent == 0.0
    assert abbott(0, x).percent == 100.0
    assert henderson_tilton(0, x, x / 3, x / 7).percent == 100.0
    assert henderson_tilton(x, x, x, x).percent == 0.0


@given(ta=counts, ca=some, t=some)
def test_whole_counts_are_rounded_once(ta: int, ca: int, t: int) -> None:
    # The quotient of two whole numbers is what Python's own division rounds it to.
    assert abbott(ta, ca).percent == 100 * (ca - ta) / ca
    assert henderson_tilton(ta, t, ca, t).percent == abbott(ta, ca).percent


moderate = st.floats(0.1, 1e3)


@given(ta=moderate, tb=moderate, ca=moderate, cb=moderate)
def test_sun_shepard_is_its_published_form(ta: float, tb: float, ca: float, cb: float) -> None:
    m = 100 * (1 - ta / tb)
    p = 100 * (ca / cb - 1)
    share = 100 - 100 * (m + p) / (100 + p)
    assert 100 - henderson_tilton(ta, tb, ca, cb).percent == pytest.approx(
        share, rel=1e-6, abs=1e-6
    )


@given(b=st.floats(0, 100), k=st.floats(0, 99.9))
def test_schneider_orelli_is_abbott_of_the_living(b: float, k: float) -> None:
    published = 100 * (b - k) / (100 - k)
    assert abbott(100 - b, 100 - k).percent == pytest.approx(published, rel=1e-6, abs=1e-9)


@given(ta=amounts, tb=amounts, ca=amounts, cb=amounts, scale=st.floats(1e-3, 1e3))
def test_scale_does_not_matter(ta: float, tb: float, ca: float, cb: float, scale: float) -> None:
    close = {"rel": 1e-9, "abs": 1e-9}
    assert abbott(ta * scale, ca * scale).percent == pytest.approx(abbott(ta, ca).percent, **close)
    plain = henderson_tilton(ta, tb, ca, cb).percent
    # A treatment's plots may be counted on another unit, the same before and after.
    assert henderson_tilton(ta * scale, tb * scale, ca, cb).percent == pytest.approx(plain, **close)
    assert henderson_tilton(ta, tb, ca * scale, cb * scale).percent == pytest.approx(plain, **close)


@given(t=counts, c=some)
def test_sign_and_bound(t: int, c: int) -> None:
    percent = abbott(t, c).percent
    assert np.sign(percent) == np.sign(c - t)
    assert percent <= 100
    assert (percent == 100) == (t == 0)


@given(a=anything, b=anything, c=anything, d=anything)
def test_never_infinite_and_always_a_reason(a: float, b: float, c: float, d: float) -> None:
    for result in (abbott(a, b), henderson_tilton(a, b, c, d)):
        assert not np.isinf(result.percent)
        assert np.isnan(result.percent) == (result.reason.item() != "")
        assert not result.percent > 100


def test_the_mean_of_blocks_is_biased_downward_when_counts_are_independent() -> None:
    # Untreated 5 or 15 with equal chance, treated 2 whatever the untreated is: the true control
    # of the means is 80; the expected percentage of one block is the mean of 60 and 86.67.
    assert abbott(2, np.mean([5, 15])).percent == 80.0
    by_block = abbott(2, [5, 15]).percent
    assert np.mean(by_block) == pytest.approx((60 + 100 * 13 / 15) / 2)


def test_bias_of_the_mean_of_blocks_is_what_the_table_of_blocks_says() -> None:
    rng = np.random.default_rng(20)
    cv, mean = 0.2, 40.0
    untreated = rng.gamma(1 / cv**2, mean * cv**2, 200_000)
    by_block = abbott(0.2 * mean, untreated).percent
    bias = np.mean(by_block) - 80.0
    assert bias == pytest.approx(-(100 - 80) * cv**2, rel=0.1)


def test_rounding_does_not_lift_control_above_hundred() -> None:
    # 100 C / C rounds to just over 100 for this C, and so would almost nothing left.
    untreated = 91.27555772777217
    assert 100.0 * (untreated - 1e-20) / untreated > 100
    assert abbott(1e-20, untreated).percent == 100.0


@given(
    st.lists(st.integers(1, 10_000), min_size=4, max_size=4),
    st.floats(0.0, 1.0),
)
def test_adjusted_lies_between_its_two_ends(counts, slope):
    ta, tb, ca, cb = counts
    ends = [float(adjusted(ta, tb, ca, cb, end).percent) for end in (0.0, 1.0)]
    found = float(adjusted(ta, tb, ca, cb, slope).percent)
    assert ends[0] == float(abbott(ta, ca).percent)
    assert ends[1] == float(henderson_tilton(ta, tb, ca, cb).percent)
    room = 1e-9 * (1.0 + max(abs(end) for end in ends))
    assert min(ends) - room <= found <= max(ends) + room
    assert found <= 100.0


def test_adjusted_needs_counts_before_and_a_slope_from_0_to_1():
    assert adjusted(5, 0, 10, 20, 0.5).reason == "none in the treated before treatment"
    assert adjusted(5, 0, 10, 20, 0.0).percent == 50.0
    assert adjusted(0, 30, 10, 20, 0.5).percent == 100.0
    with pytest.raises(ValueError, match="between 0 and 1"):
        adjusted(5, 10, 10, 20, 1.2)
