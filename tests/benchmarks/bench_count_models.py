"""How often tests and limits of count models keep their level, on overdispersed counts.

Null trials: negative binomial counts of one mean in every treatment, blocks that differ by a
lognormal factor (standard deviation 0.3). For each setting the share of trials in which F and the
likelihood-ratio test of the negative binomial and F of quasi-Poisson reject at 5 %, and how often
nominal 95 % limits of means and of ratios to the first treatment hold the truth. Then the same
limits for one treatment that is strongly reduced, and the limits of ratios that reports show.

Run as ``python tests/benchmarks/bench_count_models.py [TRIALS]``. The figures of the last run stand
in ``count_models.md``. Asserts nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from drawn_courses import course_draws
from trialkit.inference.design.layout import FloatArray, Layout, randomised_blocks
from trialkit.inference.glm.count_limits import CountLimits, count_limits, few_counted
from trialkit.inference.glm.count_model import fit_counts

ALPHA = 0.05
SIZES = ((4, 4), (8, 4), (12, 4), (4, 6), (12, 6))
LEVELS = (
    *((0.5, k) for k in (0.3, 1.0, 5.0)),
    *((1.0, k) for k in (0.3, 1.0, 5.0)),
    *((2.0, k) for k in (0.3, 1.0, 5.0)),
    *((5.0, k) for k in (0.3, 0.5, 1.0, 5.0)),
    *((20.0, k) for k in (0.3, 0.5, 1.0, 5.0)),
    *((200.0, k) for k in (0.3, 1.0, 5.0)),
)
#: Survivors of the last treatment, as a share of the others.
REDUCED = (0.0, 0.01, 0.03, 0.1, 0.3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trials:
    """Many trials of one setting, side by side.

    Attributes
    ----------
    layout : Layout
    counts : (plots, trials) float array
    truth : (treatments, trials) float array
        Means in the blocks of each trial.
    """

    layout: Layout
    counts: FloatArray
    truth: FloatArray


def simulate(
    size: tuple[int, int],
    mean: float,
    k: float,
    trials: int,
    seed: int,
    effect: FloatArray | None = None,
) -> Trials:
    """Simulate trials of some treatments x blocks."""
    t, b = size
    layout = randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)
    rng = np.random.default_rng(seed)
    rich = np.exp(rng.normal(0.0, 0.3, (b, trials)))
    share = np.ones(t) if effect is None else effect
    level = mean * rich[layout.blocking[0][1]] * share[layout.treatment][:, None]
    counts = rng.poisson(level * rng.gamma(k, 1.0 / k, level.shape)).astype(float)
    return Trials(layout=layout, counts=counts, truth=mean * share[:, None] * rich.mean(axis=0))


def percent(share: FloatArray) -> str:
    """A share of known values as percent with one decimal."""
    known = share[np.isfinite(share)]
    return f"{100.0 * known.mean():.1f}" if known.size else ""


def inside(low: FloatArray, high: FloatArray, truth: FloatArray) -> FloatArray:
    """1 where limits hold the truth, 0 where not, NaN where there are none."""
    held = (low <= truth) & (truth <= high)
    found: FloatArray = np.where(np.isfinite(low) & np.isfinite(high), held, np.nan)
    return found


def cells_of_means(limits: CountLimits, truth: FloatArray) -> Iterator[str]:
    """Coverage of means, the share below and above their limits, and coverage of ratios."""
    yield percent(inside(limits.lower, limits.upper, truth))
    yield percent((truth < limits.lower).astype(float))
    yield percent((truth > limits.upper).astype(float))
    yield percent(inside(limits.ratio_lower, limits.ratio_upper, truth / truth[0])[1:])


def null_line(size: tuple[int, int], mean: float, k: float, trials: int, seed: int) -> str:
    """One setting of the table of null trials."""
    made = simulate(size, mean, k, trials, seed)
    fit = fit_counts(made.layout, made.counts)
    loose = fit_counts(made.layout, made.counts, family="quasi-poisson")
    line, other = fit.lines[-2], loose.lines[-2]
    warned = few_counted(made.counts)
    limits = count_limits(made.layout, fit, 0, alpha=ALPHA)
    tests = [
        percent(np.where(np.isfinite(p), p < ALPHA, np.nan))
        for p in (line.p, line.p_chi_square, other.p)
    ]
    cells = [
        f"{size[0]} x {size[1]}",
        f"{mean:g}",
        f"{k:g}",
        *tests,
        *cells_of_means(limits, made.truth),
        f"{100.0 * warned.mean():.0f}",
    ]
    return f"| {' | '.join(cells)} |"


def reduced_line(mean: float, k: float, share: float, trials: int, seed: int) -> str:
    """Limits of the last of six treatments, of which only a share is left."""
    effect = np.ones(6)
    effect[-1] = share
    made = simulate((6, 4), mean, k, trials, seed, effect)
    fit = fit_counts(made.layout, made.counts)
    limits = count_limits(made.layout, fit, 0, alpha=ALPHA)
    zero = (limits.mean[-1] == 0.0).mean()
    ratio = made.truth / made.truth[0]
    cells = [
        f"{mean:g}",
        f"{k:g}",
        f"{mean * share:g}",
        f"{100.0 * zero:.0f}",
        percent(inside(limits.lower, limits.upper, made.truth)[-1]),
        percent((made.truth > limits.upper).astype(float)[-1]),
        percent(inside(limits.ratio_lower, limits.ratio_upper, ratio)[-1]),
        f"{np.nanmedian(limits.upper[-1]):.2g}",
        percent(np.where(np.isfinite(fit.lines[-2].p), fit.lines[-2].p < ALPHA, np.nan)),
    ]
    return f"| {' | '.join(cells)} |"


def drawn_line(size: tuple[int, int], mean: float, k: float, trials: int, seed: int) -> str:
    """Ratios of the model's own limits and of the draws behind percent control."""
    made = simulate(size, mean, k, trials, seed)
    fit = fit_counts(made.layout, made.counts)
    limits = count_limits(made.layout, fit, 0, alpha=ALPHA)
    own = inside(limits.ratio_lower, limits.ratio_upper, np.array(1.0))[1:]
    low, high = np.full((2, size[0], trials), np.nan)
    for j in range(trials):
        means = course_draws(made.layout, made.counts[:, [j]], unit=1.0, draws=1000).means[:, :, 0]
        if np.isfinite(means).all() and limits.mean[0, j] > 0.0:
            low[:, j], high[:, j] = np.quantile(means / means[:, [0]], [0.025, 0.975], axis=0)
    drawn = inside(low, high, np.array(1.0))[1:]
    wide = np.nanmedian(np.log(limits.ratio_upper[1:] / np.maximum(limits.ratio_lower[1:], 1e-9)))
    wide_drawn = np.nanmedian(np.log(high[1:] / low[1:]))
    cells = [f"{size[0]} x {size[1]}", f"{mean:g}", f"{k:g}", percent(own), percent(drawn)]
    return f"| {' | '.join([*cells, f'{wide:.2f}', f'{wide_drawn:.2f}'])} |"


