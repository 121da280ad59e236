"""How many blocks a trial needs: simulated trials, tested as the toolkit tests them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.planning.chances import (
    QUESTIONS,
    FloatArray,
    IntArray,
    Outcome,
    Sought,
    Task,
    true_control,
)
from trialkit.planning.fields import Field, simulate_counts
from trialkit.planning.one_assessment import one_assessment
from trialkit.planning.options import Plan
from trialkit.planning.plan import GIVE_DAYS, plan_trial
from trialkit.planning.power_tables import (
    CHANCE_COLUMNS,
    chances_of,
    fewest_blocks,
    formula_of,
    smallest_shown,
)
from trialkit.planning.whole_trials import whole_trials
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import (
    Design,
    Kind,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)

#: Percent control of the treatment that is looked for.
LEVELS: Final = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 95.0)
#: Shares of what the target leaves, of the margin, and of the days that are left, looked at.
_STEPS: Final = (0.0, 0.25, 0.5, 0.75, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlocksNeeded:
    """What trials of several sizes can show.

    Attributes
    ----------
    chances : DataFrame
        For ``blocks``, ``samples``, ``question`` and the truth about one treatment (its
        ``control_percent``, or by how many ``days_longer`` it holds the target): the ``chance``
        (0 to 1) that it is shown, with 95 % limits of the simulation.
    smallest : DataFrame
        For ``blocks``, ``samples`` and ``question`` the ``control_percent`` from which on the
        chance is 80 %; NaN where it is not reached. Against another treatment, and of a lower
        rate, ``difference_points`` too; of days held ``days_longer`` instead.
    formula : DataFrame
        The F test: chance by simulation and by the noncentral F of the means and the error that
        the simulation gave, where that holds (one error, equal numbers).
    blocks : int or None
        The fewest blocks in which a treatment of the assumed control is told from the untreated
        with a chance of 80 %, with the fewest samples looked at; None where no size looked at
        does, or it was not asked.
    assumed : float
        Percent control of the other treatments.
    target, margin : float
        Of the settings: percent control to be passed, and points that a lower rate may lack.
    held : float
        Day until which the other treatments hold the target, where days were asked for.
    counted : str
        What is counted: label of the first pest of the trial that is a count.
    treatment, against : str
        Ids of the treatment that is looked at, and of the one that it is compared with.
    field : Field
        With the fewest samples.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> field = trialkit.Field(density=20, k=2, plot_cv=30)
    >>> needed = trialkit.blocks_needed(trial, field, blocks=(3,), simulations=50)
    >>> isinstance(needed, trialkit.BlocksNeeded)
    True
    """

    chances: pd.DataFrame
    smallest: pd.DataFrame
    formula: pd.DataFrame
    blocks: int | None
    assumed: float
    target: float
    margin: float
    held: float
    counted: str
    treatment: str
    against: str
    field: Field

    def __repr__(self) -> str:
        sizes = ", ".join(str(size) for size in dict.fromkeys(self.chances["blocks"]))
        asked = len(set(self.chances["question"]))
        return f"<BlocksNeeded: {sizes} blocks, {asked} questions, {len(self.chances)} chances>"


def blocks_needed(
    trial: Trial,
    field: Field | Sequence[Field],
    *,
    blocks: Sequence[int] = (3, 4, 5, 6, 7, 8),
    ask: Collection[str] = ("assessment",),
    assumed: float | None = None,
    simulations: int = 1000,
    executor: Executor | None = None,
) -> BlocksNeeded:
    """Simulate trials of a design in several sizes, and say what they can show.

    Parameters
    ----------
    trial : Trial
        With treatments and a design; its plots are not looked at. Tests, level, scale, target,
        margin and seed are those of its settings.
    field : Field, or sequence of Field
        How counts come about; several that differ in their samples. `trialkit.field_of` takes it
        from an earlier trial.
    blocks : sequence of int
        Numbers of blocks (in a completely randomised trial of plots a treatment); of a Latin
        square the number of treatments alone is taken.
    ask : collection of {'assessment', 'trial', 'target', 'rates', 'days'}
        What is to be shown. All but the first need the days of the counts (``plan.days``, else
        those on which the trial was counted), and analyse one simulated trial after the other,
        which takes longer.
    assumed : float, optional
        Percent control of all treatments but the one looked at; the target of the settings, when
        left out.
    simulations : int
        Trials of each size and truth.
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
    A plot has mean density x (1 - control) x lognormal factors of its block, its main plot or
    strips, and itself, of which a share stays with it over the days; its samples are negative
    binomial about that. All treatments but one have the assumed control, and that one runs
    through several.

    ``assessment``: one assessment; against the untreated by Dunnett's test, against another
    treatment by the procedure of the settings, both adjusted as in a report. Under ``auto`` the
    scale is chosen by the rule of the toolkit from 200 simulated trials together. The others
    simulate counts on all planned days and ask the analysis itself: ``trial``, what page 1 asks
    over the whole trial; ``target``, whether control above the target was shown; ``rates``,
    whether a lower rate was shown to be not worse than the full rate by the margin, on the last
    day; ``days``, whether one treatment was shown to hold the target longer than another (see
    `trialkit.planning.chances.true_control` for its course). Each at the level of the settings.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> field = trialkit.Field(density=20, k=2, plot_cv=30)
    >>> needed = trialkit.blocks_needed(trial, field, blocks=(3, 4), simulations=50)
    >>> sorted(set(needed.chances["blocks"]))
    [3, 4]
    """
    fields = sorted((field,) if isinstance(field, Field) else field, key=lambda one: one.samples)
    _refuse(fields, blocks, ask, simulations)
    target = trial.settings.control_target if assumed is None else assumed
    sizes = [len(trial.treatments)] if trial.design is Design.LATIN else sorted(set(blocks))
    tasks = [
        task
        for size in sizes
        for question in QUESTIONS
        if question in ask
        for one in fields
        for task in _tasks(_Setting(trial, one, size, target, simulations), question)
    ]
    if executor is None:
        done = [run_task(task) for task in tasks]
    else:
        futures = [executor.submit(run_task, task) for task in tasks]
        done = [future.result() for future in futures]
    rows = [row for task, found in zip(tasks, done, strict=True) for row in chances_of(task, found)]
    chances = pd.DataFrame(rows, columns=list(CHANCE_COLUMNS))
    if not tasks:
        raise TrialError([_no_other()])
    ids = tasks[0].plan.treatments
    return BlocksNeeded(
        chances=chances,
        smallest=smallest_shown(chances),
        formula=formula_of(tasks, done),
        blocks=next(
            (
                fewest_blocks(chances, sought, fields[0].samples, target)
                for sought in (Sought.UNTREATED, Sought.WHOLE_UNTREATED)
                if sought in set(chances["question"])
            ),
            None,
        ),
        assumed=target,
        target=trial.settings.control_target,
        margin=trial.settings.noninferiority_margin,
        held=tasks[-1].held,
        counted=tasks[0].variable.label,
        treatment=ids[tasks[0].first],
        against=ids[tasks[0].other],
        field=fields[0],
    )


def _refuse(
    fields: Sequence[Field], blocks: Sequence[int], ask: Collection[str], simulations: int
) -> None:
    faults = list(dict.fromkeys(fault for one in fields for fault in one.faults()))
    if not fields:
        faults.append("no field is given")
    if not blocks or min(blocks) < 2 or simulations < 10:
        faults.append("it takes two blocks and ten simulations at least")
    if not ask or set(ask) - set(QUESTIONS):
        faults.append(f"what is asked must be among {', '.join(QUESTIONS)}")
    if len({one.samples for one in fields}) < len(fields):
        faults.append("fields must differ in their samples")
    if faults:
        what = "; ".join(faults)
        raise TrialError(
            [error("power-field", f"This cannot be simulated: {what}.", "Correct it.")]
        )


# --- tasks ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Setting:
    trial: Trial
    field: Field
    size: int
    assumed: float
    simulations: int


def _tasks(setting: _Setting, question: str) -> Iterator[Task]:
    """One task for each truth that is looked at."""
    trial, size = setting.trial, setting.size
    bare = replace(
        trial,
        plots=(),
        counts=trial.counts.iloc[:0],
        plan={key: text for key, text in trial.plan.items() if key != "plan.seed"},
    )
    seed = trial.settings.seed
    laid = plan_trial(bare, seed=seed, options={"plan.blocks": size}).trial
    plan = plan_plots(laid)
    roles = [item.role for item in trial.treatments]
    carriers = tuple(i for i, role in enumerate(roles) if role is TreatmentRole.CARRIER)
    open_ones = [i for i in plan.others if i not in carriers]
    if plan.untreated is None or not open_ones:
        raise TrialError([_no_untreated()])
    first = next((i for i in open_ones if i != plan.reference), open_ones[0])
    other = next((i for i in [plan.reference, *open_ones] if i not in {None, first}), first)
    other = first if other is None else other
    if other == first and question in {"rates", "days"}:
        return
    days = _days(trial, question)
    held = float(max(1, round(float(days.max()) / 3)))
    simple = len(set(np.bincount(plan.treatment).tolist())) == 1 and not plan.layout.units
    variable = _variable(trial)
    laid = _portable(laid, variable, plan.untreated, first, other, question)
    task = Task(
        trial=laid,
        variable=variable,
        plan=plan_plots(laid),
        groups=_groups(laid, plan.units),
        days=days,
        transform=variable.transform or trial.settings.transform,
        field=setting.field,
        question=question,
        blocks=size,
        first=first,
        other=other,
        carriers=carriers,
        truth=0.0,
        assumed=setting.assumed,
        held=held,
        simulations=setting.simulations,
        seed=seed,
        formula=(
            trial.design.value if simple and trial.plan.get("plan.block_size") is None else None
        ),
    )
    for truth in _truths(task):
        yield replace(task, truth=truth)


def _truths(task: Task) -> list[float]:
    """What the treatment that is looked at does, one after the other."""
    settings = task.trial.settings
    if task.question == "target":
        left = 100 - settings.control_target
        return [settings.control_target + left * step for step in (*_STEPS[:-1], 0.9)]
    if task.question == "rates":
        margin = settings.noninferiority_margin
        return [max(task.assumed - margin * step, 0.0) for step in reversed(_STEPS)]
    if task.question == "days":
        left = float(task.days.max()) - task.held
        return list(dict.fromkeys(float(round(left * step)) for step in _STEPS))
    return sorted({*LEVELS, task.assumed})


def _days(trial: Trial, question: str) -> FloatArray:
    """Days of the counts; one after treatment where a single assessment is asked about."""
    if question == "assessment":
        return np.array([1.0])
    days = np.array(Plan.of(trial).days(), dtype=float)
    if not days.size:
        days = np.unique(trial.counts["day"].dropna().to_numpy(dtype=float))
    fewest = 2 if question == "days" else 1
    if int((days > 0).sum()) < fewest:
        raise TrialError([_no_days(question, fewest)])
    return days


def _no_days(question: str, fewest: int) -> Problem:
    many = "a day after treatment" if fewest == 1 else "two days after treatment or more"
    return error(
        "no-days-planned",
        f"To ask for {question}, {many} must be planned for counts.",
        GIVE_DAYS,
    )


def _variable(trial: Trial) -> Variable:
    """Take the first pest that is counted, or one like it."""
    for item in trial.variables:
        counted = item.kind is Kind.COUNT and item.examined is None
        if counted and item.role is VariableRole.PEST:
            return item
    return Variable(name="pest", label="A pest", kind=Kind.COUNT, role=VariableRole.PEST)


def _portable(
    laid: Trial, variable: Variable, untreated: int, first: int, other: int, question: str
) -> Trial:
    """Trial with what the tests look at and nothing else, which can go to another process.

    The other treatment is the reference where there is none; where rates are asked for the two
    are rates of one product.
    """
    named = any(item.role is TreatmentRole.REFERENCE for item in laid.treatments)
    listed = []
    for code, item in enumerate(laid.treatments):
        role = item.role
        if code == untreated:
            role = TreatmentRole.UNTREATED
        elif code == other and other != first and not named:
            role = TreatmentRole.REFERENCE
        own: dict[str, Any] = {}
        if question == "rates" and code in {first, other}:
            own = {"rate": 1.0 + (code == other), "extra": {"rate_series": "one product"}}
        extra = {"extra": {k: v for k, v in item.extra.items() if k.endswith("_factor")}, **own}
        listed.append(Treatment(**{"id": item.id, "name": item.name, "role": role, **extra}))
    return Trial(
        title="",
        design=laid.design,
        treatments=tuple(listed),
        plots=laid.plots,
        variables=(variable,),
        settings=laid.settings,
        untreated=laid.untreated,
        main_plots=laid.main_plots,
        report={},
        extra={},
        plan={},
        listed_at={},
    )


def _groups(laid: Trial, units: Sequence[IntArray]) -> tuple[IntArray, ...]:
    """Blocks (rows, of a Latin square), from 0, then main plots or strips."""
    names = [plot.block or f"row {plot.row}" for plot in laid.plots]
    order = {name: place for place, name in enumerate(dict.fromkeys(names))}
    if laid.design is Design.CRD:
        order = dict.fromkeys(order, 0)
    return (np.array([order[name] for name in names], dtype=np.intp), *units)


def _no_untreated() -> Problem:
    return error(
        "no-untreated",
        "The chance to show control needs an untreated and another treatment.",
        'Name the untreated: untreated = "1" in the settings, or give it the role untreated.',
    )


def _no_other() -> Problem:
    return error(
        "no-other-treatment",
        "Rates and days held are compared between two treatments, and there is one alone.",
        "List another treatment, or ask for something else.",
    )


def run_task(task: Task) -> Outcome:
    """Simulate the trials of a task and test them.

    The same random numbers stand behind every truth of a size, which takes chance out of their
    comparison.
    """
    control = true_control(task)[task.plan.treatment]
    means = task.field.density * (1 - control / 100)
    start = [task.seed, task.blocks, task.field.samples, list(QUESTIONS).index(task.question)]
    rng = np.random.default_rng(start)
    values = simulate_counts(means, task.groups, task.field, task.simulations, rng)
    if task.question == "assessment":
        return one_assessment(task, values[:, 0])
    return whole_trials(task, values)
