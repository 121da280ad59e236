"""Simulated counts of one assessment, tested as the toolkit tests them, all trials at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from trialkit.inference.comparisons.methods import Method
from trialkit.inference.comparisons.one_pair import told_from_control
from trialkit.inference.comparisons.power_plans import design_power
from trialkit.inference.comparisons.procedures import compare
from trialkit.inference.design.layout import Layout
from trialkit.inference.design.scales import TransformName, choose_transform, forward
from trialkit.inference.fit import Fit
from trialkit.inference.normal.linear import fit_layout
from trialkit.inference.normal.stratified import fit_strata
from trialkit.planning.chances import FloatArray, IntArray, Outcome, Sought, Task
from trialkit.trial import Comparison, Transform

_SCALES: Final[Mapping[Transform, TransformName]] = {
    Transform.NONE: "none",
    Transform.SQRT: "sqrt",
    Transform.LOG: "log",
    Transform.ARCSINE: "arcsine",
}
#: Procedures of the settings that compare no pairs of treatments.
_NO_PAIRS: Final = frozenset({Comparison.NONE, Comparison.DUNNETT})


def one_assessment(task: Task, values: FloatArray) -> Outcome:
    """Test simulated counts of one assessment.

    Parameters
    ----------
    task : Task
    values : (plots, n) array
    """
    plan, settings = task.plan, task.trial.settings
    scale: TransformName = choose_transform("count", values[:, :200], plan.treatment).transform
    if task.transform is not Transform.AUTO:
        scale = _SCALES[task.transform]
    analysed = forward(scale, values)
    fit = fitted(plan.layout, analysed)
    overall = fit.overall(plan.layout.weights)
    shown = {
        Sought.ANY: float(np.mean(np.nan_to_num(overall.p, nan=1.0) < settings.alpha)),
        Sought.UNTREATED: from_untreated(task, fit),
    }
    if task.other != task.first and settings.comparison not in _NO_PAIRS:
        shown[Sought.OTHER] = _told_apart(task, fit, overall.p)
    formula = float("nan") if task.formula is None else _by_formula(task, fit)
    return Outcome(shown=shown, scale=scale, formula=formula)


def fitted(layout: Layout, values: FloatArray) -> Fit:
    """Fit complete responses (plots, n) by one error, or by strata where there are larger units."""
    return fit_strata(layout, values) if layout.units else fit_layout(layout, values)[0]


def from_untreated(task: Task, fit: Fit) -> float:
    """Share of responses in which Dunnett's procedure tells the first from the untreated."""
    rows, untreated = task.plan.layout.weights, task.plan.untreated or 0
    alpha = task.trial.settings.alpha
    return float(told_from_control(fit, rows, task.first, untreated, alpha=alpha).mean())


def _place(a: IntArray, b: IntArray, first: int, second: int) -> int:
    """Row of a pair of treatments."""
    found = ((a == first) & (b == second)) | ((a == second) & (b == first))
    return int(np.flatnonzero(found)[0])


def _told_apart(task: Task, fit: Fit, overall_p: FloatArray) -> float:
    """Share of trials in which the procedure of the settings tells the two treatments apart."""
    rows, settings = task.plan.layout.weights, task.trial.settings
    method = Method(settings.comparison.value)
    made = compare(fit, method, rows=rows, alpha=settings.alpha, overall_p=overall_p)
    return float(made.different[_place(made.a, made.b, task.first, task.other)].mean())


def _by_formula(task: Task, fit: Fit) -> float:
    """Power of F by the noncentral F, from the mean of the fitted means and errors."""
    means = fit.contrasts(task.plan.layout.weights).estimate.mean(axis=1)
    sigma = float(np.sqrt(np.mean(fit.ms_error)))
    if not sigma > 0:
        return float("nan")
    alpha = task.trial.settings.alpha
    return design_power(means, sigma, task.blocks, design=task.formula or "", alpha=alpha)
