"""Treatments that differ in variance: found over the days, compared with their own variances."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.analysis import analyse
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.comparisons.unequal_variances import (
    TreatmentVariances,
    compare_unequal,
    treatment_variances,
)
from trialkit.inference.design.layout import Layout, completely_randomised, randomised_blocks
from trialkit.inference.normal.linear import fit_layout
from trialkit.trial import Trial

TREATMENT, BLOCK = (codes.ravel() for codes in np.indices((6, 4)))
LAYOUT = randomised_blocks(TREATMENT, BLOCK, 6)


def drawn(seed: int, days: int = 5, wide: float = 1.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.where(TREATMENT == 0, wide, 1.0)[:, None] * rng.normal(size=(24, days))


def test_shares_are_those_of_grubbs() -> None:
    """In complete blocks: (t (t-1) sum e_j^2 - sum e^2) / ((r-1) (t-1) (t-2))."""
    y = drawn(1, days=1)
    (fit,) = fit_layout(LAYOUT, y)
    each = np.bincount(TREATMENT, fit.residuals[:, 0] ** 2)
    grubbs = (30 * each - each.sum()) / (3 * 5 * 4)
    found = treatment_variances(LAYOUT, y).share
    np.testing.assert_allclose(found, np.maximum(grubbs / grubbs.mean(), 0.05), rtol=1e-9)


@given(st.integers(0, 10_000), st.floats(0.1, 50.0), st.floats(-100.0, 100.0))
def test_units_and_blocks_change_no_share(seed: int, factor: float, shift: float) -> None:
    y = drawn(seed, days=3)
    one = treatment_variances(LAYOUT, y)
    two = treatment_variances(LAYOUT, factor * y + shift * BLOCK[:, None])
    np.testing.assert_allclose(one.share, two.share, rtol=1e-6)
    assert one.p == two.p


def test_equal_shares_that_are_known_give_the_common_comparisons() -> None:
    y = drawn(3)
    known = TreatmentVariances(share=np.ones(6), df=np.full(6, np.inf), F=1.0, p=0.5)
    (fit,) = fit_layout(LAYOUT, y)
    for method in ("tukey", "dunnett"):
        got = compare_unequal(LAYOUT, y, known, method, control=0)
        wanted = compare(fit, method, control=0)
        np.testing.assert_allclose(got.p_adjusted, wanted.p_adjusted, rtol=1e-6)
        np.testing.assert_allclose(got.lower, wanted.lower, rtol=1e-6)


def test_two_groups_without_blocks_are_welch() -> None:
    """With the shares of one day the standard error is that of Welch's t."""
    layout: Layout = completely_randomised(np.repeat([0, 1, 2], 6), 3)
    y = np.random.default_rng(4).normal(size=(18, 1)) * np.repeat([1.0, 3.0, 2.0], 6)[:, None]
    made = compare_unequal(layout, y, treatment_variances(layout, y), "lsd")
    spread = [y[6 * i : 6 * i + 6, 0].var(ddof=1) / 6 for i in range(3)]
    welch = np.sqrt([spread[0] + spread[1], spread[0] + spread[2], spread[1] + spread[2]])
    np.testing.assert_allclose(made.se[:, 0], welch, rtol=1e-9)


def test_level_where_the_untreated_varies_more() -> None:
    """Of 120 null trials of 5 days Dunnett by one error rejects far too many, by own ones not."""
    common, own, seen = [], [], 0
    for seed in range(120):
        y = drawn(seed, wide=2.5)
        found = treatment_variances(LAYOUT, y)
        seen += found.p < 0.05
        (fit,) = fit_layout(LAYOUT, y)
        common.append((compare(fit, "dunnett", control=0).p_adjusted < 0.05).any(axis=0).mean())
        made = compare_unequal(LAYOUT, y, found, "dunnett", control=0)
        own.append((made.p_adjusted < 0.05).any(axis=0).mean())
    assert seen > 70
    assert np.mean(common) > 0.12
    assert 0.02 < np.mean(own) < 0.085


def test_level_of_the_evidence_where_all_vary_alike() -> None:
    rejected = [treatment_variances(LAYOUT, drawn(seed)).p < 0.05 for seed in range(150)]
    assert 0.01 < np.mean(rejected) < 0.095


@pytest.mark.parametrize("lost", [0, 3])
def test_a_trial_says_which_comparisons_to_believe(
    product_trial: Callable[..., Trial], lost: int
) -> None:
    trial = product_trial()
    counts = trial.counts.copy()
    rng = np.random.default_rng(1)
    untreated = {plot.id for plot in trial.plots if plot.treatment == trial.untreated}
    wide = counts["plot"].isin(untreated)
    counts["value"] = np.round(np.where(wide, np.exp(rng.normal(3, 1.6, len(counts))), 20.0))
    counts.loc[~wide, "value"] += rng.integers(-3, 4, int((~wide).sum()))
    counts.loc[counts.index[:lost], "value"] = np.nan
    analysis = analyse(replace(trial, counts=counts))
    (problem,) = [item for item in analysis.problems if item.kind == "unequal-variances"]
    assert f"hose of {trial.untreated} have" in problem.what
    pairs = analysis.unequal_comparisons
    assert set(pairs["method"]) == {"tukey", "dunnett"}
    beside = analysis.comparisons.merge(
        pairs, on=["variable", "measure", "days_after", "a", "b", "method"], suffixes=("", "_own")
    )
    assert len(beside) == len(pairs)
    np.testing.assert_allclose(beside["difference"], beside["difference_own"], rtol=1e-9)
    held = beside["a"].eq(trial.untreated) | beside["b"].eq(trial.untreated)
    assert (beside.loc[held, "se_own"] > beside.loc[held, "se"]).mean() > 0.9
    assert (beside.loc[~held, "se_own"] < beside.loc[~held, "se"]).mean() > 0.9
