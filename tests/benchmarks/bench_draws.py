"""How far limits and p-values of percent control move with the seed, and whether they are right.

Four treatments and an untreated in four blocks on three days, counts of a negative binomial with
k = 2, one trial. Prints for each control the range over 20 seeds of limits and p-value from 2,000
draws, which a report once gave, beside those of the exact law, which it gives now, and those of
two million draws of the full model. Then, for every shipped example, the tables of which a limit
or a p-value still moves with the seed, and by how much. Asserts nothing.

Run as ``python tests/benchmarks/bench_draws.py [DRAWS] [SEEDS]`` (2,000,000 and 6).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import trialkit
from drawn_courses import draw_means, sample
from trialkit.analysis.fits.courses import control_limits
from trialkit.analysis.schema import TABLES
from trialkit.inference.design.layout import Layout
from trialkit.inference.laws.course_laws import CourseLaw, Quotient
from trialkit.inference.laws.known_course import course_law

FloatArray = NDArray[np.float64]

#: Draws behind each interval, as they once were.
DRAWS = 2000
SEEDS = range(20)
BLOCKS, MEAN, K = 4, 60.0, 2.0
SURVIVING = (1.0, 0.6, 0.4, 0.2, 0.05)
CHUNK = 200_000
ENDS = ("lower", "upper", "p", "p_adjusted", "p_randomised")


def one_trial(many: int) -> None:
    """The table of one trial."""
    treatment = np.tile(np.arange(len(SURVIVING)), BLOCKS)
    block = np.repeat(np.arange(BLOCKS), len(SURVIVING))
    layout = Layout(treatment=treatment, n_treatments=len(SURVIVING), blocking=(("block", block),))
    rng = np.random.default_rng(7)
    mean = MEAN * np.asarray(SURVIVING)[treatment][:, None] * np.ones(3)
    counts = rng.poisson(mean * rng.gamma(K, 1.0 / K, size=mean.shape)).astype(float)
    law = course_law(layout, counts, kind="count", unit=1.0)
    found = law.ratio(Quotient(days=np.arange(3), base=0))
    low, high = (part[1:] for part in control_limits(found, 0.05))
    p = found.two_sided(1.0)[1:]
    short = [_limits(_control(draw_means(law, DRAWS, seed))) for seed in SEEDS]
    tested = [_two_sided(_control(draw_means(law, DRAWS, seed))) for seed in SEEDS]
    drawn = np.concatenate(
        [_control(draw_means(law, CHUNK, 100 + i)) for i in range(max(1, many // CHUNK))]
    )
    truth = _limits(drawn)
    below = (drawn <= 0.0).mean(axis=0)
    print(
        "| control, % | range of lower, draws | of upper | law, lower | two million | law, upper",
        end="",
    )
    print(" | two million | p of draws | of law | two million |")
    print("| ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- | ---: | ---: |")
    middle = _control(law.evidence.estimate[None])[0]
    for place in np.ndindex(middle.shape):
        ranges = [np.ptp([part[end][place] for part in short]) for end in (0, 1)]
        seen = [part[place] for part in tested]
        exact = 2.0 * min(below[place], 1.0 - below[place])
        print(
            f"| {middle[place]:.1f} | {ranges[0]:.1f} | {ranges[1]:.1f} | {low[place]:.2f} | "
            f"{truth[0][place]:.2f} | {high[place]:.2f} | {truth[1][place]:.2f} | "
            f"{min(seen):.1e} to {max(seen):.1e} | {p[place]:.2e} | {exact:.2e} |"
        )

    print("\n| first day | p of law | p of exact gammas | lower of law | of exact gammas |")
    print("| ---: | ---: | ---: | ---: | ---: |")
    shares, ends = _exact_gammas(law, 3 * many)
    for g, (share, end) in enumerate(zip(shares, ends, strict=True)):
        exact = 2.0 * min(share, 1.0 - share)
        print(f"| {middle[g, 0]:.1f} | {p[g, 0]:.2e} | {exact:.2e} | {low[g, 0]:.2f} | {end:.2f} |")


def _exact_gammas(law: CourseLaw, many: int) -> tuple[FloatArray, FloatArray]:
    """Shares without control, and lower limits, of the first day, from gammas that are exact."""
    rng, evidence = np.random.default_rng(11), law.evidence
    shares, ends = [], []
    for _ in range(max(1, many // CHUNK)):
        k = evidence.plots[:, :1] / sample(law.posterior, CHUNK, rng)[:, 0]
        shape = evidence.total[:, :1] + 0.5
        means = rng.gamma(shape, size=k.shape) * k / rng.gamma(k) / evidence.plots[:, :1]
        ratio = means[1:] / means[0]
        shares.append((ratio >= 1.0).mean(axis=1))
        ends.append(100.0 * (1.0 - np.quantile(ratio, 0.975, axis=1)))
    return np.mean(shares, axis=0), np.mean(ends, axis=0)


def _limits(draws: FloatArray) -> tuple[FloatArray, FloatArray]:
    low, high = np.quantile(draws, [0.025, 0.975], axis=0)
    return low, high


def _two_sided(draws: FloatArray) -> FloatArray:
    below = ((draws <= 0.0).sum(axis=0) + 1.0) / (len(draws) + 1.0)
    p: FloatArray = np.minimum(1.0, 2.0 * np.minimum(below, 1.0 - below + 1.0 / len(draws)))
    return p


def _control(means: FloatArray) -> FloatArray:
    return np.asarray(100.0 * (1.0 - means / means[:, [0]])[:, 1:])


def examples(seeds: int) -> None:
    """What still moves with the seed, over all shipped examples."""
    moved: dict[tuple[str, str], tuple[float, int, int]] = {}
    for name in trialkit.example_names():
        trial = trialkit.read_trial(trialkit.example_trial(name))
        found = [
            trialkit.analyse(replace(trial, settings=replace(trial.settings, seed=seed)))
            for seed in range(1, seeds + 1)
        ]
        for table, column, values in _ends(found):
            ranges = np.nanmax(values, axis=0) - np.nanmin(values, axis=0)
            most, some, whole = moved.get((table, column), (0.0, 0, 0))
            moved[table, column] = (
                max(most, float(ranges.max())),
                some + int((ranges > 1e-9).sum()),
                whole + ranges.size,
            )
    print("\n| table | column | numbers that move | of | largest range |")
    print("| --- | --- | ---: | ---: | ---: |")
    for (table, column), (most, some, whole) in sorted(moved.items()):
        if some:
            print(f"| {table} | {column} | {some} | {whole} | {most:.3g} |")
    still = sorted({table for (table, _), (_, some, _) in moved.items() if not some})
    print(f"\nNothing moves in limits and p of: {', '.join(still)}.")


def _ends(found: list[trialkit.Analysis]) -> Iterator[tuple[str, str, FloatArray]]:
    for name in TABLES:
        tables: list[pd.DataFrame] = [getattr(one, name) for one in found]
        for column in tables[0].columns:
            ends = column in ENDS or column.endswith(("_lower", "_upper"))
            if ends and len({len(table) for table in tables}) == 1 and len(tables[0]):
                values = np.stack([table[column].to_numpy(dtype=float) for table in tables])
                known = np.isfinite(values).all(axis=0)
                if known.any():
                    yield name, column, values[:, known]


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    one_trial(numbers[0] if numbers else 2_000_000)
    examples(numbers[1] if len(numbers) > 1 else 6)
