"""How many blocks a trial needs: simulated trials, tested as the toolkit tests them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.analysis.plots.responses import PlotPlan
from trialkit.inference.comparisons.family import two_sided_t
from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.power_plans import design_power
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.scales import TransformName, choose_transform, forward
from trialkit.inference.fit import Fit
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.stratified import fit_strata
from trialkit.planning.earlier import Field
from trialkit.planning.plan import plan_trial
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import (
    Comparison,
    Design,
    Kind,
    Settings,
    Transform,
    TreatmentRole,
    Trial,
    VariableRole,
)

FloatArray = NDArray[np.float64]

#: Chance that a difference is to be found with: common practice, no source.
WANTED: Final = 0.8
#: Percent control of the treatment that is looked for.
LEVELS: Final = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 95.0)
CHANCE_COLUMNS: Final = (
    "blocks", "question", "control_percent", "against_percent", "chance", "lower", "upper",
    "simulations", "scale",
)  # fmt: skip
_SCALES: Final[Mapping[Transform, TransformName]] = {
    Transform.NONE: "none",
    Transform.SQRT: "sqrt",
    Transform.LOG: "log",
    Transform.ARCSINE: "arcsine",
}
#: Procedures of the settings that compare no pairs of treatments.
_NO_PAIRS: Final = frozenset({Comparison.NONE, Comparison.DUNNETT})
_UNTREATED, _OTHER, _ANY = "against the untreated", "against another treatment", "any difference"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlocksNeeded:
    """What trials of several sizes can show.

    Attributes
    ----------
    chances : DataFrame
        For ``blocks``, ``question`` and true ``control_percent`` of one treatment: the ``chance``
        (0 to 1) that its difference is shown, with 95 % limits of the simulation.
    smallest : DataFrame
        For ``blocks`` and ``question`` the ``control_percent`` from which on the chance is
        80 %; NaN where it is not reached. Against another treatment ``difference_points`` too.
    formula : DataFrame
        The F test: chance by simulation and by the noncentral F of the means and the error that
        the simulation gave, where that holds (one error, equal numbers).
    blocks : int or None
        The fewest blocks in which a treatment of the assumed control is shown to differ from the
        untreated with a chance of 80 %; None where no size looked at does.
    assumed : float
        Percent control of the other treatments.
    field : Field
    """

    chances: pd.DataFrame
    smallest: pd.DataFrame
    formula: pd.DataFrame
    blocks: int | None
    assumed: float
    field: Field


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Task:
    plan: PlotPlan
    settings: Settings
    transform: Transform
    field: Field
    blocks: int
    codes: tuple[int, int]
    carriers: tuple[int, ...]
    block: NDArray[np.intp]
    assumed: float
    simulations: int
    seed: int
    formula: str | None


def blocks_needed(
    trial: Trial,
    field: Field,
    *,
    blocks: Sequence[int] = (3, 4, 5, 6, 7, 8),
    assumed: float | None = None,
    simulations: int = 1000,
    seed: int = 1,
    executor: Executor | None = None,
) -> BlocksNeeded:
    """Simulate trials of a design in several sizes, and say what they can show.

    Parameters
    ----------
    trial : Trial
        With treatments and a design; its plots are not looked at. Tests, level and scale are those
        of its settings.
    field : Field
        How counts come about; `trialkit.planning.earlier.field_of` takes it from an earlier trial.
    blocks : sequence of int
        Numbers of blocks (in a completely randomised trial of plots a treatment); of a Latin
        square the number of treatments alone is taken.
    assumed : float, optional
        Percent control of all treatments but the one looked at; the target of the settings, when
        left out.
    simulations : int
        Trials of each size and level.
    seed : int
    executor : concurrent.futures.Executor, optional
        Where the sizes are worked on: a pool of processes, or the client of a cluster. In this
        process, when left out.

    Returns
    -------
    BlocksNeeded

    Raises
    ------
    TrialError
        When the design lacks something, or the field cannot be.

    Notes
    -----
    A plot has mean density x (1 - control) x lognormal factors of its block and itself; its
    samples are negative binomial about that. One assessment is simulated; all treatments but one
    have the assumed control, and that one runs through `LEVELS`. Against the untreated the test is
    Dunnett's, against another treatment that of the settings, both adjusted as in a report; with
    several errors (split-plots, strip-plots) both are t tests adjusted by Bonferroni. Under
    ``auto`` the scale is chosen by the rule of the toolkit from 200 simulated trials together.

    Examples
    --------
    >>> import trialkit
    >>> from trialkit.planning.earlier import Field
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> field = Field(density=20, k=2, plot_cv=30)
    >>> needed = trialkit.blocks_needed(trial, field, blocks=(3, 4), simulations=50)
    >>> sorted(set(needed.chances["blocks"]))
    [3, 4]
    """
    faults = field.faults()
    if faults or simulations < 10 or not blocks or min(blocks) < 2:
        what = "; ".join(faults) or "it takes two blocks and ten simulations at least"
        raise TrialError(
            [error("power-field", f"This cannot be simulated: {what}.", "Correct it.")]
        )
    target = trial.settings.control_target if assumed is None else assumed
    sizes = [len(trial.treatments)] if trial.design is Design.LATIN else sorted(set(blocks))
    tasks = [_task(trial, field, size, target, simulations, seed) for size in sizes]
    if executor is None:
        done = [_simulate(task) for task in tasks]
    else:
        futures = [executor.submit(_simulate, task) for task in tasks]
        done = [future.result() for future in futures]
    chances = pd.DataFrame([row for part, _ in done for row in part], columns=list(CHANCE_COLUMNS))
    formula = pd.DataFrame(
        [row for _, part in done for row in part],
        columns=["blocks", "control_percent", "simulated", "noncentral_f"],
    )
    smallest = _smallest(chances, target)
    reached = [size for size in sizes if _at(chances, size, target) >= WANTED]
    return BlocksNeeded(
        chances=chances,
        smallest=smallest,
        formula=formula,
        blocks=min(reached, default=None),
        assumed=target,
        field=field,
    )


def _task(
    trial: Trial, field: Field, size: int, assumed: float, simulations: int, seed: int
) -> _Task:
    bare = replace(trial, plots=(), counts=trial.counts.iloc[:0], plan=_without_seed(trial))
    laid = plan_trial(bare, seed=seed, options={"plan.blocks": size}).trial
    plan = plan_plots(laid)
    roles = [item.role for item in trial.treatments]
    carriers = tuple(i for i, role in enumerate(roles) if role is TreatmentRole.CARRIER)
    open_ones = [i for i in plan.others if i not in carriers]
    if plan.untreated is None or len(open_ones) < 1:
        raise TrialError([_no_untreated()])
    first = next((i for i in open_ones if i != plan.reference), open_ones[0])
    other = next((i for i in [plan.reference, *open_ones] if i not in {None, first}), first)
    names = [plot.block or f"row {plot.row}" for plot in laid.plots]
    order = {name: place for place, name in enumerate(dict.fromkeys(names))}
    if trial.design is Design.CRD:
        order = dict.fromkeys(order, 0)
    equal = len(set(np.bincount(plan.treatment).tolist())) == 1
    simple = equal and not plan.layout.units and trial.plan.get("plan.block_size") is None
    pests = [item for item in trial.variables if item.role is VariableRole.PEST]
    own = next((item.transform for item in pests if item.kind is Kind.COUNT), None)
    return _Task(
        plan=plan,
        settings=trial.settings,
        transform=own or trial.settings.transform,
        field=field,
        blocks=size,
        codes=(first, other if other is not None else first),
        carriers=carriers,
        block=np.array([order[name] for name in names], dtype=np.intp),
        assumed=assumed,
        simulations=simulations,
        seed=seed,
        formula=trial.design.value if simple else None,
    )


def _without_seed(trial: Trial) -> Mapping[str, str]:
    return MappingProxyType({k: v for k, v in trial.plan.items() if k != "plan.seed"})


def _no_untreated() -> Problem:
    return error(
        "no-untreated",
        "The chance to show control needs an untreated and another treatment.",
        'Name the untreated: untreated = "1" in the settings, or give it the role untreated.',
    )


def simulate_counts(
    means: FloatArray, block: NDArray[np.intp], field: Field, number: int, rng: np.random.Generator
) -> FloatArray:
    """Simulate mean counts of plots, shape (plots, number).

    Parameters
    ----------
    means : (plots,) array
        Expected count of a sample in each plot.
    block : (plots,) int array
        From 0.
    field : Field
    number : int
        Trials.
    rng : Generator
    """
    factors = _lognormal(rng, field.block_cv, (int(block.max()) + 1, number))[block]
    level = means[:, None] * factors * _lognormal(rng, field.plot_cv, (means.size, number))
    total = np.zeros(level.shape)
    for _ in range(field.samples):
        rate = level
        if np.isfinite(field.k):
            rate = level * rng.gamma(field.k, 1 / field.k, size=level.shape)
        total += rng.poisson(rate)
    return total / field.samples


def _lognormal(rng: np.random.Generator, cv: float, shape: tuple[int, int]) -> FloatArray:
    """Factors of mean 1 with a spread in percent."""
    variance = np.log1p((cv / 100) ** 2)
    factors: FloatArray = np.exp(rng.normal(size=shape) * np.sqrt(variance) - variance / 2)
    return factors


def _simulate(task: _Task) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    chances: list[tuple[object, ...]] = []
    formula: list[tuple[object, ...]] = []
    for level in LEVELS:
        values, scale = _trials(task, level)
        fit = _fitted(task, values)
        overall = fit.overall(task.plan.layout.weights)
        first, other = task.codes
        shown = {_ANY: float(np.mean(np.nan_to_num(overall.p, nan=1.0) < task.settings.alpha))}
        pair = _by_bonferroni if task.plan.layout.units else _by_procedure
        untreated = task.plan.untreated or 0
        shown[_UNTREATED] = pair(task, fit, overall.p, first, untreated)
        if other != first and task.settings.comparison not in _NO_PAIRS:
            shown[_OTHER] = pair(task, fit, overall.p, first, other)
        for question, share in shown.items():
            against = {_OTHER: task.assumed, _UNTREATED: 0.0}.get(question, float("nan"))
            low, high = _limits(share, task.simulations)
            row = (task.blocks, question, level, against, share, low, high, task.simulations, scale)
            chances.append(row)
        if task.formula is not None:
            formula.append((task.blocks, level, shown[_ANY], _by_formula(task, fit)))
    return chances, formula


def _trials(task: _Task, level: float) -> tuple[FloatArray, TransformName]:
    """Simulated trials on the scale of the analysis; the same random numbers at every level."""
    plan = task.plan
    control = np.full(len(plan.treatments), task.assumed)
    control[list(task.carriers)] = 0.0
    control[plan.untreated] = 0.0
    control[task.codes[0]] = level
    means = task.field.density * (1 - control / 100)[plan.treatment]
    rng = np.random.default_rng([task.seed, task.blocks])
    values = simulate_counts(means, task.block, task.field, task.simulations, rng)
    scale: TransformName = choose_transform("count", values[:, :200], plan.treatment).transform
    if task.transform is not Transform.AUTO:
        scale = _SCALES[task.transform]
    return forward(scale, values), scale


def _fitted(task: _Task, values: FloatArray) -> Fit:
    layout = task.plan.layout
    return fit_strata(layout, values) if layout.units else fit_layout(layout, values)[0]


def _by_procedure(task: _Task, fit: Fit, overall_p: FloatArray, first: int, second: int) -> float:
    """Share of trials in which Dunnett, or the procedure of the settings, tells a pair apart."""
    weights, alpha = task.plan.layout.weights, task.settings.alpha
    if second == task.plan.untreated:
        made = compare(fit, Method.DUNNETT, rows=weights, alpha=alpha, control=second)
    else:
        method = Method(task.settings.comparison.value)
        made = compare(fit, method, rows=weights, alpha=alpha, overall_p=overall_p)
    for place, pair in enumerate(zip(made.a.tolist(), made.b.tolist(), strict=True)):
        if set(pair) == {first, second}:
            return float(np.mean(made.different[place]))
    return float("nan")


def _by_bonferroni(task: _Task, fit: Fit, overall_p: FloatArray, first: int, second: int) -> float:
    """Share of trials in which a pair is told apart, with several errors.

    Each pair has degrees of freedom of its own there, and the procedures would take hours.
    """
    del overall_p
    weights = task.plan.layout.weights
    number = len(weights) - 1
    if second != task.plan.untreated:
        number = number * len(weights) // 2
    made = fit.contrasts((weights[first] - weights[second])[None])
    with np.errstate(divide="ignore", invalid="ignore"):
        p = two_sided_t(made.estimate / made.se, made.df)
    return float(np.mean(np.nan_to_num(p, nan=1.0) * number < task.settings.alpha))


def _limits(share: float, number: int) -> tuple[float, float]:
    """Limits of a simulated chance, 95 %: Wilson EB 1927, J. Am. Stat. Assoc. 22:209-212."""
    z = 1.959963984540054
    middle = (share + z * z / (2 * number)) / (1 + z * z / number)
    half = z / (1 + z * z / number) * np.sqrt(share * (1 - share) / number + (z / number / 2) ** 2)
    return float(min(max(middle - half, 0.0), share)), float(max(min(middle + half, 1.0), share))


def _by_formula(task: _Task, fit: Fit) -> float:
    """Power of F by the noncentral F, from the mean of the fitted means and errors."""
    means = fit.contrasts(task.plan.layout.weights).estimate.mean(axis=1)
    sigma = float(np.sqrt(np.mean(fit.ms_error)))
    if not sigma > 0:
        return float("nan")
    size = task.blocks
    return design_power(means, sigma, size, design=task.formula or "", alpha=task.settings.alpha)


def _at(chances: pd.DataFrame, size: int, level: float) -> float:
    """Chance against the untreated at a control, between the levels on a straight line."""
    own = chances[(chances["blocks"] == size) & (chances["question"] == _UNTREATED)]
    return float(np.interp(level, own["control_percent"], own["chance"]))


def _smallest(chances: pd.DataFrame, assumed: float) -> pd.DataFrame:
    rows = []
    for (size, question), part in chances.groupby(["blocks", "question"], sort=False):
        if question == _ANY:
            continue
        levels = part["control_percent"].to_numpy(dtype=float)
        chance = part["chance"].to_numpy(dtype=float)
        if question == _OTHER:
            # The treatment looked at is worse than the others: the last level that is found.
            keep = levels <= assumed
            found = _crossing(levels[keep][::-1], chance[keep][::-1])
            rows.append((size, str(question), found, assumed - found))
        else:
            rows.append((size, str(question), _crossing(levels, chance), float("nan")))
    return pd.DataFrame(
        rows, columns=["blocks", "question", "control_percent", "difference_points"]
    )


def _crossing(levels: FloatArray, chance: FloatArray) -> float:
    """Where the chance first reaches what is wanted; NaN where it does not."""
    above = np.flatnonzero(chance >= WANTED)
    if not above.size:
        return float("nan")
    i = int(above[0])
    if i == 0:
        return float(levels[0])
    part = (WANTED - chance[i - 1]) / (chance[i] - chance[i - 1])
    return float(levels[i - 1] + part * (levels[i] - levels[i - 1]))
