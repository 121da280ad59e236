"""Two analyses side by side: what of the data differs, and which conclusions with it."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trialkit.desk.sides import Side, take_sides
from trialkit.numerals import is_number
from trialkit.record.again import TOLERANCE, compare_tables
from trialkit.record.writing import is_series
from trialkit.trial import Trial

Record = Mapping[str, Any]
Row = Mapping[str, Any]

#: Tables of a trial, and the columns that say which row is meant.
_DATA_KEYS: Mapping[str, tuple[str, ...]] = {
    "treatments": ("id",),
    "plots": ("id",),
    "variables": ("name",),
    "applications": ("id",),
    "counts": ("plot", "day", "variable", "sample"),
    "yields": ("plot", "variable"),
    "harvest": ("plot",),
    "doses": ("treatment", "application"),
    "assessments": ("day", "date", "variable"),
    "weather": ("date",),
    "events": ("date", "what"),
}
#: Parts of a trial that say how it was read, not what it is.
_NOT_DATA = {"understood", "plan"}
#: What is looked at of the trials of a series: which they are, and what they were read from.
_INPUT_COLUMNS = ("key", "digest", "left_out")
#: Columns of tables that are conclusions, with the columns that say which row is meant.
_CONCLUSIONS: tuple[tuple[str, tuple[str, ...], str, str], ...] = (
    ("glance", ("treatment", "question"), "shown", "what page 1 marks as shown"),
    ("means", ("variable", "measure", "days_after", "treatment"), "letters", "letters"),
    ("comparisons", ("variable", "measure", "days_after", "a", "b"), "different", "a difference"),
    ("persistence", ("variable", "treatment"), "holds_until_day", "at the target until day"),
    (
        "series_claims",
        ("question", "variable", "measure", "window", "a", "b"),
        "shown",
        "shown over all trials",
    ),
    ("combined_means", ("variable", "treatment"), "letters", "letters over all trials"),
    (
        "combined_differences",
        ("variable", "measure", "window", "a", "b"),
        "not_inferior",
        "not inferior over all trials",
    ),
)


@dataclass(frozen=True, slots=True)
class Changed:
    """One thing that is not the same on both sides.

    Attributes
    ----------
    where : str
        Which part, row and column.
    old, new : object
        On the first side, and on the second; None where it is not there.
    """

    where: str
    old: object
    new: object

    def __str__(self) -> str:
        return f"{self.where}: {_shown(self.old)} \N{RIGHTWARDS ARROW} {_shown(self.new)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What differs between two analyses, in the order in which a reviewer asks.

    Attributes
    ----------
    first, second : Side
    data, settings, versions : tuple of Changed
    conclusions : tuple of Changed
        Who leads, what is shown, letters, durations, sentences of page 1.
    warnings : tuple of Changed
        What reading and analysis warned of on one side only.
    numbers : int
        How many numbers of the results differ.
    compared : int
        How many were compared.
    largest : float
        Largest relative difference among them.
    """

    first: Side
    second: Side
    data: tuple[Changed, ...]
    settings: tuple[Changed, ...]
    versions: tuple[Changed, ...]
    conclusions: tuple[Changed, ...]
    warnings: tuple[Changed, ...]
    numbers: int
    compared: int
    largest: float

    @property
    def same(self) -> bool:
        """Whether all agrees: nothing differs, versions included, and no record was edited."""
        return self.alike and not (self.versions or self.first.edited or self.second.edited)

    @property
    def alike(self) -> bool:
        """Whether data, settings, results and warnings agree, whatever worked them out."""
        return not (self.data or self.settings or self.conclusions or self.warnings or self.numbers)


