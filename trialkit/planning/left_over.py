"""Back from the tank: what was left says what was put out."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from trialkit.measures.tank import rate_put_out
from trialkit.planning.mix import mix_sheet
from trialkit.problems import Problem, TrialError, error
from trialkit.trial import Trial


def actual_doses(
    trial: Trial, left_l: Mapping[str, float], *, application: str | None = None
) -> pd.DataFrame:
    """Work out the rates that were put out, from what was left in the tanks.

    Parameters
    ----------
    trial : Trial
    left_l : mapping
        Treatment to litres left in tank and hoses.
    application : str, optional
        Id of the application; not needed where there is one or none.

    Returns
    -------
    DataFrame
        ``treatment``, ``application``, ``rate``, ``rate_unit`` and ``actual``, one row a treatment,
        as the table of doses has it; of a mixture its first component.

    Raises
    ------
    TrialError
        When a treatment has no tank, or more was left than was mixed.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> len(trialkit.actual_doses(trial, {"3": 0.2}, application="1"))
    1
    """
    sheet = mix_sheet(trial)
    listed = [item.id for item in trial.applications]
    if application is None and len(listed) > 1:
        raise TrialError(
            [
                error(
                    "which-application",
                    f"The trial has {len(listed)} applications.",
                    f"Say which one was left from: {', '.join(listed)}.",
                )
            ]
        )
    chosen = application if application is not None else (listed[0] if listed else None)
    tanks = {row["treatment"]: row for row in _of(sheet.tanks, chosen)}
    rates: dict[object, dict[str, Any]] = {}
    for row in _of(sheet.amounts, chosen):
        rates.setdefault(row["treatment"], row)
    rows = []
    for treatment, left in left_l.items():
        tank = tanks.get(treatment)
        if tank is None or tank["mix_l"] is None or treatment not in rates:
            raise TrialError([_no_tank(treatment)])
        rate, unit = float(rates[treatment]["rate"]), rates[treatment]["rate_unit"]
        try:
            put_out = rate_put_out(rate, tank["mix_l"], left, tank["needed_l"])
        except ValueError as fault:
            raise TrialError([_too_much(treatment, fault)]) from None
        rows.append((treatment, chosen, rate, unit, put_out))
    columns = ["treatment", "application", "rate", "rate_unit", "actual"]
    return pd.DataFrame(rows, columns=columns)


def _of(table: pd.DataFrame, application: str | None) -> list[dict[str, Any]]:
    """Rows of one application."""
    rows = [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]
    return [row for row in rows if row["application"] == application]


def _no_tank(treatment: str) -> Problem:
    return error(
        "no-tank",
        f"Treatment {treatment} has no tank on this application.",
        "Name a treatment that was sprayed, by its id.",
    )


def _too_much(treatment: str, fault: ValueError) -> Problem:
    return error(
        "left-over",
        f"Treatment {treatment}: {fault} (litres).",
        "Check what was left, and that it was mixed as the sheet says.",
    )
