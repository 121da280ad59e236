"""How wide intervals of percent control are by each formula, and how often they cover.

Run by hand: ``python tests/benchmarks/bench_control_methods.py [--sims N]``. Invented trials: four
blocks x 8 treatments, one count before treatment and five days after it, one product of 85 %; plots
with an effect of their own on all days, and fresh gamma effects on each. Widths are of the log of
the ratio to the untreated.
"""

from __future__ import annotations

import argparse

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drawn_courses import course_draws
from trialkit.analysis.fits.courses import FORETELLS
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.laws.foretelling import start_slope
from trialkit.measures.control import surviving

FloatArray = NDArray[np.float64]

TREATMENTS, BLOCKS, DAYS, LEFT = 8, 4, 6, 0.15
#: Standard deviation of the plots' own effects, k, and mean of the untreated.
SETTINGS = (
    (0.0, 2.0, 100.0),
    (0.3, 2.0, 100.0),
    (0.6, 2.0, 100.0),
    (0.6, 8.0, 100.0),
    (0.9, 8.0, 100.0),
    (0.3, 0.7, 100.0),
    (0.0, 2.0, 10.0),
    (0.6, 8.0, 10.0),
    (0.9, 4.0, 30.0),
    (0.4, 5.0, 60.0),
)


def one_trial(rng: np.random.Generator, own: float, k: float, mean: float) -> FloatArray:
    """Counts of one trial, (plots, days); treatment 1 is the product, 0 the untreated."""
    treatment = np.tile(np.arange(TREATMENTS), BLOCKS)
    block = np.exp(rng.normal(0.0, 0.3, BLOCKS)).repeat(TREATMENTS)
    level = mean * block * np.exp(rng.normal(0.0, own, treatment.size) - own**2 / 2.0)
    means = np.repeat(level[:, None], DAYS, axis=1)
    means[treatment == 1, 1:] *= LEFT
    return rng.poisson(means * rng.gamma(k, 1.0 / k, means.shape)).astype(float)


def judged(values: FloatArray, seed: int) -> tuple[float, FloatArray]:
    """Slope, and (width, covered) by Abbott, Henderson-Tilton and adjusted, (3, 2, days)."""
    layout = randomised_blocks(
        np.tile(np.arange(TREATMENTS), BLOCKS), np.arange(BLOCKS).repeat(TREATMENTS), TREATMENTS
    )
    drawn = course_draws(layout, values, unit=1.0, seed=seed)
    start = start_slope(drawn.deviations, drawn.precision, 0, drawn.plot_df / DAYS)
    means, size = drawn.means, len(drawn.means)
    order = (np.random.default_rng(seed).permutation(size) + 0.5) / size
    powers = (
        np.zeros((size, 1))
        if start is None
        else np.asarray(start.power + start.se * special.stdtrit(start.df, order))[:, None]
    )
    found = []
    for power in (0.0, 1.0, powers):
        share = surviving(means[:, 1, 1:], means[:, 0, 1:], means[:, 1, :1], means[:, 0, :1], power)
        low, high = np.quantile(np.log(share), [0.025, 0.975], axis=0)
        found.append([high - low, (low < np.log(LEFT)) & (np.log(LEFT) < high)])
    return 0.0 if start is None else start.slope, np.array(found, dtype=float)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sims", type=int, default=300)
    sims = parser.parse_args().sims
    print("| own sd, k, mean | slope (sd) | Abbott | Henderson-Tilton | adjusted | auto | HT |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for setting in SETTINGS:
        rng = np.random.default_rng(7)
        slopes, found = [], []
        for seed in range(sims):
            slope, result = judged(one_trial(rng, *setting), seed)
            chosen = result[1 if slope > FORETELLS else 0]
            slopes.append(slope)
            found.append(np.concatenate([result, chosen[None]]).mean(axis=2))
        table = np.mean(found, axis=0)
        cells = [f"{width:.2f} ({100.0 * covered:.1f})" for width, covered in table]
        label = ", ".join(f"{value:g}" for value in setting)
        spread = f"{np.mean(slopes):.2f} ({np.std(slopes):.2f})"
        share = f"{100.0 * np.mean(np.array(slopes) > FORETELLS):.0f} %"
        print("| " + " | ".join([label, spread, *cells, share]) + " |", flush=True)


if __name__ == "__main__":
    main()
