"""Methods, departures, how to run it again, cautions and sources of a series."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.figures.identity import plain_line
from trialkit.report.document import (
    Block,
    Column,
    Findings,
    Notes,
    Paragraph,
    Table,
)
from trialkit.report.parts.closing import how_again
from trialkit.report.references import reference_lines
from trialkit.report.series.context import EN_DASH, MOST_PRINTED, MOST_ROWS, SeriesContext
from trialkit.report.series.trials import unmatched
from trialkit.series.matched import WINDOWS, SeriesSettings
from trialkit.words import COMPARISONS


def methods(context: SeriesContext) -> Iterator[Block]:
    """A paragraph that can be pasted into a paper."""
    settings = context.settings
    if context.tables["combined_control"]:
        windows = ", ".join(
            window.name.replace("-", EN_DASH) for window in context.tables.matched.windows
        )
        yield Paragraph(
            "In each trial, each treatment's log ratio to the untreated was computed for "
            f"spans of days after the first application ({windows}) and for the area under "
            "the curve. Treatments of a trial share the untreated; the covariance that "
            "follows was kept. The trials were combined by a random-effects model, all "
            "treatments of a trial together; treatments absent from a trial took no part "
            "there. The variance between trials was estimated by restricted maximum "
            "likelihood (REML). Intervals are those of Hartung and Knapp, never narrower "
            "than without their factor, with Satterthwaite's degrees of freedom. Predictions "
            "for the next site average over the variances between trials that the data "
            "allow, weighted by restricted likelihood. They are made from three trials on."
        )
    if context.tables["combined_means"]:
        kind = "random" if settings.environments == "random" else "fixed"
        yield Paragraph(
            "Yields and measurements were analysed over trials as environments, with blocks "
            "within environments, treatments, and treatment \N{MULTIPLICATION SIGN} environment. "
            f"Environments were {kind}. Where error variances differed, each trial kept its own. "
            "Degrees of freedom are those of Kenward and Roger. Means were compared by "
            f"{COMPARISONS[settings.comparison]} at {100 * settings.alpha:g}%."
        )
    yield Paragraph(
        f"All claims of page 1 together keep the {100 * settings.alpha:g}% level. Each "
        "question has a share of it, and the comparisons of a question are adjusted for "
        "their number. Elsewhere, every question keeps its own level."
    )


def departures(context: SeriesContext) -> Iterator[Block]:
    """What differs from the usual settings, what was left out, and what was odd."""
    usual, own = SeriesSettings(), context.settings
    items = [
        f"{words}: {getattr(own, name)} in place of {getattr(usual, name)}."
        for name, words in (
            ("alpha", "Level"),
            ("target", "Target of control, %"),
            ("margin", "Margin, percentage points"),
            ("environments", "Environments"),
        )
        if getattr(own, name) != getattr(usual, name)
    ]
    if context.tables.matched.windows != WINDOWS:
        names = ", ".join(item.name for item in context.tables.matched.windows)
        items.append(f"Spans of days: {names.replace('-', EN_DASH)}.")
    items += [
        f"{item.key} was left out: {item.left_out}."
        for item in context.series.inputs
        if item.left_out
    ]
    items += unmatched(context)
    items += [f"{item.what} {item.remedy}" for item in context.series.problems]
    items += [
        f"{question}: more than {MOST_ROWS:,} rows, therefore only in the record and the tidy "
        "files."
        for question in context.too_long
    ]
    if items:
        yield Notes(tuple(map(plain_line, items)))


def cautions(context: SeriesContext) -> Iterator[Block]:
    """Say what the results are not."""
    yield Notes(
        (
            f"These are the results of {context.count}, at the sites and in the seasons "
            "listed. They apply to other sites only as far as these trials represent them.",
            "A prediction for the next site is not a promise: it applies to sites like "
            "these, and misses about one in twenty of them.",
            "This report describes what was measured. It is not a recommendation to apply "
            "anything.",
            "Users of pesticides must follow the product label, local law and licensed advice, "
            "which take precedence over this report. Treatments that are not registered are not "
            "for use.",
        )
    )


def findings(context: SeriesContext) -> Iterator[Block]:
    """Every sentence that page 1 has no room for."""
    if context.findings:
        yield Findings(context.findings)


def references(context: SeriesContext) -> Iterator[Block]:
    """List the checked sources of the methods that were used."""
    keys = set()
    if context.tables["combined_control"]:
        keys |= {"hartung-knapp", "prediction", "heterogeneity", "abbott"}
    if context.tables["combined_means"]:
        keys |= {"inference-space", "kenward-roger", str(context.settings.comparison)}
    if context.tables["stability"]:
        keys |= {"ecovalence", "stability-variance", "environment-slope", "superiority"}
    lines = reference_lines(keys)
    if lines:
        yield Notes(lines)


def run_again(context: SeriesContext) -> Iterator[Block]:
    """Say how to get the same numbers again."""
    yield from how_again("what was read of every trial, the settings", context.made)


def input_files(context: SeriesContext) -> Iterator[Block]:
    """List what was read, with digests."""
    inputs = context.series.inputs
    if 0 < len(inputs) <= MOST_PRINTED:
        yield Table(
            key="inputs",
            question="What was read, with digests",
            columns=(Column(title="Trial"), Column(title="Read from"), Column(title="SHA-256")),
            rows=tuple(
                (plain_line(item.key), plain_line(item.source), item.digest) for item in inputs
            ),
            sheet="Files read",
        )
