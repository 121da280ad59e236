"""Letters of a mean separation: against the order of means, and against critical differences."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import combinations

from trialkit.desk.audit.precision import critical
from trialkit.desk.audit.rounding import Range
from trialkit.desk.audit.table import Check, Column, Verdict

_SPAN = re.compile(r"([a-z])\s*[-–]\s*([a-z])", re.IGNORECASE)
_MOST_SHOWN = 3

Sets = Mapping[str, frozenset[str]]


def letters_of(text: str) -> frozenset[str]:
    """Read the letters of one mean; ``a-c`` stands for a, b and c.

    Raises
    ------
    ValueError
        When something else than letters stands there.

    Examples
    --------
    >>> sorted(letters_of("a-c")), sorted(letters_of("a,b"))
    (['a', 'b', 'c'], ['a', 'b'])
    """

    def spelled(match: re.Match[str]) -> str:
        first, last = match.groups()
        return "".join(chr(code) for code in range(ord(first), ord(last) + 1))

    plain = re.sub(r"[\s,;()]", "", _SPAN.sub(spelled, text.strip()))
    if not plain.isalpha() or not plain.isascii():
        raise ValueError(text)
    return frozenset(plain)


def check_letters(column: Column) -> Iterator[Check]:
    """Ask whether letters can belong to these means."""
    try:
        sets = {
            name: letters_of(text) for name, text in column.letters.items() if name in column.means
        }
    except ValueError as fault:
        yield _cannot(column, f"'{fault}' was not understood as letters.")
        return
    if len(sets) < 2:
        return
    if len({mark.isupper() for marks in sets.values() for mark in marks}) > 1:
        yield _cannot(column, "Capitals and small letters stand for two sets of comparisons.")
        return
    if len(sets) < len(column.means):
        yield _cannot(column, "Some means have letters and some have none.")
        return
    plots = column.exact("n")
    yield _order(column, sets, decided=column.tested_as_shown and bool(plots))
    yield from _differences(column, sets)


def _cannot(column: Column, says: str, question: str = "") -> Check:
    return Check(
        verdict=Verdict.CANNOT_TELL,
        kind="letters",
        where=f"{column.name}, letters",
        arithmetic=says,
        question=question,
    )


def _order(column: Column, sets: Sets, *, decided: bool) -> Check:
    """With one error and equal n a letter never skips a mean between two that carry it."""
    ranges = {name: column.means[name].range for name in sets}
    skipped = []
    for mark in sorted(set().union(*sets.values())):
        holders = [name for name in sets if mark in sets[name]]
        for name in sets:
            if mark in sets[name]:
                continue
            below = [other for other in holders if ranges[other].high < ranges[name].low]
            above = [other for other in holders if ranges[other].low > ranges[name].high]
            if below and above:
                skipped.append(f"{mark} stands at {below[0]} and {above[0]}, but not at {name}")
    if not skipped:
        says = "No letter skips a mean that lies between two that carry it."
        return Check(
            verdict=Verdict.CONSISTENT,
            kind="letters",
            where=f"{column.name}, letters",
            arithmetic=says,
        )
    says = f"{'; '.join(skipped[:_MOST_SHOWN])}, whose mean lies between."
    asked = "Do letters and means stand beside the right treatments?"
    if not decided or column.word("procedure") == "other":
        return _cannot(column, f"{says} Another scale or unequal n could do this.", asked)
    return Check(
        verdict=Verdict.INCONSISTENT,
        kind="letters",
        where=f"{column.name}, letters",
        arithmetic=says,
        question=asked,
    )


def _differences(column: Column, sets: Sets) -> Iterator[Check]:
    procedure = column.word("procedure")
    least = critical(column, "lsd")
    if least is None:
        return
    name, lsd = least
    own = {"lsd": least, "tukey": critical(column, "tukey")}.get(procedure)
    needed_name, needed = own if own is not None else (name, lsd)
    odd = []
    separated = any(not sets[a] & sets[b] for a, b in combinations(sets, 2))
    for a, b in combinations(sets, 2):
        gap = column.means[a].range.away_from(column.means[b].range)
        shares = bool(sets[a] & sets[b])
        if not shares and _below(gap, needed):
            odd.append(
                f"{a} and {b} share no letter, but differ by {gap} ({needed_name}: {needed})"
            )
        # Where no pair is told apart, a protected procedure has compared none.
        elif shares and own is not None and separated and _below(needed, gap):
            odd.append(f"{a} and {b} share a letter, but differ by {gap} ({needed_name}: {needed})")
    if not odd:
        verdict, says = Verdict.CONSISTENT, f"All pairs agree with {needed_name} ({needed})."
    else:
        verdict = Verdict.INCONSISTENT if column.tested_as_shown else Verdict.CANNOT_TELL
        more = f"; and {len(odd) - _MOST_SHOWN} more" if len(odd) > _MOST_SHOWN else ""
        says = "; ".join(odd[:_MOST_SHOWN]) + more + "."
        if verdict is Verdict.CANNOT_TELL:
            says += " The table does not say that the means were tested as shown."
    yield Check(
        verdict=verdict,
        kind="letters",
        where=f"{column.name}, letters and differences",
        arithmetic=says,
        question="Which of means, letters and critical difference is meant?" if odd else "",
    )


def _below(one: Range, other: Range) -> bool:
    return one.high < other.low and not one.meets(other)
