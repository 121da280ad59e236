"""The answer of an analysis in a few lines, for a terminal or a notebook."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from html import escape
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from trialkit.analysis.schema import TABLES
from trialkit.findings import make_findings
from trialkit.numerals import number, plural
from trialkit.rows import Rows
from trialkit.words import DESIGNS, GLANCE

if TYPE_CHECKING:
    from trialkit.analysis import Analysis

WIDTH = 80
#: How many sentences stand in a summary where none is marked for page 1.
SENTENCES = 5


def sentences(analysis: Analysis) -> list[str]:
    """The findings of page 1, or the weightiest where none is marked for it."""
    findings = make_findings(analysis)
    front = [item.text for item in findings if item.front]
    return front or [item.text for item in findings[:SENTENCES]]


def glance_lines(analysis: Analysis) -> tuple[list[str], list[list[str]]]:
    """Headings and rows of the table at a glance: one row a treatment, * where it was shown.

    Of a question that several variables answer, the first is taken, as on page 1.
    """
    rows = Rows.of(analysis.glance).records()
    first: dict[str, str] = {}
    cells: dict[tuple[str, str], str] = {}
    for row in rows:
        if row["variable"] == first.setdefault(row["question"], row["variable"]):
            cells[row["treatment"], row["question"]] = _cell(row)
    units = {row["question"]: row["unit"] for row in rows if row["unit"]}
    asked = [name for name in GLANCE if name in first]
    heads = ["Treatment"]
    for name in asked:
        unit = units.get(name)
        heads.append(f"{GLANCE[name]}, {unit}" if unit and unit != "day" else GLANCE[name])
    body = [
        [f"{item.id}: {item.name}", *(cells.get((item.id, name), "") for name in asked)]
        for item in analysis.trial.treatments
    ]
    return heads, body if asked else []


def _cell(row: dict[str, Any]) -> str:
    if not math.isfinite(row["value"]):
        return row["note"] or ""
    return number(row["value"]) + ("*" if row["shown"] else "")


def summary_text(analysis: Analysis) -> str:
    """Write what the trial shows: title, sentences, the table at a glance."""
    return "\n".join(_lines(analysis))


def _lines(analysis: Analysis) -> Iterator[str]:
    trial = analysis.trial
    yield from _wrapped(trial.title or "A trial without a title")
    yield described(analysis)
    for text in sentences(analysis):
        yield from _wrapped(text, "- ", "  ")
    heads, body = glance_lines(analysis)
    if body:
        yield ""
        yield from _grid(heads, body)
        yield "* a difference from the untreated was shown (held: that the target was reached)"
    if analysis.problems:
        yield ""
        yield f"{plural(len(analysis.problems), 'warning')}: see problems."


def described(analysis: Analysis) -> str:
    """Design, numbers of treatments, plots and variables in a line."""
    trial = analysis.trial
    return (
        f"{DESIGNS[trial.design]}; {plural(len(trial.treatments), 'treatment')}, "
        f"{plural(len(trial.plots), 'plot')}, {plural(len(trial.variables), 'variable')}"
    )


def _wrapped(text: str, start: str = "", after: str = "") -> list[str]:
    return wrap(text, WIDTH, initial_indent=start, subsequent_indent=after, break_on_hyphens=False)


def _grid(heads: list[str], body: list[list[str]]) -> Iterator[str]:
    """A treatment a block of lines would be long: one line a treatment, headings above in words."""
    names = [f"({place})" for place in range(1, len(heads))]
    table = [["", *names], *body]
    widths = [max(len(row[place]) for row in table) for place in range(len(heads))]
    yield from _wrapped(
        "; ".join(f"{name} {head}" for name, head in zip(names, heads[1:], strict=True))
    )
    for row in table:
        first, *rest = (
            cell.ljust(width) if place == 0 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  ".join([first, *rest]).rstrip()


def summary_html(analysis: Analysis) -> str:
    """Write the same for a notebook, with the list of tables; all text is escaped."""
    heads, body = glance_lines(analysis)
    held = [
        [name, str(len(getattr(analysis, name))), table.question]
        for name, table in TABLES.items()
        if len(getattr(analysis, name))
    ]
    parts = [
        f"<h3>{escape(analysis.trial.title)}</h3><p>{escape(described(analysis))}</p>",
        "<ul>",
        *(f"<li>{escape(text)}</li>" for text in sentences(analysis)),
        "</ul>",
        _html_table(heads, body) if body else "",
        f"<details><summary>{plural(len(held), 'table')}</summary>",
        _html_table(["Table", "Rows", "What it tells"], held),
        "</details>",
    ]
    return "".join(parts)


def _html_table(heads: Iterable[str], body: Iterable[Iterable[str]]) -> str:
    head = "".join(f"<th>{escape(cell)}</th>" for cell in heads)
    rows = ("".join(f"<td>{escape(cell)}</td>" for cell in row) for row in body)
    lines = "".join(f"<tr>{row}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table>"
