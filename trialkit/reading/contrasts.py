"""Planned contrasts among the settings: what they say, and whether their treatments are there."""

from __future__ import annotations

from collections.abc import Iterable

from trialkit.planned import read_planned
from trialkit.problems import Place
from trialkit.reading.cells import Ledger
from trialkit.trial_faults import contrast_faults


def check_contrasts(
    texts: Iterable[str], treatments: Iterable[str], place: Place, ledger: Ledger
) -> None:
    """Refuse contrasts of treatments that the trial does not have."""
    known = list(treatments)
    for text in texts:
        contrast = read_planned(text)
        ids = (*contrast.group, *contrast.against)
        for problem in contrast_faults(contrast.name, ids, known):
            ledger.error(problem.kind, problem.what, problem.remedy, place)
