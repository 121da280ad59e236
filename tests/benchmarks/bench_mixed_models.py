"""How often tests of the designs with several errors reject a true null, and how long fits take.

Run as ``python tests/benchmarks/bench_mixed_models.py [RUNS]``. Prints percentages of p < 0.05 and
milliseconds from one run; asserts nothing. Figures of a run with 800 (split-plot, strip-plot),
600 (incomplete blocks) and 400 (repeated measures) trials, in percent, chance error about 1:

- split-plot, 3 x 4 in 4 blocks, 5 of 48 subplots missing, main-plot sd 0, 0.5, 2 times that of
  subplots: main 5.0, 4.4, 5.1; sub 4.9, 5.1, 5.1; interaction 4.0, 4.1, 5.4. With variances cut at
  zero instead: main 0.6, 2.2, 5.1.
- strip-plot, the same: main 3.4, 4.0, 5.0; sub 3.4, 5.0, 5.9; interaction 4.1, 5.2, 5.1.
- incomplete blocks, 12 treatments in 3 replicates of blocks of 4, block sd 0, 1, 2: 3.0, 5.7, 5.7.
- repeated measures, 6 treatments in 4 blocks, 5 uneven days, 3 % missing, treatment:day. Days
  correlated as 0.9 ** days: no correction 8.0, Greenhouse-Geisser 3.5, Huynh-Feldt 6.8, REML
  autoregressive 2.5, unstructured 4.8. Equal correlation 0.5: 5.5, 3.0, 5.2, 2.5, 6.2.
- treatments averaged over days: 6 to 7 in both, but 17 where an autoregression is fitted to days
  of equal correlation: it must not be taken without looking at the other structures.
"""

from __future__ import annotations

import sys
import time
from collections import Counter

import numpy as np

from trialkit.inference.design.layout import factor, randomised_blocks, split_plot, strip_plot
from trialkit.inference.estimable import NotEstimable
from trialkit.inference.normal.incomplete_blocks import incomplete_blocks
from trialkit.inference.normal.repeated_reml import STRUCTURES, repeated_reml
from trialkit.inference.normal.split_plot_in_time import repeated_measures
from trialkit.inference.normal.stratified import fit_strata

LEVEL = 0.05
SOURCES = ("main", "sub", "main:sub")


def show(title: str, rejected: Counter[str], runs: int, started: float) -> None:
    """Print rates in percent and the time of one trial."""
    milliseconds = 1000 * (time.perf_counter() - started) / runs
    print(f"{title}: {milliseconds:.0f} ms a trial")
    for name, count in rejected.items():
        print(f"  {name:45s} {100 * count / runs:5.1f} %")


def plots(rng: np.random.Generator, runs: int) -> None:
    """Split-plots and strip-plots with missing plots."""
    block, main, sub = (i.ravel() for i in np.indices((4, 3, 4)))
    for sd in (0.0, 0.5, 2.0):
        started, rejected = time.perf_counter(), Counter[str]()
        for _ in range(runs):
            y = sd * rng.normal(size=12)[block * 3 + main] + rng.normal(size=48)
            y[rng.choice(48, 5, replace=False)] = np.nan
            factors = factor("main", main), factor("sub", sub)
            split = fit_strata(split_plot(*factors, blocking=[("block", block)]), y)
            y = y + sd * rng.normal(size=16)[block * 4 + sub]
            strip = fit_strata(strip_plot(*factors, block), y)
            for source in SOURCES:
                rejected[f"split-plot {source}"] += bool(split.term(source).p[0] < LEVEL)
                rejected[f"strip-plot {source}"] += bool(strip.term(source).p[0] < LEVEL)
        show(f"sd of large plots {sd}", rejected, runs, started)


def blocks(rng: np.random.Generator, runs: int) -> None:
    """Incomplete blocks in replicates."""
    replicate, block = np.repeat(np.arange(3), 12), np.arange(36) // 4
    for sd in (0.0, 1.0, 2.0):
        started, rejected = time.perf_counter(), Counter[str]()
        for _ in range(runs):
            treatment = np.concatenate([rng.permutation(12) for _ in range(3)])
            y = sd * rng.normal(size=9)[block] + rng.normal(size=36)
            fit = incomplete_blocks(treatment, block, y, replicate=replicate)
            rejected["treatment"] += fit.treatment.p < LEVEL
        show(f"incomplete blocks, sd of blocks {sd}", rejected, runs, started)


def days(rng: np.random.Generator, runs: int) -> None:
    """Repeated measures with a few missing."""
    layout = randomised_blocks(np.tile(np.arange(6), 4), np.repeat(np.arange(4), 6), 6)
    when = np.array([0, 3, 7, 14, 21.0])
    fading = 0.9 ** np.abs(np.subtract.outer(when, when))
    for title, covariance in (("fading", fading), ("equal", 0.5 + 0.5 * np.eye(5))):
        root = np.linalg.cholesky(covariance)
        started, rejected = time.perf_counter(), Counter[str]()
        for _ in range(runs):
            y = rng.normal(size=(24, 5)) @ root.T
            y[rng.random(y.shape) < 0.03] = np.nan
            univariate = repeated_measures(layout, y)
            course = univariate.term("treatment:day")
            rejected["split-plot in time: level"] += univariate.term("treatment").p < LEVEL
            for version in ("p", "p_gg", "p_hf"):
                rejected[f"split-plot in time, {version}: course"] += (
                    getattr(course, version) < LEVEL
                )
            for structure in STRUCTURES:
                try:
                    reml = repeated_reml(layout, y, when, structure=structure)
                except NotEstimable:
                    continue
                for title, source in (("course", "treatment:day"), ("level", "treatment")):
                    rejected[f"REML, {structure}: {title}"] += reml.term(source).p < LEVEL
        show(f"repeated measures, {title} correlation", rejected, runs, started)


if __name__ == "__main__":
    RUNS = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    GENERATOR = np.random.default_rng(99)
    plots(GENERATOR, RUNS)
    blocks(GENERATOR, RUNS)
    days(GENERATOR, RUNS)
