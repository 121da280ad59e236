"""What one trial says in a line: who leads, control, precision, doubts."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from trialkit.figures.identity import plain_line
from trialkit.many import Glimpse
from trialkit.numerals import day as write_day
from trialkit.numerals import plural, whole
from trialkit.rows import Rows

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

#: By what a treatment leads, the first that a trial has: the question, and whether less is better.
_LEADING = (("pest_days", True), ("control_last", False), ("yield", False))
EN_DASH = "\N{EN DASH}"


def glimpse(analysis: Analysis) -> Glimpse:
    """Look at one trial for a list of many.

    Parameters
    ----------
    analysis : Analysis
    """
    rows = Rows.of(analysis.glance)
    leader = _leader(analysis, rows)
    cells = {
        row["question"]: row for row in rows.records() if leader and row["treatment"] == leader
    }
    return Glimpse(
        leads=_leads(analysis, cells, leader),
        control_first=_control(cells.get("control_first")),
        control_last=_control(cells.get("control_last")),
        precision=_precision(analysis),
        doubts=_doubts(analysis),
    )


def _first_of(rows: Rows, question: str) -> list[dict[str, Any]]:
    """Rows of a question for its first variable."""
    found = rows.where(question=question).records() if rows else []
    return [row for row in found if row["variable"] == found[0]["variable"]]


def _leader(analysis: Analysis, rows: Rows) -> str | None:
    for question, least in _LEADING:
        found = [
            row
            for row in _first_of(rows, question)
            if row["value"] == row["value"] and row["treatment"] != analysis.trial.untreated
        ]
        if found:
            best = min(found, key=lambda row: row["value"] if least else -row["value"])
            return str(best["treatment"])
    return None


def _leads(analysis: Analysis, cells: dict[str, dict[str, Any]], leader: str | None) -> str:
    if leader is None:
        return ""
    name = next(item.name or item.id for item in analysis.trial.treatments if item.id == leader)
    asked = next(question for question, _ in _LEADING if question in cells)
    told = "" if cells[asked]["shown"] else " (difference not established)"
    return f"{plain_line(name)}{told}"


def _control(row: dict[str, Any] | None) -> str:
    if row is None or row["value"] != row["value"]:
        return ""
    limits = [row["lower"], row["upper"]]
    span = ""
    if all(map(math.isfinite, limits)):
        joint = " to " if min(limits) < 0 else EN_DASH
        span = f" ({joint.join(whole(limit) for limit in limits)})"
    day = row["days_after"]
    on = f", day {write_day(day)}" if day == day else ""
    return f"{whole(row['value'])}%{span}{on}"


def _precision(analysis: Analysis) -> str:
    rows = Rows.of(analysis.responses)
    labels = {item.name: plain_line(item.label) for item in analysis.trial.variables}
    told = []
    for measure, column, words in (
        ("pest_days", "detectable_percent", "reductions of {}% or more detectable"),
        ("yield", "cv_percent", "CV {}%"),
    ):
        found = rows.where(measure=measure, transform="none") if measure == "yield" else rows
        cells = found.where(measure=measure).known(column).records()
        if cells:
            name = labels.get(cells[0]["variable"], plain_line(cells[0]["variable"]))
            told.append(f"{name}: {words.format(whole(cells[0][column]))}")
    return "; ".join(told)


def _doubts(analysis: Analysis) -> str:
    checks = Rows.of(analysis.diagnostics)
    failed = len(checks.places(verdict="failed")) if "verdict" in checks else 0
    responses = Rows.of(analysis.responses)
    missing = max(_known(responses.get("n_missing")), default=0)
    told = []
    if failed:
        told.append(f"{plural(failed, 'check')} of {len(checks)} failed")
    if missing:
        told.append(f"up to {plural(round(missing), 'plot')} missing")
    return "; ".join(told)


def _known(cells: Iterable[float]) -> list[float]:
    return [cell for cell in cells if cell is not None and cell == cell]
