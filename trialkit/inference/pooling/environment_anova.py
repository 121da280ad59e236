"""The analysis of variance of several trials together."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import linalg

from trialkit.inference.design.layout import FloatArray, IntArray
from trialkit.inference.normal.degrees_of_freedom import f_probability, kenward_roger
from trialkit.inference.pooling.trial_contrasts import TrialContrasts, TrialMeans, centred

#: What is to be known of tests where each trial has its own error.
OWN_ERRORS = "approximate: each trial has its own error variance"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AnovaLine:
    """One line of the analysis over trials; NaN where there is no number."""

    source: str
    df: float
    sum_sq: float
    F: float
    p: float
    df_error: float
    error: str | None
    note: str | None = None


#: Site and year of each trial, as codes from 0.
Crossing = tuple[IntArray, IntArray]


def anova_lines(
    trials: tuple[TrialMeans, ...],
    fit: TrialContrasts,
    *,
    own_errors: bool,
    crossing: Crossing | None = None,
) -> tuple[AnovaLine, ...]:
    """Lines of the analysis; sums of squares in plots where all trials share one error.

    With ``crossing``, and every site in every year once with all treatments, environments and
    their interaction with treatments are parted into sites, years and both.
    """
    nan, freedom = float("nan"), np.array([trial.df for trial in trials])
    pooled = float(freedom @ np.array([trial.error_variance for trial in trials]) / freedom.sum())
    df_error, df_treatment = float(freedom.sum()), float(fit.t - 1)
    df_both = float(fit.x.shape[0]) - df_treatment
    x, y = _whitened(fit, freedom if own_errors else None)
    both = _left(x, y)
    between = float(y @ y) - both
    scale, note = (nan, OWN_ERRORS) if own_errors else (pooled, None)
    f, df_broad = kenward_roger(np.eye(fit.t - 1), fit.beta, fit.small)
    parts = _parts(trials, crossing, fit.t)
    return (
        _untested(
            "environment", float(len(trials) - 1), nan if own_errors else _environment(trials)
        ),
        *(_environments(trials, parts, own_errors=own_errors) if parts else ()),
        AnovaLine(
            source="treatment",
            df=df_treatment,
            sum_sq=between * scale,
            F=f,
            p=f_probability(f, df_treatment, df_broad),
            df_error=df_broad,
            error="treatment x environment",
        ),
        _tested("treatment", (df_treatment, between), scale, (df_error, note)),
        _tested("treatment x environment", (df_both, both), scale, (df_error, note)),
        *(_interactions((x, y), parts, scale, (df_error, note)) if parts else ()),
        _untested("error", df_error, pooled * df_error),
    )


def _untested(source: str, df: float, sum_sq: float) -> AnovaLine:
    """A line without a test."""
    nan = float("nan")
    return AnovaLine(source=source, df=df, sum_sq=sum_sq, F=nan, p=nan, df_error=nan, error=None)


def _tested(
    source: str, squares: tuple[float, float], scale: float, error: tuple[float, str | None]
) -> AnovaLine:
    """A line tested by the error of plots: df and squares over the error variance."""
    (df, square), (df_error, note) = squares, error
    f = square / df
    return AnovaLine(
        source=source,
        df=df,
        sum_sq=square * scale,
        F=f,
        p=f_probability(f, df, df_error),
        df_error=df_error,
        error="error",
        note=note,
    )


def _whitened(fit: TrialContrasts, own: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Contrasts inside trials, and their design, each with an error variance of one.

    With errors of their own (``own``: their degrees of freedom) estimated variances stand in
    denominators, which makes squares too large by df / (df - 2): taken off again.
    """
    roots = [np.linalg.cholesky(part) for part in fit.known]
    ends = np.cumsum([len(root) for root in roots])[:-1]
    solved = [
        linalg.solve_triangular(root, np.column_stack(part), lower=True)
        for root, part in zip(
            roots,
            zip(np.split(fit.x, ends), np.split(fit.y, ends), strict=True),
            strict=True,
        )
    ]
    if own is not None:
        shrink = np.sqrt(np.maximum(own - 2.0, 0.5) / own)
        solved = [size * part for size, part in zip(shrink, solved, strict=True)]
    joined = np.vstack(solved)
    return joined[:, :-1], joined[:, -1]


