"""A series to a Document: which questions are answered, and in which order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime

from trialkit.analysis.schema import SERIES_TABLES
from trialkit.figures.identity import plain_line
from trialkit.report.compose import Sentence, chosen_lines, finished, written_time
from trialkit.report.document import Block, Document, Section, Where
from trialkit.report.parts import own_text
from trialkit.report.series import (
    closing,
    control,
    differences,
    front,
    supporting,
    trials,
    yields,
)
from trialkit.report.series.context import MOST_PRINTED, SeriesContext, words_of_series
from trialkit.report.series.one_table import one_table
from trialkit.report_choices import SERIES_PARTS, report_choices
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


#: The report in reading order: the word that chooses a part, what fills it, and where it is
#: printed. A part whose functions yield nothing does not appear.
OUTLINE: tuple[tuple[str, tuple[Compose, ...], Where], ...] = (
    (
        "trials",
        (
            own_text.own("objective"),
            trials.trials_table,
            trials.treatments_table,
            trials.how_to_read,
        ),
        Where.MAIN,
    ),
    ("control", (control.pests, control.held), Where.MAIN),
    ("next", (control.next_site,), Where.MAIN),
    ("differences", (differences.differences,), Where.MAIN),
    ("enemies", (control.sides,), Where.MAIN),
    ("yield", (yields.yields,), Where.MAIN),
    ("discussion", (own_text.own("discussion"),), Where.MAIN),
    ("conclusion", (own_text.own("conclusion"),), Where.MAIN),
    ("reliability", (supporting.doubts, supporting.left_out), Where.MAIN),
    ("seasons", (supporting.seasons,), Where.MAIN),
    ("goes-with", (supporting.covariates,), Where.MAIN),
    ("methods", (own_text.own("methods"), closing.methods), Where.MAIN),
    ("departures", (closing.departures,), Where.MAIN),
    ("cautions", (closing.cautions,), Where.MAIN),
    ("sign-off", (own_text.signed,), Where.MAIN),
    ("references", (closing.references,), Where.MAIN),
    ("again", (closing.run_again,), Where.MAIN),
    ("findings", (closing.findings,), Where.ANNEX),
    ("each", (yields.trial_by_trial,), Where.ANNEX),
    ("variance", _long("combined_anova", "error_variances", most=ERRORS), Where.ANNEX),
    ("matches", (trials.matches,), Where.ANNEX),
    ("files", (closing.input_files,), Where.ANNEX),
)
#: What the workbook alone shows, whatever parts are chosen: anchor, heading, what fills it.
IN_THE_BOOK: tuple[tuple[str, str, tuple[Compose, ...]], ...] = (
    ("listed", "All trials", _long("series_trials", least=MOST_PRINTED + 1)),
    ("errors", "Error of trials", _long("error_variances", least=ERRORS + 1)),
    *(
        (f"all-{name}", f"{SERIES_TABLES[name].sheet} (full)", _long(name))
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
    choices = report_choices(series.options.report, choosable_of(series), SERIES_PARTS)
    lines = chosen_lines(findings, choices)
    context = SeriesContext(
        tables=(tables or SeriesTables(series)).only(choices.variables),
        choices=choices,
        findings=tuple(text for text, on_front in lines if not on_front),
        front=tuple(text for text, on_front in lines if on_front),
        made=written_time(made),
    )
    document = Document(
        title=plain_line(series.title),
        subtitle=front.subtitle(context),
        design=front.design(context),
        facts=(),
        front=front.front_page(context) if options.form != "table" else (),
        sections=tuple(_sections(context, options)),
        made=context.made,
    )
    return finished(document, digest, words_of_series(series), choices.numbers)


def choosable_of(series: SeriesAnalysis) -> dict[str, str]:
    """Label of every variable that the report of a series can show, by its name."""
    return {item.name: item.label for item in series.matched.variables}


def _sections(context: SeriesContext, options: ReportOptions) -> Iterator[Section]:
    if options.form == "table":
        yield Section(key="table", title="Results", blocks=tuple(one_table(context)))
    if options.form != "report":
        return
    by_key = {key: (fills, where) for key, fills, where in OUTLINE}
    chosen = [(key, SERIES_PARTS[key], *by_key[key]) for key in context.choices.order()]
    chosen += [(key, title, fills, Where.BOOK) for key, title, fills in IN_THE_BOOK]
    for key, title, fills, where in sorted(chosen, key=lambda part: list(Where).index(part[3])):
        if where is Where.ANNEX and options.length == "short":
            continue
        blocks = tuple(block for fill in fills for block in fill(context))
        if blocks:
            yield Section(key=key, title=title, blocks=blocks, where=where)
