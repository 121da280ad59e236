"""How far the analysis can be trusted: checks of its assumptions, and what it could have shown."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.report.context import SCALES, Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    FigureBlock,
    Kind,
    Notes,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.report.numbers import write_share
from trialkit.trial import Design, VariableRole

OUTLYING = "outlying plot"
#: Checks with a verdict, each with its heading and what a failure means for the trial.
CHECKS: Mapping[str, tuple[str, str]] = {
    "equal scatter": (
        "Equal scatter",
        "Plots did not scatter alike in all treatments, or scattered more where means are high. "
        "One common standard error is then too wide for the even treatments and too narrow for "
        "the uneven ones.",
    ),
    "normality": (
        "Normality",
        "What treatments and blocks leave over is not shaped like a normal distribution. F and "
        "the comparisons bear a moderate departure; p-values close to the level deserve care.",
    ),
    "additivity": (
        "Additivity",
        "Treatments did not act alike in all blocks: their differences changed with the level of "
        "the block. The means are averages over the blocks, and what they average over stands in "
        "the error.",
    ),
    OUTLYING: (
        "Outlying plot",
        "Such a plot moves the mean of its treatment and widens every interval. It stayed in the "
        "analysis; look it up in the field book.",
    ),
}
_NAME_IT = "name it as the transform of the variable, run the trial again and compare."
_ADVICE: Mapping[str, str] = {
    "try sqrt": f"a square root may mend this: {_NAME_IT}",
    "try log": f"a logarithm may mend this: {_NAME_IT}",
    "try arcsine": f"the arcsine may mend this: {_NAME_IT}",
    "count model beside": "read the count model beside these tests; it gives large and small "
    "counts each their own variance.",
    "randomisation test beside": "read the randomisation test beside F; it takes no distribution "
    "on trust.",
    "read with caution": "no other scale is known to serve better; rest no conclusion on a "
    "p-value close to the level alone.",
}
_UNDER_DOUBT = ("doubtful", "failed")
_MOST_NAMED = 6

Row = dict[str, Any]


def _verdicts(context: Context) -> pd.DataFrame:
    rows = context.table("diagnostics", "check", "p", "verdict")
    return rows[rows["verdict"].isin(["fine", *_UNDER_DOUBT])] if not rows.empty else rows


def doubts(context: Context) -> Iterator[Block]:
    """Sentences: how many checks raised doubts, what failed where, and what is recommended."""
    rows = _verdicts(context)
    if rows.empty:
        return
    doubtful = rows[rows["verdict"].isin(_UNDER_DOUBT)]
    failed = rows[rows["verdict"] == "failed"]
    yield Paragraph(_tally(rows, doubtful, failed))
    notes = []
    for check, (title, meaning) in CHECKS.items():
        own = failed[failed["check"] == check]
        if not own.empty:
            verb = "One plot stands apart in" if check == OUTLYING else f"{title} failed for"
            notes.append(f"{verb} {_places(context, own)}. {meaning}")
    if notes:
        yield Notes(tuple(notes))
    advice = tuple(_recommendations(context))
    if advice:
        yield Paragraph("What is recommended, and was not done by itself:")
        yield Notes(advice)


def scatter(context: Context) -> Iterator[Block]:
    """Residuals of the first pest against its fitted values."""
    rows = context.table("residuals", "studentized")
    for variable in context.analysis.trial.variables:
        own = rows[(rows["variable"] == variable.name) & (rows["measure"] == "count")]
        own = own[own["studentized"].notna()]
        if variable.role is not VariableRole.PEST or own.empty:
            continue
        label = plain_line(variable.label)
        far = int((own["studentized"].abs() >= 3.0).sum())
        first, last = float(own["days_after"].min()), float(own["days_after"].max())
        days = "all days" if last > first else f"day {write_day(first)}"
        yield FigureBlock(
            key=context.key("residuals", variable.name),
            kind="residuals",
            variable=variable.name,
            alt=f"Residuals of {label} on {days} against fitted values; {far} of {len(own)} lie "
            "beyond 3 standard errors.",
            caption=f"{label}, {days}: what plots differ by from what treatments and blocks let "
            "expect, in standard errors, against that expectation. A band that widens to one side "
            "shows a spread that rises with the mean; a bow shows effects that do not add up on "
            "this scale. Plots beyond 3 are named.",
        )
        return


def _tally(rows: pd.DataFrame, doubtful: pd.DataFrame, failed: pd.DataFrame) -> str:
    number = len(rows)
    text = (
        "The tests rest on plots that scatter alike, about a normal curve, with treatments that "
        f"act alike in all blocks. Of {number} checks "
    )
    if doubtful.empty:
        return text + "none raised a doubt, which in a small trial is not proof that all is well."
    below = (
        f"{len(failed)} of them below 1 % (called failed here)" if len(failed) else "none below 1 %"
    )
    chance = f"about {0.05 * number:.0f}" if number >= 20 else "one or none"
    return text + (
        f"{len(doubtful)} came out below 5 %, {below}; {chance} below 5 % would be expected by "
        "chance alone. Nothing was switched because of them: scale and procedure are those of the "
        "settings or of the stated rule."
    )


def _places(context: Context, rows: pd.DataFrame) -> str:
    """Name responses: "Larvae per plant on days 3 and 7; Yield"."""
    parts = []
    for variable, measure in dict.fromkeys(zip(rows["variable"], rows["measure"], strict=True)):
        own = rows[(rows["variable"] == variable) & (rows["measure"] == measure)]
        label = context.response(str(variable), str(measure), math.nan)
        parts.append(f"{label}{_days(own['days_after'].tolist())}{_plots(own['plot'].tolist())}")
    return "; ".join(parts)


def _days(days: list[float]) -> str:
    known = [write_day(day) for day in days if math.isfinite(day)]
    if not known:
        return ""
    if len(known) > _MOST_NAMED:
        return f" on {len(known)} days"
    joined = known[0] if len(known) == 1 else f"{', '.join(known[:-1])} and {known[-1]}"
    return f" on day{'' if len(known) == 1 else 's'} {joined}"


def _plots(plots: list[object]) -> str:
    named = list(dict.fromkeys(plain_line(plot) for plot in plots if isinstance(plot, str)))
    if not named or len(named) > _MOST_NAMED:
        return ""
    return f" (plot{'' if len(named) == 1 else 's'} {', '.join(named)})"


def _recommendations(context: Context) -> Iterator[str]:
    """Advice for the days of each variable together, and for areas; alike ones joined."""
    advised: dict[str, list[str]] = {}
    for variable in context.variables:
        rows = context.rows("choices", variable)
        area = context.rows("responses", variable, "pest_days")
        label = context.variable_label(variable)
        for name, found in ((label, rows), (f"{label}, area under the curve", area)):
            text = found["recommendation"].iloc[0] if not found.empty else None
            if isinstance(text, str) and text in _ADVICE:
                advised.setdefault(text, []).append(name)
    for text, names in advised.items():
        yield f"{'; '.join(names)}: {_ADVICE[text]}"


def checks(context: Context) -> Iterator[Block]:
    """One row a response: p-values of the checks."""
    rows = _verdicts(context)
    if rows.empty:
        return
    by_response: dict[tuple[str, str, float], dict[str, Row]] = {}
    days: dict[tuple[str, str, float], float] = {}
    for row in rows.to_dict("records"):
        day = float(row["days_after"])
        key = (str(row["variable"]), str(row["measure"]), day if math.isfinite(day) else math.inf)
        by_response.setdefault(key, {})[str(row["check"])] = {str(k): v for k, v in row.items()}
        days[key] = day
    present = [check for check in CHECKS if (rows["check"] == check).any()]
    plots = rows["plot"].notna().any()
    body: list[tuple[Cell, ...]] = []
    for key, found in by_response.items():
        cells: list[Cell] = [context.response(key[0], key[1], days[key])]
        cells += [
            number_or_missing(found.get(check, {}).get("p"), "the check is not available here")
            for check in present
        ]
        if plots:
            plot = found.get(OUTLYING, {}).get("plot")
            cells.append(plain_line(plot) if isinstance(plot, str) else "")
        body.append(tuple(cells))
    yield Table(
        key="checks",
        question="Do the assumptions hold? p-values of the checks of each response",
        columns=(
            Column(title="Response"),
            *(Column(title=CHECKS[check][0], kind=Kind.P_VALUE) for check in present),
            *([Column(title="Which plot")] if plots else []),
        ),
        rows=tuple(body),
        notes=(
            "A small p-value says that the assumption is in doubt. Scatter: Brown and Forsythe's "
            "test between treatments and the correlation of scatter with the mean, together. "
            "Normality: Shapiro and Wilk's test. Both p-values come from draws of normal errors "
            "in this very layout."
            + (" Additivity: Tukey's one degree of freedom." if "additivity" in present else "")
            + " Outlying plot: the largest studentized residual, with Bonferroni's correction.",
        ),
        sheet="Checks",
    )


def beside(context: Context) -> Iterator[Block]:
    """One row a response: randomisation test and count models beside the analysis of variance."""
    rows = context.table("responses", "p", "p_randomised")
    if rows.empty:
        return
    rows = rows[~((rows["measure"] == "count") & (rows["days_after"] <= 0))]
    models = {
        (row["variable"], row["days_after"], row["model"]): row
        for row in context.table("count_tests", "model", "p", "dispersion").to_dict("records")
        if not isinstance(row.get("source"), str) or row["source"] == "treatment"
    }
    drawn = bool(rows["p_randomised"].notna().any())
    if not drawn and not models:
        return
    fitted = {model for _, _, model in models}
    shown = [item for item in _MODEL_COLUMNS if item[0] in fitted]
    why = "the model did not settle, or there is no error to test against"
    body: list[tuple[Cell, ...]] = []
    for row in rows.to_dict("records"):
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
            *([_randomised_note(context)] if drawn else []),
            *(
                [_modelled_note(context), *_few_counted(context)]
                if "negative binomial" in fitted
                else []
            ),
            *([_SHARED] if "beta-binomial" in fitted else []),
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
    "Randomisation: the share of arrangements of the treatments over the plots, drawn as the "
    "design allows, that would have shown an F as large; no distribution is taken on trust. Where "
    "few arrangements are possible or drawn, it cannot become smaller than one over their number."
)


def _randomised_note(context: Context) -> str:
    if context.trial.design not in {Design.SPLIT_PLOT, Design.STRIP_PLOT}:
        return _RANDOMISED
    return (
        "Randomisation: both factors were dealt anew over their own units, as the design allows; "
        "the p-value is the share of arrangements in which the mean of the F of both factors and "
        "of their acting together, weighted by degrees of freedom, was as large. No distribution "
        "is taken on trust."
    )


def _few_counted(context: Context) -> Iterator[str]:
    """Name the days on which a count model shows less than it could."""
    rows = context.table("count_tests", "note")
    rows = rows[(rows["model"] == "negative binomial") & rows["note"].notna()]
    for variable in dict.fromkeys(rows["variable"]):
        own = rows[rows["variable"] == variable]
        where = f"{context.variable_label(variable)}{_days(own['days_after'].tolist())}"
        yield f"{where}: {own['note'].iloc[0]}."


_MODELLED = (
    "Counts are also analysed as counts, by log-linear models with the same blocking, tested by F "
    "from the deviance, which keeps its level in simulated trials of 4 to 6 blocks; the "
    "likelihood-ratio test and quasi-Poisson, in the tables file, reject too often there. "
    "Dispersion is that of the negative binomial: the variance of plots is the "
    "mean plus dispersion times its square, and 0 is chance alone (Poisson). Means and ratios to "
    "the untreated by these models are in the tables file."
)


def _modelled_note(context: Context) -> str:
    if context.trial.design not in {Design.SPLIT_PLOT, Design.STRIP_PLOT}:
        return _MODELLED
    return (
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
    "different size. Where the correlation is 0 the beta-binomial F shows less than it could."
)


def reach(context: Context) -> Iterator[Block]:
    """One row a response: what the trial could have shown, and what blocking gained."""
    rows = context.table("responses", "significant_difference", "detectable_difference")
    if rows.empty:
        return
    columns = [
        ("significant_difference", "Smallest difference that is significant", None),
        ("detectable_difference", "Difference that would be found 4 times in 5", None),
        ("detectable_percent", "The same as a reduction of the untreated, %", 0),
        ("relative_efficiency", "What blocking was worth, times the plots", 2),
    ]
    kept = [item for item in columns if rows[item[0]].notna().any()]
    before = (rows["measure"] == "count") & (rows["days_after"] <= 0)
    rows = rows[~before]
    if not kept or rows.empty:
        return
    settings = context.trial.settings
    untreated = context.trial.untreated is not None
    yield Table(
        key="reach",
        question="What could this trial have shown?",
        columns=(
            Column(title="Response"),
            Column(title="Scale of analysis"),
            *(Column(title=title, kind=Kind.NUMBER, digits=digits) for _, title, digits in kept),
        ),
        rows=tuple(
            (
                context.response(row["variable"], row["measure"], float(row["days_after"])),
                SCALES.get(row["transform"], str(row["transform"])),
                *(number_or_missing(row[name], _why(name, row["measure"])) for name, *_ in kept),
            )
            for row in rows.to_dict("records")
        ),
        notes=(
            "Differences are on the scale of analysis, on average over pairs, at the level of "
            f"{write_share(settings.alpha)}. The second is the true difference "
            + (
                "from the untreated that Dunnett's procedure"
                if untreated
                else "between two treatments that the procedure"
            )
            + " would have called significant in four of five trials like this one. It says how "
            "fine the sieve was, not that treatments which were not told apart are equal.",
            *(
                (
                    "Blocking: error variance that the same plots would have had without blocks "
                    "(rows, columns), over the one with them; above 1 it paid.",
                )
                if any(name == "relative_efficiency" for name, *_ in kept)
                else ()
            ),
        ),
        sheet="Reach of the trial",
    )


def _why(name: str, measure: str) -> str:
    """Say why a number of the reach is missing, where that is not plain."""
    if name == "significant_difference":
        return "the procedure has no single smallest difference"
    if name == "detectable_percent" and measure != "yield":
        return "not even the loss of all would be found"
    return ""


def samples(context: Context) -> Iterator[Block]:
    """Variance of plots and samples, and what one more of either would have gained."""
    rows = context.table("samples", "variance_plots", "variance_samples")
    if rows.empty:
        return
    body = tuple(
        (
            context.response(row["variable"], "count", float(row["days_after"])),
            number_or_missing(row["samples"]),
            number_or_missing(row["variance_plots"]),
            number_or_missing(row["variance_samples"]),
            number_or_missing(row["se_mean"]),
            number_or_missing(row["se_one_more_sample"]),
            number_or_missing(row["se_one_more_block"]),
        )
        for row in rows.to_dict("records")
    )
    yield Table(
        key="samples-gain",
        question="Would more samples or more plots have helped? Standard error of a treatment mean",
        columns=(
            Column(title="Response"),
            Column(title="Samples in a plot", kind=Kind.NUMBER, digits=1),
            Column(title="Variance between plots", kind=Kind.NUMBER),
            Column(title="Variance between samples", kind=Kind.NUMBER),
            Column(title="Standard error now", kind=Kind.NUMBER),
            Column(title="with one more sample in each plot", kind=Kind.NUMBER),
            Column(title="with one more plot of each treatment", kind=Kind.NUMBER),
        ),
        rows=body,
        notes=(
            "As counted, before any transform. Where the variance between plots is 0 the plots "
            "differ no more than their samples let expect, and further samples gain about as much "
            "as further plots.",
        ),
        sheet="Samples and plots",
    )
