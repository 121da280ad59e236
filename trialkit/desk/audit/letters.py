"""Letters of a mean separation: against the order of means, and against critical differences."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import combinations

from trialkit.desk.audit.precision import critical, designs, q_point, t_point
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
    yield from _against_f(column, sets)


def _against_f(column: Column, sets: Sets) -> Iterator[Check]:
    """Means that all share a letter, where F says that two of them must differ.

    Over all pairs of k means with n plots each the mean of t squared is F, so that the largest is
    not below F (the sum of squares of all differences is k times that about the mean).
    """
    f, procedure = column.number("f"), column.word("procedure")
    separated = any(not sets[a] & sets[b] for a, b in combinations(sets, 2))
    if separated or f is None or procedure not in {"lsd", "tukey"} or not column.exact("n"):
        return
    if column.treatments != len(sets):
        return
    printed, plain = column.exact("df"), designs(column).values()
    least = printed if printed is not None else min(plain, default=0.0)
    if least < 1:
        return
    df = Range(least, least)
    needed = t_point(column.alpha, df) if procedure == "lsd" else q_point(
        column.alpha, column.treatments, df).times(2**-0.5)  # fmt: skip
    largest = max(f.low, 0.0) ** 0.5
    if largest <= needed.high:
        return
    yield Check(
        verdict=Verdict.INCONSISTENT if printed is not None else Verdict.CANNOT_TELL,
        kind="letters",
        where=f"{column.name}, letters and F",
        arithmetic=(
            f"All means share a letter, but with F = {column.numbers['f'].text} two of them differ "
            f"by {largest:.2f} standard errors of a difference or more; {needed} are enough with "
            f"{least:g} df."
        ),
        question="Do letters and F come from one analysis?",
    )


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
    p = column.number("p")
    # Where no pair is told apart, a procedure that F protects has compared none.
    compared = any(not sets[a] & sets[b] for a, b in combinations(sets, 2)) or (
        p is not None and p.high < column.alpha
    )
    for a, b in combinations(sets, 2):
        gap = column.means[a].range.away_from(column.means[b].range)
        shares = bool(sets[a] & sets[b])
        if not shares and _below(gap, needed):
            odd.append(
                f"{a} and {b} share no letter, but differ by {gap} ({needed_name}: {needed})"
            )
        elif shares and own is not None and compared and _below(needed, gap):
            odd.append(f"{a} and {b} share a letter, but differ by {gap} ({needed_name}: {needed})")
    if not odd:
        verdict, says = Verdict.CONSISTENT, f"All pairs agree with {needed_name} ({needed})."
    else:
        # Where plots are missing, each pair has a difference of its own, about adjusted means.
        equal = column.tested_as_shown and not _unequal(column)
        verdict = Verdict.INCONSISTENT if equal else Verdict.CANNOT_TELL
        more = f"; and {len(odd) - _MOST_SHOWN} more" if len(odd) > _MOST_SHOWN else ""
        says = "; ".join(odd[:_MOST_SHOWN]) + more + "."
        if verdict is Verdict.CANNOT_TELL:
            says += (
                " Each pair has a difference of its own, as numbers of plots differ."
                if _unequal(column)
                else " The table does not say that the means were tested as shown."
            )
    yield Check(
        verdict=verdict,
        kind="letters",
        where=f"{column.name}, letters and differences",
        arithmetic=says,
        question="Which of means, letters and critical difference is meant?" if odd else "",
    )


def _unequal(column: Column) -> bool:
    """Whether numbers of plots differ, or may."""
    plots = column.plots_of()
    return plots is not None and plots.low < plots.high


def _below(one: Range, other: Range) -> bool:
    return one.high < other.low and not one.meets(other)
