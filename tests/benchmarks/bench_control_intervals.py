"""How often intervals of percent control cover the truth, and how often their tests err.

Run by hand: ``python tests/benchmarks/bench_control_intervals.py [--sims N] [TABLE ...]``.
Every trial is invented: randomised blocks with log-normal block effects, negative binomial counts
about gamma plot effects that may go together over the days. Percent control, its interval and its
p-value are computed by the functions that the analysis uses.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special

from trialkit.analysis.fits.courses import control_limits
from trialkit.inference.design.layout import Layout, randomised_blocks
from trialkit.inference.laws.course_laws import Quotient
from trialkit.inference.laws.known_course import course_law
from trialkit.inference.laws.log_laws import LogLaw

FloatArray = NDArray[np.float64]

#: True control of the treatments after the untreated, in turn.
CONTROLS = (0.0, 85.0, 40.0, 95.0, 70.0, 0.0, 85.0, 40.0, 95.0, 70.0, 0.0)
BLOCK_SPREAD = 0.3
ALPHA = 0.05


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One kind of trial.

    ``days`` counts assessments, the first of them before treatment where there is more than one;
    ``together`` is the correlation of plot effects between days; ``missing`` the share of values
    lost; ``samples`` the number of samples that make the mean of a plot.
    """

    mean: float = 20.0
    k: float = 1.0
    blocks: int = 4
    treatments: int = 6
    days: int = 4
    together: float = 0.5
    missing: float = 0.0
    samples: int = 1
    own: FloatArray | None = None

    @property
    def controls(self) -> FloatArray:
        """True control of each treatment, the untreated first, (t,)."""
        return np.array([0.0, *CONTROLS[: self.treatments - 1]])

    @property
    def layout(self) -> Layout:
        """Complete blocks."""
        treatment = np.tile(np.arange(self.treatments), self.blocks)
        block = np.repeat(np.arange(self.blocks), self.treatments)
        return randomised_blocks(treatment, block, self.treatments)


def draw_counts(cell: Cell, rng: np.random.Generator) -> FloatArray:
    """Plot values of one trial, (n, days)."""
    layout, d = cell.layout, cell.days
    left = np.repeat(1.0 - cell.controls[:, None] / 100.0, d, axis=1)
    if d > 1:
        left[:, 0] = 1.0
    place = np.exp(rng.normal(0.0, BLOCK_SPREAD, cell.blocks))[layout.blocking[0][1]]
    level = cell.mean * place[:, None] * left[layout.treatment]
    if np.isfinite(cell.k):
        shared = np.sqrt(cell.together) * rng.standard_normal((layout.n_plots, 1))
        normal = shared + np.sqrt(1.0 - cell.together) * rng.standard_normal((layout.n_plots, d))
        uniform = np.clip(special.ndtr(normal), 1e-12, 1.0 - 1e-12)
        level = level * special.gammaincinv(cell.k, uniform) / cell.k
    values = rng.poisson(level * cell.samples) / cell.samples
    if cell.missing:
        values[rng.random(values.shape) < cell.missing] = np.nan
    return values


@dataclass(frozen=True, kw_only=True)
class Result:
    """Coverage by true control, all together, and rejection of a true null, in percent."""

    covered: dict[float, float]
    overall: float
    rejected: float
    below: float
    above: float


def judge(percents: list[FloatArray], laws: list[LogLaw], controls: FloatArray) -> Result:
    """Set intervals against the truth; laws of the ratios and ``percents`` (t, d) by trial."""
    low_miss, high_miss, reject = [], [], []
    for percent, law in zip(percents, laws, strict=True):
        known = np.isfinite(percent)
        lower, upper = control_limits(law, ALPHA)
        upper = np.maximum(upper, percent)
        truth = np.broadcast_to(controls[:, None], percent.shape)
        with np.errstate(invalid="ignore"):
            low_miss.append(np.where(known, lower > truth, np.nan))
            high_miss.append(np.where(known, upper < truth, np.nan))
            reject.append(np.where(known, law.two_sided(1.0) < ALPHA, np.nan))
    low, high = np.array(low_miss)[:, 1:], np.array(high_miss)[:, 1:]
    inside = 1.0 - low - high
    truth = controls[1:]
    return Result(
        covered={
            float(level): 100.0 * float(np.nanmean(inside[:, truth == level]))
            for level in np.unique(truth)
        },
        overall=100.0 * float(np.nanmean(inside)),
        rejected=100.0 * float(np.nanmean(np.array(reject)[:, 1:][:, truth == 0.0])),
        below=100.0 * float(np.nanmean(high)),
        above=100.0 * float(np.nanmean(low)),
    )


