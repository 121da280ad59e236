"""Findings about shares k of n: so many damaged fruits of so many examined."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit import numerals
from trialkit.findings.sentences import Finding, Row, Style, Teller, rows
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole

#: Roles of which the smallest share is the best.
UNWANTED = (VariableRole.PEST, VariableRole.DAMAGE, VariableRole.CROP_INJURY)


def share_findings(tables: Tables) -> Iterator[Finding]:
    """At the last assessment: the share in the untreated, and the smallest one where they differ.

    Whether they differ is told by F of the beta-binomial model.
    """
    for variable in tables.trial.variables:
        if variable.examined is None or variable.role not in UNWANTED:
            continue
        found = rows(tables, "count_models", variable=variable.name, model="beta-binomial")
        last = max((row["days_after"] for row in found), default=0.0)
        found = [row for row in found if row["days_after"] == last and row.known("mean")]
        untreated = [row for row in found if row["treatment"] == tables.trial.untreated]
        others = [row for row in found if row["treatment"] != tables.trial.untreated]
        if not untreated or not others:
            continue
        least = min(others, key=lambda row: float(row["mean"]))
        say = Teller(tables)
        text = (
            f"{variable.label}: on day {numerals.day(last)}, {_share(say, variable, untreated[0])}"
        )
        text += " in the untreated"
        own = rows(
            tables,
            "count_tests",
            variable=variable.name,
            model="beta-binomial",
            days_after=last,
        )
        tested = own[0] if own and own[0].known("p") else None
        if tested is None:
            text += "; whether treatments differed could not be tested."
        elif tested["p"] >= tables.trial.settings.alpha:
            p = say.cite(tested, "p", Style.P)
            text += f"; no difference between treatments could be shown ({p})."
        else:
            text += f" and {_share(say, variable, least)} with {say.name(least['treatment'])}, the "
            text += f"smallest share (treatments differed, {say.cite(tested, 'p', Style.P)})."
        yield say.finding("shares", text)


def _share(say: Teller, variable: Variable, row: Row) -> str:
    """Write "12 of 50 fruits examined, 24 % (14 to 38)"."""
    named = isinstance(variable.examined, str)
    units = variable.examined if named else "units examined"
    totals = (
        f"{say.cite(row, 'hits', Style.SIZE)} of {say.cite(row, 'examined', Style.SIZE)} {units}"
    )
    return f"{totals}, {say.cite(row, 'mean')} %{say.interval(row)},"
