"""How often Dunnett rejects where only the variances differ: by one error, and by own variances.

Counts of the untreated with aggregation k 0.8 beside treatments with 5, means alike, plots with an
effect of their own over all days, analysed as logarithms. ``python bench_unequal_variances.py 300``
prints the table kept in unequal_variances.md.
"""

from __future__ import annotations

import sys

import numpy as np

from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.comparisons.unequal_variances import compare_unequal, treatment_variances
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.normal.linear import fit_layout


def row(k: tuple[float, float], treatments: int, days: int, trials: int) -> str:
    """One line of the table."""
    treatment, block = (part.ravel() for part in np.indices((treatments, 4)))
    layout = randomised_blocks(treatment, block, treatments)
    rng = np.random.default_rng(5)
    shape = np.where(treatment == 0, *k)
    seen, common, own = [], [], []
    for _ in range(trials):
        plots = rng.normal(0, 0.3, 4)[block] + rng.normal(0, 0.3, treatment.size)
        mean = 20.0 * np.exp(plots)[:, None]
        y = np.log10(rng.poisson(mean * rng.gamma(shape, 1 / shape, (days, shape.size)).T) + 1.0)
        found = treatment_variances(layout, y)
        (fit,) = fit_layout(layout, y)
        made = compare_unequal(layout, y, found, "dunnett", control=0)
        seen.append(found.p < 0.05)
        for rates, part in ((common, compare(fit, "dunnett", control=0)), (own, made)):
            rates.append((part.p_adjusted < 0.05).any(axis=0).mean())
    told = np.mean([rate for rate, known in zip(own, seen, strict=True) if known])
    numbers = (np.mean(seen), np.mean(common), np.mean(own), told)
    shown = " | ".join(f"{100 * value:.1f}" for value in numbers)
    return f"| {k[0]:g} | {k[1]:g} | {treatments} | {days} | {shown} |"


if __name__ == "__main__":
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print("| k, untreated | k, others | treatments | days | seen | one error | own | own, seen |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for k in ((0.8, 5.0), (5.0, 5.0), (0.8, 0.8)):
        for treatments, days in ((8, 5), (5, 3)):
            print(row(k, treatments, days, trials), flush=True)
