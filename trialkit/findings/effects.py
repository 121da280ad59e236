"""Findings about what a treatment did beside the counts: areas, enemies, crop and yield."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from trialkit.analysis import Analysis
from trialkit.findings.sentences import Finding, Style, Teller, series
from trialkit.trial import Variable, VariableRole, harvest_variable

#: How many treatments a sentence names before it stops.
MOST_NAMED = 4


def _tested(
    analysis: Analysis, measure: str, *roles: VariableRole
) -> Iterator[tuple[Variable, int]]:
    """Variables with a response of that measure, and its row."""
    rows = analysis.responses[analysis.responses["measure"] == measure]
    known = {item.name: item for item in analysis.trial.variables}
    for row, name in rows["variable"].items():
        variable = known.get(name)
        if variable is None and measure == "yield":
            variable = harvest_variable(analysis.trial)
        if variable is not None and variable.role in roles:
            yield variable, int(row)  # type: ignore[call-overload]


def _against_untreated(say: Teller, name: str, measure: str) -> pd.DataFrame:
    """Rows of the comparisons with the untreated that were found different."""
    rows = say.table(
        "comparisons",
        variable=name,
        measure=measure,
        method="dunnett",
        b=say.analysis.trial.untreated,
    )
    return rows[rows["different"] == True]  # noqa: E712  an object column that may hold None


def _mean_of(say: Teller, name: str, measure: str, treatment: object) -> int:
    rows = say.table("means", variable=name, measure=measure, treatment=treatment)
    return int(rows.index[0])


def area_findings(analysis: Analysis) -> Iterator[Finding]:
    """Pest-days of the whole period, against the untreated."""
    untreated = analysis.trial.untreated
    if untreated is None:
        return
    for variable, _ in _tested(analysis, "pest_days", VariableRole.PEST):
        say = Teller(analysis)
        different = _against_untreated(say, variable.name, "pest_days")
        fewer = different[different["difference"] < 0].sort_values("difference", kind="stable")
        own = _mean_of(say, variable.name, "pest_days", untreated)
        if fewer.empty:
            text = (
                f"{variable.label}: over the whole period no treatment could be shown to have "
                f"fewer pest-days than the untreated ({say.cite('means', own, 'mean')})."
            )
            yield say.finding("pest-days", text)
            continue
        parts = [
            f"{say.name(fewer.loc[row, 'a'])} "
            f"({say.cite('means', _mean_of(say, variable.name, 'pest_days', fewer.loc[row, 'a']), 'mean')})"
            for row in list(fewer.index)[:MOST_NAMED]
        ]
        more = len(fewer) - MOST_NAMED
        if more > 0:
            parts.append(f"{more} more")
        text = (
            f"{variable.label}: over the whole period fewer pest-days than the untreated "
            f"({say.cite('means', own, 'mean')}) were shown for {series(parts)}."
        )
        yield say.finding("pest-days", text)


def enemy_findings(analysis: Analysis) -> Iterator[Finding]:
    """Which treatments had fewer natural enemies than the untreated."""
    yield from _fewer_or_more(
        analysis, VariableRole.NATURAL_ENEMY, "natural enemies", "fewer", "more"
    )


def injury_findings(analysis: Analysis) -> Iterator[Finding]:
    """Which treatments differed from the untreated in damage, and in injury of the crop."""
    yield from _fewer_or_more(analysis, VariableRole.DAMAGE, "damage", "less", "more")
    yield from _fewer_or_more(analysis, VariableRole.CROP_INJURY, "crop injury", "less", "more")


def _fewer_or_more(
    analysis: Analysis, role: VariableRole, topic: str, down: str, up: str
) -> Iterator[Finding]:
    untreated = analysis.trial.untreated
    if untreated is None:
        return
    for variable, _ in _tested(analysis, "pest_days", role):
        say = Teller(analysis)
        own = _mean_of(say, variable.name, "pest_days", untreated)
        base = analysis.means["mean"].iloc[own]
        different = _against_untreated(say, variable.name, "pest_days")
        parts = []
        for word, rows in (
            (down, different[different["difference"] < 0]),
            (up, different[different["difference"] > 0]),
        ):
            if rows.empty or not np.isfinite(base):
                continue
            ordered = rows.reindex(
                rows["difference"].abs().sort_values(ascending=False, kind="stable").index
            )
            named = [
                f"{say.name(ordered.loc[row, 'a'])} "
                f"({say.cite('means', _mean_of(say, variable.name, 'pest_days', ordered.loc[row, 'a']), 'mean')})"
                for row in list(ordered.index)[:MOST_NAMED]
            ]
            if len(ordered) > MOST_NAMED:
                named.append(f"{len(ordered) - MOST_NAMED} more")
            parts.append(f"{word} with {series(named)}")
        untreated_text = f"the untreated ({say.cite('means', own, 'mean')})"
        if not parts:
            text = (
                f"{variable.label}: over the whole period no difference from the untreated could "
                "be shown."
            )
            yield Finding(topic, text)
            continue
        text = (
            f"{variable.label}: compared with {untreated_text}, the area under the curve over "
            f"days was {series(parts)}."
        )
        yield say.finding(topic, text)


def yield_findings(analysis: Analysis) -> Iterator[Finding]:
    """Whether yields differed, and from the untreated by how much."""
    alpha = analysis.trial.settings.alpha
    for variable, row in _tested(analysis, "yield", VariableRole.YIELD):
        say = Teller(analysis)
        p = analysis.responses["p"].iloc[row]
        if not np.isfinite(p):
            continue
        means = say.table("means", variable=variable.name, measure="yield")
        means = means[means["mean"].notna()]
        best = means["mean"].idxmax()
        if p >= alpha:
            text = (
                f"{variable.label}: no difference between treatments could be shown "
                f"({say.cite('responses', row, 'p', Style.P)})."
            )
            yield say.finding("yield", text)
            continue
        text = (
            f"{variable.label}: treatments differed "
            f"({say.cite('responses', row, 'p', Style.P)}); the highest mean was "
            f"{say.cite('means', best, 'mean')}, with {say.name(means.loc[best, 'treatment'])}"
        )
        yield say.finding("yield", text + _gains(say, variable) + ".")


def _gains(say: Teller, variable: Variable) -> str:
    untreated = say.analysis.trial.untreated
    if untreated is None:
        return ""
    different = _against_untreated(say, variable.name, "yield")
    own = _mean_of(say, variable.name, "yield", untreated)
    if different.empty:
        return "; no treatment could be shown to differ from the untreated"
    ordered = different.sort_values("difference", ascending=False, kind="stable")
    parts = [
        f"{say.name(ordered.loc[row, 'a'])} by "
        f"{say.cite('comparisons', row, 'difference')}{say.interval('comparisons', row)}"
        for row in list(ordered.index)[:MOST_NAMED]
    ]
    if len(ordered) > MOST_NAMED:
        parts.append(f"{len(ordered) - MOST_NAMED} more")
    return (
        f"; different from the untreated ({say.cite('means', own, 'mean')}) "
        f"{'was' if len(ordered) == 1 else 'were'} {series(parts)}"
    )
