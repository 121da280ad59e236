"""Variances of log means without drawing are those of the draws."""

import numpy as np
import pytest

from drawn_courses import course_draws
from trialkit.inference.design.layout import factor, randomised_blocks, split_plot
from trialkit.inference.laws.course_moments import course_moments

T, BLOCKS, DAYS = 5, 5, 3
CODES, BLOCK = np.tile(np.arange(T), BLOCKS), np.repeat(np.arange(BLOCKS), T)


def _counts(seed, k=2.0, level=60.0):
    generator = np.random.default_rng(seed)
    mean = level * np.exp(-0.5 * CODES) * np.exp(generator.normal(0.0, 0.3, BLOCKS))[BLOCK]
    plots = generator.gamma(k, 1.0 / k, CODES.size)
    return generator.poisson((mean * plots)[:, None] * np.ones(DAYS)).astype(float)


def _widths(layout, values, **kind):
    drawn = np.log(course_draws(layout, values, draws=4000, **kind).means)
    found = course_moments(layout, values, **kind)
    # At the limits: the variance allows for the dispersion being estimated, as wide tails do.
    spread = np.quantile(drawn, 0.975, axis=0) - np.quantile(drawn, 0.025, axis=0)
    return spread / 2.0 / 1.96, np.sqrt(found.chance + found.plots), drawn, found


@pytest.mark.parametrize("seed", range(3))
def test_counts_in_blocks(seed):
    layout = randomised_blocks(CODES, BLOCK, T)
    drawn, known, draws, found = _widths(layout, _counts(seed), kind="count", unit=1.0)
    assert np.median(known / drawn) == pytest.approx(1.0, abs=0.08)
    assert (np.abs(known / drawn - 1.0) < 0.3).all()
    # Days of one group go together, groups do not.
    across = np.corrcoef(draws[:, 1, 0], draws[:, 1, 2])[0, 1]
    rows = np.zeros((3, T, DAYS))
    rows[0, 1, 0] = rows[1, 1, 2] = rows[2, 2, 0] = 1.0
    covariance = found.covariance(rows)
    together = covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1])
    assert together == pytest.approx(across, abs=0.15)
    assert covariance[0, 2] == 0.0


def test_percentages():
    generator = np.random.default_rng(4)
    layout = randomised_blocks(CODES, BLOCK, T)
    mean = 60.0 * np.exp(-0.4 * CODES)
    values = np.clip(mean * np.exp(generator.normal(0.0, 0.3, CODES.size)), 0.0, 100.0)
    drawn, known, _, _ = _widths(layout, np.round(values)[:, None], kind="percent")
    assert np.median(known / drawn) == pytest.approx(1.0, abs=0.12)


def test_areas_under_the_curve():
    layout = randomised_blocks(CODES, BLOCK, T)
    values = _counts(5).sum(axis=1, keepdims=True) * 7.0 + 3.5
    drawn, known, _, _ = _widths(layout, values, kind="positive")
    assert np.median(known / drawn) == pytest.approx(1.0, abs=0.1)


def test_groups_that_share_main_plots_go_together():
    generator = np.random.default_rng(6)
    main, sub, block = (part.ravel() for part in np.indices((3, 4, 6)))
    shared = np.exp(generator.normal(0.0, 0.8, (3, 6)))[main, block]
    values = generator.poisson(80.0 * shared * generator.gamma(8.0, 0.125, main.size))
    layout = split_plot(
        factor("main", main),
        factor("sub", sub),
        blocking=(("block", block),),
        main_plot=main * 6 + block,
    )
    units = tuple(codes for _, codes in layout.units)
    found = course_moments(
        layout.combinations, values[:, None].astype(float), unit=1.0, units=units
    )
    same, apart = found.together[0, 1], found.together[0, 4]
    assert same > 0.4 and apart == 0.0


def test_nothing_found_has_a_logarithm_and_the_variance_of_one_individual():
    values = _counts(7)
    values[CODES == 4] = 0.0
    found = course_moments(randomised_blocks(CODES, BLOCK, T), values, unit=1.0)
    assert (found.mean[4] == 0.0).all()
    assert found.log_total[4] == pytest.approx(np.log(0.5 / BLOCKS))
    assert found.chance[4] == pytest.approx(np.pi**2 / 6.0)
