"""Planned contrasts among the settings: what they say, and whether their treatments are there."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.planned import read_planned
from trialkit.problems import Place
from trialkit.reading.cells import Ledger, nearest, quoted
from trialkit.reading.settings import Entry, as_text

HOW = "Write name = treatments against treatments, such as 'sprays or drench = 2, 3 against 4'."


def contrast_texts(entry: Entry, ledger: Ledger) -> tuple[str, ...] | None:
    """Texts of the planned contrasts: a list, or one text with semicolons."""
    value = entry.value
    parts = value if isinstance(value, list) else as_text(value).split(";")
    found: dict[str, str] = {}
    for part in parts:
        text = " ".join(as_text(part).split())
        if not text:
            continue
        try:
            name = read_planned(text).name
        except ValueError as fault:
            ledger.error(
                "bad-contrast",
                f"The planned contrast {quoted(text)} can't be read: {fault}.",
                HOW,
                entry.place,
            )
            continue
        if name in found:
            ledger.error(
                "bad-contrast",
                f"Two planned contrasts are named {quoted(name)}.",
                "Give each a name of its own.",
                entry.place,
            )
        found[name] = text
    return tuple(found.values())


def check_contrasts(
    texts: Iterable[str], treatments: Iterable[str], place: Place, ledger: Ledger
) -> None:
    """Refuse contrasts of treatments that the trial does not have."""
    known = list(treatments)
    for text in texts:
        contrast = read_planned(text)
        for item in (*contrast.group, *contrast.against):
            if item in known:
                continue
            near = nearest(item, known)
            meant = f"Did you mean '{near}'? " if near else ""
            ledger.error(
                "bad-contrast",
                f"The planned contrast {quoted(contrast.name)} names {quoted(item)}, which is no "
                "treatment.",
                f"{meant}Name treatments by their ids, with commas between them.",
                place,
            )
