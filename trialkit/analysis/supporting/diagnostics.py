"""Whether the tests may be leaned on: checks of every response, and what they recommend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.fits.anova import Keys, Tested, response_keys
from trialkit.analysis.plots.responses import FloatArray, PlotPlan, Response
from trialkit.analysis.result import empty_table, make_table
from trialkit.inference.checks.diagnose import Diagnostics, DiagnosticsRow, diagnose
from trialkit.inference.checks.verdict import (
    Verdict,
    Verdicts,
    recommend,
    verdict_over,
)
from trialkit.inference.comparisons.relative_efficiency import relative_efficiency
from trialkit.inference.design.scales import KindName

#: Draws behind the p-values of the checks, shared by all responses with the same plots.
DRAWS = 999
#: The checks, as the table names them; the two kinds of scatter are parts of the first.
SCATTER = "equal scatter"
BETWEEN_TREATMENTS = "scatter between treatments"
WITH_MEAN = "scatter with the mean"
NORMALITY = "normality"
ADDITIVITY = "additivity"
OUTLYING = "outlying plot"


@dataclass(frozen=True, kw_only=True, eq=False)
class Checked:
    """What the checks found.

    Attributes
    ----------
    table : DataFrame
        ``diagnostics``.
    residuals : DataFrame
    recommendations : list of str
        One a response.
    efficiency : float array, shape (responses,)
        Of blocking, corrected for its degrees of freedom; NaN where there are no blocks.
    variables : mapping of str to str
        Recommendation for each variable over all its days, as they share one scale.
    """

    table: pd.DataFrame
    residuals: pd.DataFrame
    recommendations: list[str]
    efficiency: FloatArray
    variables: dict[str, str]


def check_responses(basis: Basis, powers: dict[str, float]) -> Checked:
    """Check the assumptions of every response.

    Parameters
    ----------
    basis : Basis
    powers : mapping of str to float
        Power of each untransformed variable that its variances or Box and Cox suggest.
    """
    tested = basis.tested
    if tested is None:
        return Checked(
            table=empty_table("diagnostics"),
            residuals=empty_table("residuals"),
            recommendations=[],
            efficiency=np.zeros(0),
            variables={},
        )
    found = [
        diagnose(
            fit,
            tested.checked_layout,
            alpha=basis.settings.alpha,
            draws=DRAWS,
            seed=basis.settings.seed,
        )
        for fit in tested.checked
    ]
    rows = sorted((row for item in found for row in item.rows()), key=lambda row: row.column)
    keys = response_keys(basis.responses, basis.scales)
    return Checked(
        table=_table(rows, keys, basis.plan),
        residuals=_residuals(found, keys, basis.plan),
        recommendations=[_recommended(row, basis, powers) for row in rows],
        efficiency=_efficiency(basis, tested),
        variables=_over_days(rows, basis, powers),
    )


def _table(rows: list[DiagnosticsRow], keys: Keys, plan: PlotPlan) -> pd.DataFrame:
    lines = [line for row in rows for line in _lines(row, plan)]
    place = np.repeat([row.column for row in rows], len(lines) // max(len(rows), 1))
    names = ("check", "statistic", "p", "verdict", "plot")
    columns = {name: [line[i] for line in lines] for i, name in enumerate(names)}
    named = {name: keys[name][place] for name in ("variable", "measure", "days_after")}
    return make_table("diagnostics", {**named, **columns})


def _lines(
    row: DiagnosticsRow, plan: PlotPlan
) -> list[tuple[str, float, float, str | None, str | None]]:
    nan, verdicts = float("nan"), row.verdicts
    stands_out = verdicts.outliers in {Verdict.DOUBTFUL, Verdict.FAILED}
    plot = plan.plots[row.outlier_plot] if stands_out else None
    return [
        (SCATTER, nan, row.variance_p, verdicts.variance.value, None),
        (BETWEEN_TREATMENTS, row.brown_forsythe_f, row.brown_forsythe_p, None, None),
        (WITH_MEAN, row.spread_trend, row.spread_trend_p, None, None),
        (NORMALITY, row.shapiro_w, row.normality_p, verdicts.normality.value, None),
        (ADDITIVITY, row.additivity_f, row.additivity_p, verdicts.additivity.value, None),
        (OUTLYING, row.outlier, row.outlier_p, verdicts.outliers.value, plot),
    ]


def _residuals(found: list[Diagnostics], keys: Keys, plan: PlotPlan) -> pd.DataFrame:
    plots = np.array(plan.plots, dtype=object)
    parts: dict[str, list[np.ndarray]] = {
        name: [] for name in ("place", "plot", "fitted", "residual", "studentized")
    }
    for item in found:
        fit = item.fit
        size = fit.columns.size
        parts["place"].append(np.repeat(fit.columns, fit.plots.size))
        parts["plot"].append(np.tile(plots[fit.plots], size))
        parts["fitted"].append(fit.fitted.T.ravel())
        parts["residual"].append(fit.residuals.T.ravel())
        parts["studentized"].append(item.outliers.studentized.T.ravel())
    joined = {name: np.concatenate(values) for name, values in parts.items()}
    place = joined.pop("place")
    order = np.argsort(place, kind="stable")
    named = {name: keys[name][place[order]] for name in ("variable", "measure", "days_after")}
    return make_table(
        "residuals", {**named, **{name: values[order] for name, values in joined.items()}}
    )


def _kind(response: Response) -> KindName:
    """What sort of number a response is: areas and yields are measurements."""
    if response.measure != "count":
        return "measurement"
    kind: KindName = response.variable.kind.value
    return kind


def _recommended(row: DiagnosticsRow, basis: Basis, powers: dict[str, float]) -> str:
    response = basis.responses[row.column]
    kind = _kind(response)
    power = powers.get(response.variable.name, float("nan"))
    if kind == "measurement" and response.measure != "count":
        power = row.suggested_power
    return recommend(
        row.verdicts,
        kind=kind,
        transform=basis.scales[row.column],
        suggested_power=power,
        positive=not (response.values < 0).any(),
    ).value


def _over_days(
    rows: list[DiagnosticsRow], basis: Basis, powers: dict[str, float]
) -> dict[str, str]:
    """One recommendation a variable: all its days are analysed on one scale."""
    found: dict[str, str] = {}
    for name in dict.fromkeys(item.variable.name for item in basis.responses):
        own = [
            row
            for row in rows
            if basis.responses[row.column].variable.name == name
            and basis.responses[row.column].measure != "pest_days"
        ]
        if not own:
            continue
        first = basis.responses[own[0].column]
        if len(own) == 1:
            found[name] = _recommended(own[0], basis, powers)
            continue
        lowest = min(
            float(np.nanmin(basis.responses[row.column].values, initial=0.0)) for row in own
        )
        found[name] = recommend(
            Verdicts(
                variance=verdict_over(row.variance_p for row in own),
                normality=verdict_over(row.normality_p for row in own),
                additivity=verdict_over(row.additivity_p for row in own),
                outliers=verdict_over(row.outlier_p for row in own),
            ),
            kind=_kind(first),
            transform=basis.scales[own[0].column],
            suggested_power=powers.get(name, float("nan")),
            positive=lowest >= 0,
        ).value
    return found


def _efficiency(basis: Basis, tested: Tested) -> FloatArray:
    """Efficiency of all groupings together, over the same plots without them."""
    found = np.full(len(basis.responses), np.nan)
    if not basis.plan.layout.units:
        for fit in tested.checked:
            whole = relative_efficiency(fit)
            if whole:
                found[fit.columns] = whole[-1].adjusted
    return found