def compare(first: Trial | Path | str, second: Trial | Path | str) -> Comparison:
    """Compare two analyses, each a record, the folder of a report, or a trial; or two series.

    Parameters
    ----------
    first, second : Trial, Path or str
        A trial is analysed now; so a record against a trial asks whether these are the data
        behind it. Of two series (records, or the folder of trials against a record) it is said
        which trials differ, how they were matched otherwise, and which conclusions changed.

    Returns
    -------
    Comparison

    Raises
    ------
    TrialError
        When one of them cannot be read.

    Examples
    --------
    >>> import trialkit
    >>> trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    >>> other = trial.with_settings(comparison="lsd")
    >>> found = trialkit.compare(trial, other)
    >>> found.data, [change.where for change in found.settings]
    ((), ['settings, comparison'])
    """
    left, right = take_sides(first, second)
    old, new = left.record, right.record
    several = is_series(old) or is_series(new)
    data = _series_data(old, new) if several else _data(old.get("trial", {}), new.get("trial", {}))
    tables = compare_tables(old.get("tables", {}), new.get("tables", {}))
    return Comparison(
        first=left,
        second=right,
        data=tuple(data),
        settings=tuple(_pairs(old.get("settings", {}), new.get("settings", {}), "settings")),
        versions=tuple(_versions(old, new)),
        conclusions=tuple(_conclusions(old, new)),
        warnings=tuple(_warnings(old, new)),
        numbers=len(tables.differences),
        compared=tables.compared,
        largest=_largest(tables.differences),
    )


def _largest(differences: Sequence[Any]) -> float:
    gaps = [
        abs(item.recorded - item.found) / max(abs(item.recorded), abs(item.found))
        for item in differences
        if is_number(item.recorded) and is_number(item.found) and item.recorded != item.found
    ]
    return max(gaps, default=0.0)


def _same(old: object, new: object) -> bool:
    if is_number(old) and is_number(new):
        return math.isclose(float(old), float(new), rel_tol=TOLERANCE)
    return old == new


def _shown(value: object) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _data(old: Record, new: Record) -> Iterator[Changed]:
    for name in dict.fromkeys([*old, *new]):
        if name in _NOT_DATA:
            continue
        if name in _DATA_KEYS:
            yield from _rows(name, old.get(name) or [], new.get(name) or [], _DATA_KEYS[name])
        elif not _same(old.get(name), new.get(name)):
            before, after = old.get(name), new.get(name)
            if isinstance(before, Mapping) and isinstance(after, Mapping):
                yield from _pairs(before, after, name)
            else:
                yield Changed(name.replace("_", " "), before, after)


def _series_data(old: Record, new: Record) -> Iterator[Changed]:
    """Which trials of a series are others, and what was taken as something else."""
    before, after = (
        [{name: row.get(name) for name in _INPUT_COLUMNS} for row in side.get("inputs", [])]
        for side in (old, new)
    )
    for change in _rows("trial", before, after, ("key",)):
        where = change.where.replace("trial, key ", "trial ", 1)
        if where.endswith(", digest"):
            yield Changed(where.removesuffix(", digest"), "as it was", "other files")
        else:
            yield Changed(where.replace(", left_out", ", left out"), change.old, change.new)
    left, right = (side.get("tables", {}).get("series_matches") or [] for side in (old, new))
    yield from _rows("match", left, right, ("kind", "trial", "found"))


def _rows(
    table: str, old: Sequence[Row], new: Sequence[Row], keys: tuple[str, ...]
) -> Iterator[Changed]:
    before, after = _by_key(old, keys), _by_key(new, keys)
    for key in dict.fromkeys([*before, *after]):
        left, right = before.get(key), after.get(key)
        where = f"{table}, {_named(keys, key)}"
        if left is None or right is None:
            yield Changed(where, "a row" if left else None, "a row" if right else None)
            continue
        for column in dict.fromkeys([*left, *right]):
            if not _same(left.get(column), right.get(column)):
                yield Changed(f"{where}, {column}", left.get(column), right.get(column))


