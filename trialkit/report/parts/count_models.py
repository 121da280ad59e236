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
    why = "the model did not converge, or there is no error to test against"
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
        question="Do other tests agree? p-values of treatments",
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
    "Randomisation: the share of permitted rearrangements of treatments over plots whose F "
    "is at least as large as the one observed. No distribution is assumed. The p-value "
    "cannot be smaller than one over the number of arrangements tried."
)
_RANDOMISED_IN_STRATA = (
    "Randomisation: both factors were rearranged over their own units, as the design allows. "
    "The statistic is the mean F of both factors and their interaction, weighted by degrees "
    "of freedom. No distribution is assumed."
)


def _few_counted(context: Context) -> Iterator[str]:
    """Name the days on which a count model shows less than it could."""
    rows = context.table("count_tests", "note").where(model="negative binomial").known("note")
    for variable, own in rows.groups("variable").items():
        where = f"{context.variable_label(variable)}{days_words(own['days_after'])}"
        yield f"{where}: {own['note'][0]}."


_MODELLED = (
    "Counts were also analysed as counts, by log-linear models with the same blocking, "
    "tested by F from the deviance. In simulated trials of 4 to 6 blocks this test keeps its "
    "level. The likelihood-ratio test and quasi-Poisson, in the tables file, reject too "
    "often there. Counts were modelled as negative binomial: the variance is the mean plus "
    "dispersion times its square, and 0 is Poisson. Means and ratios to the untreated by "
    "these models are in the tables file."
)
_MODELLED_IN_STRATA = (
    "Counts were also analysed as counts, by log-linear models of each factor on its own "
    "units, tested by F from the deviance. The p-value is that of all combinations, over all "
    "errors. Counts were modelled as negative binomial: the variance between plots is the "
    "mean plus dispersion times its square, and 0 is Poisson. Means and ratios to the "
    "untreated are in the tables file."
)
_SHARED = (
    "Shares of a number examined (k of n) were also analysed as such, by logit models with "
    "the same blocking, tested by F from the deviance. Units of one plot resemble each "
    "other. Their correlation is estimated (0: none), since ignoring it would find "
    "differences where there are none. The quasi-binomial model allows for it by a single "
    "factor on the variance. It gives large plots more weight, and rejects too often where "
    "plots differ much in size. Where the correlation is 0, F is divided by the dispersion "
    "of the quasi-binomial, 1 at most. Where fewer than three units a plot were affected, "
    "their likeness allowed for, that F rejects too often. The p-value is then the share of "
    "permitted rearrangements of treatments whose deviance is as large."
)
_SHARED_IN_STRATA = (
    "Shares of a number examined (k of n) were also analysed as such, by logits with "
    "beta-binomial variance, each factor on its own units. The p-value is that of all "
    "combinations, over all errors. Units of one plot resemble each other: their "
    "correlation, main plots or strips removed, is estimated, and 0 is none."
)
