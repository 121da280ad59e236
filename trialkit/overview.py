"""One line a trial of a batch: what it shows, its warnings, where its report lies."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from pathlib import Path
from urllib.parse import quote

from trialkit.files import write_whole
from trialkit.many import Reported
from trialkit.plain_text import short_page
from trialkit.report.tidy_files import cell_text, csv_file

HEADS = (
    "trial",
    "read from",
    "what it shows first",
    "best estimate",
    "control at first",
    "control at last",
    "precision",
    "doubts",
    "warnings",
    "state",
    "report",
)
_STYLE = (
    "body{font-size:15px;max-width:96rem}table{width:100%;font-size:1em}th,td{padding:.35rem .6rem}"
    "thead th{border-bottom:1.5px solid #1d2529}tbody th{font-weight:600;min-width:0}"
    "td:nth-child(3){min-width:17rem}"
)


def overview_rows(outcomes: Sequence[Reported]) -> list[tuple[str, ...]]:
    """Put a batch into rows under `HEADS`.

    Parameters
    ----------
    outcomes : sequence of Reported
        As ``report_trials`` gives them.
    """
    return [
        (
            item.name,
            item.trial.name,
            item.findings[0] if item.findings else "",
            item.glimpse.leads,
            item.glimpse.control_first,
            item.glimpse.control_last,
            item.glimpse.precision,
            item.glimpse.doubts,
            str(item.warnings),
            "reported" if item.written else f"{len(item.problems)} to mend",
            _page(item),
        )
        for item in outcomes
    ]


def _page(item: Reported) -> str:
    """The report of a trial, from the folder of the batch; its first file where it has no page."""
    names = [path.name for path in item.paths]
    if not names:
        return ""
    wanted = next((name for name in names if name == "report.html"), names[0])
    return f"{item.name}/{wanted}"


def write_overview(outcomes: Sequence[Reported], out: Path) -> tuple[Path, Path]:
    """Write ``overview.html`` and ``overview.csv`` beside the folders of the trials.

    Parameters
    ----------
    outcomes : sequence of Reported
    out : Path
        Folder of the batch.
    """
    rows = overview_rows(outcomes)
    columns = [[cell_text(cell) for cell in column] for column in zip(*rows, strict=True)]
    page, table = out / "overview.html", out / "overview.csv"
    write_whole(page, _html(rows).encode("utf-8"))
    write_whole(table, csv_file(HEADS, columns))
    return page, table


def _html(rows: Sequence[tuple[str, ...]]) -> str:
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in HEADS)
    lines = []
    for name, *cells, link in rows:
        shown = "".join(f"<td>{escape(cell)}</td>" for cell in cells)
        target = f'<a href="{quote(link)}">open</a>' if link else ""
        lines.append(f'<tr><th scope="row">{escape(name)}</th>{shown}<td>{target}</td></tr>')
    table = f"<table><thead><tr>{heads}</tr></thead><tbody>{''.join(lines)}</tbody></table>"
    return short_page("Trials at a glance", table, style=_STYLE)
