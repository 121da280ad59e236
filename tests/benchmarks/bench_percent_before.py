"""Percentages by Henderson-Tilton: do limits by the laws, and by draws, hold the truth?

Percent in five treatments whose logits differ between plots by a normal part, alike on the day
before treatment and the day after it as far as a correlation says. Once a product of 90 % and
three others stand beside the untreated, once nothing differs. Prints a line a setting, kept in
draws.md: how often a product that does nothing is called different at 5 %, and 95 % limits hold
the truth, by both ways. Asserts nothing.

Run as ``python tests/benchmarks/bench_percent_before.py [TRIALS]``.
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray
from scipy import special

from drawn_courses import draw_means
from trialkit.inference.design.layout import randomised_blocks
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.known_course import course_law

FloatArray = NDArray[np.float64]

TREATMENTS, DRAWS, BLOCK_SD = 5, 4000, 0.2
NOTHING = np.ones(TREATMENTS)
STRONG = np.array([1.0, 1.0, 0.5, 0.3, 0.1])
#: Share before treatment, what is left of it, correlation, standard deviation of logits, blocks.
SETTINGS = [
    (0.5, STRONG, 0.7, 0.5, 4),
    (0.5, STRONG, 0.2, 0.5, 4),
    (0.8, STRONG, 0.7, 0.8, 4),
    (0.15, STRONG, 0.7, 0.5, 4),
    (0.5, STRONG, 0.9, 1.0, 4),
    (0.5, STRONG, 0.7, 0.5, 6),
    (0.5, STRONG, 0.7, 0.5, 3),
    (0.5, NOTHING, 0.7, 0.5, 4),
    (0.15, NOTHING, 0.7, 0.5, 4),
]


def mean_share(share: float, spread: float) -> float:
    """Mean over plots of a share whose logit is normal about that of ``share``."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    level = special.expit(special.logit(share) + nodes * spread)
    return float((weights * level).sum() / weights.sum())


def one(
    rng: np.random.Generator, setting: tuple[float, FloatArray, float, float, int], seed: int
) -> tuple[FloatArray, FloatArray]:
    """Two-sided p of the truth by laws and by draws, (2, treatments), and of none, (2,)."""
    start, left, alike, sd, blocks = setting
    treatment = np.tile(np.arange(TREATMENTS), blocks)
    block = np.repeat(np.arange(blocks), TREATMENTS)
    root = np.linalg.cholesky(np.array([[1.0, alike], [alike, 1.0]]))
    plots = rng.normal(0.0, sd, (treatment.size, 2)) @ root.T
    level = np.column_stack([np.full(treatment.size, start), start * left[treatment]])
    logits = special.logit(level) + plots + rng.normal(0.0, BLOCK_SD, blocks)[block][:, None]
    layout = randomised_blocks(treatment, block, TREATMENTS)
    law = course_law(layout, 100.0 * special.expit(logits), kind="percent")
    spread = float(np.hypot(sd, BLOCK_SD))
    after = np.array([mean_share(start * share, spread) for share in left])
    truth = (after / after[0])[1:]
    ratio = law.ratio(Quotient(days=np.array([1]), base=0, before=0, power=1.0))
    below = np.array([float(ratio.below(value)[g, 0]) for g, value in enumerate(truth, 1)])
    means = draw_means(law, DRAWS, seed)
    drawn = means[:, :, 1] / means[:, :, 0]
    share = (drawn[:, 1:] / drawn[:, [0]] < truth).mean(axis=0)
    both = np.stack([below, share])
    p = 2.0 * np.minimum(both, 1.0 - both)
    return p, p[:, 0]


def main(trials: int) -> None:
    """Print the table."""
    print("| before, % | products | correlation | sd | blocks | called, laws | draws ", end="")
    print("| covers, laws | draws | p apart, mean | most |")
    print("| --- " * 11 + "|")
    for place, setting in enumerate(SETTINGS):
        start, left, alike, sd, blocks = setting
        rng = np.random.default_rng(4100 + place)
        found = [one(rng, setting, seed) for seed in range(trials)]
        p = np.stack([each for each, _ in found])
        called = 100.0 * (np.stack([none for _, none in found]) < 0.05).mean(axis=0)
        covers = 100.0 * (p >= 0.05).mean(axis=(0, 2))
        apart = np.abs(p[:, 0] - p[:, 1])
        what = "do nothing" if left is NOTHING else "to 90 %"
        print(
            f"| {100 * start:g} | {what} | {alike} | {sd} | {blocks} | {called[0]:.1f} | "
            f"{called[1]:.1f} | {covers[0]:.1f} | {covers[1]:.1f} | {apart.mean():.3f} | "
            f"{apart.max():.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
