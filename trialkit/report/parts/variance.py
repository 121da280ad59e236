"""The full analysis of variance of every response, and what it was made of."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.report.captions import caption
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    Kind,
    Missing,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import write_share
from trialkit.report.parts.factors import factor_words
from trialkit.report.parts.means import distinct_notes
from trialkit.rows import Rows
from trialkit.words import SCALE_FORMULAS, SCALES

_SOURCES = {
    "block": "blocks",
    "row": "rows",
    "column": "columns",
    "treatment": "treatments",
    "error": "error",
}
_FITTED = "fitted by REML: there are no sums of squares"


def analyses_of_variance(context: Context) -> Iterator[Block]:
    """Every source of every response: df, sum of squares, mean square, F and its p."""
    rows = context.table("anova", "variable", "source", "sum_sq", "F", "p")
    if not rows:
        return
    responses = context.table("responses", "variable", "F", "p")
    yield Table(
        key="anova",
        question=_how_many(context, responses),
        about=caption("variance_how"),
        columns=(
            Column(title="Response"),
            Column(title="Source"),
            Column(title="df", kind=Kind.NUMBER, digits=_df_digits(rows, "df")),
            Column(title="Sum of squares", kind=Kind.NUMBER),
            Column(title="Mean square", kind=Kind.NUMBER),
            Column(title="F", kind=Kind.NUMBER, digits=2),
            Column(title="df of F", kind=Kind.TEXT),
            Column(title="p", kind=Kind.P_VALUE),
        ),
        rows=tuple(_source(context, row) for row in rows.records()),
        notes=tuple(_variance_notes(context)),
        sheet="Analysis of variance",
        compact=True,
        once=True,
    )


def _how_many(context: Context, responses: Rows) -> str:
    alpha = context.trial.settings.alpha
    known = [p for p in responses.get("p") if math.isfinite(p)]
    return caption(
        "variance",
        level=write_share(alpha),
        different=str(sum(p < alpha for p in known)),
        number=str(len(known)),
        count=len(known),
    )


def _source(context: Context, row: dict[str, Any]) -> tuple[Cell, ...]:
    """Cells of one source; an error has no F, a fit by REML no sum of squares."""
    df, within = float(row["df"]), float(row["df_error"])
    squares: list[Cell] = []
    for name in ("sum_sq", "mean_sq"):
        cell = number_or_missing(row[name])
        fitted = isinstance(cell, Missing) and math.isfinite(float(row["F"]))
        squares.append(Missing(_FITTED) if fitted else cell)
    tested = math.isfinite(float(row["F"]))
    return (
        context.response(row["variable"], row["measure"], float(row["days_after"])),
        _SOURCES.get(row["source"]) or factor_words(row["source"]),
        number_or_missing(df),
        *squares,
        number_or_missing(row["F"]) if tested else None,
        f"{_df(df)}, {_df(within)}" if tested else "",
        number_or_missing(row["p"]) if tested else None,
    )


def _df(df: float) -> str:
    return f"{df:.0f}" if float(df).is_integer() else f"{df:.1f}"


def _variance_notes(context: Context) -> Iterator[str]:
    for name, labels in responses_by_scale(context).items():
        if name in SCALE_FORMULAS:
            yield f"{'; '.join(labels)}: {SCALES[name]} scale, {SCALE_FORMULAS[name]}."
    yield "df: degrees of freedom; of F, those of the source and of its denominator."


def responses_by_scale(context: Context) -> dict[str, list[str]]:
    """Which responses were analysed on which scale; all days of a variable are one."""
    kept: dict[str, dict[str, set[str]]] = {}
    for row in context.table("responses", "variable", "transform").records():
        of_scale = kept.setdefault(str(row["transform"]), {})
        of_scale.setdefault(row["variable"], set()).add(row["measure"])
    return {
        scale: [_tested(context, variable, measures) for variable, measures in own.items()]
        for scale, own in kept.items()
    }


def _tested(context: Context, variable: str, measures: set[str]) -> str:
    """Name what was tested of a variable: its days, its area under the curve, or both."""
    if "pest_days" in measures and len(measures) > 1:
        return f"{context.variable_label(variable)} (and its area under the curve)"
    return context.response(variable, next(iter(measures)), math.nan)


def fits(context: Context) -> Iterator[Block]:
    """One row a response: scale, plots, F and the coefficient of variation."""
    rows = context.table("responses", "variable", "F", "p")
    if not rows:
        return
    body: list[tuple[Cell, ...]] = []
    for row in rows.records():
        day = float(row["days_after"])
        reason = row["note"]
        body.append(
            (
                context.response(row["variable"], row["measure"], day),
                SCALES.get(row["transform"], str(row["transform"])),
                number_or_missing(row["n_plots"]),
                number_or_missing(row["n_missing"]),
                number_or_missing(row["df_treatment"], reason),
                number_or_missing(row["df_error"], reason),
                number_or_missing(row["F"], reason),
                number_or_missing(row["p"], reason),
                number_or_missing(row["cv_percent"], "the mean is not above 0"),
            )
        )
    yield Table(
        key="fits",
        question="Each response at a glance: scale, plots, F test of treatments and precision",
        columns=(
            Column(title="Response"),
            Column(title="Scale of analysis"),
            Column(title="Plots used", kind=Kind.NUMBER, digits=0),
            Column(title="Plots missing", kind=Kind.NUMBER, digits=0),
            Column(title="df, treatments", kind=Kind.NUMBER, digits=0),
            Column(title="df, error", kind=Kind.NUMBER, digits=_df_digits(rows, "df_error")),
            Column(title="F for treatments", kind=Kind.NUMBER, digits=2),
            Column(title="p-value", kind=Kind.P_VALUE),
            Column(title="Coefficient of variation, %", kind=Kind.NUMBER, digits=1),
        ),
        rows=tuple(body),
        notes=(
            *(
                f"{SCALES[name].capitalize()}: {formula}."
                for name, formula in SCALE_FORMULAS.items()
                if name in set(rows["transform"])
            ),
            *(distinct_notes(rows) if len(rows.known("F")) == len(rows) else ()),
            "df: degrees of freedom. The coefficient of variation is on the scale of analysis.",
        ),
        sheet="Responses",
        compact=True,
    )


def _df_digits(rows: Rows, column: str) -> int:
    """One decimal where degrees of freedom are not whole, as in designs with several errors."""
    return 0 if all(float(df).is_integer() for df in rows.numbers(column)) else 1
