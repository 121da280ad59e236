"""Differences of means over trials whose errors differ: coverage, width, and whether p is there.

Run: ``python tests/benchmarks/bench_own_errors.py``; prints the table of own_errors.md.
"""

from __future__ import annotations

import numpy as np
from scipy import special

from trialkit.inference.estimable import NotEstimable
from trialkit.inference.pooling.environments import analyse_environments
from trialkit.inference.pooling.trial_contrasts import TrialMeans

SERIES = 400
BLOCKS = 4
#: Standard deviations of plots, in turn; means differ between treatments by nothing.
ERRORS = (1.0, 1.0, 3.0)


def one(rng: np.random.Generator, trials: int, treatments: int, spread: float) -> list[TrialMeans]:
    """Make the means of one series."""
    df = (treatments - 1) * (BLOCKS - 1)
    made = []
    for number in range(trials):
        error = ERRORS[number % len(ERRORS)]
        mean = rng.normal(0.0, spread, treatments)
        mean += rng.normal(0.0, error / np.sqrt(BLOCKS), treatments)
        made.append(
            TrialMeans(
                treatment=np.arange(treatments, dtype=np.intp),
                mean=mean,
                unit=np.eye(treatments) / BLOCKS,
                error_variance=error**2 * rng.chisquare(df) / df,
                df=float(df),
            )
        )
    return made


def main() -> None:
    """Print a row a setting."""
    print("| trials | treatments | spread | covered, % | half width | refused | without p |")
    print("|---|---|---|---|---|---|---|")
    for trials, treatments in ((2, 3), (3, 2), (3, 3), (3, 6), (6, 4), (12, 4)):
        for spread in (0.0, 0.5, 2.0):
            rng = np.random.default_rng(1)
            held: list[bool] = []
            widths: list[float] = []
            refused = lacking = 0
            first = np.zeros(treatments - 1, dtype=np.intp)
            others = np.arange(1, treatments, dtype=np.intp)
            for _ in range(SERIES):
                try:
                    fit = analyse_environments(
                        one(rng, trials, treatments, spread), own_errors=True
                    )
                except NotEstimable:
                    refused += 1
                    continue
                apart = fit.differences(first, others, "broad")
                half = special.stdtrit(apart.df, 0.975) * apart.se
                lacking += int((~(apart.df >= 1.0)).sum())
                held += (np.abs(apart.estimate) <= half).tolist()
                widths.append(float(np.median(half)))
            print(
                f"| {trials} | {treatments} | {spread:g} | {100 * np.mean(held):.1f} | "
                f"{np.median(widths):.2f} | {refused} | {lacking} |"
            )


if __name__ == "__main__":
    main()
