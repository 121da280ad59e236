"""How often tests of counts in split-plots and strip-plots reject where nothing acts.

Negative binomial counts about means that main plots (strips) and blocks multiply by lognormal
effects. Prints one row a setting; the recorded rows are in null_strata_counts.md.

    python tests/benchmarks/bench_null_strata_counts.py [trials]
"""

from __future__ import annotations

import sys

import numpy as np

from trialkit.inference.design.layout import factor, split_plot, strip_plot
from trialkit.inference.glm.count_strata import count_strata

# mean, k, spread of the larger units (logarithms), blocks, mains, subs, strips
SETTINGS = [
    *((mean, k, 0.3, 4, 3, 4, strips) for strips in (False, True) for mean in (5, 20, 100)
      for k in (1, 3)),
    (20, 1, 0.0, 4, 3, 4, False), (20, 1, 0.8, 4, 3, 4, False), (20, 1, 0.3, 4, 4, 2, False),
    (20, 1, 0.3, 6, 2, 3, False), (20, 3, 0.3, 3, 3, 3, False),
    (2, 1, 0.3, 4, 3, 4, False), (1, 1, 0.3, 4, 3, 4, False), (0.5, 1, 0.3, 4, 3, 4, False),
    (5, 0.5, 0.3, 4, 3, 4, False), (1, 0.5, 0.3, 4, 3, 4, False), (20, 0.3, 0.3, 4, 3, 4, False),
    (1, 1, 0.3, 4, 3, 4, True), (5, 0.5, 0.3, 4, 3, 4, True),
]  # fmt: skip


def rates(mean, k, spread, r, a, b, strips, trials, seed=1):
    """Share of trials with p below 5 %: all, main, sub, main:sub; and share without a test."""
    block, main, sub = (i.ravel() for i in np.indices((r, a, b)))
    units = {"main": block * a + main}
    if strips:
        units["sub"] = block * b + sub
    rng = np.random.default_rng(seed)
    level = np.log(mean) + 0.2 * rng.normal(size=(r, trials))[block]
    for codes in units.values():
        level += spread * rng.normal(size=(int(codes.max()) + 1, trials))[codes] - spread**2 / 2
    counts = rng.poisson(np.exp(level) * rng.gamma(k, 1 / k, size=level.shape)).astype(float)
    factors = factor("main", main), factor("sub", sub)
    layout = split_plot(*factors, blocking=[("block", block)])
    if strips:
        layout = strip_plot(*factors, block)
    terms = count_strata(layout, counts)
    p = np.array([term.p for term in terms])
    return np.nanmean(p < 0.05, axis=1), np.isnan(p).mean()


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print("| design | mean | k | spread | blocks x mains x subs | all | main | sub | both | none |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for mean, k, spread, r, a, b, strips in SETTINGS:
        found, lost = rates(mean, k, spread, r, a, b, strips, trials)
        shares = " | ".join(f"{100 * value:.1f}" for value in found)
        print(
            f"| {'strips' if strips else 'split'} | {mean:g} | {k:g} | {spread:g} | "
            f"{r} x {a} x {b} | {shares} | {100 * lost:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
