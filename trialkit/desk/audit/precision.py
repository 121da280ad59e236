"""LSD, Tukey's difference, SE, CV, mean square and df against each other; F against P."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

from scipy import special

from trialkit.desk.audit.rounding import Range
from trialkit.desk.audit.table import Check, Column, Verdict
from trialkit.inference.comparisons.distributions import studentized_range_isf

_ROOT2 = math.sqrt(2.0)
_ANY_DF = Range(1.0, math.inf)


def _t(alpha: float, df: Range) -> Range:
    points = [-float(special.stdtrit(end, alpha / 2)) for end in (df.low, min(df.high, 1e9))]
    return Range(min(points), max(points))


def _q(alpha: float, treatments: int, df: Range) -> Range:
    points = [
        float(studentized_range_isf(alpha, treatments, max(1.0, end))) for end in (df.low, df.high)
    ]
    return Range(min(points), max(points))


def designs(column: Column) -> dict[str, float]:
    """Degrees of freedom of error of the plain designs, with all plots there."""
    n, number = column.exact("n"), column.treatments
    if not n:
        return {}
    found = {
        "randomised complete blocks": (n - 1) * (number - 1),
        "complete randomisation": number * (n - 1),
    }
    if n == number:
        found["a Latin square"] = (number - 1) * (number - 2)
    return found


def degrees(column: Column) -> Range:
    """Degrees of freedom of error, as printed; any number where they are not.

    Those of mixed models are often printed as whole numbers, so only those of a plain design
    are taken as exact.
    """
    found = column.numbers.get("df")
    if found is None:
        return _ANY_DF
    if found.value in designs(column).values():
        return Range(found.value, found.value)
    return Range(max(1.0, found.range.low), max(1.0, found.range.high))


def routes(column: Column) -> list[tuple[str, Range]]:
    """Standard errors of a difference, by every way in which the table gives one."""
    ways: list[tuple[str, Range]] = []
    n, df = column.exact("n"), degrees(column)
    sed, sem, square = (
        column.number(name) for name in ("se of difference", "se of mean", "mean square")
    )
    if sed is not None:
        ways.append(("standard error of a difference", sed))
    if sem is not None:
        ways.append(("standard error of a mean × √2", sem.times(_ROOT2)))
    if square is not None and n and square.low >= 0:
        name = f"√(2 × mean square / {n:g})"
        ways.append((name, Range(*(math.sqrt(2 * end / n) for end in (square.low, square.high)))))
    lsd, hsd, cv = column.number("lsd"), column.number("hsd"), column.number("cv")
    if lsd is not None:
        t = _t(column.alpha, df)
        ways.append((f"LSD / t ({t})", Range(lsd.low / t.high, lsd.high / t.low)))
    if hsd is not None and column.treatments > 1:
        q = _q(column.alpha, column.treatments, df)
        name = f"Tukey's difference × √2 / q ({q})"
        ways.append((name, Range(hsd.low * _ROOT2 / q.high, hsd.high * _ROOT2 / q.low)))
    if cv is not None and n and column.treatments == len(column.means):
        values = [printed.range for printed in column.means.values()]
        grand = Range(*(sum(ends) / len(values) for ends in _sides(values)))
        if grand.low > 0:
            factor = math.sqrt(2 / n) / 100
            name = f"CV × grand mean ({grand}) × √(2 / {n:g})"
            ways.append((name, Range(cv.low * grand.low * factor, cv.high * grand.high * factor)))
    return ways


def _sides(values: list[Range]) -> tuple[list[float], list[float]]:
    return [item.low for item in values], [item.high for item in values]


def precision(column: Column) -> Iterator[Check]:
    """Bring LSD, SE, CV and mean square to the standard error of a difference, and compare."""
    ways = routes(column)
    for (left, one), (right, other) in combinations(ways, 2):
        agrees = one.meets(other)
        # LSD, SE and mean square may belong to another scale than the means beside them.
        decided = agrees or column.tested_as_shown
        verdict = Verdict.CONSISTENT if agrees else Verdict.INCONSISTENT
        says = f"Standard error of a difference: {left} gives {one}; {right} gives {other}."
        yield Check(
            verdict=verdict if decided else Verdict.CANNOT_TELL,
            kind="precision",
            where=column.name,
            arithmetic=says if decided else f"{says} {_scale_words(column)}",
            question="" if agrees else "Do they come from one analysis, one n, one level?",
        )
    yield from _unsaid_error(column, ways)
    yield from _df(column)
    yield from _f_from_means(column)
    yield from _p_from_f(column)


def _scale_words(column: Column) -> str:
    if column.word("transform") in {"", "none"}:
        return "The table does not say that the means were tested as shown."
    return "The means were tested on another scale than they are shown on."


def _unsaid_error(column: Column, ways: list[tuple[str, Range]]) -> Iterator[Check]:
    found = column.number("se")
    if found is None or not ways:
        return
    name, other = ways[0]
    fits = [
        words
        for words, ranged in (("a mean", found.times(_ROOT2)), ("a difference", found))
        if ranged.meets(other)
    ]
    yield Check(
        verdict=Verdict.CONSISTENT if fits else Verdict.CANNOT_TELL,
        kind="precision",
        where=column.name,
        arithmetic=f"{name} gives {other} for a difference; the SE printed ({found}) is "
        + (f"that of {fits[0]}." if fits else "neither that of a mean nor of a difference."),
        question="" if fits else "What is the SE printed the standard error of?",
    )


def _df(column: Column) -> Iterator[Check]:
    df, n, number = column.exact("df"), column.exact("n"), column.treatments
    if df is None or not n:
        return
    most = number * (n - 1)
    fits = [name for name, value in designs(column).items() if value == df]
    if fits:
        says = (
            f"{df:g} are those of {' and of '.join(fits)}, {number} treatments, {n:g} plots each."
        )
    elif df > most:
        says = f"{number} treatments with {n:g} plots each leave {most:g} for error at most."
    else:
        says = f"{df:g} fit no complete blocks; plots missing or other strata would explain it."
    impossible = df > most
    yield Check(
        verdict=(
            Verdict.CONSISTENT
            if fits
            else Verdict.INCONSISTENT
            if impossible
            else Verdict.CANNOT_TELL
        ),
        kind="precision",
        where=f"{column.name}, df of error",
        arithmetic=says,
        question="Were samples or other treatments in the analysis?" if impossible else "",
    )


def _f_from_means(column: Column) -> Iterator[Check]:
    f, n = column.number("f"), column.exact("n")
    ways, number = routes(column), len(column.means)
    if f is None or not n or not ways or number < 2 or column.treatments != number:
        return
    values = [printed.value for printed in column.means.values()]
    halves = [printed.range.high - printed.value for printed in column.means.values()]
    centre = sum(values) / number
    spread = math.sqrt(sum((value - centre) ** 2 for value in values))
    reach = math.sqrt(sum(half**2 for half in halves))
    name, sed = ways[0]
    if not math.isfinite(reach) or sed.low <= 0:
        return
    # n SS / (k - 1) over the mean square, which is n SED^2 / 2
    factor = 2.0 / (number - 1)
    found = Range(
        factor * (max(0.0, spread - reach) / sed.high) ** 2,
        factor * ((spread + reach) / sed.low) ** 2,
    )
    agrees = found.meets(f)
    decided = agrees or column.tested_as_shown
    says = f"The means with {name} ({sed}) give F = {found}; printed: {column.numbers['f'].text}."
    yield Check(
        verdict=Verdict.CONSISTENT
        if agrees
        else Verdict.INCONSISTENT
        if decided
        else Verdict.CANNOT_TELL,
        kind="f and p",
        where=f"{column.name}, F",
        arithmetic=says if decided else f"{says} {_scale_words(column)}",
        question="" if agrees else "Does F belong to these means?",
    )


def _p_from_f(column: Column) -> Iterator[Check]:
    f, p, df = column.number("f"), column.number("p"), degrees(column)
    between = column.exact("df treatment")
    if between is None and "treatments" not in column.numbers:
        between = float(len(column.means) - 1)
    if f is None or p is None:
        return
    if df is _ANY_DF or not between or between < 1:
        yield Check(
            verdict=Verdict.CANNOT_TELL,
            kind="f and p",
            where=f"{column.name}, P",
            arithmetic="P follows from F and its degrees of freedom, which are not all given.",
        )
        return
    ends = [
        float(special.fdtrc(between, error, max(0.0, value)))
        for error in (df.low, df.high)
        for value in (f.low, min(f.high, 1e12))
    ]
    found = Range(min(ends), max(ends))
    agrees = found.meets(p)
    shown = column.numbers["p"]
    yield Check(
        verdict=Verdict.CONSISTENT if agrees else Verdict.INCONSISTENT,
        kind="f and p",
        where=f"{column.name}, P",
        arithmetic=(
            f"F = {column.numbers['f'].text} with {between:g} and {df} degrees of freedom "
            f"gives P = {found}; printed: {shown.sign}{shown.text}."
        ),
        question="" if agrees else "Which of F, P and the degrees of freedom is meant?",
    )


def critical(column: Column, procedure: str) -> tuple[str, Range] | None:
    """Find the least difference that a procedure calls significant: as printed, or computed.

    Parameters
    ----------
    column : Column
    procedure : {"lsd", "tukey"}

    Returns
    -------
    tuple of str and Range, or None
        Its name, and its range; None where the table does not give it.
    """
    printed = column.number("lsd" if procedure == "lsd" else "hsd")
    if printed is not None:
        return ("the LSD" if procedure == "lsd" else "Tukey's difference"), printed
    ways, df = routes(column), degrees(column)
    if not ways or "df" not in column.numbers:
        return None
    name, sed = ways[0]
    if procedure == "lsd":
        t = _t(column.alpha, df)
        return f"LSD from {name}", Range(sed.low * t.low, sed.high * t.high)
    q = _q(column.alpha, column.treatments, df).times(1 / _ROOT2)
    return f"Tukey's difference from {name}", Range(sed.low * q.low, sed.high * q.high)
