"""Findings about rates: lower against full, early and late, and at higher numbers."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.pest import main_variables, treatments_of, variables_of
from trialkit.findings.sentences import Finding, Row, Style, Teller, day_list, rows
from trialkit.numerals import plural
from trialkit.rows import Tables
from trialkit.trial import VariableRole


def rate_findings(tables: Tables) -> Iterator[Finding]:
    """Whether a lower rate was shown to be as good as the full one, early and late."""
    for variable in main_variables(tables):
        all_rows = rows(tables, "rates", variable=variable.name)
        for treatment in treatments_of(all_rows):
            found = [
                row for row in all_rows if row["treatment"] == treatment and row.known("lower")
            ]
            if found:
                yield _rate(tables, variable.label, found)


def _rate(tables: Tables, label: str, found: list[Row]) -> Finding:
    say = Teller(tables)
    lower, full = say.name(found[0]["treatment"]), say.name(found[0]["full"])
    margin = plural(say.cite(found[0], "margin", Style.PERCENT), "point")
    passed = [row for row in found if row["not_inferior"] is True]
    worse = [row for row in found if row["upper"] < 0]
    last = found[-1]
    clauses = []
    if worse:
        clauses.append(f"less control was shown on {day_list([r['days_after'] for r in worse])}")
    if len(passed) == len(found):
        clauses.append(f"that it loses no more than {margin} was shown on every day")
    elif passed:
        days = day_list([row["days_after"] for row in passed])
        clauses.append(f"that it loses no more than {margin} was shown on {days} only")
    else:
        clauses.append(f"that it loses no more than {margin} was shown on no day")
    clauses.append(
        f"on day {say.cite(last, 'days_after', Style.DAY)} it had "
        f"{say.cite(last, 'control', Style.PERCENT)} % against "
        f"{say.cite(last, 'control_full', Style.PERCENT)} %, a difference of "
        f"{plural(say.cite(last, 'difference', Style.PERCENT), 'point')}"
        f"{say.interval(last, Style.PERCENT)}"
    )
    for row in rows(
        tables,
        "rate_persistence",
        variable=found[0]["variable"],
        treatment=last["treatment"],
        full=last["full"],
    ):
        clauses.append(
            "the day until which it held the target differs by "
            f"{plural(say.cite(row, 'difference', Style.DAY), 'day')}"
            f"{say.interval(row, Style.DAY)}"
        )
    return say.finding("rate", f"{label}: {lower} against {full}: {'; '.join(clauses)}.")


def rate_start_findings(tables: Tables) -> Iterator[Finding]:
    """Whether a lower rate loses more where more pests were there at the start, and how sure.

    From all days after treatment together where there are several.
    """
    for variable in variables_of(tables, VariableRole.PEST):
        all_rows = rows(tables, "rate_start", variable=variable.name)
        for treatment in treatments_of(all_rows):
            found = [row for row in all_rows if row["treatment"] == treatment]
            row = found[0]  # all days together come first
            if row.known("points") and row.known("lower"):
                yield _rate_start(tables, variable.label, row)


def _rate_start(tables: Tables, label: str, row: Row) -> Finding:
    say = Teller(tables)
    lower, full = say.name(row["treatment"]), say.name(row["full"])
    covered = (
        f"{say.cite(row, 'start_lowest')} to {say.cite(row, 'start_highest')} "
        f"{'in a block' if row['level'] == 'blocks' else 'in a plot'}"
    )
    if row["note"] is not None:
        return say.finding(
            "rate and start",
            f"{label}: whether {lower} loses more against {full} where more are there at the start "
            f"this trial cannot tell: its plots started too much alike ({covered}).",
        )
    started = f"the trial covered starts from {covered}"
    if not row["p"] < tables.trial.settings.alpha:
        return say.finding(
            "rate and start",
            f"{label}: no sign that {lower} fails more against {full} where more were there at the "
            f"start; with every doubling its control against the full rate changed by "
            f"{plural(say.cite(row, 'points', Style.PERCENT), 'point')}"
            f"{say.interval(row, Style.PERCENT)}; {started}.",
        )
    word, ends = ("less", ("lower", "upper"))
    if row["points"] < 0:
        word, ends = ("more", ("upper", "lower"))
    return say.finding(
        "rate and start",
        f"{label}: {lower} lost {word} against {full} where more were there at the start: "
        f"{plural(say.cite(row, 'points', Style.SIZE), 'point')} "
        f"({say.cite(row, ends[0], Style.SIZE)} to "
        f"{say.cite(row, ends[1], Style.SIZE)}) {word} with every doubling; {started}.",
    )
