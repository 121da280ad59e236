"""One row a treatment and question: what page 1 prints, and what of it was shown."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.result import make_table
from trialkit.trial import VariableRole, harvest_variable

Record = dict[str, Any]
#: Where the change over the whole trial is that of its test.
TESTED = "by the test, adjusted for the count before treatment"
_COLUMNS = (
    "treatment",
    "question",
    "variable",
    "days_after",
    "value",
    "lower",
    "upper",
    "unit",
    "shown",
    "note",
)


def glance_table(
    basis: Basis, claims: pd.DataFrame, tables: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Tabulate what a reader wants to know of every treatment at a glance.

    Parameters
    ----------
    basis : Basis
    claims : DataFrame
        What was shown; a mark of this table is a claim of page 1 and held together with all others.
    tables : mapping of str to DataFrame
        ``control``, ``persistence``, ``reductions``, ``means`` and ``money``.
    """
    marks = {
        (row["question"], row["variable"], row["scope"], row["a"], _day(row["days_after"])): row[
            "direction"
        ]
        for row in _records(claims)
        if row["front"] is True
    }
    rows = [
        *_control(basis, tables["control"], marks),
        *_held(basis, tables["persistence"], marks),
        *_reductions(basis, _changes(tables["reductions"], claims), marks),
        *_yields(basis, tables["means"], marks),
        *_returns(basis, tables["money"], marks),
    ]
    order = {treatment.id: place for place, treatment in enumerate(basis.trial.treatments)}
    rows.sort(key=lambda row: order[row["treatment"]])
    return make_table("glance", {name: [row[name] for row in rows] for name in _COLUMNS})


Marks = Mapping[tuple[Any, ...], Any]


