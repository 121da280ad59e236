"""Shares with few hit: p from dealing the treatments out anew."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from trialkit.inference.design.layout import FloatArray, Layout, randomised_blocks
from trialkit.inference.glm.share_model import fit_shares
from trialkit.inference.glm.share_result import ShareFit
from trialkit.inference.permutation.dealt_shares import dealt_shares, few_hit

HITS = np.array([0.0, 1.0, 4.0, 1.0, 0.0, 6.0, 0.0, 2.0, 1.0])
NUMBER = np.array([30.0, 20.0, 40.0, 30.0, 50.0, 40.0, 20.0, 30.0, 30.0])


def _blocks(t: int, b: int) -> Layout:
    return randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)


def _fit(layout: Layout, hits: FloatArray, number: FloatArray) -> ShareFit:
    return fit_shares(layout, hits, number, family="beta-binomial")


def _p(layout: Layout, hits: FloatArray, number: FloatArray) -> float:
    data = hits[:, None], number[:, None]
    return float(dealt_shares(layout, _fit(layout, *data), data, np.array([0]))[0])


def _gain(treatment: FloatArray, fit: ShareFit) -> float:
    """Half the deviance of the totals about what blocks let expect, term by term."""
    weight = NUMBER / (1.0 + (NUMBER - 1.0) * fit.correlation[0])
    gain = 0.0
    for code in range(3):
        own = treatment == code
        total, found = weight[own].sum(), (weight * HITS / NUMBER)[own].sum()
        expected = (weight * fit.expected[:, 0])[own].sum()
        gain += special.xlogy(found, found / expected)
        gain += special.xlogy(total - found, (total - found) / (total - expected))
    return float(gain)


def test_all_dealings_of_a_small_design() -> None:
    layout = _blocks(3, 3)
    fit = _fit(layout, HITS, NUMBER)
    orders = list(itertools.permutations(range(3)))
    gains = [_gain(np.concatenate(c), fit) for c in itertools.product(orders, repeat=3)]
    found = _gain(layout.treatment, fit)
    assert _p(layout, HITS, NUMBER) == np.mean(np.array(gains) >= found - 1e-9)


def test_p_hangs_on_neither_order_nor_names_nor_other_responses() -> None:
    rng = np.random.default_rng(5)
    layout = _blocks(5, 4)
    hits, number = rng.binomial(40, 0.05, 20).astype(float), np.full(20, 40.0)
    p = _p(layout, hits, number)
    assert 0.0 < p < 1.0
    renamed = replace(layout, treatment=(layout.treatment + 2) % 5)
    assert _p(renamed, hits, number) == pytest.approx(p)
    both = np.column_stack([hits[::-1], hits]), np.column_stack([number, number])
    fit = _fit(layout, *both)
    assert dealt_shares(layout, fit, both, np.array([1]))[0] == pytest.approx(p)


def test_missing_plots_and_nothing_to_test() -> None:
    layout = _blocks(3, 3)
    hits = HITS.copy()
    hits[4] = np.nan
    assert 0.0 < _p(layout, hits, NUMBER) <= 1.0
    assert np.isnan(_p(layout, np.zeros(9), NUMBER))


def test_few_are_hit_where_hits_or_misses_are_worth_little() -> None:
    layout = _blocks(4, 4)
    number = np.full((16, 3), 50.0)
    rng = np.random.default_rng(2)
    hits = rng.binomial(50, np.array([0.03, 0.5, 0.97]), (16, 3)).astype(float)
    assert few_hit(_fit(layout, hits, number), hits, number).tolist() == [True, False, True]
    clumped = rng.binomial(50, rng.beta(0.3, 0.7, (16, 3))).astype(float)
    assert few_hit(_fit(layout, clumped, number), clumped, number).all()


def test_where_few_are_hit_it_rejects_a_true_null_as_often_as_it_says() -> None:
    """Plots of 2 in 50, six times as variable as chance: F rejected 9 to 13 %."""
    rng, trials = np.random.default_rng(8), 300
    layout = _blocks(6, 5)
    number = np.full((30, trials), 50.0)
    hits = rng.binomial(50, rng.beta(0.4, 9.6, (30, trials))).astype(float)
    fit = _fit(layout, hits, number)
    p = dealt_shares(layout, fit, (hits, number), np.arange(trials), draws=199)
    assert 0.02 < (p <= 0.05).mean() < 0.085
