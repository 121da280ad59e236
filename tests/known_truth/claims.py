"""Invented trials with a known truth about every claim, and findings held against it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

import trialkit
from known_truth.field import (
    FloatArray,
    mean_one_effects,
    randomised_blocks,
    treatment_list,
    trial_of,
)
from trialkit.trial import Kind, Settings, TreatmentRole, Trial, Variable, VariableRole

DAYS = (-1.0, 3.0, 7.0, 10.0, 14.0, 21.0)
NAMES = ("Untreated", "Water", "Ostrel", "Brackmoor", "Brackmoor low", "Vantor", "Sedlow", "Mix")
#: Questions of which the truth of these trials is always that nothing happened.
_QUIET = frozenset(
    {
        "enemies",
        "yield",
        "return",
        "fall",
        "resurgence",
        "course",
        "loss",
        "neighbours",
        "shares",
        "rate and start",
        "crop injury",
        "damage",
        "mixture",
    }
)


@dataclass(frozen=True, kw_only=True)
class Setting:
    """How plots vary; ``effects`` are shares of the pest left by each treatment."""

    name: str
    mean: float = 95.0
    k: float = 2.0
    k_untreated: float | None = None
    plots: float = 0.0
    gradient: float = 1.0
    days_differ: float = 0.0
    blocks: int = 4
    individuals: int = 1
    percent: bool = False
    gaps: float = 0.0
    effects: tuple[float, ...] = field(default=(1.0,) * 8)


NULL = (1.0,) * 8
ONE = (1.0, 1.0, 1.0, 0.1, 1.0, 1.0, 1.0, 1.0)
EQUAL = (1.0, 1.0, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2)

SETTINGS = (
    Setting(name="usual"),
    Setting(name="k = 0.5", k=0.5),
    Setting(name="k = 8", k=8.0),
    Setting(name="low counts, 3.5 a plot", mean=3.5, k=1.0),
    Setting(name="very low counts, 1.5 a plot", mean=1.5, k=1.0),
    Setting(name="plots of their own, sd 0.3", plots=0.3),
    Setting(name="plots of their own, sd 0.6", plots=0.6, k=8.0),
    Setting(name="plots of their own, sd 0.9", plots=0.9, k=8.0),
    Setting(name="untreated k 0.8, treated 5", k=5.0, k_untreated=0.8),
    Setting(name="untreated k 5, treated 0.8", k=0.8, k_untreated=5.0),
    Setting(name="means of ten plants", mean=1.5, k=1.0, individuals=10),
    Setting(name="percentages", mean=30.0, percent=True),
    Setting(name="days differ by plot, sd 0.5", days_differ=0.5, k=8.0),
    Setting(name="gradient, 3.3-fold", gradient=3.3),
    Setting(name="three blocks", blocks=3),
    Setting(name="six blocks", blocks=6),
    Setting(name="gaps, one value in ten", gaps=0.1),
)


def trial(setting: Setting, seed: int, *, supporting: bool = False) -> Trial:
    """Draw one trial: a pest over six days, an enemy and a yield; only the pest has effects."""
    rng = np.random.default_rng(seed)
    size = len(setting.effects)
    ground = randomised_blocks(rng, size, setting.blocks)
    level = mean_one_effects(rng, setting.blocks, 0.2)[ground.block]
    level = level * mean_one_effects(rng, ground.plots, setting.plots)
    place = (ground.column - 1.0) / (size - 1.0) - 0.5
    level = level * setting.gradient**place
    courses = np.array([0.6, 0.8, 1.0, 1.2, 1.1, 0.7]) * setting.mean
    means = level[:, None] * courses
    means = means * mean_one_effects(rng, means.size, setting.days_differ).reshape(means.shape)
    share = np.asarray(setting.effects)[ground.treatment]
    means[:, 1:] *= share[:, None]
    k = np.full(ground.plots, setting.k)
    if setting.k_untreated is not None:
        k[ground.treatment == 0] = setting.k_untreated
    counts = _values(rng, means, k, setting)
    if setting.gaps:
        gone = rng.random(counts.shape) < setting.gaps
        gone[:, 0] = False
        counts[gone] = np.nan
    enemies = rng.poisson(30.0 * rng.gamma(3.0, 1.0 / 3.0, size=means.shape)).astype(float)
    yields = 40.0 + rng.normal(0.0, 2.0, ground.plots)
    treatments = list(treatment_list(NAMES))
    treatments[1] = replace(treatments[1], role=TreatmentRole.CARRIER)
    treatments[2] = replace(treatments[2], role=TreatmentRole.REFERENCE)
    made = trial_of(
        ground,
        tuple(treatments),
        DAYS,
        counts,
        title=setting.name,
        yields=yields,
        settings=Settings(seed=seed, supporting=supporting),
    )
    return _with_enemies(made, enemies, percent=setting.percent)


def _values(
    rng: np.random.Generator, means: FloatArray, k: FloatArray, setting: Setting
) -> FloatArray:
    if setting.percent:
        share = np.clip(means / 100.0, 0.001, 0.97)
        drawn: FloatArray = 100.0 * rng.beta(12.0 * share, 12.0 * (1.0 - share))
        return np.round(drawn, 1)
    total = np.zeros_like(means)
    for _ in range(setting.individuals):
        total += rng.poisson(means * rng.gamma(k[:, None], 1.0 / k[:, None], size=means.shape))
    return total / setting.individuals


def _with_enemies(made: Trial, enemies: FloatArray, *, percent: bool) -> Trial:
    enemy = Variable(
        name="beetles",
        label="Ground beetles",
        kind=Kind.COUNT,
        role=VariableRole.NATURAL_ENEMY,
    )
    counts = made.counts.dropna(subset=["value"])
    own = made.counts.assign(variable=enemy.name, value=enemies.ravel())
    variables = (*made.variables, enemy)
    if percent:
        variables = tuple(
            replace(item, kind=Kind.PERCENT) if item.role is VariableRole.PEST else item
            for item in variables
        )
    joined = pd.concat([counts, own], ignore_index=True)
    return replace(made, variables=variables, counts=joined)


@dataclass(frozen=True)
class Told:
    """What a trial was told to have shown, held against its truth."""

    false_front: tuple[str, ...]
    false_marks: tuple[str, ...]
    false_elsewhere: tuple[str, ...]
    found: bool
    sentences: int


def held_against_truth(setting: Setting, seed: int, *, supporting: bool = False) -> Told:
    """Analyse one trial and sort out what is said of it that is false.

    ``found`` tells whether page 1 says that treatment 4 has less of the pest.
    """
    analysis = trialkit.analyse(trial(setting, seed, supporting=supporting))
    findings = trialkit.make_findings(analysis)
    left = {str(code + 1): share for code, share in enumerate(setting.effects)}
    false = [item for item in findings if item.claim and not _true(item, left)]
    front = tuple(item.text for item in findings if item.front)
    return Told(
        false_front=tuple(item.text for item in false if item.front),
        false_marks=tuple(_false_marks(analysis.glance, left)),
        false_elsewhere=tuple(str(item.question) for item in false if not item.front),
        found=any(
            item.front and item.claim and item.question == "pest" and "4" in item.subjects
            for item in findings
        ),
        sentences=len(front),
    )


def _true(item: trialkit.Finding, left: dict[str, float]) -> bool:
    if item.question in _QUIET:
        return False
    if item.question == "persistence" and item.against == ("1",):
        return all(left[name] <= 0.2 for name in item.subjects)
    lower = item.direction == "lower"
    if item.question in ("control", "persistence"):
        lower = not lower  # more control, held longer: less is left
    return all(
        (left[name] < left[other]) if lower else (left[name] > left[other])
        for name in item.subjects
        for other in item.against
    )


def _false_marks(glance: pd.DataFrame, left: dict[str, float]) -> Iterator[str]:
    shown = glance[glance["shown"].eq(True)]
    for row in shown.to_dict("records"):
        share = left[row["treatment"]]
        quiet = row["question"] in ("enemies", "yield", "return")
        held = row["question"] == "held_until" and share > 0.2
        if quiet or held or share == 1.0:
            yield f"{row['question']} {row['treatment']}"


def shares(told: Sequence[Told]) -> dict[str, float]:
    """Percent of trials with a false sentence or mark of page 1, and other shares."""
    number = len(told)
    return {
        "front": 100.0 * sum(bool(item.false_front) for item in told) / number,
        "marks": 100.0 * sum(bool(item.false_marks) for item in told) / number,
        "page": 100.0 * sum(bool(item.false_front or item.false_marks) for item in told) / number,
        "found": 100.0 * sum(item.found for item in told) / number,
    }
