"""A comparison as lines for a terminal, and as a short page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from trialkit.desk.comparing import Changed, Comparison
from trialkit.plain_text import short_page, wrapped

#: How many changes of one kind are listed.
MOST = 20


def comparison_lines(found: Comparison) -> list[str]:
    """Write what differs in the order: data, settings, versions, conclusions, numbers."""
    lines = list(wrapped(_verdict(found)))
    for title, text in _parts(found):
        lines.append("")
        lines += wrapped(title)
        for item in text:
            lines += wrapped(item, "  ", "    ")
    return lines


def _verdict(found: Comparison) -> str:
    if found.same:
        return (
            f"The same: data, settings and all {found.compared:,} values of the results agree "
            f"({found.first.name} and {found.second.name})."
        )
    what = [
        name
        for name, there in (
            ("data", found.data),
            ("settings", found.settings),
            ("conclusions", found.conclusions),
            ("warnings", found.warnings),
            ("numbers", found.numbers),
        )
        if there
    ]
    if not what:
        but = " and ".join(_but(found))
        return (
            f"Data, settings and all {found.compared:,} values of the results agree, but {but} "
            f"({found.first.name} and {found.second.name})."
        )
    return f"Not the same ({', '.join(what)}): {found.first.name} and {found.second.name}."


def _but(found: Comparison) -> Iterator[str]:
    """Say what differs where the results do not."""
    if found.versions:
        yield "other versions worked them out"
    if found.first.edited or found.second.edited:
        yield "a record was edited after it was written"


def _parts(found: Comparison) -> Iterator[tuple[str, list[str]]]:
    for side in (found.first, found.second):
        if side.edited:
            parts = ", ".join(side.edited)
            yield f"{side.name} was edited after it was written: {parts}.", []
        if side.undigested:
            yield f"{side.name} carries no digests: edits to it leave no trace.", []
    for title, changes in (
        ("Data", found.data),
        ("Settings", found.settings),
        ("Versions", found.versions),
        ("Conclusions that changed", found.conclusions),
        ("Warnings on one side only", found.warnings),
    ):
        if changes:
            yield f"{title} ({len(changes)})", _listed(changes)
    if found.conclusions and (found.data or found.settings):
        yield _because(found), []
    if found.numbers:
        yield (
            f"{found.numbers:,} of {found.compared:,} values of the results differ, by a share of "
            f"{found.largest:.2g} at most.",
            [],
        )


def _listed(changes: Sequence[Changed]) -> list[str]:
    lines = [str(item) for item in changes[:MOST]]
    if len(changes) > MOST:
        lines.append(f"and {len(changes) - MOST:,} more")
    return lines


def _because(found: Comparison) -> str:
    causes = [*found.data, *found.settings]
    if len(causes) == 1:
        return f"The one cause: {causes[0]}."
    return f"Causes: {len(found.data)} changes of data and {len(found.settings)} of settings."


def comparison_page(found: Comparison) -> str:
    """Write a comparison as one short page that loads nothing from elsewhere."""
    parts = [f"<p>{escape(_verdict(found))}</p>"]
    for title, items in _parts(found):
        if not items:
            parts.append(f"<p>{escape(title)}</p>")
            continue
        listed = "".join(f"<li>{escape(item)}</li>" for item in items)
        parts.append(f"<h2>{escape(title)}</h2><ul>{listed}</ul>")
    return short_page("Two analyses compared", "".join(parts))
