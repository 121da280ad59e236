"""Relative efficiency of blocking: meaning and limits."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.comparisons.relative_efficiency import precision_factor, relative_efficiency
from trialkit.inference.design.layout import completely_randomised, latin_square, randomised_blocks
from trialkit.inference.normal.linear import fit_layout

BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 5)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 5)


def test_blocks_that_differ_gain_and_equal_blocks_lose():
    rng = np.random.default_rng(1)
    y = rng.normal(size=(20, 2))
    y[:, 0] += 5 * BLOCK
    y[:, 1] -= y.reshape(4, 5, 2)[..., 1].mean(axis=1)[BLOCK]
    (result,) = relative_efficiency(fit_layout(LAYOUT, y)[0])
    assert result.relative[0] > 5
    # Blocks without any difference: (treatment + error df) / all df.
    assert result.relative[1] == pytest.approx(16 / 19)
    assert np.all(result.adjusted < result.relative)


def test_estimate_is_what_a_random_shuffle_of_plots_would_give():
    """Error mean square without blocks: its mean over all ways to put treatments on plots."""
    rng = np.random.default_rng(2)
    plots = rng.normal(size=20) + 2.0 * BLOCK
    fitted = fit_layout(LAYOUT, plots)[0]
    (result,) = relative_efficiency(fitted)
    # No treatment effects: blocks removed at random give an unbiased error both ways.
    n = 4000
    shuffled = np.stack([rng.permutation(plots) for _ in range(n)], axis=1)
    crd = fit_layout(completely_randomised(TREATMENT, 5), shuffled)[0].ms_error.mean()
    within = np.stack(
        [np.concatenate([rng.permutation(plots[b == BLOCK]) for b in range(4)]) for _ in range(n)],
        axis=1,
    )
    blocked = relative_efficiency(fit_layout(LAYOUT, within)[0])[0].ms_error_without.mean()
    assert blocked == pytest.approx(crd, rel=0.02)
    assert result.ms_error_without[0] > 0


def test_latin_square_has_a_line_for_rows_columns_and_both():
    row, column = (i.ravel() for i in np.indices((5, 5)))
    y = np.random.default_rng(3).normal(size=25)
    fit = fit_layout(latin_square((row + column) % 5, row, column, 5), y)[0]
    names = [e.without for e in relative_efficiency(fit)]
    assert names == [("row",), ("column",), ("row", "column")]


def test_missing_plots_make_it_approximate_and_no_groups_give_nothing():
    y = np.random.default_rng(4).normal(size=20)
    y[3] = np.nan
    (result,) = relative_efficiency(fit_layout(LAYOUT, y)[0])
    assert result.approximate
    assert relative_efficiency(fit_layout(completely_randomised(TREATMENT, 5), y)[0]) == ()
    (flat,) = relative_efficiency(fit_layout(LAYOUT, np.ones(20))[0])
    assert np.isnan(flat.relative[0])
    assert np.isnan(precision_factor(0, 3))
    assert precision_factor(10**6, 10**6) == pytest.approx(1.0)