def _left(x: FloatArray, y: FloatArray) -> float:
    """Sum of squares that a design leaves."""
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(rest @ rest)


def _parts(
    trials: tuple[TrialMeans, ...], crossing: Crossing | None, t: int
) -> tuple[FloatArray, FloatArray] | None:
    """Columns (k, -) of sites and of years, summing to zero; None where they do not cross."""
    if crossing is None:
        return None
    site, year = (np.asarray(codes) for codes in crossing)
    sites, years = (int(codes.max()) + 1 for codes in (site, year))
    whole = sites * years == len(trials) == len(set(zip(site.tolist(), year.tolist(), strict=True)))
    if not whole or min(sites, years) < 2 or any(trial.mean.size < t for trial in trials):
        return None
    return centred(sites)[site], centred(years)[year]


def _environments(
    trials: tuple[TrialMeans, ...], parts: tuple[FloatArray, FloatArray], *, own_errors: bool
) -> Iterator[AnovaLine]:
    weight, level = _levels(trials)
    root = np.sqrt(weight)
    ones, y = root[:, None], root * level
    left = _left(ones, y)
    squares = [left - _left(np.column_stack([ones, root[:, None] * part]), y) for part in parts]
    squares.append(left - sum(squares))
    sizes = [float(part.shape[1]) for part in parts]
    for source, df, square in zip(
        ("site", "year", "site x year"), [*sizes, sizes[0] * sizes[1]], squares, strict=True
    ):
        yield _untested(source, df, float("nan") if own_errors else square)


def _interactions(
    whitened: tuple[FloatArray, FloatArray],
    parts: tuple[FloatArray, FloatArray],
    scale: float,
    error: tuple[float, str | None],
) -> Iterator[AnovaLine]:
    """Treatments with sites and with years, against what goes with both at once."""
    x, y = whitened
    size = len(x) // len(parts[0])
    rows = [np.repeat(part, size, axis=0) for part in parts]
    joined = [(x[:, :, None] * row[:, None, :]).reshape(len(x), -1) for row in rows]
    left = _left(x, y)
    squares = [left - _left(np.column_stack([x, part]), y) for part in joined]
    last = _left(np.column_stack([x, *joined]), y)
    df = [float(x.shape[1] * part.shape[1]) for part in parts]
    df_last, both = df[0] * df[1] / x.shape[1], "treatment x site x year"
    for source, square, own in zip(("site", "year"), squares, df, strict=True):
        f = (square / own) / (last / df_last) if last > 0.0 else float("nan")
        yield AnovaLine(
            source=f"treatment x {source}",
            df=own,
            sum_sq=square * scale,
            F=f,
            p=f_probability(f, own, df_last),
            df_error=df_last,
            error=both,
            note=error[1],
        )
    yield _tested(both, (df_last, last), scale, error)


def _levels(trials: tuple[TrialMeans, ...]) -> tuple[FloatArray, FloatArray]:
    """Weight, in plots, and level of each environment before treatments."""
    inverses = [np.linalg.pinv(trial.unit) for trial in trials]
    weight = np.array([float(part.sum()) for part in inverses])
    totals = [
        float(part.sum(axis=0) @ trial.mean) for part, trial in zip(inverses, trials, strict=True)
    ]
    return weight, np.array(totals) / weight


def _environment(trials: tuple[TrialMeans, ...]) -> float:
    """Sum of squares of environments before treatments, in plots."""
    weight, level = _levels(trials)
    return float(weight @ (level - weight @ level / weight.sum()) ** 2)
