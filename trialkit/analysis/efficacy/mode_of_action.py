"""Programmes: modes of action in successive applications, and days after the latest of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.result import make_table
from trialkit.measures.resistance import repeated_groups
from trialkit.programme import application_days, applications_of, since_latest
from trialkit.trial import Treatment, Trial


def programme_table(basis: Basis) -> pd.DataFrame:
    """Repeats of a group within each treatment that was applied more than once.

    The groups are those that the user gave, one for each application, with semicolons between
    applications ("group 3; group 7"). Where one group is given for several applications it is
    that of all of them, and a mixture that gives none has those of its parts. What was put out on
    one day is one application.
    """
    found = []
    for treatment in basis.trial.treatments:
        groups, names = programme_of(basis.trial, treatment)
        for repeat in repeated_groups(groups).repeats:
            for first, second in zip(repeat.applications, repeat.applications[1:], strict=False):
                found.append((treatment.id, repeat.group, names[first - 1], names[second - 1]))
    return make_table(
        "programmes",
        {
            name: [row[i] for row in found]
            for i, name in enumerate(("treatment", "group", "first", "second"))
        },
    )


def programme_of(trial: Trial, treatment: Treatment) -> tuple[list[str], list[str]]:
    """Groups of each application of a treatment in order of date, and what each is called.

    A group is empty where none was given.
    """
    given = _groups(trial, treatment).split(";")
    own = applications_of(trial, treatment)
    names = [item.id for item in own] or list(treatment.applications)
    if len(given) == 1:
        given = given * max(len(names), 1)
    names += [str(number) for number in range(len(names) + 1, len(given) + 1)]
    days: dict[object, tuple[list[str], list[str]]] = {}
    for index, (group, name) in enumerate(zip(given, names, strict=False)):
        day = own[index].date if index < len(own) else index
        groups, called = days.setdefault(day, ([], []))
        groups.append(group)
        called.append(name)
    return (
        ["+".join(groups) for groups, _ in days.values()],
        [" and ".join(called) for _, called in days.values()],
    )


def _groups(trial: Trial, treatment: Treatment) -> str:
    if treatment.mode_of_action or not treatment.parts:
        return treatment.mode_of_action or ""
    parts = [trial.treatment(part).mode_of_action for part in treatment.parts]
    return "+".join(part for part in parts if part and ";" not in part)


def timing_table(basis: Basis) -> pd.DataFrame:
    """Days from the latest application of each treatment to each assessment.

    Nothing where the trial has one date of application, for days are then counted from it.
    """
    trial = basis.trial
    several = len({item.date for item in trial.applications}) > 1 and trial.applied is not None
    days = sorted(set(trial.counts["day"].dropna())) if several else []
    pairs = [(float(day), treatment) for day in days for treatment in trial.treatments]
    return make_table(
        "timing",
        {
            "days_after": np.array([day for day, _ in pairs], dtype=float),
            "treatment": [treatment.id for _, treatment in pairs],
            "applications": np.array(
                [sum(own < day for own in application_days(trial, t)) for day, t in pairs],
                dtype=float,
            ),
            "since_latest": np.array(
                [
                    np.nan if since is None else since
                    for day, treatment in pairs
                    for since in (since_latest(trial, treatment, day),)
                ],
                dtype=float,
            ),
        },
    )


def applied_later(trial: Trial, day: float) -> dict[str, float]:
    """Find the treatments whose own first application came on or after a day.

    Parameters
    ----------
    trial : Trial
        Its treatments name their applications, where they differ in them.
    day : float
        Days after the first application of the trial.

    Returns
    -------
    dict of str to float
        Day of its own first application by treatment; none where that was the trial's first.
    """
    found = {}
    for treatment in trial.treatments:
        own = application_days(trial, treatment) if treatment.applications else ()
        if own and own[0] >= max(day, 1.0):
            found[treatment.id] = own[0]
    return found
