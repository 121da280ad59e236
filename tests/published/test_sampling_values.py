"""Samples within the plots of a split-plot, against the printed table.

Source: Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., Wiley,
p. 481 and table 6.11 (book not seen; data and table seen in an open collection): height of rice,
8 managements in main plots, 4 times in subplots, 3 blocks, 2 samples of each plot.
"""

from __future__ import annotations

import numpy as np
import pytest

from strata_fits import split_plot
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.normal.samples_in_plots import fit_samples

# Block by block, first then second sample, time by time, managements running fastest.
HEIGHTS = """
104.5 92.3 96.8 94.7 105.7 100.5 86 105.9 109.7 100.5 91.4 100.8 97 102.3 100.3 102.7 97.5 95
86.6 91.2 100 94.4 92.3 101.9 103.8 93.2 95 103.9 96 102.3 91.2 106
106.5 92 95.5 94.4 103 102 89 104.6 112.2 100 92 103.2 96.1 100 100.8 102.5 95.2 96.2 85.5 90
100 93.5 93.4 103 105 92.5 95.2 103.6 93.5 102.8 93 106.4
112.3 113.3 108.3 108.1 104.9 106.3 105 108.9 110.3 113.5 109.2 115 105.1 105.2 97.5 104.3
107.6 102.5 104.1 108.1 99.2 96.2 98.1 104.3 110.1 111 108.1 112 102.5 111.7 99.5 100
109 109.6 110.2 107 102.4 104.5 102 105.8 108 112.5 106.2 112 102.3 108.2 96.3 107.5 106.2
105.8 102.3 105.6 101.3 96 96.2 106.4 109.5 111.3 106 109.3 103.8 110.5 97.8 103
109.2 108 102.4 102.5 100.8 106 104 95.8 113.6 103.6 113 109.6 116.3 115.5 100 106.8 113.2
106.7 105 103.8 100.1 106.1 102 94.2 115 96 107.2 117.6 108 107.5 104.3 104.9
106.7 106.3 103.2 104.4 101.3 108.4 103.7 99.2 113.5 102 111.9 108.2 114.3 118.8 102.3 107.6
115 104.6 105.3 104.3 98.6 104.4 100.6 92 112.5 97.2 107.4 119.5 107.2 107.3 103.3 106.4
"""
Y = np.array(HEIGHTS.split(), dtype=float).reshape(3, 2, 4, 8)
BLOCK, TIME, MANAGEMENT = (i.ravel() for i in np.indices((3, 4, 8)))


def test_split_plot_with_samples():
    """Plot means times two samples give the printed sums of squares."""
    means = Y.mean(axis=1)
    fit = split_plot(MANAGEMENT, TIME, means.ravel(), blocking=[("block", BLOCK)])
    expected = {
        "block": (2, 2632.16697917, 2632),
        "main": (7, 1482.41916667, 1482),
        "error_main": (14, 1324.29552083, 1324),
        "sub": (3, 820.81875, 820.8),
        "main:sub": (21, 475.305416667, 475.3),
        "error": (48, 1653.08083333, 1653.1),
    }
    for source, (df, sum_sq, printed) in expected.items():
        term = fit.term(source)
        assert term.df[0] == df
        assert 2 * term.sum_sq[0] == pytest.approx(sum_sq, rel=1e-11)
        assert 2 * term.sum_sq[0] == pytest.approx(printed, abs=0.5 if printed > 1000 else 0.05)
    f = [float(fit.term(s).F[0]) for s in ("main", "sub", "main:sub")]
    assert f == pytest.approx([2.23880417, 7.94462057, 0.657204632], rel=1e-8)
    assert [round(v, 3) for v in f] == [2.239, 7.945, 0.657]
    sampling = ((Y - Y.mean(axis=1, keepdims=True)) ** 2).sum()
    assert sampling == pytest.approx(167.39, rel=1e-11)


def test_samples_of_the_subplots():
    """The same plots as 32 treatments in blocks: samples and plots as two variances."""
    layout = randomised_blocks(MANAGEMENT * 4 + TIME, BLOCK, 32)
    plot = np.tile(np.arange(96), 2)
    values = np.concatenate([Y[:, s].ravel() for s in (0, 1)])
    (fit,) = fit_samples(layout, plot, values)
    terms = {t.source: t for t in fit.terms}
    assert terms["block"].sum_sq[0] == pytest.approx(2632.16697917, rel=1e-11)
    assert terms["treatment"].sum_sq[0] == pytest.approx(
        1482.41916667 + 820.81875 + 475.305416667, rel=1e-10
    )
    assert terms["error"].sum_sq[0] == pytest.approx(1324.29552083 + 1653.08083333, rel=1e-10)
    sampling = terms["sampling"]
    assert (sampling.df, sampling.sum_sq[0]) == (96, pytest.approx(167.39, rel=1e-11))
    assert round(float(sampling.mean_sq[0]), 3) == 1.744
    assert fit.method[0] == "anova"
    plots = (terms["error"].mean_sq[0] - sampling.mean_sq[0]) / 2
    assert fit.plot_variance[0] == pytest.approx(plots, rel=1e-10)
