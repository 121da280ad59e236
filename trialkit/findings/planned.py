"""Findings about the contrasts that the settings plan: what the trial was laid out to ask."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.sentences import Finding, Row, Style, Teller, day_list, rows, series
from trialkit.planned import Planned, read_planned
from trialkit.rows import Tables
from trialkit.trial import harvest_variable

#: Groups of more treatments than this are not named one by one.
MOST_IN_GROUP = 3


def planned_findings(tables: Tables) -> Iterator[Finding]:
    """Each planned contrast in yields and whole periods, or on the days where there are none."""
    for text in tables.trial.settings.contrasts:
        asked = read_planned(text)
        found = rows(tables, "contrasts", contrast=asked.name)
        known = [row for row in found if row.known("p")]
        if not known:
            continue
        say = Teller(tables)
        whole = [row for row in known if row["measure"] != "count"]
        parts = list(_of_whole(say, whole)) if whole else list(_by_day(say, known))
        yield say.finding("planned", f"{_question(say, asked)}: {'; '.join(parts)}.")


def _question(say: Teller, asked: Planned) -> str:
    group = say.named(asked.group, MOST_IN_GROUP)
    # In brackets, as names may hold commas and "and" themselves.
    return f"Planned comparison ({group}, against {say.named(asked.against, MOST_IN_GROUP)})"


def _label(say: Teller, row: Row) -> str:
    trial = say.tables.trial
    labels = {item.name: item.label for item in trial.variables}
    label = labels.get(row["variable"], harvest_variable(trial).label)
    return f"{label} over the whole period" if row["measure"] == "pest_days" else label


def _of_whole(say: Teller, whole: list[Row]) -> Iterator[str]:
    """What was shown in yields and whole periods; then where nothing was."""
    alpha = say.tables.trial.settings.alpha
    for row in whole:
        if row["p"] < alpha:
            yield f"{_label(say, row)}, {_size(say, row)}"
    rest = [row for row in whole if row["p"] >= alpha]
    if rest:
        least = say.cite(min(rest, key=lambda row: float(row["p"])), "p", Style.P)
        more = " or more" if len(rest) > 1 else ""
        labels = series([_label(say, row) for row in rest])
        yield f"no difference could be shown in {labels} ({least}{more})"


def _size(say: Teller, row: Row) -> str:
    """By how much the first group stands above or below the other."""
    (response,) = rows(say.tables, "responses", variable=row["variable"], measure=row["measure"])
    p = say.cite(row, "p", Style.P)
    way = "higher" if row["estimate"] > 0 else "lower"
    if response["transform"] != "none":
        return f"{way} ({p})"
    ends = ("lower", "upper") if row["estimate"] > 0 else ("upper", "lower")
    size = say.cite(row, "estimate", Style.AMOUNT)
    return f"{way} by {size} ({say.limits(row, ends, Style.AMOUNT)}; {p})"


def _by_day(say: Teller, known: list[Row]) -> Iterator[str]:
    """Days on which a difference was shown, for each variable."""
    for name in dict.fromkeys(row["variable"] for row in known):
        mine = [row for row in known if row["variable"] == name]
        shown = [row for row in mine if row["p"] < say.tables.trial.settings.alpha]
        ways = []
        for word, sign in (("higher", 1), ("lower", -1)):
            days = [float(row["days_after"]) for row in shown if row["estimate"] * sign > 0]
            if days:
                ways.append(f"{word} on {day_list(days)}")
        yield f"{_label(say, mine[0])}, {series(ways) or 'no difference could be shown on any day'}"
