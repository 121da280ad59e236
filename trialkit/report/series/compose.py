"""A series to a Document: which questions are answered, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from trialkit.analysis.schema import SERIES_TABLES
from trialkit.figures.identity import plain_line
from trialkit.record.digest import short
from trialkit.report.compose import Sentence, numbered
from trialkit.report.document import Block, Document, Section, Where
from trialkit.report.series import beside, closing, control, front, trials, yields
from trialkit.report.series.context import MOST_PRINTED, SeriesContext
from trialkit.report_options import ReportOptions
from trialkit.series.result import SeriesAnalysis
from trialkit.series.rows import SeriesTables

Compose = Callable[[SeriesContext], Iterator[Block]]


#: Most rows of error variances that are printed.
ERRORS = 2 * MOST_PRINTED
#: Tables that stand in the workbook with every row.
IN_FULL = (
    "combined_control",
    "trial_control",
    "combined_held",
    "trial_held",
    "combined_differences",
    "combined_comparisons",
    "leave_one_out",
    "series_covariates",
    "series_seasons",
    "series_claims",
    "series_matches",
)


def _long(*names: str, most: int | None = None, least: int = 0) -> tuple[Compose, ...]:
    """Tables as they are, in the words of the schema; from so many rows, or to so many."""

    def one(name: str) -> Compose:
        def fill(context: SeriesContext) -> Iterator[Block]:
            table = context.long_form(name)
            if table is not None and least <= len(table.rows) <= (most or len(table.rows)):
                yield table

        return fill

    return tuple(one(name) for name in names)


#: The report in reading order: anchor, heading, what fills it, and where it is printed. A part
#: whose functions yield nothing does not appear.
OUTLINE: tuple[tuple[str, str, tuple[Compose, ...], Where], ...] = (
    (
        "trials",
        "The trials",
        (trials.trials_table, trials.treatments_table, trials.how_to_read),
        Where.MAIN,
    ),
    ("control", "Control over all trials", (control.pests, control.held), Where.MAIN),
    ("next", "The next site", (control.next_site,), Where.MAIN),
    ("differences", "Differences between treatments", (control.differences,), Where.MAIN),
    ("enemies", "Natural enemies and damage", (control.sides,), Where.MAIN),
    ("yield", "Yield, crop and stability", (yields.yields,), Where.MAIN),
    ("trust", "Reliability", (beside.doubts, beside.left_out), Where.MAIN),
    ("seasons", "Seasons", (beside.seasons,), Where.MAIN),
    ("goes-with", "What goes with the differences", (beside.covariates,), Where.MAIN),
    ("analysed", "Methods", (closing.methods,), Where.MAIN),
    ("warnings", "Departures", (closing.departures,), Where.MAIN),
    ("cautions", "Cautions", (closing.cautions,), Where.MAIN),
    ("references", "References", (closing.references,), Where.MAIN),
    ("again", "How to run it again", (closing.run_again,), Where.MAIN),
    ("shows", "Further findings", (closing.findings,), Where.ANNEX),
    ("each", "Means of each trial", (yields.trial_by_trial,), Where.ANNEX),
    (
        "tests",
        "Analysis of variance over trials",
        _long("combined_anova", "error_variances", most=ERRORS),
        Where.ANNEX,
    ),
    ("matches", "What was taken as the same", (trials.matches,), Where.ANNEX),
    ("files", "What was read", (closing.input_files,), Where.ANNEX),
    ("listed", "All trials", _long("series_trials", least=MOST_PRINTED + 1), Where.BOOK),
    ("errors", "Error of trials", _long("error_variances", least=ERRORS + 1), Where.BOOK),
    *(
        (f"all-{name}", f"{SERIES_TABLES[name].sheet} (full)", _long(name), Where.BOOK)
        for name in IN_FULL
        if name in SERIES_TABLES
    ),
)


def compose_series(
    series: SeriesAnalysis,
    findings: Sequence[Sentence] = (),
    *,
    made: datetime | None = None,
    options: ReportOptions | None = None,
    tables: SeriesTables | None = None,
    digest: str = "",
) -> Document:
    """Put a series into words and tables.

    Parameters
    ----------
    series : SeriesAnalysis
    findings : sequence
        What the series shows, the weightiest first; anything with a ``text``.
    made : datetime, optional
        When the report was made. Without it the document carries no time.
    options : ReportOptions, optional
        What the document is for.
    tables : SeriesTables, optional
        The tables of the series as rows, where they are at hand.
    digest : str
        That of the record, for the foot of each page.

    Returns
    -------
    Document
    """
    options = options or ReportOptions()
    lines = [(plain_line(item.text), bool(getattr(item, "front", False))) for item in findings]
    context = SeriesContext(
        tables=tables or SeriesTables(series),
        findings=tuple(text for text, on_front in lines if not on_front),
        front=tuple(text for text, on_front in lines if on_front),
        made=made.strftime("%Y-%m-%d %H:%M %Z").strip() if made is not None else "",
    )
    foot = (
        plain_line(series.title),
        f"made {context.made}" if context.made else "",
        f"record {short(digest)}" if digest else "",
    )
    return Document(
        title=plain_line(series.title),
        subtitle=front.subtitle(context),
        design=front.design(context),
        facts=(),
        front=front.front_page(context),
        sections=numbered(_sections(context, options)),
        made=context.made,
        foot=" \N{MIDDLE DOT} ".join(part for part in foot if part),
    )


def _sections(context: SeriesContext, options: ReportOptions) -> Iterator[Section]:
    if options.form == "page":
        return
    for key, title, fills, where in OUTLINE:
        if where is Where.ANNEX and options.length == "short":
            continue
        blocks = tuple(block for fill in fills for block in fill(context))
        if blocks:
            yield Section(key=key, title=title, blocks=blocks, where=where)
