"""How often tests of treatments reject where treatments do nothing, on overdispersed counts.

Null trials: negative binomial counts of one mean in every treatment, blocks that differ by a
lognormal factor (standard deviation 0.3). For each setting the share of trials in which F on the
scale that the rule picks, the same on raw counts, any Tukey pair, any Dunnett pair, and the
randomisation test reject at 5 %. Then how often nominal 95 % intervals of means and of single
differences hold the truth, on each scale.

Run as ``python tests/benchmarks/bench_null_trials.py [TRIALS]``. The figures of the last run stand
in ``null_trials.md``. Asserts nothing.
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np
from scipy import special, stats

from trialkit.analysis.supporting.warnings import LEAST_AGGREGATION
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.layout import FloatArray, Layout, randomised_blocks
from trialkit.inference.design.scales import TransformName, backward, choose_transform, forward
from trialkit.inference.glm.count_limits import few_counted
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.permutation.randomisation import randomisation_test

ALPHA = 0.05
DAYS = 5
SCALES: tuple[TransformName, ...] = ("none", "sqrt", "log")
SETTINGS = [
    (treatments, blocks, mean, k)
    for treatments, blocks in ((4, 4), (8, 4), (12, 4), (8, 6))
    for mean, k in ((0.5, 1.0), (2, 0.3), (5, 1.0), (20, 0.3), (20, 1.0), (20, 5.0), (200, 1.0))
]


def null_trial(
    layout: Layout, blocks: int, mean: float, k: float, rng: np.random.Generator
) -> np.ndarray:
    """Counts of one trial on several days, (plots, days)."""
    level = mean * np.exp(rng.normal(0.0, 0.3, (blocks, 1)))[layout.blocking[0][1]]
    return rng.poisson(level * rng.gamma(k, 1.0 / k, (layout.n_plots, DAYS))).astype(float)


def run(setting: tuple[int, int, float, float], trials: int, seed: int) -> str:
    """Rejections of one setting, as a line of a table."""
    treatments, blocks, mean, k = setting
    layout = randomised_blocks(
        np.tile(np.arange(treatments), blocks), np.repeat(np.arange(blocks), treatments), treatments
    )
    rng = np.random.default_rng(seed)
    columns: dict[str, list[np.ndarray]] = {"scaled": [], "raw": []}
    scales: Counter[str] = Counter()
    for _ in range(trials):
        counts = null_trial(layout, blocks, mean, k, rng)
        scale = choose_transform("count", counts, layout.treatment).transform
        scales[scale] += 1
        # One day of each trial is tested, so that the trials are independent.
        columns["scaled"].append(forward(scale, counts[:, 0]))
        columns["raw"].append(counts[:, 0])
    shares = []
    for name in ("scaled", "raw"):
        values = np.column_stack(columns[name])
        (fit,) = fit_layout(layout, values)
        shares.append(float(np.mean(fit.treatment.p < ALPHA)))
        if name == "scaled":
            for method, control in ((Method.TUKEY, None), (Method.DUNNETT, 0)):
                made = compare(fit, method, alpha=ALPHA, control=control)
                shares.append(float(np.mean(made.different.any(axis=0))))
            some = values[:, : min(200, trials)]
            shares.append(float(np.mean(randomisation_test(layout, some, draws=499).p <= ALPHA)))
    f, tukey, dunnett, dealt, raw = shares
    used = ", ".join(f"{name} {100 * n // trials} %" for name, n in scales.most_common())
    return (
        f"| {treatments} x {blocks} | {mean:g} | {k:g} | {100 * f:.1f} | {100 * tukey:.1f} | "
        f"{100 * dunnett:.1f} | {100 * dealt:.1f} | {100 * raw:.1f} | {used} |"
    )


def expected(scale: TransformName, level: FloatArray, k: float) -> FloatArray:
    """Mean of transformed negative binomial counts with these means."""
    nodes = np.exp(np.linspace(np.log(level.min()), np.log(level.max()), 30))
    found = []
    for mean in nodes:
        share = k / (k + mean)
        counts = np.arange(int(stats.nbinom.isf(1e-9, k, share)) + 2, dtype=float)
        found.append(float(stats.nbinom.pmf(counts, k, share) @ forward(scale, counts)))
    return np.interp(np.log(level), np.log(nodes), found)


def covered(setting: tuple[int, int, float, float], trials: int, seed: int) -> str:
    """How often intervals hold the truth on each scale, as a line of a table."""
    treatments, blocks, mean, k = setting
    layout = randomised_blocks(
        np.tile(np.arange(treatments), blocks), np.repeat(np.arange(blocks), treatments), treatments
    )
    rng = np.random.default_rng(seed)
    level = mean * np.exp(rng.normal(0.0, 0.3, (blocks, trials)))
    plots = level[layout.blocking[0][1]]
    counts = rng.poisson(plots * rng.gamma(k, 1.0 / k, plots.shape)).astype(float)
    cells = []
    for scale in SCALES:
        (fit,) = fit_layout(layout, forward(scale, counts))
        t = float(special.stdtrit(fit.df_error, 1.0 - ALPHA / 2.0))
        half = t * fit.se
        truth = expected(scale, level, k).mean(axis=0)
        pair = np.triu_indices(treatments, 1)
        gap = np.abs(fit.means[pair[0]] - fit.means[pair[1]])
        cells += [
            float(np.mean(np.abs(fit.means - truth) <= half)),
            float(np.mean(gap <= t * np.sqrt(2.0 * fit.ms_error / blocks))),
        ]
        if scale != "none":
            low, high = (backward(scale, fit.means + side) for side in (-half, half))
            arithmetic = level.mean(axis=0)
            cells.append(float(np.mean((low <= arithmetic) & (arithmetic <= high))))
            continue
        made = compare(fit, Method.TUKEY, alpha=ALPHA)
        grand = counts.mean(axis=0)
        crowded = (fit.ms_error - grand) * LEAST_AGGREGATION > grand**2
        cells += [float(np.mean(made.different.any(axis=0))), float(np.mean(crowded))]
    cells.append(float(np.mean(few_counted(counts))))
    shown = " | ".join(f"{100.0 * cell:.1f}" for cell in cells)
    return f"| {treatments} x {blocks} | {mean:g} | {k:g} | {shown} |"


def main() -> None:
    """Print the tables."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{trials} trials a line; randomisation on 200 of them. Percent of trials that reject.\n")
    print("| treatments x blocks | mean | k | F | Tukey | Dunnett | randomised | F, raw | scales |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for place, setting in enumerate(SETTINGS):
        print(run(setting, trials, 100 + place), flush=True)
    print("\nPercent of intervals that hold the truth.\n")
    heads = ["raw: means", "differences", "any Tukey pair", "warned, crowded"]
    heads += [f"{name}: {part}" for name in SCALES[1:] for part in ("means", "diff.", "as counted")]
    print(f"| treatments x blocks | mean | k | {' | '.join(heads)} | warned, few |")
    print("|" + " --- |" * (len(heads) + 4))
    for place, setting in enumerate(SETTINGS):
        print(covered(setting, trials, 200 + place), flush=True)


if __name__ == "__main__":
    main()
