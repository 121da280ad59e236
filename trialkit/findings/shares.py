"""Findings about shares k of n: so many damaged fruits of so many examined."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import Finding, Row, Style, Teller, brackets, noun, rows
from trialkit.findings.shown import percent
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole

#: Limits further apart, in percent, say nothing of a share.
_MOST_SPAN = 90.0
#: Roles of which the smallest share is the best.
UNWANTED = (VariableRole.PEST, VariableRole.DAMAGE, VariableRole.CROP_INJURY)


def share_findings(tables: Tables) -> Iterator[Finding]:
    """At the last assessment: the share in the untreated, and the smallest one where they differ.

    That they differ is told where the test of the beta-binomial model says so.
    """
    alpha = tables.trial.settings.alpha
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
        say = Teller(tables)
        text = phrase("shares.untreated", **_share(say, variable, untreated[0]))
        about = {"variable": variable.name, "subjects": (tables.trial.untreated,)}
        yield say.finding("shares", text, **about)
        where = {"variable": variable.name, "days_after": last}
        own = rows(tables, "count_tests", model="beta-binomial", **where)
        tested = next((row for row in own if row["source"] in (None, "treatment")), None)
        if tested is not None and tested.known("p") and tested["p"] < alpha:
            least = min(others, key=lambda row: float(row["mean"]))
            say = Teller(tables)
            text = phrase(
                "shares.least",
                treatment=say.name(least["treatment"]),
                **_share(say, variable, least, phrase("shares.differed", p=say.p(tested, "p"))),
            )
            more: dict[str, Any] = {
                "variable": variable.name,
                "p": float(tested["p"]),
                "level": alpha,
            }
            yield say.finding("shares", text, claim=True, **more)


def _share(say: Teller, variable: Variable, row: Row, also: str = "") -> dict[str, str]:
    """Slots of "12 of 50 fruits, 24% (95% CI 14-38)"."""
    named = isinstance(variable.examined, str)
    if row.known("lower") and row.known("upper") and row["upper"] - row["lower"] > _MOST_SPAN:
        number, interval = say.cite(row, "mean", decimals=1), phrase("shares.wide")
    else:
        number, interval = say.signed(row, "mean")
    return {
        "day": say.day(row),
        "hits": say.cite(row, "hits", Style.WHOLE),
        "examined": say.cite(row, "examined", Style.WHOLE),
        "units": str(variable.examined).replace("_", " ") if named else phrase("shares.units"),
        "noun": noun(variable),
        "size": percent(number),
        "brackets": brackets(interval, also),
    }
