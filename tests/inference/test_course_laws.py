"""Exact laws of ratios: closed cases, symmetries, and the model they stand for, drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special

from drawn_courses import draw_means
from trialkit.inference.design.layout import Layout, randomised_blocks
from trialkit.inference.laws.course_laws import CourseLaw, Quotient
from trialkit.inference.laws.known_course import course_law
from trialkit.inference.laws.log_laws import LogLaw, frequencies_up_to
from trialkit.inference.laws.share_differences import difference_limits, excess_limits
from trialkit.inference.numerics.log_gammas import (
    LogGammas,
    log_gamma_transform,
    shape_of_variance,
    trigamma,
)

FloatArray = NDArray[np.float64]
LEFT = np.array([1.0, 0.7, 0.4, 0.2, 0.05])
DAYS = np.arange(1, 3)


def _layout(blocks: int = 4) -> Layout:
    treatment = np.tile(np.arange(5), blocks)
    return randomised_blocks(treatment, np.repeat(np.arange(blocks), 5), 5)


def _law(kind: str, seed: int = 3, units: tuple[NDArray[np.intp], ...] = ()) -> CourseLaw:
    layout, rng = _layout(), np.random.default_rng(seed)
    left = LEFT[layout.treatment][:, None] * np.ones(3)
    plots = rng.gamma(3.0, 1.0 / 3.0, (layout.n_plots, 1))
    if units:
        plots = plots * rng.gamma(3.0, 1.0 / 3.0, (8, 1))[units[0]]
    if kind == "count":
        counts = rng.poisson(40.0 * left * plots * rng.gamma(6.0, 1.0 / 6.0, left.shape))
        return course_law(layout, counts.astype(np.float64), unit=1.0, units=units)
    chance = np.clip(0.4 * left * plots, 0.01, 0.95)
    share = rng.beta(12.0 * chance, 12.0 * (1.0 - chance))
    if kind == "items":
        items = np.full(share.shape, 40.0)
        hits = 100.0 * rng.binomial(40, share) / 40.0
        return course_law(layout, hits, kind="percent", items=items)
    return course_law(layout, np.round(100.0 * share), kind="percent")


@settings(max_examples=40, deadline=None)
@given(
    a=st.floats(3.0, 2000.0),
    b=st.floats(3.0, 500.0),
    share=st.floats(0.001, 0.999),
)
def test_the_quotient_of_two_gammas_is_that_of_f(a: float, b: float, share: float) -> None:
    """A gamma over another is a beta over one less it (times a constant, Fisher's F)."""
    spread = np.sqrt(1.0 / a + 1.0 / b)
    given_ = frequencies_up_to(float(max(7.0 / spread, 12.0)))
    logs = log_gamma_transform(np.array([a, b]), given_.at)
    centre = special.digamma(a) - special.digamma(b)
    law = LogLaw(
        frequencies=given_,
        transform=np.exp(logs[:1] + logs[1:].conj()),
        centre=np.array([centre]),
    )
    exact = special.betaincinv(a, b, share)
    found = law.quantiles((share,))[0, 0]
    assert special.betainc(a, b, found / (1.0 + found)) == pytest.approx(share, abs=2e-6)
    assert law.below(exact / (1.0 - exact))[0] == pytest.approx(share, abs=2e-6)
    small = special.betaincinv(a, b, 1e-5)
    assert law.below(small / (1.0 - small))[0] == pytest.approx(1e-5, rel=0.01)


def test_shares_beyond_the_draws_are_those_of_f() -> None:
    a, b = 30.5, 8.0
    given_ = frequencies_up_to(30.0)
    logs = log_gamma_transform(np.array([a, b]), given_.at)
    law = LogLaw(
        frequencies=given_,
        transform=np.exp(logs[:1] + logs[1:].conj()),
        centre=np.array([special.digamma(a) - special.digamma(b)]),
    )
    for value in (0.5, 0.8, 1.2):
        exact = special.betainc(a, b, value / (1.0 + value))
        assert law.below(value)[0] == pytest.approx(exact, rel=1e-4, abs=1e-9)
    assert law.below(0.0)[0] == 0.0


def test_tables_of_log_gammas() -> None:
    frequency = np.linspace(0.01, 12.0, 30)
    shapes = np.exp(np.linspace(np.log(0.05), np.log(1e9), 57))
    exact = np.exp(log_gamma_transform(shapes, frequency))
    found = np.exp(LogGammas(frequency).at(shapes))
    np.testing.assert_allclose(found, exact, atol=3e-5)
    np.testing.assert_allclose(trigamma(shapes), special.polygamma(1, shapes), rtol=1e-5)
    np.testing.assert_allclose(shape_of_variance(trigamma(shapes)), shapes, rtol=1e-5)


@pytest.mark.parametrize("kind", ["count", "percent", "items"])
def test_laws_are_those_of_the_model_drawn(kind: str) -> None:
    """Quantiles of 200,000 draws lie where they should, in chances; 4 standard errors."""
    law, size = _law(kind), 200_000
    drawn = draw_means(law, size, seed=5)[:, :, 1:]
    asked = Quotient(days=DAYS, base=0)
    shares = (0.001, 0.025, 0.5, 0.975, 0.999)
    for base, ratio in ((None, drawn), (0, (drawn / drawn[:, [0]])[:, 1:])):
        found = law.ratio(replace(asked, base=base)).quantiles(shares)
        found = found if base is None else found[:, 1:]
        for share, limit in zip(shares, found, strict=True):
            seen = (ratio <= limit).mean(axis=0)
            # Draws are made of gammas that are right to about a third of a percent.
            error = 4.0 * np.sqrt(share * (1.0 - share) / size) + 0.01 * share * (1.0 - share)
            assert np.abs(seen - share).max() < error + 2e-4


@pytest.mark.parametrize(("kind", "power"), [("count", 1.0), ("count", 0.4), ("percent", 1.0)])
def test_days_set_together_are_near_to_the_draws(kind: str, power: float) -> None:
    """What two days share is modelled otherwise in draws: alike within these chances."""
    law, tolerance = _law(kind), 0.01 if kind == "count" else 0.04
    drawn = draw_means(law, 100_000, seed=5)
    ratio = drawn[:, :, 1:] / drawn[:, :, :1] ** power
    ratio = (ratio / ratio[:, [0]])[:, 1:]
    found = law.ratio(Quotient(days=DAYS, base=0, before=0, power=power))
    for share, limit in zip((0.025, 0.5, 0.975), found.quantiles((0.025, 0.5, 0.975)), strict=True):
        assert np.abs((ratio <= limit[1:]).mean(axis=0) - share).max() < tolerance


def test_plots_of_one_main_plot_are_near_to_the_draws() -> None:
    layout = _layout()
    units = (layout.blocking[0][1] * 2 + layout.treatment // 3,)
    law = _law("count", units=units)
    assert law.shared is not None
    drawn = draw_means(law, 100_000, seed=5)[:, :, 1:]
    ratio = (drawn / drawn[:, [0]])[:, 1:]
    found = law.ratio(Quotient(days=DAYS, base=0)).quantiles((0.025, 0.5, 0.975))
    for share, limit in zip((0.025, 0.5, 0.975), found, strict=True):
        assert np.abs((ratio <= limit[1:]).mean(axis=0) - share).max() < 0.01


def test_the_base_is_one_and_pairs_turn_round() -> None:
    law = _law("count")
    asked = Quotient(days=DAYS, base=2)
    found = law.ratio(asked)
    np.testing.assert_allclose(found.quantiles((0.025, 0.975))[:, 2], 1.0)
    np.testing.assert_allclose(found.two_sided(1.0)[2], 1.0)
    pairs = law.pairs(asked)
    below = pairs.below(1.0)
    np.testing.assert_allclose(below + below.swapaxes(0, 1), 1.0, atol=1e-6)
    np.testing.assert_allclose(pairs.on((slice(None), 2)).below(0.7), found.below(0.7), atol=1e-9)
    product = found.times(found.inverse())
    np.testing.assert_allclose(product.quantiles((0.5,))[0], 1.0, atol=1e-6)


def test_scale_and_gaps() -> None:
    layout, rng = _layout(), np.random.default_rng(2)
    counts = rng.poisson(30.0 * LEFT[layout.treatment][:, None] * np.ones(3)).astype(np.float64)
    counts[layout.treatment == 3, 1] = np.nan
    one = course_law(layout, counts, unit=1.0)
    ten = course_law(layout, counts / 10.0, unit=0.1)
    asked, shares = Quotient(days=DAYS, base=None), (0.025, 0.5)
    first = one.ratio(asked).quantiles(shares)
    assert np.isnan(first[:, 3, 0]).all()
    assert np.isfinite(np.delete(first, 3, axis=1)).all()
    np.testing.assert_allclose(ten.ratio(asked).quantiles(shares), first / 10.0, rtol=1e-9)
    against = one.ratio(Quotient(days=DAYS, base=3))
    assert np.isnan(against.below(1.0)[:, 0]).all()
    assert np.isfinite(against.below(1.0)[:, 1]).all()


@pytest.mark.parametrize("kind", ["count", "percent"])
def test_differences_are_those_of_the_model_drawn(kind: str) -> None:
    """Of 200,000 draws, 2.5 % lie outside each limit within 0.3 %."""
    law = _law(kind)
    drawn = draw_means(law, 200_000, seed=5)[:, :, 1]
    one, two = np.triu_indices(5, 1)
    one, two = one[one > 0], two[one > 0]
    asked = Quotient(days=DAYS[:1], base=None)
    ratio = law.pairs(asked)
    classes = law.classes(asked, ratio.frequencies, 4)
    exact = ratio.on((one, two, 0)).below(1.0)
    low, high = difference_limits(classes, (one, two, 0), exact, 0.05)
    gap = (drawn[:, one] - drawn[:, two]) / drawn[:, [0]]
    assert np.abs((gap < low).mean(axis=0) - 0.025).max() < 0.003
    assert np.abs((gap > high).mean(axis=0) - 0.025).max() < 0.003


@pytest.mark.parametrize(("kind", "parts"), [("count", [1, 2]), ("percent", [1, 2, 3])])
def test_mixtures_beyond_their_parts_are_those_of_the_model_drawn(
    kind: str, parts: list[int]
) -> None:
    """Of 200,000 draws, 2.5 % lie outside each limit within 0.3 %, and p is that of draws."""
    law = _law(kind)
    drawn = draw_means(law, 200_000, seed=5)[:, :, 1]
    asked = Quotient(days=DAYS[:1], base=0)
    classes = law.classes(asked, law.frequencies(asked), 8)
    low, high, p = excess_limits(classes, parts, 4, 0, 0.05)
    left = drawn / drawn[:, [0]]
    gap = left[:, parts].prod(axis=1) - left[:, 4]
    assert (gap < low).mean() == pytest.approx(0.025, abs=0.003)
    assert (gap > high).mean() == pytest.approx(0.025, abs=0.003)
    below = (gap <= 0.0).mean()
    assert p == pytest.approx(2.0 * min(below, 1.0 - below), abs=0.006)
