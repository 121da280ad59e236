"""How far limits and p-values of percent control move with the seed of their draws.

Four treatments and an untreated in four blocks on three days, counts of a negative binomial with
k = 2, one trial; its draws are made with 20 seeds. Prints, for each control as it came out, the
range over seeds of the lower and the upper limit, and of the p-value. Asserts nothing.

Run as ``python tests/benchmarks/bench_draws.py``.
"""

from __future__ import annotations

import numpy as np

from trialkit.analysis.fits.draws import DRAWS, limits, two_sided
from trialkit.inference.design.layout import Layout
from trialkit.inference.draws.course_draws import course_draws

SEEDS = range(20)
BLOCKS, MEAN, K = 4, 60.0, 2.0
SURVIVING = (1.0, 0.6, 0.4, 0.2, 0.05)


def main() -> None:
    treatment = np.tile(np.arange(len(SURVIVING)), BLOCKS)
    block = np.repeat(np.arange(BLOCKS), len(SURVIVING))
    layout = Layout(treatment=treatment, n_treatments=len(SURVIVING), blocking=(("block", block),))
    rng = np.random.default_rng(7)
    mean = MEAN * np.asarray(SURVIVING)[treatment][:, None] * np.ones(3)
    counts = rng.poisson(mean * rng.gamma(K, 1.0 / K, size=mean.shape)).astype(float)
    low, high, tested = [], [], []
    for seed in SEEDS:
        drawn = course_draws(layout, counts, kind="count", unit=1.0, draws=DRAWS, seed=seed).means
        control = 100.0 * (1.0 - drawn / drawn[:, [0]])[:, 1:]
        below, above = limits(control, 0.05)
        low.append(below)
        high.append(above)
        tested.append(two_sided(control))
    print("| control, % | range of lower | of upper | p |")
    print("| ---: | ---: | ---: | --- |")
    middle = 100.0 * (1.0 - _means(counts, treatment)[1:] / _means(counts, treatment)[0])
    for place in np.ndindex(middle.shape):
        ends = [np.ptp([part[place] for part in parts]) for parts in (low, high)]
        p = [[part[place] for part in parts] for parts in (tested,)]
        told = " | ".join(f"{min(part):.1e} to {max(part):.1e}" for part in p)
        print(f"| {middle[place]:.1f} | {ends[0]:.1f} | {ends[1]:.1f} | {told} |")


def _means(counts: np.ndarray, treatment: np.ndarray) -> np.ndarray:
    return np.array([counts[treatment == code].mean(axis=0) for code in range(len(SURVIVING))])


if __name__ == "__main__":
    main()
