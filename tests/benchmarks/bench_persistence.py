"""How often the day until which a target is held, and differences of it, hold the truth.

Run: ``python tests/benchmarks/bench_persistence.py [trials] [before]``; prints the table of
persistence.md. With ``before`` days are those at which straight lines between the assessments
cross the target, and intervals are of draws, as they were before courses were fitted.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from drawn_courses import course_draws
from trialkit.inference.courses.declines import declines
from trialkit.inference.courses.evidence import course_evidence
from trialkit.inference.courses.pairs import day_differences, day_limits
from trialkit.inference.courses.ratios import ratios
from trialkit.inference.design.layout import Layout, randomised_blocks
from trialkit.measures.persistence import persistence

DAYS = np.array([3.0, 7.0, 10.0, 14.0, 21.0, 28.0])
TARGET, LAST = 80.0, 28.0
LOGIT = float(np.log(0.25))


def logistic(first: float, day: float) -> np.ndarray:
    slope = (LOGIT - np.log(first / (1 - first))) / (day - 3)
    return 1 / (1 + np.exp(-(LOGIT + slope * (DAYS - day))))


def plateau(_: float, day: float) -> np.ndarray:
    """Control of 95 % that then falls by 2.5 points a day."""
    return np.clip(0.2 + 0.025 * (DAYS - day), 0.05, 1.0)


def fading(first: float, day: float) -> np.ndarray:
    """Control that fades by the same share of itself every day."""
    rate = np.log((1 - first) / 0.8) / (day - 3)
    return 1 - 0.8 * np.exp(-rate * (DAYS - day))


@dataclass(frozen=True, kw_only=True)
class Setting:
    name: str
    curve: Callable[[float, float], np.ndarray] = logistic
    k: float = 2.0
    k_untreated: float | None = None
    plot_sd: float = 0.3
    blocks: int = 4
    low: float = 60.0
    high: float = 150.0
    power: float = 0.0
    percent: bool = False
    missing: float = 0.0


SETTINGS = (
    Setting(name="usual (60 to 150, k = 2, plots' own sd 0.3)"),
    Setting(name="plots without an effect of their own", plot_sd=0.0),
    Setting(name="level at 95 %, then 2.5 points a day", curve=plateau),
    Setting(name="fading by a share a day", curve=fading),
    Setting(name="three blocks", blocks=3),
    Setting(name="six blocks", blocks=6),
    Setting(name="k = 8", k=8.0),
    Setting(name="k = 0.5", k=0.5),
    Setting(name="low (3 to 4, k = 1)", k=1.0, low=3.0, high=4.0),
    Setting(name="untreated k = 0.8, treated k = 5", k=5.0, k_untreated=0.8),
    Setting(name="Henderson-Tilton, plots' own sd 0.9, k = 8", k=8.0, plot_sd=0.9, power=1.0),
    Setting(name="percent (untreated 40 to 60)", percent=True),
    Setting(name="one value in twelve missing", missing=1 / 12),
)
#: Products by control on day 3 and day, or by control that stays.
PRODUCTS = ((0.03, 27.0), (0.03, 9.0), (0.05, 15.0), (0.05, 15.0), 0.25, 0.4, 0.1)
TRUTH = np.array([27.0, 9.0, 15.0, 15.0, 0.0, 0.0, LAST])
PAIRS = np.triu_indices(len(PRODUCTS), 1)


def left_of(setting: Setting) -> np.ndarray:
    """Share left of the untreated and all products, (t, days), the day before treatment first."""
    rows = [np.ones(DAYS.size)]
    rows += [setting.curve(*p) if isinstance(p, tuple) else np.full(6, p) for p in PRODUCTS]
    return np.column_stack([np.ones(len(rows)), np.array(rows)])


def draw(setting: Setting, rng: np.random.Generator) -> tuple[Layout, np.ndarray]:
    left = left_of(setting)
    t, b = len(left), setting.blocks
    layout = randomised_blocks(np.tile(np.arange(t), b), np.repeat(np.arange(b), t), t)
    block = rng.normal(0, 0.3, (b, 1, 1))
    plot = rng.normal(-(setting.plot_sd**2) / 2, setting.plot_sd, (b, t, 1))
    level = np.concatenate([[setting.low], np.linspace(setting.low, setting.high, DAYS.size)])
    if setting.percent:
        p = np.concatenate([[0.4], np.linspace(0.4, 0.6, DAYS.size)]) * left
        p = p * np.exp(0.5 * (block + plot))
        values = 100.0 * rng.beta(20 * np.minimum(p, 0.97), 20 * (1 - np.minimum(p, 0.97)))
    else:
        k = np.full((t, 1), setting.k)
        k[0] = setting.k_untreated or setting.k
        mean = level * left * np.exp(block + plot)
        values = rng.poisson(
            mean * rng.gamma(np.broadcast_to(k, mean.shape[1:]), 1 / k, mean.shape)
        )
    values = values.reshape(b * t, -1).astype(float)
    if setting.missing:
        values[rng.random(values.shape) < setting.missing] = np.nan
    return layout, values


Found = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def fitted(setting: Setting, layout: Layout, values: np.ndarray) -> Found:
    kind = "percent" if setting.percent else "count"
    evidence = course_evidence(layout, values, kind=kind)
    data = ratios(evidence, np.arange(1, 7), 0, start=0, power=setting.power)
    found = declines(DAYS, data, 1 - TARGET / 100)
    low, high = day_limits(found)
    pairs = day_differences(found, data.correlations(found.influence), PAIRS[0] + 1, PAIRS[1] + 1)
    return low[1:], high[1:], pairs.lower, pairs.upper, pairs.p


def drawn(setting: Setting, layout: Layout, values: np.ndarray) -> Found:
    means = course_draws(layout, values, kind="percent" if setting.percent else "count").means
    share = means[:, :, 1:] / means[:, [0], 1:]
    share = share * (means[:, [0], :1] / means[:, :, :1]) ** setting.power
    held = persistence(DAYS, (100 * (1 - share)).swapaxes(0, 1), TARGET)
    days = np.where(np.isfinite(held.holds_until_day), held.holds_until_day, 0.0)[1:]
    ends = np.quantile(
        np.where(held.censored[1:], np.inf, days), [0.025, 0.975], axis=1, method="inverted_cdf"
    )
    low = np.where(np.isinf(ends[0]), LAST, ends[0])
    gap = days[PAIRS[0]] - days[PAIRS[1]]
    of_gap = np.quantile(gap, [0.025, 0.975], axis=1, method="inverted_cdf")
    n = gap.shape[1]
    tails = [((gap <= 0).sum(axis=1) + 1) / (n + 1), ((gap >= 0).sum(axis=1) + 1) / (n + 1)]
    p = np.minimum(1.0, 2 * np.minimum(*tails))
    return low, ends[1], of_gap[0], of_gap[1], p


def line(setting: Setting, trials: int, method: Callable[..., Found]) -> str:
    rng = np.random.default_rng(7)
    day, gap, p, seven = [], [], [], []
    spent = 0.0
    true = TRUTH[PAIRS[0]] - TRUTH[PAIRS[1]]
    for _ in range(trials):
        layout, values = draw(setting, rng)
        start = time.process_time()
        low, high, lower, upper, found = method(setting, layout, values)
        spent += time.process_time() - start
        own = np.where(TRUTH == LAST, np.isinf(high), (low <= TRUTH) & (high >= TRUTH))
        day.append(np.where(TRUTH == 0.0, low == 0.0, own))
        gap.append((lower <= true + 1e-9) & (true - 1e-9 <= upper))
        p.append(found)
        seven.append(lower[0] >= 7.0)
    covered, between = 100 * np.mean(day, axis=0), 100 * np.mean(gap, axis=0)
    p_ = np.array(p)
    same = int(np.flatnonzero((PAIRS[0] == 2) & (PAIRS[1] == 3))[0])
    cells = (
        setting.name,
        f"{covered[:4].mean():.1f} ({covered[:4].min():.0f} to {covered[:4].max():.0f})",
        f"{covered[4:6].mean():.1f}",
        f"{between.mean():.1f} ({between.min():.0f} to {between.max():.0f})",
        f"{100 * np.mean(p_[:, same] < 0.05):.1f}",
        *(f"{100 * np.mean(p_[:, 0] < level):.0f}" for level in (0.05, 0.005)),
        f"{100 * np.mean(seven):.0f}",
        f"{1e3 * spent / trials:.0f}",
    )
    return "| " + " | ".join(cells) + " |"


def main(trials: int, method: Callable[..., Found]) -> None:
    print(f"F(1, 9) at 5 %: {stats.f.isf(0.05, 1, 9):.2f}")
    print(
        "| setting | day held, of 27, 9, 15, 15 (least to most) | never held | differences of days "
        "| same day rejected | 27 and 9 told apart, 5 % | 0.5 % | 7 days or more | ms |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for setting in SETTINGS:
        print(line(setting, trials, method), flush=True)


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    main(number, drawn if "before" in sys.argv else fitted)