def _records(table: pd.DataFrame) -> list[Record]:
    """Rows of a table as dictionaries; many times as fast as by frames."""
    columns = dict(zip(table.columns, table.to_numpy(dtype=object).T.tolist(), strict=True))
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _day(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _row(**given: Any) -> Record:
    row: Record = dict.fromkeys(_COLUMNS)
    for name in ("days_after", "value", "lower", "upper"):
        row[name] = math.nan
    row["shown"] = False
    row.update(given)
    return row


def _main(basis: Basis) -> list[tuple[str, str]]:
    """Pests by name with their question; where none was counted the damages."""
    for role, question in ((VariableRole.PEST, "pest"), (VariableRole.DAMAGE, "damage")):
        found = [item.variable.name for item in basis.assessed if item.variable.role is role]
        if found:
            return [(name, question) for name in found]
    return []


def _known(value: float) -> bool:
    return not math.isnan(value)


def _apart(lower: float, upper: float) -> bool:
    """Whether an interval leaves out no change; one that is not known does not."""
    return lower > 0.0 or upper < 0.0


def _control(basis: Basis, control: pd.DataFrame, marks: Marks) -> Iterator[Record]:
    chosen = [row for row in _records(control) if row["chosen"] is True and _known(row["percent"])]
    for variable, question in _main(basis):
        mine = [row for row in chosen if row["variable"] == variable]
        if not mine:
            continue
        days = [row["days_after"] for row in mine]
        ends = min(days), max(days)
        groups: dict[str, list[Record]] = {}
        for row in mine:
            if row["treatment"] != basis.trial.untreated:
                groups.setdefault(row["treatment"], []).append(row)
        for treatment, records in groups.items():
            best = max(records, key=lambda row: float(row["percent"]))
            for name, picked in (
                ("control_first", [r for r in records if r["days_after"] == ends[0]]),
                ("control_best", [best]),
                ("control_last", [r for r in records if r["days_after"] == ends[1]]),
            ):
                for row in picked:
                    key = (question, variable, "day", treatment, _day(row["days_after"]))
                    yield _row(
                        treatment=treatment,
                        question=name,
                        variable=variable,
                        days_after=row["days_after"],
                        value=row["percent"],
                        lower=row["lower"],
                        upper=row["upper"],
                        unit="%",
                        shown=key in marks and _apart(row["lower"], row["upper"]),
                        note=f"method: {row['method']}",
                    )


def _held(basis: Basis, persistence: pd.DataFrame, marks: Marks) -> Iterator[Record]:
    reached = {(key[1], key[3]) for key in marks if key[2] == "target"}
    names = {name for name, _ in _main(basis)}
    for row in _records(persistence):
        if row["variable"] not in names:
            continue
        until = float(row["holds_until_day"])
        never = math.isnan(until)
        if never and math.isnan(row["peak_percent"]):
            note = row["reason"]
        elif never:
            note = "never reached"
        else:
            note = "to the last assessment" if row["censored"] is True else None
        yield _row(
            treatment=row["treatment"],
            question="held_until",
            variable=row["variable"],
            value=until,
            lower=row["lower"],
            upper=row["upper"],
            unit="day",
            shown=(row["variable"], row["treatment"]) in reached and row["lower"] > 0.0,
            note=note,
        )


def _changes(reductions: pd.DataFrame, claims: pd.DataFrame) -> list[Record]:
    """Reductions of pest-days; of what was tested with the count before treatment by the test."""
    tested = {
        (row["variable"], row["a"]): {name: row[name] for name in ("percent", "lower", "upper")}
        for row in _records(claims)
        if _known(row["percent"])
    }
    return [
        {**row, "note": TESTED, **tested[key]}
        if (key := (row["variable"], row["treatment"])) in tested
        else {**row, "note": None}
        for row in _records(reductions)
        if row["measure"] == "pest_days"
    ]


def _reductions(basis: Basis, changes: Sequence[Record], marks: Marks) -> Iterator[Record]:
    asked = {name: (question, "pest_days") for name, question in _main(basis)}
    for item in basis.assessed:
        if item.variable.role is VariableRole.NATURAL_ENEMY:
            asked[item.variable.name] = ("enemies", "enemies")
    for row in changes:
        if row["variable"] not in asked or not _known(row["percent"]):
            continue
        question, name = asked[row["variable"]]
        mark = marks.get((question, row["variable"], "whole trial", row["treatment"], None))
        way = "lower" if row["percent"] > 0 else "higher"
        yield _row(
            treatment=row["treatment"],
            question=name,
            variable=row["variable"],
            value=-row["percent"],
            lower=-row["upper"],
            upper=-row["lower"],
            unit="%",
            shown=mark == way and _apart(row["lower"], row["upper"]),
            note=row["note"],
        )


def _yields(basis: Basis, means: pd.DataFrame, marks: Marks) -> Iterator[Record]:
    units = {item.name: item.unit for item in basis.trial.variables}
    harvested = harvest_variable(basis.trial)
    if basis.harvested is not None:
        units[harvested.name] = harvested.unit
    paired = {(key[1], key[3]) for key in marks if key[0] in ("yield",) and key[2] == "whole trial"}
    for row in _records(means):
        if row["measure"] != "yield" or not _known(row["mean_analysed"]):
            continue
        yield _row(
            treatment=row["treatment"],
            question="yield",
            variable=row["variable"],
            value=row["back_transformed"],
            lower=row["lower"],
            upper=row["upper"],
            unit=units.get(row["variable"]),
            shown=(row["variable"], row["treatment"]) in paired,
            note=None,
        )


def _returns(basis: Basis, money: pd.DataFrame, marks: Marks) -> Iterator[Record]:
    area = basis.settings.yield_unit.partition("/")[2]
    unit = f"{basis.settings.currency}/{area}" if basis.settings.currency else None
    for row in _records(money):
        if not _known(row["gain"]):
            continue
        key = ("return", row["variable"], "whole trial", row["treatment"], None)
        yield _row(
            treatment=row["treatment"],
            question="return",
            variable=row["variable"],
            value=row["gain"],
            lower=row["lower"],
            upper=row["upper"],
            unit=unit,
            shown=key in marks,
            note=None,
        )
