"""Tests beside the analysis of variance: randomisation, and models of counts and shares."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.parts.trust import days_words


def not_before(measure: str, day: float) -> bool:
    """Whether a response was not counted before treatment, where treatments cannot differ yet."""
    return not (measure == "count" and day <= 0)


def beside(context: Context) -> Iterator[Block]:
    """One row a response: randomisation test and count models beside the analysis of variance."""
    rows = context.table("responses", "p", "p_randomised")
    if not rows:
        return
    rows = rows.keep(map(not_before, rows["measure"], rows["days_after"]))
    models = {
        (row["variable"], row["days_after"], row["model"]): row
        for row in context.table("count_tests", "model", "p", "dispersion").records()
        if not isinstance(row.get("source"), str) or row["source"] == "treatment"
    }
    drawn = rows.knows("p_randomised")
    if not drawn and not models:
        return
    fitted = {model for _, _, model in models}
    shown = [item for item in _MODEL_COLUMNS if item[0] in fitted]
    why = "the model did not settle, or there is no error to test against"
    body: list[tuple[Cell, ...]] = []
    for row in rows.records():
        cells: list[Cell] = [
            context.response(row["variable"], row["measure"], float(row["days_after"])),
            number_or_missing(row["p"], row["note"]),
        ]
        if drawn:
            cells.append(number_or_missing(row["p_randomised"]))
        counted = row["measure"] == "count"
        for model, name, _ in shown:
            found = models.get((row["variable"], row["days_after"], model)) if counted else None
            cells.append(None if found is None else number_or_missing(found[name], why))
        body.append(tuple(cells))
    strata = context.trial.design.has_larger_units
    yield Table(
        key="beside",
        question="Do other tests tell the same? p-values of treatments",
        columns=(
            Column(title="Response"),
            Column(title="Analysis of variance", kind=Kind.P_VALUE),
            *([Column(title="Randomisation test", kind=Kind.P_VALUE)] if drawn else []),
            *(column for _, _, column in shown),
        ),
        rows=tuple(body),
        notes=(
            *([_RANDOMISED_IN_STRATA if strata else _RANDOMISED] if drawn else []),
            *(
                [_MODELLED_IN_STRATA if strata else _MODELLED, *_few_counted(context)]
                if "negative binomial" in fitted
                else []
            ),
            *([_SHARED_IN_STRATA if strata else _SHARED] if "beta-binomial" in fitted else []),
        ),
        sheet="Tests beside F",
    )


#: Models beside F: name, what is shown of them, and its column.
_MODEL_COLUMNS = (
    ("negative binomial", "p", Column(title="Negative binomial model", kind=Kind.P_VALUE)),
    ("negative binomial", "dispersion", Column(title="Dispersion", kind=Kind.NUMBER, digits=2)),
    ("beta-binomial", "p", Column(title="Beta-binomial model", kind=Kind.P_VALUE)),
    ("quasi-binomial", "p", Column(title="Quasi-binomial model", kind=Kind.P_VALUE)),
    (
        "beta-binomial",
        "dispersion",
        Column(title="Correlation within plots", kind=Kind.NUMBER, digits=3),
    ),
)
_RANDOMISED = (
    "Randomisation: the share of rearrangements of treatments over plots, as the design allows, "
    "with an F at least as large. It assumes no distribution. It cannot be smaller than one over "
    "the number of arrangements tried."
)
_RANDOMISED_IN_STRATA = (
    "Randomisation: both factors were rearranged over their own units, as the design allows. The "
    "statistic is the mean of the F of both factors and of their interaction, weighted by degrees "
    "of freedom. It assumes no distribution."
)


def _few_counted(context: Context) -> Iterator[str]:
    """Name the days on which a count model shows less than it could."""
    rows = context.table("count_tests", "note").where(model="negative binomial").known("note")
    for variable, own in rows.groups("variable").items():
        where = f"{context.variable_label(variable)}{days_words(own['days_after'])}"
        yield f"{where}: {own['note'][0]}."


_MODELLED = (
    "Counts are also analysed as counts, by log-linear models with the same blocking, tested by F "
    "from the deviance. In simulated trials of 4 to 6 blocks this test keeps its level. The "
    "likelihood-ratio test and quasi-Poisson, in the tables file, reject too often there. "
    "Dispersion is that of the negative binomial: the variance of plots is the "
    "mean plus dispersion times its square, and 0 is chance alone (Poisson). Means and ratios to "
    "the untreated by these models are in the tables file."
)
_MODELLED_IN_STRATA = (
    "Counts are also analysed as counts, by log-linear models of each factor on its own units, "
    "tested by F from the deviance; the p-value is that of all combinations, over all errors. "
    "Dispersion is that of the negative binomial between plots: their variance is the mean "
    "plus dispersion times its square, and 0 is chance alone (Poisson). Means and ratios to "
    "the untreated are in the tables file."
)
_SHARED = (
    "Shares of a number examined (k of n) are also analysed as such, by logit models with the same "
    "blocking, tested by F from the deviance. Units of one plot resemble each other; their "
    "correlation is estimated (0 is chance alone), for units that were taken for independent would "
    "show differences where there are none. The quasi-binomial puts the same into one factor on "
    "the variance; it trusts large plots more, and rejects too often where plots are of very "
    "different size. Where the correlation is 0 its F is over the dispersion of the quasi-"
    "binomial, 1 at most. Where fewer than three were hit a plot, likeness allowed for, that F "
    "rejects too often; p is then the share of ways of dealing out the treatments, as the design "
    "allows, whose deviance is as large."
)
_SHARED_IN_STRATA = (
    "Shares of a number examined (k of n) are also analysed as such, by logits with the "
    "variance of the beta-binomial, each factor on its own units; the p-value is that of all "
    "combinations, over all errors. Units of one plot resemble each other; their correlation, "
    "main plots or strips taken out, is estimated, and 0 is chance alone."
)
