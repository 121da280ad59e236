"""The first page: the answer in at most five sentences, a row a treatment, doubts, a caution."""

from __future__ import annotations

from trialkit.figures.identity import plain_line
from trialkit.numerals import plural
from trialkit.plain_text import joined
from trialkit.report.context import Context
from trialkit.report.document import Block
from trialkit.report.first_page import first_page
from trialkit.report.parts.departures import gaps_by_plot
from trialkit.report.parts.glance import table_at_a_glance
from trialkit.report.parts.layout_words import design_line
from trialkit.report.parts.trust import CHECKS

CAUTION = (
    "One trial in one season, on small plots open to reinvasion. Not a recommendation: follow the "
    "product label, local law and licensed advice."
)


def front_page(context: Context) -> tuple[Block, ...]:
    """Compose the first page.

    Parameters
    ----------
    context : Context
    """
    return tuple(
        first_page(
            context.front,
            table_at_a_glance(context),
            _doubt(context),
            CAUTION,
            names=_names(context),
        )
    )


def subtitle(context: Context) -> str:
    """Trial number, site and season in a line."""
    trial = context.trial
    number = trial.extra.get("trial_number") or trial.extra.get("trial")
    parts = (f"Trial {number}" if number else None, trial.site, trial.season)
    return " \N{MIDDLE DOT} ".join(plain_line(part) for part in parts if part)


def design(context: Context) -> str:
    """Treatments, design, dates and assessments in a line."""
    return design_line(context.trial)


def _names(context: Context) -> tuple[str, ...]:
    names = {plain_line(item.name) for item in context.trial.treatments if item.name}
    return tuple(sorted((name for name in names if len(name) > 2), key=len, reverse=True))


def _doubt(context: Context) -> str:
    """The doubts that matter, in a line; empty where there are none."""
    rows = context.table("diagnostics", "check", "verdict")
    failed = rows.where(verdict="failed") if rows else rows
    parts = []
    if failed:
        apart = failed.where(check="outlying plot")
        if apart:
            parts.append(f"{plural(len(apart), 'outlying value')} kept in the analysis")
        others = {
            CHECKS[str(check)][0].lower() if check in CHECKS else str(check)
            for check, verdict in zip(rows["check"], rows["verdict"], strict=True)
            if verdict == "failed" and check != "outlying plot"
        }
        if others:
            parts.append(f"assumptions in doubt ({', '.join(sorted(others))})")
    missing = len(gaps_by_plot(context))
    if missing:
        parts.append(f"values missing from {plural(missing, 'plot')}")
    if not parts:
        return ""
    where = ["Reliability"] * bool(failed) + ["Methods"] * bool(missing)
    return f"Read with care: {joined(parts)}. See {joined(where)}."