def run(cell: Cell, sims: int, seed: int = 1) -> dict[str, Result]:
    """Simulate a cell; results for Abbott, and Henderson-Tilton where there is a day before."""
    rng = np.random.default_rng(seed)
    layout, d = cell.layout, cell.days
    first = 1 if d > 1 else 0
    plain: tuple[list[FloatArray], list[LogLaw]] = ([], [])
    changed: tuple[list[FloatArray], list[LogLaw]] = ([], [])
    asked = Quotient(days=np.arange(first, d), base=0)
    for _ in range(sims):
        values = draw_counts(cell, rng)
        law = course_law(layout, values, unit=1.0 / cell.samples)
        mean = np.array(
            [
                [np.nanmean(v) if np.isfinite(v).any() else np.nan for v in part.T]
                for part in (values[layout.treatment == g] for g in range(cell.treatments))
            ]
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            share = mean[:, first:] / mean[:1, first:]
            share = np.where(np.isfinite(share), share, np.nan)
            plain[0].append(100.0 * (1.0 - share))
            plain[1].append(law.ratio(asked))
            if first:
                before = mean[:, :1] / mean[:1, :1]
                both = np.where((mean[:, :1] > 0) & (mean[:1, :1] > 0), share / before, np.nan)
                changed[0].append(100.0 * (1.0 - both))
                changed[1].append(law.ratio(replace(asked, before=0)))
    found = {"abbott": judge(*plain, cell.controls)}
    if first:
        found["henderson-tilton"] = judge(*changed, cell.controls)
    return found


BASE = Cell()
POISSON = float("inf")
TABLES: dict[str, Callable[[], list[tuple[str, Cell]]]] = {
    "levels": lambda: [
        (f"mean {m:g}, k {k:g}", replace(BASE, mean=m, k=k))
        for m, k in [
            (0.5, 1.0),
            (0.5, POISSON),
            (2.0, 0.5),
            (2.0, 1.0),
            (2.0, 3.0),
            (5.0, 0.3),
            (5.0, 1.0),
            (5.0, 5.0),
            (5.0, POISSON),
            (20.0, 0.3),
            (20.0, 0.5),
            (20.0, 1.0),
            (20.0, 3.0),
            (20.0, POISSON),
            (100.0, 0.3),
            (100.0, 0.5),
            (100.0, 1.0),
            (100.0, 5.0),
            (200.0, 1.0),
            (200.0, 3.0),
        ]
    ],
    "sizes": lambda: [
        (f"{t} treatments, {b} blocks, k {k:g}", replace(BASE, treatments=t, blocks=b, k=k))
        for t, b, k in [
            (4, 4, 0.5),
            (4, 4, 3.0),
            (4, 6, 1.0),
            (8, 4, 1.0),
            (8, 6, 0.5),
            (12, 4, 1.0),
            (12, 6, 3.0),
        ]
    ],
    "days": lambda: [
        (f"{d} days, together {r:g}, k {k:g}", replace(BASE, days=d, together=r, k=k))
        for d, r, k in [
            (1, 0.0, 0.5),
            (1, 0.0, 1.0),
            (1, 0.0, 3.0),
            (3, 0.0, 1.0),
            (3, 0.5, 1.0),
            (6, 0.0, 1.0),
            (6, 0.5, 0.5),
            (6, 0.5, 1.0),
            (6, 0.5, 3.0),
            (6, 0.9, 1.0),
        ]
    ],
    "single": lambda: [
        (
            f"1 day, {t} x {b}, mean {m:g}, k {k:g}",
            replace(BASE, days=1, treatments=t, blocks=b, k=k, mean=m),
        )
        for t, b, m, k in [
            (4, 4, 20.0, 0.5),
            (4, 4, 20.0, 3.0),
            (4, 4, 100.0, 1.0),
            (4, 6, 20.0, 1.0),
            (8, 4, 5.0, 1.0),
            (8, 4, 100.0, 0.5),
            (8, 6, 20.0, 1.0),
            (12, 4, 20.0, 1.0),
            (6, 4, 2.0, 1.0),
            (6, 4, 100.0, POISSON),
        ]
    ],
    "gaps": lambda: [
        ("5 % missing, k 1", replace(BASE, missing=0.05)),
        ("10 % missing, k 3", replace(BASE, missing=0.1, k=3.0)),
        ("1 day, 10 % missing, k 1", replace(BASE, missing=0.1, days=1)),
        ("means of 5 samples, k 1", replace(BASE, samples=5, mean=2.0)),
        ("means of 10 samples, k 3", replace(BASE, samples=10, mean=5.0, k=3.0)),
    ],
}


def main() -> None:
    """Print the tables asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tables", nargs="*", help=", ".join(TABLES))
    parser.add_argument("--sims", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for name in asked.tables or TABLES:
        print(f"\n## {name}\n")
        print("| trial | formula | 0 | 40 | 70 | 85 | 95 | all | too high | too low | rejected |")
        print("| --- | --- | --: | --: | --: | --: | --: | --: | --: | --: | --: |")
        for label, cell in TABLES[name]():
            for method, found in run(cell, asked.sims, asked.seed).items():
                levels = (found.covered.get(c) for c in (0.0, 40.0, 70.0, 85.0, 95.0))
                figures = [*levels, found.overall, found.above, found.below, found.rejected]
                cells = ["" if v is None else f"{v:.1f}" for v in figures]
                print("| " + " | ".join([label, method, *cells]) + " |", flush=True)


if __name__ == "__main__":
    main()
