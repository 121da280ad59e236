"""Findings about control: how much, how fast, until when, and between whom that differed."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.analysis.efficacy.mode_of_action import applied_later
from trialkit.findings.pest import MOST_NAMED, main_variables
from trialkit.findings.sentences import Finding, Row, Style, Teller, rows, series
from trialkit.numerals import plural
from trialkit.rows import Tables
from trialkit.trial import TreatmentRole, Variable

#: Percentage points of fall after the peak from which a sentence speaks of a fall.
REBOUND_POINTS = 20.0
#: How many pairs of treatments a sentence names before it stops.
MOST_PAIRS = 3


def _role(tables: Tables, treatment: str) -> TreatmentRole:
    return tables.trial.treatment(treatment).role


def control_findings(tables: Tables) -> Iterator[Finding]:
    """The best control, when it was reached and what was left of it at the end."""
    for variable in main_variables(tables):
        shown = [
            row
            for row in rows(tables, "control", variable=variable.name, chosen=True)
            if row.known("percent")
        ]
        if shown:
            say = Teller(tables)
            text = f"{variable.label}: {_best_control(say, shown)}."
            yield say.finding("control", text + faster(say, variable))


def _best_control(say: Teller, shown: list[Row]) -> str:
    best = max(shown, key=lambda row: float(row["percent"]))
    if best["percent"] <= 0:
        return "on no day did any treatment stand below the untreated"
    text = (
        f"the highest control was {say.cite(best, 'percent', Style.PERCENT)} %"
        f"{say.interval(best, Style.PERCENT)}, by {say.name(best['treatment'])}"
    )
    last_day = max(float(row["days_after"]) for row in shown)
    if all(row["days_after"] == last_day for row in shown):
        return text
    text += f" on day {say.cite(best, 'days_after', Style.DAY)}"
    end = [row for row in shown if row["days_after"] == last_day]
    top = max(end, key=lambda row: float(row["percent"]))
    if top is best:
        return text
    return text + (
        f"; at the last assessment, day {say.cite(top, 'days_after', Style.DAY)}, it was "
        f"{say.cite(top, 'percent', Style.PERCENT)} %{say.interval(top, Style.PERCENT)}, by "
        f"{say.name(top['treatment'])}"
    )


def persistence_findings(tables: Tables) -> Iterator[Finding]:
    """Who held the target until when, and between whom a difference was shown."""
    for variable in main_variables(tables):
        found = rows(tables, "persistence", variable=variable.name)
        if found:
            yield _holding(tables, variable, found)


def _holding(tables: Tables, variable: Variable, found: list[Row]) -> Finding:
    say = Teller(tables)
    target = say.cite(found[0], "target", Style.PERCENT)
    reached = [row for row in found if row.known("holds_until_day")]
    reached.sort(key=lambda row: -float(row["holds_until_day"]))
    never = [
        str(row["treatment"])
        for row in found
        if not row.known("holds_until_day")
        and row.known("peak_percent")
        and _role(tables, row["treatment"]) is not TreatmentRole.CARRIER
    ]
    if not any(row.known("peak_percent") for row in found):
        return Finding(
            "persistence",
            f"{variable.label}: percent control could not be worked out for any treatment on any "
            "day after the application; the reasons stand in the tables file.",
        )
    if not reached:
        return say.finding(
            "persistence",
            f"{variable.label}: no treatment reached {target} % control at any assessment.",
        )
    parts = [_until(say, row) for row in reached[:MOST_NAMED]]
    if len(reached) > MOST_NAMED:
        parts.append(f"{len(reached) - MOST_NAMED} more for a shorter time")
    text = f"{variable.label}: at least {target} % control was held by {series(parts)}"
    if never:
        text += f"; never reached by {say.named(never, MOST_NAMED)}"
    return say.finding("persistence", f"{text}.{_held_longer(say, variable)}")


def _until(say: Teller, row: Row) -> str:
    name = say.name(row["treatment"])
    day = say.cite(row, "holds_until_day", Style.DAY)
    if row["censored"] is not True:
        return f"{name} until day {day}{_limits(say, row)}{_only_on(say, row)}"
    sure = ""
    if row.known("lower") and row["lower"] < row["holds_until_day"]:
        sure = " (by its interval perhaps never)"
        if row["lower"] > 0:
            sure = f" (interval from {_earliest(say, row)})"
    return f"{name} to the last assessment on day {day}{sure}{_only_on(say, row)}"


def _only_on(say: Teller, row: Row) -> str:
    """Say so where one later assessment alone met the target, which is not held all along."""
    found = rows(
        say.tables,
        "control",
        variable=row["variable"],
        treatment=row["treatment"],
        chosen=True,
    )
    known = [item for item in found if item.known("percent")]
    met = [item for item in known if item["percent"] >= row["target"]]
    if len(met) != 1 or met[0]["days_after"] <= min(item["days_after"] for item in known):
        return ""
    return f", reached on day {say.cite(met[0], 'days_after', Style.DAY)} only"


def _earliest(say: Teller, row: Row) -> str:
    """Lower limit of the day: 0 stands for a target that may never have been reached."""
    return f"day {say.cite(row, 'lower', Style.DAY)}" if row["lower"] > 0 else "never"


def _limits(say: Teller, row: Row) -> str:
    """Write " (day 4 to 23)", " (never to 19)", " (day 10 to beyond the end)"."""
    if not row.known("lower"):
        return ""
    first = _earliest(say, row)
    last = say.cite(row, "upper", Style.DAY) if row.known("upper") else "beyond the end"
    return f" ({first} to {last})"


def _shown(tables: Tables, variable: Variable, question: str) -> tuple[list[Row], list[Row]]:
    """Pairs that can be compared, and those of them that were shown to differ.

    Those with the reference first, then the largest differences.
    """
    found = rows(tables, "persistence_differences", variable=variable.name, question=question)
    known = [row for row in found if row.known("difference")]
    alpha = tables.trial.settings.alpha
    shown = [
        row for row in known if row["p_adjusted"] < alpha and row["lower"] * row["upper"] >= 0.0
    ]

    def rank(row: Row) -> tuple[bool, float]:
        against = _role(tables, row["b"]) is TreatmentRole.REFERENCE
        return not against, -abs(float(row["difference"]))

    return known, sorted(shown, key=rank)


def _alike(tables: Tables, row: Row) -> bool:
    """Whether a pair shares a level of a factor, where treatments combine a main and a sub factor.

    Of pairs that share neither nobody knows which factor made the difference.
    """
    levels = {item.treatment: (item.main_factor, item.sub_factor) for item in tables.trial.plots}
    one, other = levels[row["a"]], levels[row["b"]]
    return None in one or one[0] == other[0] or one[1] == other[1]


def _size(say: Teller, row: Row, unit: str) -> str:
    """Write "13 days (1 to 25)" of a difference that was shown, whatever its sign.

    Where one of the two held to the last assessment the trial sets no upper limit.
    """
    ends = ("lower", "upper") if row["difference"] > 0 else ("upper", "lower")
    size = plural(say.cite(row, "difference", Style.SIZE), unit)
    low = say.cite(row, ends[0], Style.SIZE)
    if row["bound"] is not None:
        return f"{size} or more (interval from {low})"
    return f"{size} ({low} to {say.cite(row, ends[1], Style.SIZE)})"


def _larger(say: Teller, row: Row) -> tuple[str, str]:
    names = say.name(row["a"]), say.name(row["b"])
    return names if row["difference"] > 0 else (names[1], names[0])


def _held_longer(say: Teller, variable: Variable) -> str:
    known, shown = _shown(say.tables, variable, "days held")
    if not known:
        return ""
    told = [row for row in shown if _alike(say.tables, row)]
    if shown and not told:
        return ""
    if not shown:
        return (
            " Between no two of them could a difference in how long they held it be shown, all "
            "pairs together."
        )
    parts = []
    for row in told[:MOST_PAIRS]:
        longer, shorter = _larger(say, row)
        parts.append(f"{longer} longer than {shorter} by {_size(say, row, 'day')}")
    if len(told) > MOST_PAIRS:
        parts.append(_more_pairs(len(told) - MOST_PAIRS))
    return f" Shown: {series(parts)}."


def faster(say: Teller, variable: Variable) -> str:
    """Who had more control than the reference, or than any other, at the first assessment."""
    tables = say.tables
    reference = next(
        (item.id for item in tables.trial.treatments if item.role is TreatmentRole.REFERENCE),
        None,
    )
    _, shown = _shown(tables, variable, "first control")
    days = rows(tables, "control", variable=variable.name, chosen=True)
    first = min((float(row["days_after"]) for row in days), default=0.0)
    # Who was not treated yet cannot have been slow.
    waiting = applied_later(tables.trial, first)
    shown = [
        row for row in shown if _alike(tables, row) and not waiting.keys() & {row["a"], row["b"]}
    ]
    if reference is not None:
        shown = [row for row in shown if row["b"] == reference]
    if not shown or len({row["days_after"] for row in days}) < 2:
        return ""
    earliest = min(days, key=lambda row: float(row["days_after"]))
    when = f"day {say.cite(earliest, 'days_after', Style.DAY)}"
    parts = []
    for row in shown[:MOST_PAIRS]:
        more, less = _larger(say, row)
        parts.append(f"{more} than {less} by {_size(say, row, 'point')}")
    if len(shown) > MOST_PAIRS:
        parts.append(_more_pairs(len(shown) - MOST_PAIRS))
    return f" At the first assessment, {when}, more control was shown for {series(parts)}."


def _more_pairs(rest: int) -> str:
    return f"{rest} more {'pair' if rest == 1 else 'pairs'}"


def rebound_findings(tables: Tables) -> Iterator[Finding]:
    """Whose control reached the target and fell far below its peak afterwards."""
    for variable in main_variables(tables):
        fallen = [
            row
            for row in rows(tables, "persistence", variable=variable.name)
            if row["rebound_percent"] >= REBOUND_POINTS and row.known("holds_until_day")
        ]
        if fallen:
            yield _rebound(tables, variable, fallen)


def _rebound(tables: Tables, variable: Variable, fallen: list[Row]) -> Finding:
    say = Teller(tables)
    fallen = sorted(fallen, key=lambda row: -float(row["rebound_percent"]))
    parts = [
        f"{say.name(row['treatment'])} from {say.cite(row, 'peak_percent', Style.PERCENT)} % on "
        f"day {say.cite(row, 'peak_day', Style.DAY)} to "
        f"{say.cite(row, 'last_percent', Style.PERCENT)} %"
        for row in fallen[:MOST_PAIRS]
    ]
    if len(fallen) > MOST_PAIRS:
        parts.append(f"{len(fallen) - MOST_PAIRS} more")
    return say.finding(
        "rebound",
        f"{variable.label}: by the last assessment control had fallen again with "
        f"{series(parts)}. Counts alone do not tell a failing product from plots that were "
        "invaded again.",
    )
