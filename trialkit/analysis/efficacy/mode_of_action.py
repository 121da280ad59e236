"""Programmes that use one mode-of-action group in successive applications."""

from __future__ import annotations

import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.result import make_table
from trialkit.measures.resistance import repeated_groups
from trialkit.trial import Trial


def programme_table(basis: Basis) -> pd.DataFrame:
    """Repeats of a group within each treatment that was applied more than once.

    The groups are those that the user gave, one for each application, with semicolons between
    applications ("group 3; group 7"). Where one group is given for several applications it is
    that of all of them.
    """
    found = []
    for treatment in basis.trial.treatments:
        given = (treatment.mode_of_action or "").split(";")
        number = len([part for part in (treatment.applications or "").split(";") if part.strip()])
        groups = given * number if len(given) == 1 and number > 1 else given
        for repeat in repeated_groups(groups).repeats:
            for first, second in zip(repeat.applications, repeat.applications[1:], strict=False):
                found.append((treatment.id, repeat.group, str(first), str(second)))
    return make_table(
        "programmes",
        {
            name: [row[i] for row in found]
            for i, name in enumerate(("treatment", "group", "first", "second"))
        },
    )


def applied_later(trial: Trial, day: float) -> dict[str, float]:
    """Find the treatments whose own first application came on or after a day.

    Parameters
    ----------
    trial : Trial
        Its treatments name their applications by number ("2", "1; 3"), where they name any.
    day : float
        Days after the first application of the trial.

    Returns
    -------
    dict of str to float
        Day of its own first application by treatment; none where that was the trial's first.
    """
    dates = [item.date for item in trial.applications]
    found = {}
    for treatment in trial.treatments:
        parts = [part.strip() for part in (treatment.applications or "").split(";")]
        numbers = [int(part) for part in parts if part.isdecimal()]
        own = [dates[number - 1] for number in numbers if 0 < number <= len(dates)]
        if own and trial.applied is not None:
            began = float((min(own) - trial.applied).days)
            if began >= max(day, 1.0):
                found[treatment.id] = began
    return found
