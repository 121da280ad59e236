"""From p-values of diagnostics to a verdict and a recommendation; nothing is switched here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from trialkit.inference.design.scales import KindName, TransformName

# The one place where the levels stand. Common practice, no source: a trial brings dozens of such
# tests, so that a p of 0.03 in one of them is no news.
DOUBTFUL_BELOW: Final = 0.05
FAILED_BELOW: Final = 0.01

# Powers of the response between these call for a square root; below for a logarithm, above for
# none. They lie halfway between the powers 0, 1/2 and 1.
SQRT_POWERS: Final = (0.25, 0.75)


class Verdict(StrEnum):
    """How an assumption came through its test."""

    FINE = "fine"
    DOUBTFUL = "doubtful"
    FAILED = "failed"
    NOT_AVAILABLE = "not available"


class Recommendation(StrEnum):
    """What a person might do about it; the analysis itself stays as it was asked for."""

    KEEP = "keep"
    CHECK_PLOT = "check plot"
    TRY_SQRT = "try sqrt"
    TRY_LOG = "try log"
    TRY_ARCSINE = "try arcsine"
    COUNT_MODEL_BESIDE = "count model beside"
    RANDOMISATION_BESIDE = "randomisation test beside"
    READ_WITH_CAUTION = "read with caution"
    NOT_ASSESSED = "not assessed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdicts:
    """Verdicts on the four things an analysis of variance leans on.

    Attributes
    ----------
    variance : Verdict
        Equal scatter in all treatments and at all levels of the mean.
    normality : Verdict
    additivity : Verdict
        Treatments act alike in all blocks.
    outliers : Verdict
        No plot stands out.
    """

    variance: Verdict
    normality: Verdict
    additivity: Verdict
    outliers: Verdict


def verdict(p: float) -> Verdict:
    """Turn a p-value into a verdict.

    Parameters
    ----------
    p : float
        NaN where the test was not available.

    Returns
    -------
    Verdict
        Failed below 0.01, doubtful below 0.05, else fine. Fine says that nothing was found, which
        in a small trial is not much.
    """
    if np.isnan(p):
        return Verdict.NOT_AVAILABLE
    if p < FAILED_BELOW:
        return Verdict.FAILED
    return Verdict.DOUBTFUL if p < DOUBTFUL_BELOW else Verdict.FINE


def verdict_over(p_values: Iterable[float]) -> Verdict:
    """Turn the p-values of one test on several responses into one verdict.

    Parameters
    ----------
    p_values : iterable of float
        Say of all days of a variable, which share one transform; NaN is left out.

    Returns
    -------
    Verdict
        Of the smallest one times their number (Bonferroni), so that many days alone do not
        make an assumption doubtful.
    """
    known = [p for p in p_values if not np.isnan(p)]
    return verdict(min(1.0, min(known) * len(known))) if known else Verdict.NOT_AVAILABLE


def recommend(
    verdicts: Verdicts,
    *,
    kind: KindName,
    transform: TransformName,
    suggested_power: float = float("nan"),
    positive: bool = True,
) -> Recommendation:
    """Recommend what to do, by rules that are the same for every trial.

    The scatter counts as faulty when variance, normality or additivity has failed, or two of the
    three are doubtful. A plot stands out when outliers are doubtful or failed. The first rule that
    fits decides:

    1. No test was available: not assessed.
    2. A plot stands out, and neither variance nor additivity failed: check plot. One wrong
       plot is enough to spoil normality.
    3. The scatter is not faulty: keep.
    4. Counts: untransformed, try log, or sqrt where the suggested power lies between 0.25
       and 0.75; on the square root, try log; on the logarithm, count model beside.
    5. Percentages: untransformed, try arcsine.
    6. Measurements above 0, untransformed, with variance or additivity at fault: try sqrt or
       log by the same rule, unless the suggested power is above 0.75.
    7. Normality alone is at fault: randomisation test beside, which takes no distribution on
       trust.
    8. Else read with caution: treatments of different scatter share one standard error, and
       letters between the quiet and the restless ones mislead.

    Parameters
    ----------
    verdicts : Verdicts
        Of one response, or of a variable over its days (`verdict_over`).
    kind : {"count", "percent", "measurement"}
    transform : {"none", "sqrt", "log", "arcsine"}
        The one in use.
    suggested_power : float
        Power of the untransformed response from Tukey's test, Taylor's law or Box-Cox; NaN
        where there is none.
    positive : bool
        Whether all values are 0 or more, so that a root or logarithm can be had.

    Returns
    -------
    Recommendation
        Never acted upon by itself: whoever shows it says which transform was used.
    """
    checks = (verdicts.variance, verdicts.normality, verdicts.additivity)
    if all(check is Verdict.NOT_AVAILABLE for check in (*checks, verdicts.outliers)):
        return Recommendation.NOT_ASSESSED
    uneven = Verdict.FAILED in (verdicts.variance, verdicts.additivity)
    if verdicts.outliers in (Verdict.DOUBTFUL, Verdict.FAILED) and not uneven:
        return Recommendation.CHECK_PLOT
    if Verdict.FAILED not in checks and checks.count(Verdict.DOUBTFUL) < 2:
        return Recommendation.KEEP
    odd = (Verdict.DOUBTFUL, Verdict.FAILED)
    normality_alone = not (verdicts.variance in odd or verdicts.additivity in odd)
    if kind == "count":
        return _for_counts(transform, suggested_power)
    if kind == "percent" and transform == "none":
        return Recommendation.TRY_ARCSINE
    if kind == "measurement" and transform == "none" and positive and not normality_alone:
        if np.isnan(suggested_power) or suggested_power < SQRT_POWERS[0]:
            return Recommendation.TRY_LOG
        if suggested_power <= SQRT_POWERS[1]:
            return Recommendation.TRY_SQRT
    if normality_alone:
        return Recommendation.RANDOMISATION_BESIDE
    return Recommendation.READ_WITH_CAUTION


def _for_counts(transform: TransformName, suggested_power: float) -> Recommendation:
    if transform == "none":
        root = SQRT_POWERS[0] <= suggested_power <= SQRT_POWERS[1]
        return Recommendation.TRY_SQRT if root else Recommendation.TRY_LOG
    if transform == "sqrt":
        return Recommendation.TRY_LOG
    return Recommendation.COUNT_MODEL_BESIDE
