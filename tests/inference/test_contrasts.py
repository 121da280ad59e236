"""Planned contrasts of least-squares means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trialkit.inference.comparisons.contrasts import group_contrast, rate_trend
from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.normal.linear import LinearFit, fit_layout

RATES = (0.0, 0.5, 1.0, 2.0)


def _fit(seed: int = 1, *, missing: bool = False) -> LinearFit:
    rng = np.random.default_rng(seed)
    treatment, block = (codes.ravel() for codes in np.indices((4, 5)))
    y = 20 - 4 * np.array(RATES)[treatment] + rng.normal(size=20) + block
    if missing:
        y[[2, 9]] = np.nan
    return fit_layout(randomised_blocks(treatment, block, 4), y)[0]


def test_rate_trend_is_a_regression_on_the_rates() -> None:
    fit = _fit()
    rows = rate_trend(RATES, range(4), 4)
    assert list(rows) == ["linear", "curvature"]
    trend, means = fit.contrasts(np.array(list(rows.values()))), fit.means[:, 0]
    assert trend.estimate[0, 0] == pytest.approx(np.polyfit(RATES, means, 1)[0], rel=1e-10)
    assert trend.estimate[1, 0] == pytest.approx(np.polyfit(RATES, means, 2)[0], rel=1e-9)


def test_rate_trend_is_orthogonal_on_any_spacing() -> None:
    for rates in ((1, 2, 3), (0, 1, 10, 100), (5.0, 2.5, 40.0, 20.0, 10.0)):
        trend = rate_trend(rates, range(len(rates)), len(rates))
        assert trend["linear"].sum() == pytest.approx(0, abs=1e-12)
        assert trend["curvature"].sum() == pytest.approx(0, abs=1e-12)
        size = np.linalg.norm(trend["linear"]) * np.linalg.norm(trend["curvature"])
        assert trend["linear"] @ trend["curvature"] == pytest.approx(0, abs=1e-12 * size)


def test_equal_spacing_gives_the_well_known_coefficients() -> None:
    trend = rate_trend([1, 2, 3, 4], range(4), 4)
    np.testing.assert_allclose(trend["linear"] * 10, [-3, -1, 1, 3], atol=1e-12)
    np.testing.assert_allclose(trend["curvature"] * 4, [1, -1, -1, 1], atol=1e-12)


def test_two_rates_have_no_curvature() -> None:
    trend = rate_trend([1.0, 3.0], [2, 0], 4)
    assert list(trend) == ["linear"]
    np.testing.assert_allclose(trend["linear"], [0.5, 0, -0.5, 0])


def test_orthogonal_contrasts_add_up_to_treatments() -> None:
    fit = _fit()
    trend = rate_trend(RATES, range(4), 4)
    x = np.array(RATES)
    design = np.vander(x, 4, increasing=True)
    cubic = np.linalg.qr(design)[0][:, 3]
    tests = fit.contrasts(np.array([*trend.values(), cubic]))
    squares = (tests.estimate / tests.se) ** 2 * fit.ms_error
    assert squares[:, 0].sum() == pytest.approx(fit.treatment.sum_sq[0], rel=1e-9)


def test_a_difference_of_two_treatments_is_a_t_test() -> None:
    rng = np.random.default_rng(4)
    one, other = rng.normal(size=5), rng.normal(1, size=4)
    layout = completely_randomised(np.repeat([0, 1], [5, 4]), 2)
    fit = fit_layout(layout, np.concatenate([one, other]))[0]
    found = fit.contrasts(group_contrast([0], [1], 2)[None, :])
    t = stats.ttest_ind(one, other)
    assert found.estimate[0, 0] / found.se[0, 0] == pytest.approx(t.statistic, rel=1e-10)
    assert found.df[0, 0] == t.df


def test_missing_plots_enter_through_the_covariance() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    treatment, block = (codes.ravel() for codes in np.indices((4, 5)))
    y = 20 - 4 * np.array(RATES)[treatment] + rng.normal(size=20) + block
    y[[2, 9]] = np.nan
    used = ~np.isnan(y)
    design = np.column_stack(
        [block == b for b in range(5)] + [treatment == t for t in range(1, 4)]
    ).astype(float)
    model = sm.OLS(y[used], design[used]).fit()
    contrast = group_contrast([1, 2], [0, 3], 4)
    expected = model.t_test(np.concatenate([np.zeros(5), contrast[1:]]))
    tests = _fit(1, missing=True).contrasts(contrast[None, :])
    assert tests.estimate[0, 0] == pytest.approx(float(expected.effect[0]), rel=1e-9)
    assert tests.se[0, 0] == pytest.approx(float(expected.sd[0, 0]), rel=1e-9)
    assert tests.df[0, 0] == expected.df_denom


def test_refusals() -> None:
    with pytest.raises(ValueError, match="empty"):
        group_contrast([], [1], 4)
    with pytest.raises(ValueError, match="twice"):
        group_contrast([0, 1], [1, 2], 4)
    with pytest.raises(ValueError, match="unknown"):
        group_contrast([0], [7], 4)
    with pytest.raises(ValueError, match="two different rates"):
        rate_trend([1.0, 1.0], [0, 1], 2)
    with pytest.raises(ValueError, match="one rate"):
        rate_trend([1.0, np.nan], [0, 1], 2)
    with pytest.raises(ValueError, match="twice"):
        rate_trend([1.0, 2.0], [0, 0], 2)
