"""Run by hand: what intervals over several trials cover, and how often page 1 of a series errs.

    python tests/benchmarks/bench_series_intervals.py [series a row] [control] [claims] [yields]

Prints the tables that are kept in series_intervals.md. Trials are overdispersed counts in four
blocks (k = 2, 40 individuals in an untreated plot, blocks of 0.3, plots alike over three days),
five treatments that leave 8 to 74 % of the untreated; every trial goes through the same code as a
user's.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from series.invented import invented_series, invented_trial
from trialkit.inference.pooling.foresight import spreads, tau_limits
from trialkit.inference.pooling.random_effects import PooledFit
from trialkit.series.pooled import pooled_tables
from trialkit.series.questions import questions
from trialkit.series.yields import harvests

LEFT = np.array([-2.5, -2.0, -1.5, -0.9, -0.3])
LEVEL = 0.05
SITES = (2, 3, 6, 12)
TARGET = float(np.log(0.2))


class Truth(NamedTuple):
    """Standard deviations of log ratios: of treatment and site, and of the site."""

    name: str
    own: Sequence[float]
    site: float


TRUTHS = (
    Truth("none", [0.0] * 5, 0.0),
    Truth("0.2, half of it of the site", [0.14] * 5, 0.14),
    Truth("0.5, half of it of the site", [0.35] * 5, 0.35),
    Truth("1.0, half of it of the site", [0.7] * 5, 0.7),
    Truth("0.5, nearly all of the site", [0.1] * 5, 0.49),
    Truth("0.9 to 0.2, less where control is poor", [0.85, 0.65, 0.45, 0.3, 0.15], 0.2),
)


def _trials(generator: np.random.Generator, sites: int, truth: Truth, *, missing: bool):
    for place in range(sites):
        true = (
            LEFT + generator.normal(0.0, truth.own) + generator.normal(0.0, truth.site)
            if any(truth.own)
            else LEFT
        )
        gone = []
        if missing and place > 1:
            gone = [code for code in range(1, 6) if generator.random() < 0.3]
            gone = gone[:4]
        yield invented_trial(generator, true, left_out=gone)


def control(number: int) -> None:
    """Coverage of what is pooled, of the next site, of differences, of spread and share."""
    print(
        "| sites | spread between sites | pooled | strongest | weakest | "
        "difference | next site | strongest | weakest | spread | share above 80 % | "
        "width pooled | width next |"
    )
    print("| --- " * 13 + "|")
    for sites in SITES:
        for truth in TRUTHS:
            # From the third trial on each treatment is missing in three trials of ten.
            row = [
                _covered(np.random.default_rng([sites, seed]), sites, truth, missing=True)
                for seed in range(number)
            ]
            found = np.nanmean(np.array(row), axis=0)
            cells = [f"{100.0 * value:.1f}" for value in found[:9]]
            cells += [f"{value:.2f}" for value in found[9:]]
            cells = ["-" if value == "nan" else value for value in cells]
            print(f"| {sites} | {truth.name} | {' | '.join(cells)} |", flush=True)


def _covered(
    generator: np.random.Generator, sites: int, truth: Truth, *, missing: bool
) -> list[float]:
    series = invented_series(list(_trials(generator, sites, truth, missing=missing)))
    asked = next(one for one in questions(series) if one.measure == "control")
    fit = asked.fit
    assert isinstance(fit, PooledFit)
    codes = [int(name[1:]) - 1 for name in asked.treatments]
    true = LEFT[codes]
    tau = np.sqrt(np.square(truth.own) + truth.site**2)[codes]
    found = fit.treatments()
    low, high = found.limits(LEVEL)
    pooled = (low <= true) & (true <= high)
    apart = fit.differences(np.array([0]), np.array([1]))
    first, last = apart.limits(LEVEL)
    differs = first[0] <= true[0] - true[1] <= last[0]
    nan = float("nan")
    row = [pooled.mean(), float(pooled[0]), float(pooled[-1]), float(differs)]
    below, above = tau_limits(fit, LEVEL)
    spread = float(((below <= tau) & (tau <= above)).mean())
    if sites < 3:
        return [*row, nan, nan, nan, spread, nan, float(np.median(high - low)), nan]
    nodes = spreads(fit)
    next_low, next_high = nodes.next_site(LEVEL)
    new = (
        true + generator.normal(0.0, np.array(truth.own)[codes]) + generator.normal(0.0, truth.site)
    )
    next_site = (next_low <= new) & (new <= next_high)
    _, share_low, share_high = nodes.share_below(TARGET, LEVEL)
    from scipy import special

    share = special.ndtr((TARGET - true) / np.maximum(tau, 1e-9))
    shares = (share_low - 1e-6 <= share) & (share <= share_high + 1e-6)
    return [
        *row,
        float(next_site.mean()),
        float(next_site[0]),
        float(next_site[-1]),
        spread,
        float(shares.mean()),
        float(np.median(high - low)),
        float(np.median(next_high - next_low)),
    ]


def claims(number: int) -> None:
    """False claims of page 1 where nothing differs, at any site or only over all of them."""
    print("| sites | spread between sites | series with a false claim on page 1, % | anywhere, % |")
    print("| --- " * 4 + "|")
    for sites in (1, 2, 3, 6, 12):
        for spread in (0.0, 0.4):
            if sites == 1 and spread > 0.0:
                continue
            front = some = 0
            for seed in range(number):
                generator = np.random.default_rng([sites, seed, 7])
                trials = [
                    invented_trial(
                        generator,
                        generator.normal(0.0, spread, 4) if spread else np.zeros(4),
                        gains=generator.normal(0.0, spread, 5),
                    )
                    for _ in range(sites)
                ]
                years = [2015.0 + place for place in range(sites)]
                told = pooled_tables(invented_series(trials, years=years))["series_claims"]
                front += bool(told["front"].any())
                some += bool(told["shown"].any())
            print(
                f"| {sites} | {spread} | {100.0 * front / number:.1f} | "
                f"{100.0 * some / number:.1f} |",
                flush=True,
            )


def yields(number: int) -> None:
    """Coverage and errors of yields over environments."""
    print(
        "| sites | treatment x site | errors differ | broad: difference | mean | F rejects | "
        "narrow: difference | F rejects | treatments missing |"
    )
    print("| --- " * 9 + "|")
    for sites in (3, 6, 12):
        for spread, uneven, missing in (
            (0.0, False, False),
            (1.0, False, False),
            (1.0, True, False),
            (1.0, False, True),
            (1.0, True, True),
        ):
            row = np.array(
                [
                    _yields(np.random.default_rng([sites, seed, 9]), sites, spread, uneven, missing)
                    for seed in range(number)
                ]
            )
            cells = " | ".join(f"{100.0 * value:.1f}" for value in np.nanmean(row, axis=0))
            print(
                f"| {sites} | {spread} | {'yes' if uneven else 'no'} | {cells} | "
                f"{'some' if missing else 'none'} |",
                flush=True,
            )


def _yields(
    generator: np.random.Generator, sites: int, spread: float, uneven: bool, missing: bool
) -> list[float]:
    gains = [generator.normal(0.0, spread, 6) for _ in range(sites)]
    errors = [2.5 if uneven and place % 3 == 0 else 1.0 for place in range(sites)]
    trials = []
    for place in range(sites):
        gone = [4] if missing and place % 3 == 1 else []
        trials.append(
            invented_trial(
                generator,
                LEFT,
                gains=gains[place],
                error=errors[place],
                left_out=gone,
                days=(3.0,),
            )
        )
    (one,) = harvests(invented_series(trials))
    fit = one.fit
    assert fit is not None
    a, b = np.triu_indices(6, 1)
    from scipy import special

    row = []
    for inference in ("broad", "narrow"):
        found = fit.differences(a, b, inference)
        half = special.stdtrit(found.df, 0.975) * found.se
        # Narrow: the sites themselves, of which the missing one is told by the others.
        true = 0.0
        if inference == "narrow":
            average = np.mean(gains, axis=0)
            true = average[a] - average[b]
        whole = (a != 4) & (b != 4) if missing else np.ones(a.size, dtype=bool)
        row.append(float((np.abs(found.estimate - true) <= half)[whole].mean()))
        if inference == "broad":
            means = fit.means("broad")
            about = means.estimate - means.estimate.mean()
            # Of a mean about that of all: what all share is no part of it.
            width = special.stdtrit(means.df, 0.975) * means.se * np.sqrt(5.0 / 6.0)
            row.append(float((np.abs(about) <= width).mean()))
        p = next(
            line.p
            for line in fit.anova
            if line.source == "treatment" and (line.error == "error") == (inference == "narrow")
        )
        row.append(float(p < LEVEL))
    return row


if __name__ == "__main__":
    given = [item for item in sys.argv[1:] if item.isdecimal()]
    named = [item for item in sys.argv[1:] if not item.isdecimal()]
    count = int(given[0]) if given else 400
    for name, made in (("control", control), ("claims", claims), ("yields", yields)):
        if not named or name in named:
            made(count)
            print()
