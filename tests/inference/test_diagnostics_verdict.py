"""Verdicts and the rules of the recommendation, one by one."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from trialkit.inference.checks.verdict import (
    DOUBTFUL_BELOW,
    FAILED_BELOW,
    Recommendation,
    Verdict,
    Verdicts,
    recommend,
    verdict,
    verdict_over,
)

FINE, DOUBTFUL, FAILED, NONE = Verdict


def verdicts(
    variance: Verdict = FINE,
    normality: Verdict = FINE,
    additivity: Verdict = FINE,
    outliers: Verdict = FINE,
) -> Verdicts:
    return Verdicts(
        variance=variance, normality=normality, additivity=additivity, outliers=outliers
    )


@pytest.mark.parametrize(
    ("p", "expected"),
    [
        (1.0, FINE),
        (DOUBTFUL_BELOW, FINE),
        (0.0499, DOUBTFUL),
        (FAILED_BELOW, DOUBTFUL),
        (0.0099, FAILED),
        (0.0, FAILED),
        (float("nan"), NONE),
    ],
)
def test_levels(p: float, expected: Verdict) -> None:
    assert verdict(p) is expected


def test_many_days_do_not_make_an_assumption_doubtful() -> None:
    assert verdict_over([0.03, 0.5, 0.8, 0.2, np.nan]) is FINE
    assert verdict_over([0.03]) is DOUBTFUL
    assert verdict_over([0.001, 0.5, 0.8]) is FAILED
    assert verdict_over([np.nan]) is NONE
    assert verdict_over([]) is NONE
    rng = np.random.default_rng(1)
    trials = [verdict_over(p) for p in rng.random((2000, 7))]
    assert 0.03 < np.mean([v is not FINE for v in trials]) < 0.07


def test_keep_where_nothing_is_wrong_or_little() -> None:
    for kind, transform in itertools.product(
        ("count", "percent", "measurement"), ("none", "sqrt", "log", "arcsine")
    ):
        for fine in (verdicts(), verdicts(normality=DOUBTFUL), verdicts(additivity=NONE)):
            assert recommend(fine, kind=kind, transform=transform) is Recommendation.KEEP


def test_nothing_known_nothing_said() -> None:
    unknown = verdicts(NONE, NONE, NONE, NONE)
    assert recommend(unknown, kind="count", transform="log") is Recommendation.NOT_ASSESSED


def test_a_plot_that_stands_out_is_looked_at_first() -> None:
    for outliers in (DOUBTFUL, FAILED):
        odd = verdicts(normality=FAILED, outliers=outliers)
        assert recommend(odd, kind="count", transform="none") is Recommendation.CHECK_PLOT
    # Where treatments differ in scatter the plot is more likely a child of that.
    uneven = verdicts(variance=FAILED, outliers=FAILED)
    assert recommend(uneven, kind="count", transform="none") is Recommendation.TRY_LOG


@pytest.mark.parametrize(
    ("transform", "power", "expected"),
    [
        ("none", float("nan"), Recommendation.TRY_LOG),
        ("none", -0.2, Recommendation.TRY_LOG),
        ("none", 0.45, Recommendation.TRY_SQRT),
        ("none", 0.9, Recommendation.TRY_LOG),
        ("sqrt", 0.1, Recommendation.TRY_LOG),
        ("log", 0.5, Recommendation.COUNT_MODEL_BESIDE),
    ],
)
def test_counts(transform: str, power: float, expected: Recommendation) -> None:
    for faulty in (
        verdicts(variance=FAILED),
        verdicts(additivity=FAILED),
        verdicts(variance=DOUBTFUL, normality=DOUBTFUL),
    ):
        found = recommend(faulty, kind="count", transform=transform, suggested_power=power)
        assert found is expected


def test_percentages() -> None:
    faulty = verdicts(variance=FAILED)
    assert recommend(faulty, kind="percent", transform="none") is Recommendation.TRY_ARCSINE
    again = recommend(faulty, kind="percent", transform="arcsine")
    assert again is Recommendation.READ_WITH_CAUTION
    skewed = verdicts(normality=FAILED)
    again = recommend(skewed, kind="percent", transform="arcsine")
    assert again is Recommendation.RANDOMISATION_BESIDE


def test_measurements() -> None:
    faulty = verdicts(variance=FAILED)

    def asked(power: float = float("nan"), positive: bool = True) -> Recommendation:
        return recommend(
            faulty, kind="measurement", transform="none", suggested_power=power, positive=positive
        )

    assert asked() is Recommendation.TRY_LOG
    assert asked(0.0) is Recommendation.TRY_LOG
    assert asked(0.5) is Recommendation.TRY_SQRT
    assert asked(1.1) is Recommendation.READ_WITH_CAUTION
    assert asked(0.0, positive=False) is Recommendation.READ_WITH_CAUTION
    skewed = verdicts(normality=FAILED)
    found = recommend(skewed, kind="measurement", transform="none")
    assert found is Recommendation.RANDOMISATION_BESIDE


def test_every_case_has_an_answer() -> None:
    for checks in itertools.product(Verdict, repeat=4):
        for kind, transform in itertools.product(
            ("count", "percent", "measurement"), ("none", "sqrt", "log", "arcsine")
        ):
            found = recommend(verdicts(*checks), kind=kind, transform=transform)
            assert isinstance(found, Recommendation)
