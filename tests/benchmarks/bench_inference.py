"""Speed of the inference core, as ratios measured in one run.

Run as ``python tests/benchmarks/bench_inference.py``; no test asserts a time. Each task is timed
cold (tables of the distributions not yet made) and warm (the best of several runs).
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable

import numpy as np

from trialkit.inference.comparisons import distributions, tail_tables
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.layout import FloatArray, randomised_blocks
from trialkit.inference.normal.linear import fit_layout

TREATMENTS, BLOCKS, RESPONSES = 8, 4, 25


def _best(task: Callable[[], object], repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return min(times)


def _forget_tables() -> None:
    for cached in (
        distributions._range_tail,
        distributions._range_normal_tail,
        distributions._dunnett_table,
        distributions._dunnett_normal_tail,
        tail_tables.root_mean_square_rule,
    ):
        cached.cache_clear()


def _trial(seed: int = 1) -> tuple[FloatArray, FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    treatment, block = (codes.ravel() for codes in np.indices((TREATMENTS, BLOCKS)))
    y = rng.normal(size=(treatment.size, RESPONSES)) + 0.4 * treatment[:, None] + block[:, None]
    return treatment, block, y


def _ours(treatment: FloatArray, block: FloatArray, y: FloatArray) -> None:
    layout = randomised_blocks(treatment, block, TREATMENTS)
    for fit in fit_layout(layout, y):
        pairs = compare(fit, "tukey")
        compare(fit, "dunnett", control=0)
        pairs.letters(fit.means)


def _loop(treatment: FloatArray, block: FloatArray, y: FloatArray) -> None:
    """The same, one formula and one pairwise routine a response; without letters."""
    import pandas as pd
    from scipy import stats
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm
    from statsmodels.stats.multicomp import pairwise_tukeyhsd

    for column in y.T:
        table = pd.DataFrame({"y": column, "treatment": treatment, "block": block})
        anova_lm(ols("y ~ C(block) + C(treatment)", table).fit())
        pairwise_tukeyhsd(column, treatment)
        groups = [column[treatment == code] for code in range(TREATMENTS)]
        stats.dunnett(*groups[1:], control=groups[0], rng=1)


def trial_of_25_responses() -> None:
    """ANOVA, all Tukey pairs, Dunnett and letters of 25 responses."""
    treatment, block, y = _trial()
    _ours(treatment, block, y)
    _forget_tables()
    cold = _best(lambda: _ours(treatment, block, y), 1)
    warm = _best(lambda: _ours(treatment, block, y), 7)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _loop(treatment, block, y[:, :1])
        loop = _best(lambda: _loop(treatment, block, y), 1)
    print(
        f"25 responses, 8 treatments x 4 blocks: {1e3 * cold:.1f} ms cold, {1e3 * warm:.1f} ms warm"
    )
    print(f"  a general-purpose loop, a response at a time: {1e3 * loop:.0f} ms")
    print(f"  ratio {loop / cold:.0f} cold, {loop / warm:.0f} warm (aim: 50, under 60 ms)")
    y = y.copy()
    for column in range(0, RESPONSES, 2):
        y[column, column] = y[(7 * column) % 32, column] = np.nan
    _forget_tables()
    cold = _best(lambda: _ours(treatment, block, y), 1)
    warm = _best(lambda: _ours(treatment, block, y), 7)
    patterns = len(fit_layout(randomised_blocks(treatment, block, TREATMENTS), y))
    print(
        f"  with two plots missing in every other response ({patterns} patterns): "
        f"{1e3 * cold:.0f} ms cold, {1e3 * warm:.0f} ms warm"
    )


def ten_thousand_responses() -> None:
    """Simulated randomised blocks, fitted and tested by F; then all comparisons of them."""
    rng = np.random.default_rng(2)
    treatment, block = (codes.ravel() for codes in np.indices((TREATMENTS, BLOCKS)))
    y = rng.normal(size=(treatment.size, 10_000))
    layout = randomised_blocks(treatment, block, TREATMENTS)
    seconds = _best(lambda: fit_layout(layout, y)[0].treatment.p, 3)
    print(f"10,000 responses fitted and tested: {seconds:.3f} s (aim: under 2 s)")
    fit = fit_layout(layout, y)[0]
    seconds = _best(lambda: compare(fit, "tukey"), 2)
    print(f"  and all 280,000 Tukey pairs: {seconds:.2f} s")
    missing = y.copy()
    missing[rng.integers(0, 32, 10_000), np.arange(10_000)] = np.nan
    seconds = _best(lambda: fit_layout(layout, missing), 2)
    print(f"  fitted with one plot missing in each (32 patterns): {seconds:.3f} s")


def distribution_functions() -> None:
    """Studentized range against scipy's quadrature, a probability at a time."""
    from scipy import stats

    few, many = np.linspace(1.0, 8.0, 12), np.linspace(0.5, 9.0, 700)
    for means, df in ((4, 12), (8, 21), (20, 60)):
        scipys = _seconds(stats.studentized_range.sf, few, means, df) / few.size
        _forget_tables()
        cold = _seconds(distributions.studentized_range_sf, many, means, df) / many.size
        warm = _seconds(distributions.studentized_range_sf, many, means, df) / many.size
        print(
            f"studentized range, {means} means, {df} df: {1e6 * scipys:.0f} us each in scipy, "
            f"{1e6 * cold:.2f} us cold and {1e6 * warm:.2f} us warm in 700 at once: "
            f"ratio {scipys / cold:.0f} and {scipys / warm:.0f}"
        )
        scipys = _seconds(stats.studentized_range.ppf, 0.95, means, df)
        ours = _seconds(distributions.studentized_range_isf, 0.05, means, df)
        ratio = scipys / ours
        print(f"  5 % point: {1e3 * scipys:.0f} ms, {1e3 * ours:.2f} ms: ratio {ratio:.0f}")


def _seconds(function: Callable[..., object], *arguments: object) -> float:
    start = time.perf_counter()
    function(*arguments)
    return time.perf_counter() - start


if __name__ == "__main__":
    trial_of_25_responses()
    ten_thousand_responses()
    distribution_functions()
