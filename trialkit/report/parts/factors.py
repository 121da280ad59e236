"""Factors of split-plot, strip-plot and factorial trials: tests, means, standard errors."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.plain_text import capital
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import write_share
from trialkit.report.parts.means import day_column
from trialkit.report.parts.shares import BETA_BINOMIAL
from trialkit.rows import Rows
from trialkit.trial import Comparison, Design
from trialkit.words import COMPARISONS

#: Sources of an analysis of variance that are no factors.
_OTHERS = frozenset({"block", "row", "column", "treatment", "error", "error_main", "error_sub"})
_WORDS: Mapping[str, str] = {
    "main": "main factor",
    "sub": "sub factor",
    "main:sub": "both together (interaction)",
}


def factor_words(source: str) -> str:
    """Put a source of variation in words: "main factor", "product \u00d7 rate"."""
    return _WORDS.get(source) or plain_line(source).replace(":", " \u00d7 ")


def _key(row: Mapping[Any, Any]) -> tuple[str, str, float]:
    """Name a response; undefined days are not equal to themselves."""
    day = float(row["days_after"])
    return str(row["variable"]), str(row["measure"]), day if math.isfinite(day) else math.inf


def factor_tests(context: Context) -> Iterator[Block]:
    """One row a response: p-values of the factors and of their acting on each other."""
    anova = context.table("anova", "source", "p")
    if not anova:
        return
    rows = anova.keep(source not in _OTHERS for source in anova["source"])
    sources = list(dict.fromkeys(rows["source"]))
    if not sources:
        return
    found = {(*_key(row), row["source"]): row["p"] for row in rows.records()}
    body: list[tuple[Cell, ...]] = []
    for row in context.table("responses", "variable").records():
        key = _key(row)
        if any((*key, source) in found for source in sources):
            body.append(
                (
                    context.response(key[0], key[1], float(row["days_after"])),
                    *(
                        number_or_missing(found.get((*key, source)), "it could not be tested")
                        for source in sources
                    ),
                )
            )
    yield from _factor_table(context, sources, body)
    yield from _randomised_table(context, rows, sources)
    yield from _counted_tables(context)


def _factor_table(
    context: Context, sources: list[str], body: list[tuple[Cell, ...]]
) -> Iterator[Block]:
    yield Table(
        key="factor-tests",
        question="Do the factors have an effect, and do they interact? p-values",
        columns=(
            Column(title="Response"),
            *(Column(title=capital(factor_words(source)), kind=Kind.P_VALUE) for source in sources),
        ),
        rows=tuple(body),
        notes=(_tests_note(context), _INTERACTION),
        sheet="Factors tests",
    )


def _randomised_table(context: Context, rows: Rows, sources: list[str]) -> Iterator[Block]:
    """One row a response: randomisation p-values of the factors."""
    if "p_randomised" not in rows or not rows.knows("p_randomised"):
        return
    found = {(*_key(row), row["source"]): row["p_randomised"] for row in rows.records()}
    days = {_key(row): float(row["days_after"]) for row in rows.records()}
    why = "there are too few arrangements or plots"
    yield Table(
        key="factor-randomised",
        question="Do the factors have an effect by randomisation? p-values",
        columns=(
            Column(title="Response"),
            *(Column(title=capital(factor_words(source)), kind=Kind.P_VALUE) for source in sources),
        ),
        rows=tuple(
            (
                context.response(key[0], key[1], day),
                *(number_or_missing(found.get((*key, source)), why) for source in sources),
            )
            for key, day in days.items()
        ),
        notes=(_dealt_note(context),),
        sheet="Factors randomisation",
    )


def _counted_tables(context: Context) -> Iterator[Block]:
    """One row a response: p-values of the factors by the models for counts and for shares."""
    rows = context.table("count_tests", "source", "p")
    rows = rows.keep(source in _WORDS for source in rows.get("source"))
    for model, own in rows.groups("model").items() if rows else ():
        yield _counted_table(context, own, _COUNTED[model])


def _counted_table(context: Context, rows: Rows, words: _Counted) -> Table:
    found = {(row["variable"], row["days_after"], row["source"]): row for row in rows.records()}
    responses = dict.fromkeys((key[0], key[1]) for key in found)
    why = "the model did not converge, or there is no error to test against"
    notes = [plain_line(str(text)) for text in dict.fromkeys(rows.known("note")["note"])]
    return Table(
        key=words.key,
        question=f"Do the factors have an effect when {words.what}? p-values",
        columns=(
            Column(title="Response"),
            *(Column(title=capital(name), kind=Kind.P_VALUE) for name in _WORDS.values()),
            words.column,
        ),
        rows=tuple(
            (
                context.response(variable, "count", float(day)),
                *(number_or_missing(found[variable, day, source]["p"], why) for source in _WORDS),
                number_or_missing(found[variable, day, "main:sub"]["dispersion"], why),
            )
            for variable, day in responses
        ),
        notes=(
            words.note,
            *(f"On some days {text}; the tables file marks them." for text in notes),
        ),
        sheet=words.sheet,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counted:
    """Words around the tests of one model."""

    key: str
    what: str
    column: Column
    note: str
    sheet: str


_COUNTED = {
    "negative binomial": _Counted(
        key="factor-counts",
        what="counts are analysed as counts",
        column=Column(title="Dispersion", kind=Kind.NUMBER, digits=2),
        note=(
            "Negative binomial, log-linear: each factor on the totals of its own units, the "
            "interaction on the plots after these. The variance between plots is the mean "
            "plus dispersion times its square."
        ),
        sheet="Factors as counts",
    ),
    BETA_BINOMIAL: _Counted(
        key="factor-shares",
        what="shares are analysed as k of n",
        column=Column(title="Correlation within plots", kind=Kind.NUMBER, digits=3),
        note=(
            "Beta-binomial, logits: each factor on the mean shares of its own units, the "
            "interaction on the plots after these, weighted by the information in what was "
            "examined. Units of one plot resemble each other: their correlation, main plots "
            "or strips removed, is 0 where they do not."
        ),
        sheet="Factors as shares",
    ),
}


def _dealt_note(context: Context) -> str:
    if context.trial.design is Design.STRIP_PLOT:
        return (
            "The levels of each factor were rearranged over its own strips within every "
            "block, and for the interaction what remains of the plots after strips. The test "
            "of one factor is valid whatever the effect of the other. Where few arrangements "
            "are possible no p-value can be small."
        )
    return (
        "Levels of the main factor were rearranged over the main plots, as the design "
        "allows, and levels of the sub factor within each main plot. For the interaction, "
        "main plots exchanged their levels after the means of main plots and of the sub "
        "factor had been removed. The test of the sub factor asks whether it has an effect "
        "at any level of the main factor. Where few arrangements are possible no p-value can "
        "be small."
    )


_INTERACTION = (
    "A small p-value of the interaction means that the effect of one factor depends on the "
    "level of the other. The means of treatments then say more than those of one factor."
)


def _tests_note(context: Context) -> str:
    if context.trial.design is Design.SPLIT_PLOT:
        return (
            "The main factor is tested against the variation between main plots treated "
            "alike, the rest against that between subplots."
        )
    if context.trial.design is Design.STRIP_PLOT:
        return (
            "Each factor is tested against the variation between its own strips, the "
            "interaction against what remains."
        )
    return (
        "The lines partition the treatment sum of squares; each is tested against the error "
        "of the plots."
    )


def factor_means(context: Context) -> Iterator[Block]:
    """Means of the levels of each factor, averaged over the other factors."""
    rows = context.table("factor_means", "factor", "level", "mean_analysed")
    if not rows:
        return
    variables = dict.fromkeys(rows.where(measure="count")["variable"])
    for number, (factor, own) in enumerate(rows.groups("factor").items(), start=1):
        for variable in variables:
            counted = own.where(measure="count", variable=variable)
            yield _by_day(context, counted, str(variable), str(factor), number)
        others = own.keep(measure != "count" for measure in own["measure"])
        if others:
            yield _at_once(context, others, str(factor), number)


def _by_day(context: Context, rows: Rows, variable: str, factor: str, number: int) -> Table:
    days = sorted(set(rows["days_after"]))
    digits = context.digits(variable, "count")
    found = {(row["level"], row["days_after"]): row for row in rows.records()}
    lettered = rows.knows("letters")
    columns = [Column(title=capital(factor_words(factor)))]
    for day in days:
        columns.append(day_column(context, day, digits))
        if lettered:
            columns.append(Column(title=f"{columns[-1].title}, letters", kind=Kind.LETTERS))
    body: list[tuple[Cell, ...]] = []
    for level in dict.fromkeys(rows["level"]):
        cells: list[Cell] = [plain_line(str(level))]
        for day in days:
            row = found[(level, day)]
            cells.append(number_or_missing(row["mean"], "no plot was assessed"))
            if lettered:
                cells.append(row["letters"] or "")
        body.append(tuple(cells))
    label = context.variable_label(variable)
    words = factor_words(factor)
    return Table(
        key=context.key(f"factor-{number}", variable),
        question=f"{label}: mean of each level of the {words}, as counted"
        if words in _WORDS.values()
        else f"{label}: mean of each level of {words}, as counted",
        columns=tuple(columns),
        rows=tuple(body),
        notes=_letters_note(context) if lettered else (),
        sheet=f"{capital(words)} {label}",
    )


def _at_once(context: Context, rows: Rows, factor: str, number: int) -> Table:
    """Areas and yields: levels down, responses across."""
    responses = list(dict.fromkeys(zip(rows["variable"], rows["measure"], strict=True)))
    found = {(row["level"], row["variable"], row["measure"]): row for row in rows.records()}
    lettered = rows.knows("letters")
    words = factor_words(factor)
    columns = [Column(title=capital(words))]
    for variable, measure in responses:
        title = context.response(variable, measure, math.nan)
        columns.append(
            Column(title=title, kind=Kind.NUMBER, digits=context.digits(variable, measure))
        )
        if lettered:
            columns.append(Column(title=f"{title}, letters", kind=Kind.LETTERS))
    body: list[tuple[Cell, ...]] = []
    for level in dict.fromkeys(rows["level"]):
        cells: list[Cell] = [plain_line(str(level))]
        for variable, measure in responses:
            row = found[(level, variable, measure)]
            cells.append(number_or_missing(row["mean"], "no plot was assessed"))
            if lettered:
                cells.append(row["letters"] or "")
        body.append(tuple(cells))
    of = f"the {words}" if words in _WORDS.values() else words
    return Table(
        key=f"factor-{number}-whole",
        question=f"Means of each level of {of} over the whole trial",
        columns=tuple(columns),
        rows=tuple(body),
        notes=_letters_note(context) if lettered else (),
        sheet=f"{capital(words)} whole trial",
    )


def _letters_note(context: Context) -> tuple[str, ...]:
    settings = context.trial.settings
    if settings.comparison in {Comparison.NONE, Comparison.DUNNETT}:
        return ()
    method = COMPARISONS.get(settings.comparison.value, settings.comparison.value)
    return (
        f"Levels followed by the same letter do not differ significantly ({method}, "
        f"{write_share(settings.alpha)}, on the scale of analysis). The letter a marks the "
        "largest mean.",
    )


def factor_differences(context: Context) -> Iterator[Block]:
    """Standard errors of the four kinds of difference in a split-plot or strip-plot."""
    rows = context.table("factor_differences", "between", "se")
    if not rows:
        return
    kinds = list(dict.fromkeys(rows["between"]))
    found = {(*_key(row), row["between"]): row["se"] for row in rows.records()}
    responses = {_key(row): float(row["days_after"]) for row in rows.records()}
    yield Table(
        key="factor-differences",
        question="Standard errors of differences, by what is compared",
        columns=(
            Column(title="Response"),
            *(Column(title=capital(kind), kind=Kind.NUMBER) for kind in kinds),
        ),
        rows=tuple(
            (
                context.response(key[0], key[1], day),
                *(number_or_missing(found.get((*key, kind))) for kind in kinds),
            )
            for key, day in responses.items()
        ),
        notes=("On the scale of analysis. Degrees of freedom are in the tables file.",),
        sheet="Factors standard errors",
    )
    yield from _worth(context, rows, kinds)


def _worth(context: Context, rows: Rows, kinds: list[str]) -> Iterator[Block]:
    """What the splitting of plots gained and cost; nothing where no response has a value."""
    if "relative_efficiency" not in rows or not rows.knows("relative_efficiency"):
        return
    found = {(*_key(row), row["between"]): row for row in rows.records()}
    days = {_key(row): float(row["days_after"]) for row in rows.records()}
    yield Table(
        key="factor-efficiency",
        question="Relative efficiency of splitting the plots, by what is compared",
        columns=(
            Column(title="Response"),
            *(Column(title=capital(kind), kind=Kind.NUMBER, digits=2) for kind in kinds),
        ),
        rows=tuple(
            (
                context.response(key[0], key[1], day),
                *(
                    number_or_missing(
                        found[(*key, kind)]["relative_efficiency"], found[(*key, kind)]["reason"]
                    )
                    for kind in kinds
                ),
            )
            for key, day in days.items()
        ),
        notes=(
            "The variance of a difference had all combinations been spread over the same "
            "plots, divided by its actual variance; degrees of freedom are allowed for. "
            "Above 1, splitting gained; below 1, it cost. As a rule it costs the main factor "
            "and gains the sub factor.",
        ),
        sheet="Factors efficiency",
    )
