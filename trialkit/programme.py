"""Which treatment was put out when: applications belong to treatments."""

from __future__ import annotations

from trialkit.trial import Application, Treatment, TreatmentRole, Trial


def applications_of(trial: Trial, treatment: Treatment) -> tuple[Application, ...]:
    """Find the applications of one treatment, in order of date.

    Parameters
    ----------
    trial : Trial
    treatment : Treatment
        One that names no application had all that the trial lists, except the untreated where
        others name theirs.

    Returns
    -------
    tuple of Application
        Empty where the trial lists none, or the treatment names only others.
    """
    if treatment.applications:
        own = [item for item in trial.applications if item.id in treatment.applications]
    elif treatment.role is TreatmentRole.UNTREATED and any(
        item.applications for item in trial.treatments
    ):
        own = []
    else:
        own = list(trial.applications)
    return tuple(sorted(own, key=lambda item: item.date))


def application_days(trial: Trial, treatment: Treatment) -> tuple[float, ...]:
    """List the days on which one treatment was put out, each once, after day 0 of the trial."""
    if trial.applied is None:
        return ()
    dates = dict.fromkeys(item.date for item in applications_of(trial, treatment))
    return tuple(float((day - trial.applied).days) for day in dates)


def since_latest(trial: Trial, treatment: Treatment, day: float) -> float | None:
    """Days from the latest application of a treatment before a day; None where there is none."""
    before = [item for item in application_days(trial, treatment) if item < day]
    return day - before[-1] if before else None
