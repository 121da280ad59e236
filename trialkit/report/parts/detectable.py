"""What the trial could have shown, and what more samples or plots would have gained."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.report.context import Context
from trialkit.report.document import Block, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import write_share
from trialkit.report.parts.count_models import not_before
from trialkit.words import SCALES


def reach(context: Context) -> Iterator[Block]:
    """One row a response: what the trial could have shown, and what blocking gained."""
    rows = context.table("responses", "significant_difference", "detectable_difference")
    if not rows:
        return
    columns = [
        ("significant_difference", "Smallest significant difference", None),
        ("detectable_difference", "Difference detected in 4 of 5 trials", None),
        ("detectable_percent", "As a reduction of the untreated, %", 0),
        ("relative_efficiency", "Relative efficiency of blocking", 2),
    ]
    kept = [item for item in columns if rows.knows(item[0])]
    rows = rows.keep(map(not_before, rows["measure"], rows["days_after"]))
    if not kept or not rows:
        return
    settings = context.trial.settings
    untreated = context.trial.untreated is not None
    yield Table(
        key="reach",
        question="What differences could this trial detect?",
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
            for row in rows.records()
        ),
        notes=(
            "Differences are on the scale of analysis, averaged over pairs, at the level of "
            f"{write_share(settings.alpha)}. The second is the true difference "
            + (
                "from the untreated that Dunnett's procedure"
                if untreated
                else "between two treatments that the procedure"
            )
            + " would have called significant in four of five trials like this one. It shows "
            "the sensitivity of the trial. It does not show that treatments without a "
            "significant difference are equal.",
            *(
                (
                    "Relative efficiency: the error variance expected of the same plots "
                    "without blocks (rows, columns), divided by that with them. Above 1, "
                    "blocking paid.",
                )
                if any(name == "relative_efficiency" for name, *_ in kept)
                else ()
            ),
        ),
        sheet="Detectable differences",
    )


def _why(name: str, measure: str) -> str:
    """Say why a number of the reach is missing, where that is not plain."""
    if name == "significant_difference":
        return "the procedure has no single smallest difference"
    if name == "detectable_percent" and measure != "yield":
        return "even complete loss would not be detected"
    return ""


def samples(context: Context) -> Iterator[Block]:
    """Variance of plots and samples, and what one more of either would have gained."""
    rows = context.table("samples", "variance_plots", "variance_samples")
    if not rows:
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
        for row in rows.records()
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
            "As counted, before any transform. Where the variance between plots is 0, plots "
            "differ no more than expected from their samples. More samples then gain about "
            "as much as more plots.",
        ),
        sheet="Samples and plots",
    )
