"""Courses fitted to all days: exact data, laws, ends, and a seeded look at what is promised."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.inference.courses.declines import Declines, declines
from trialkit.inference.courses.evidence import course_evidence
from trialkit.inference.courses.pairs import day_differences, day_limits
from trialkit.inference.courses.ratios import ratios
from trialkit.inference.design.layout import randomised_blocks

DAYS = np.array([3.0, 7.0, 10.0, 14.0, 21.0, 28.0])
AFTER = np.arange(DAYS.size)
LIMIT = 0.2
TARGET = np.log(LIMIT / (1.0 - LIMIT))


def line(first: float, day: float) -> np.ndarray:
    """Share left that falls from ``first`` on day 3 to the limit on ``day``."""
    slope = (TARGET - np.log(first / (1.0 - first))) / (day - 3.0)
    return 1.0 / (1.0 + np.exp(-(TARGET + slope * (DAYS - day))))


def layout_of(treatments: int, blocks: int):
    codes = np.tile(np.arange(treatments), blocks)
    return randomised_blocks(codes, np.repeat(np.arange(blocks), treatments), treatments)


def fitted(values: np.ndarray, treatments: int, blocks: int, **asked) -> tuple[Declines, object]:
    evidence = course_evidence(layout_of(treatments, blocks), values, **asked)
    data = ratios(evidence, AFTER, 0)
    return declines(DAYS, data, LIMIT), data


def counted(left: np.ndarray, rng: np.random.Generator, k: float = 2.0) -> np.ndarray:
    """Counts of four blocks, plots with an effect of their own over all days."""
    effect = np.exp(rng.normal(0, 0.3, (4, 1, 1)) + rng.normal(-0.045, 0.3, (4, len(left), 1)))
    mean = np.linspace(60.0, 150.0, DAYS.size) * left * effect
    return (
        rng.poisson(mean * rng.gamma(k, 1.0 / k, mean.shape)).reshape(-1, DAYS.size).astype(float)
    )


def test_exact_counts_give_the_day_back():
    left = np.array([np.ones(6), line(0.03, 27.0), line(0.05, 9.0), np.full(6, 0.1)])
    values = np.tile(1e6 * left, (4, 1)) * np.repeat([1.0, 1.2, 0.8, 1.0], 4)[:, None]
    found, _ = fitted(values, 4, 4)
    assert found.day[1:3] == pytest.approx([27.0, 9.0], abs=0.05)
    assert found.day[3] == np.inf
    assert found.day[0] == -np.inf
    assert found.fitted == pytest.approx(left, abs=0.01)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**16))
def test_order_of_rows_and_level_of_a_block_change_nothing(seed):
    rng = np.random.default_rng(seed)
    values = counted(np.array([np.ones(6), line(0.05, 15.0), np.full(6, 0.4)]), rng)
    layout = layout_of(3, 4)
    order = rng.permutation(len(values))
    turned = randomised_blocks(layout.treatment[order], layout.blocking[0][1][order], 3)
    one = declines(DAYS, ratios(course_evidence(layout, values), AFTER, 0), LIMIT)
    two = declines(DAYS, ratios(course_evidence(turned, values[order]), AFTER, 0), LIMIT)
    np.testing.assert_allclose(one.profile, two.profile, rtol=1e-6, atol=1e-6)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**16), st.floats(0.2, 1.0))
def test_what_was_never_found_again_holds_to_the_end(seed, level):
    rng = np.random.default_rng(seed)
    values = counted(np.array([np.full(6, level), np.zeros(6), np.ones(6)]), rng)
    found, _ = fitted(values, 3, 4)
    lower, upper = day_limits(found)
    assert found.day[1] == np.inf and upper[1] == np.inf
    assert np.isfinite(found.profile).all() and (lower >= 0.0).all()


def test_limits_hold_the_day_and_tests_agree_with_intervals():
    rng = np.random.default_rng(4)
    left = np.array([np.ones(6), line(0.03, 27.0), line(0.03, 9.0), np.full(6, 0.5)])
    a, b = np.array([1, 1, 2]), np.array([2, 3, 3])
    for _ in range(10):
        found, data = fitted(counted(left, rng), 4, 4)
        lower, upper = day_limits(found)
        at = np.isfinite(found.day)
        assert (lower[at] <= found.day[at] + 1e-9).all()
        assert (found.day[at] <= upper[at] + 1e-9).all()
        pairs = day_differences(found, data.correlations(found.influence), a, b)
        back = day_differences(found, data.correlations(found.influence), b, a)
        np.testing.assert_allclose(pairs.p, back.p)
        np.testing.assert_allclose(pairs.lower, -back.upper, atol=0.3)
        apart = (pairs.lower > 0.5) | (pairs.upper < -0.5)
        assert (pairs.p[apart] < 0.055).all()


def test_a_course_that_no_line_fits_is_taken_as_seen():
    bent = np.array([0.05, 0.05, 0.6, 0.6, 0.05, 0.9])
    left = np.array([np.ones(6), bent, line(0.05, 15.0)])
    values = np.tile(3000.0 * left, (4, 1)) + np.repeat([0.0, 3.0, -3.0, 1.0], 3)[:, None]
    found, _ = fitted(values, 3, 4)
    assert found.monotone.tolist() == [False, True, False]
    assert found.p_lack_of_fit[1] < 0.01
    assert 7.0 < found.day[1] < 21.0


def test_shares_of_plots_and_of_items_have_courses():
    rng = np.random.default_rng(2)
    p = 0.6 * np.array([np.ones(6), line(0.05, 15.0), np.full(6, 0.6)])
    hits = rng.binomial(40, np.repeat(p[None], 4, axis=0)).reshape(-1, 6)
    values = 100.0 * hits / 40.0
    for items in (None, np.full(values.shape, 40.0)):
        found, _ = fitted(values, 3, 4, kind="percent", items=items)
        lower, upper = day_limits(found)
        assert lower[1] < 15.0 < upper[1]
        assert lower[2] == 0.0


def test_a_missing_day_or_plot_is_passed_by():
    rng = np.random.default_rng(3)
    values = counted(np.array([np.ones(6), line(0.03, 15.0), np.full(6, 0.1)]), rng, k=20.0)
    values[1::3, 2] = np.nan
    values[5, 4] = np.nan
    found, _ = fitted(values, 3, 4)
    assert np.isfinite(found.profile).all()
    assert 10.0 < found.day[1] < 20.0


def test_it_refuses_what_is_no_course():
    found = course_evidence(layout_of(2, 3), np.ones((6, 6)))
    with pytest.raises(ValueError, match="two days"):
        declines(DAYS, ratios(found, AFTER, 0), 1.2)
