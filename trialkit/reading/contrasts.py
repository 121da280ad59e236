"""Planned contrasts among the settings: what they say, and whether their treatments are there."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.planned import read_planned
from trialkit.problems import Place
from trialkit.reading.cells import Ledger, nearest, quoted


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
