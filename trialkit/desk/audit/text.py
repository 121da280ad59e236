"""An audit as lines for a terminal, and as a short page."""

from __future__ import annotations

from html import escape

from trialkit.desk.audit import Audit, Check, Verdict
from trialkit.numerals import plural
from trialkit.plain_text import short_page, wrapped

_TITLES = {
    Verdict.INCONSISTENT: "Numbers that do not fit together: questions to the author",
    Verdict.CANNOT_TELL: "What the table leaves open",
    Verdict.CONSISTENT: "What fits together",
}
_MEANING = (
    "Every printed number was taken as any value that rounds to it. Numbers that cannot fit may "
    "have a plain reason, such as a plot left out, a value typed wrong or another formula; only "
    "the author can say. That numbers fit does not show that they are right."
)


def _summary(found: Audit) -> str:
    counts = found.counts
    return (
        f"{found.name}: {plural(len(found.checks), 'check')}, {counts[Verdict.CONSISTENT]} "
        f"consistent, {counts[Verdict.INCONSISTENT]} inconsistent, "
        f"{counts[Verdict.CANNOT_TELL]} that cannot be told."
    )


def _said(check: Check) -> str:
    asked = f" {check.question}" if check.question else ""
    return f"{check.where}: {check.arithmetic}{asked}"


def audit_lines(found: Audit) -> list[str]:
    """Write an audit for a terminal."""
    lines = wrapped(_summary(found))
    for verdict, title in _TITLES.items():
        if checks := found.of(verdict):
            lines += ["", *wrapped(f"{title} ({len(checks)})")]
            for check in checks:
                lines += wrapped(_said(check), "  ", "    ")
    return [*lines, "", *wrapped(_MEANING)]


def audit_page(found: Audit) -> str:
    """Write an audit as one short page that loads nothing from elsewhere."""
    parts = [f"<p>{escape(_summary(found))}</p><p>{escape(_MEANING)}</p>"]
    for verdict, title in _TITLES.items():
        if checks := found.of(verdict):
            items = "".join(
                f"<li><b>{escape(check.where)}</b>: {escape(check.arithmetic)}"
                f" <i>{escape(check.question)}</i></li>"
                for check in checks
            )
            parts.append(f"<h2>{escape(title)} ({len(checks)})</h2><ul>{items}</ul>")
    return short_page("A printed table, checked", "".join(parts))
