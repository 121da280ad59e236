"""The first page of the report of a series as text and in a notebook."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.analysis.schema import SERIES_TABLES
from trialkit.findings.series_story import series_findings
from trialkit.report.document import Document
from trialkit.report.series.compose import compose_series
from trialkit.report.terminal import front_lines
from trialkit.report_options import ReportOptions
from trialkit.summaries import page_html

if TYPE_CHECKING:
    from trialkit.series.result import SeriesAnalysis


def series_page(series: SeriesAnalysis) -> Document:
    """Compose the first page of the report and nothing after it."""
    told = series.findings or series_findings(series)
    return compose_series(series, told, options=ReportOptions(formats=(), form="page"))


def series_lines(series: SeriesAnalysis) -> list[str]:
    """Write the first page as lines of at most 80 characters."""
    return front_lines(series_page(series))


def series_html(series: SeriesAnalysis) -> str:
    """Write the first page for a notebook, with the list of tables; all text is escaped."""
    return page_html(series_page(series), series, SERIES_TABLES)