def table(*titles: str) -> None:
    """Print the head of a table."""
    print(f"\n| {' | '.join(titles)} |")
    print(f"| {' | '.join(['---'] * len(titles))} |")


def main() -> None:
    """Print the tables."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{trials} trials a line. Percent of trials, and of treatments in them.")
    table(
        "treatments x blocks",
        "mean",
        "k",
        "F",
        "likelihood ratio",
        "F, quasi-Poisson",
        "means",
        "below",
        "above",
        "ratios",
        "warned",
    )
    settings = [(size, *level) for size in SIZES for level in LEVELS]
    for place, (size, mean, k) in enumerate(settings):
        print(null_line(size, mean, k, trials, 100 + place), flush=True)
    table("mean", "k", "its mean", "zeros", "means", "above", "ratios", "median upper", "F")
    for place, (mean, k) in enumerate(((5.0, 0.5), (20.0, 0.5), (20.0, 1.0), (20.0, 5.0))):
        for share in REDUCED:
            print(reduced_line(mean, k, share, trials, 300 + place), flush=True)
    table("treatments x blocks", "mean", "k", "own", "draws", "width, own", "width, draws")
    for place, (mean, k) in enumerate(
        (
            *((0.5, 1.0), (1.0, 1.0), (2.0, 0.3), (2.0, 1.0), (5.0, 0.3), (5.0, 0.5), (5.0, 1.0)),
            *((20.0, 0.3), (20.0, 0.5), (20.0, 1.0), (20.0, 5.0), (200.0, 0.3), (200.0, 5.0)),
        )
    ):
        print(drawn_line((6, 4), mean, k, max(trials // 10, 10), 400 + place), flush=True)


if __name__ == "__main__":
    main()