def _by_key(rows: Sequence[Row], keys: tuple[str, ...]) -> dict[tuple[Any, ...], Row]:
    """Rows by the cells that name them; those named alike are told apart by their number."""
    found: dict[tuple[Any, ...], Row] = {}
    for row in rows:
        key = tuple(_plain(row.get(name)) for name in keys)
        number = 1
        while (*key, number) in found:
            number += 1
        found[(*key, number)] = row
    return found


def _plain(value: object) -> object:
    return float(value) if is_number(value) else value


def _named(keys: tuple[str, ...], key: tuple[Any, ...]) -> str:
    words = [
        f"{name} {_shown(value)}"
        for name, value in zip(keys, key, strict=False)
        if value is not None
    ]
    return ", ".join(words)


def _pairs(old: Record, new: Record, name: str) -> Iterator[Changed]:
    for key in dict.fromkeys([*old, *new]):
        if not _same(old.get(key), new.get(key)):
            yield Changed(f"{name}, {key}", old.get(key), new.get(key))


def _versions(old: Record, new: Record) -> Iterator[Changed]:
    for name in ("format", "trialkit"):
        if old.get(name) != new.get(name):
            yield Changed(name, old.get(name), new.get(name))
    yield from _pairs(old.get("environment", {}), new.get("environment", {}), "environment")


def _warnings(old: Record, new: Record) -> Iterator[Changed]:
    """Warnings that stand on one side only, by what they say and not by their order."""
    before, after = (
        Counter(
            str(row.get("what")) for row in side.get("problems") or [] if isinstance(row, Mapping)
        )
        for side in (old, new)
    )
    for what in (before - after).elements():
        yield Changed("warning", what, None)
    for what in (after - before).elements():
        yield Changed("warning", None, what)


def _conclusions(old: Record, new: Record) -> Iterator[Changed]:
    yield from _sentences(old, new)
    before, after = old.get("tables", {}), new.get("tables", {})
    for variable, leaders in _leaders(before).items():
        now = _leaders(after).get(variable)
        if now is not None and now != leaders:
            yield Changed(f"{variable}, who leads over the whole trial", leaders, now)
    for table, keys, column, words in _CONCLUSIONS:
        left = _by_key(before.get(table) or [], keys)
        right = _by_key(after.get(table) or [], keys)
        for key in dict.fromkeys([*left, *right]):
            old_cell, new_cell = left.get(key, {}).get(column), right.get(key, {}).get(column)
            if column == "holds_until_day":
                old_cell, new_cell = _days(old_cell), _days(new_cell)
            if not _same(old_cell, new_cell):
                yield Changed(f"{words}: {_named(keys, key)}", old_cell, new_cell)


def _days(value: object) -> object:
    """A duration to the day, as it is printed."""
    return round(float(value)) if is_number(value) else value


def _sentences(old: Record, new: Record) -> Iterator[Changed]:
    left, right = _front(old), _front(new)
    pairs = zip(_padded(left, len(right)), _padded(right, len(left)), strict=True)
    for number, (before, after) in enumerate(pairs, start=1):
        if before != after:
            yield Changed(f"page 1, sentence {number}", before, after)


def _padded(items: Sequence[str], length: int) -> list[str | None]:
    return [*items, *[None] * max(0, length - len(items))]


def _front(record: Record) -> list[str]:
    rows = [item for item in record.get("findings", []) if isinstance(item, Mapping)]
    return [str(item.get("text")) for item in rows if item.get("front")]


def _leaders(tables: Record) -> dict[str, str]:
    """The treatment with the largest reduction of each variable."""
    best: dict[str, tuple[float, str]] = {}
    for row in tables.get("reductions") or tables.get("combined_control") or []:
        value = row.get("percent")
        if row.get("measure") == "pest_days" and is_number(value):
            kept = best.get(row["variable"])
            if kept is None or float(value) > kept[0]:
                best[row["variable"]] = float(value), str(row["treatment"])
    return {variable: treatment for variable, (_, treatment) in best.items()}
