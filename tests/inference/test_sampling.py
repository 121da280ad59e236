"""Samples within plots: components, gains, unequal numbers."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.samples_in_plots import fit_samples

BLOCK, TREATMENT = (i.ravel() for i in np.indices((4, 5)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 5)


def samples(seed, n=3, k=1, plots=1.5):
    rng = np.random.default_rng(seed)
    plot = np.repeat(np.arange(20), n)
    y = 10 + plots * rng.normal(size=(20, k))[plot] + rng.normal(size=(20 * n, k))
    return plot, y + TREATMENT[plot][:, None]


def test_plots_are_the_error_of_treatments():
    plot, y = samples(1)
    (fit,) = fit_samples(LAYOUT, plot, y)
    means = y.reshape(20, 3).mean(axis=1)
    wanted = fit_layout(LAYOUT, means)[0]
    terms = {t.source: t for t in fit.terms}
    assert terms["treatment"].F[0] == pytest.approx(wanted.treatment.F[0])
    assert terms["error"].df == 12
    assert terms["sampling"].df == 40
    total = sum(float(t.sum_sq[0]) for t in fit.terms)
    assert total == pytest.approx(float(((y - y.mean()) ** 2).sum()))
    ratio = terms["error"].mean_sq[0] / terms["sampling"].mean_sq[0]
    assert terms["error"].F[0] == pytest.approx(ratio)


def test_more_samples_do_not_make_more_replicates():
    """Counting every sample ten times leaves the test of treatments as it is."""
    plot, y = samples(2)
    (fit,) = fit_samples(LAYOUT, plot, y)
    (again,) = fit_samples(LAYOUT, np.repeat(plot, 10), np.repeat(y, 10, axis=0))
    assert again.fit.treatment.p[0] == pytest.approx(fit.fit.treatment.p[0])
    assert again.fit.df_error == fit.fit.df_error


def test_gain_by_hand():
    plot, y = samples(3)
    (fit,) = fit_samples(LAYOUT, plot, y)
    p, s = float(fit.plot_variance[0]), float(fit.sample_variance[0])
    sample, block = fit.one_more()
    assert (sample.plots, sample.samples) == (4, 4)
    assert sample.relative_se[0] == pytest.approx(np.sqrt((p + s / 4) / (p + s / 3)))
    assert (block.plots, block.samples) == (5, 3)
    assert block.relative_se[0] == pytest.approx(np.sqrt(4 / 5))
    assert fit.gain(4, 3).relative_se[0] == pytest.approx(1.0)
    assert fit.gain(8, 2).relative_se[0] == pytest.approx(
        np.sqrt((p + s / 2) / 8 / ((p + s / 3) / 4))
    )
    # The standard error that the analysis itself gives a treatment mean.
    assert np.sqrt((p + s / 3) / 4) == pytest.approx(float(fit.fit.se[0, 0]))


def test_unequal_samples_go_to_reml_and_are_counted():
    plot, y = samples(5, k=2)
    y[[0, 1, 7, 30, 31, 44], :] = np.nan
    (fit,) = fit_samples(LAYOUT, plot, y)
    assert fit.method.tolist() == ["reml", "reml"]
    assert fit.n_samples[:, 0].tolist().count(1) == 2
    assert np.all(fit.plot_variance > 0)
    assert fit.samples[0] < 3
    # Tests come from plot means, unweighted.
    means = np.array([np.nanmean(y[plot == i, 0]) for i in range(20)])
    assert fit.fit.treatment.F[0] == pytest.approx(fit_layout(LAYOUT, means)[0].treatment.F[0])


def test_balanced_reml_and_anova_agree():
    """Taking one sample of one plot away moves the components a little, not more."""
    plot, y = samples(6, n=6)
    (balanced,) = fit_samples(LAYOUT, plot, y)
    y = y.copy()
    y[17] = np.nan
    (nearly,) = fit_samples(LAYOUT, plot, y)
    assert (balanced.method[0], nearly.method[0]) == ("anova", "reml")
    assert nearly.plot_variance[0] == pytest.approx(balanced.plot_variance[0], rel=0.1)
    assert nearly.sample_variance[0] == pytest.approx(balanced.sample_variance[0], rel=0.1)


def test_components_are_right_on_average():
    rng = np.random.default_rng(7)
    layout = completely_randomised(np.repeat(np.arange(4), 5), 4)
    plot = np.repeat(np.arange(20), 4)
    y = 2.0 * rng.normal(size=(20, 400))[plot] + 3.0 * rng.normal(size=(80, 400))
    (fit,) = fit_samples(layout, plot, y)
    assert float(fit.sample_variance.mean()) == pytest.approx(9.0, rel=0.05)
    assert float(fit.plot_variance.mean()) == pytest.approx(4.0, rel=0.12)


def test_many_responses_with_different_samples_missing():
    plot, y = samples(8, k=3)
    y[4, 1] = np.nan
    y[plot == 9, 2] = np.nan
    fits = fit_samples(LAYOUT, plot, y)
    assert sorted(int(c) for f in fits for c in f.columns) == [0, 1, 2]
    for fit in fits:
        for place, column in enumerate(fit.columns):
            (alone,) = fit_samples(LAYOUT, plot, y[:, column])
            np.testing.assert_allclose(fit.plot_variance[place], alone.plot_variance[0])
            np.testing.assert_allclose(fit.fit.means[:, place], alone.fit.means[:, 0])


def test_offsets_order_and_odd_data():
    plot, y = samples(9)
    (fit,) = fit_samples(LAYOUT, plot, y)
    order = np.random.default_rng(9).permutation(60)
    (again,) = fit_samples(LAYOUT, plot[order], y[order] + 1e8)
    assert again.sample_variance[0] == pytest.approx(fit.sample_variance[0], rel=1e-5)
    assert again.plot_variance[0] == pytest.approx(fit.plot_variance[0], rel=1e-5)
    (flat,) = fit_samples(LAYOUT, plot, np.full(60, 3.0))
    assert flat.plot_variance[0] == 0
    assert np.isnan(flat.one_more()[0].relative_se[0])
    (single,) = fit_samples(LAYOUT, np.arange(20), y[::3])
    assert np.isnan(single.sample_variance[0])
    assert np.isnan(single.plot_variance[0])
    with pytest.raises(ValueError, match="does not have"):
        fit_samples(LAYOUT, plot + 1, y)
    with pytest.raises(ValueError, match="one row for each sample"):
        fit_samples(LAYOUT, plot[:-1], y)
    with pytest.raises(ValueError, match="above zero"):
        fit.gain(0)
