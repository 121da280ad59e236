"""LSD, Tukey's difference, SE, CV, mean square and df against each other; F against P."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

from scipy import special

from trialkit.desk.audit.rounding import Printed, Range
from trialkit.desk.audit.table import Check, Column, Verdict
from trialkit.inference.comparisons.distributions import studentized_range_isf

_ROOT2 = math.sqrt(2.0)
_MOST_PLOTS = 12
_ANY_DF = Range(1.0, math.inf)


def t_point(alpha: float, df: Range) -> Range:
    """Two-sided point of Student's t, at any of these degrees of freedom."""
    points = [-float(special.stdtrit(end, alpha / 2)) for end in (df.low, min(df.high, 1e9))]
    return Range(min(points), max(points))


def q_point(alpha: float, treatments: int, df: Range) -> Range:
    """Point of the studentized range, at any of these degrees of freedom."""
    points = [
        float(studentized_range_isf(alpha, treatments, max(1.0, end))) for end in (df.low, df.high)
    ]
    return Range(min(points), max(points))


def designs(column: Column) -> dict[str, float]:
    """Degrees of freedom of error of the plain designs with these plots."""
    plots, number = _plots(column), column.treatments
    if not plots:
        return {}
    n, every = max(plots), sum(plots)
    found = {
        "randomised complete blocks": every - n - number + 1,
        "complete randomisation": every - number,
    }
    if n == number and every == n * n:
        found["a Latin square"] = (number - 1) * (number - 2)
    return found


def from_to(plots: Range) -> str:
    """Write numbers of plots: "4", "3 to 4"."""
    return f"{plots.low:g}" + ("" if plots.low == plots.high else f" to {plots.high:g}")


def _plots(column: Column) -> list[float]:
    """Plots behind each mean; empty where they are not known exactly."""
    n, own = column.exact("n"), [column.plots.get(name) for name in column.means]
    if all(item is not None and item.upto is None for item in own) and own:
        return [item.value for item in own if item is not None]
    return [n] * column.treatments if n and not column.plots else []


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
    n, df = column.plots_of(), degrees(column)
    sed, sem, square = (
        column.number(name) for name in ("se of difference", "se of mean", "mean square")
    )
    if sed is not None:
        ways.append(("standard error of a difference", sed))
    if sem is not None:
        ways.append(("standard error of a mean × √2", sem.times(_ROOT2)))
    if square is not None and n and square.low >= 0:
        ends = math.sqrt(2 * square.low / n.high), math.sqrt(2 * square.high / n.low)
        ways.append((f"√(2 × mean square / n), n = {from_to(n)},", Range(*ends)))
    lsd, hsd, cv = column.number("lsd"), column.number("hsd"), column.number("cv")
    if lsd is not None:
        t = t_point(column.alpha, df)
        ways.append((f"LSD / t ({t})", Range(lsd.low / t.high, lsd.high / t.low)))
    if hsd is not None and column.treatments > 1:
        q = q_point(column.alpha, column.treatments, df)
        name = f"Tukey's difference × √2 / q ({q})"
        ways.append((name, Range(hsd.low * _ROOT2 / q.high, hsd.high * _ROOT2 / q.low)))
    grand = grand_mean(column)
    if cv is not None and n and grand is not None and grand.low > 0:
        name = f"CV × grand mean ({grand}) × √(2 / n), n = {from_to(n)},"
        ends = (
            cv.low * grand.low * math.sqrt(2 / n.high),
            cv.high * grand.high * math.sqrt(2 / n.low),
        )
        ways.append((name, Range(ends[0] / 100, ends[1] / 100)))
    return ways


def grand_mean(column: Column) -> Range | None:
    """Mean over treatments: as printed, or from their means where all of them are there."""
    printed = column.number("grand mean")
    if printed is not None or column.treatments != len(column.means):
        return printed
    return mean_of_means(column)


def mean_of_means(column: Column) -> Range:
    """Mean of the means, each with its plots as weight; any weight that n allows."""
    low, high = _sides([printed.range for printed in column.means.values()])
    plots = [column.plots_of(name) or Range(1.0, 1.0) for name in column.means]
    return Range(-_largest([-end for end in low], plots), _largest(high, plots))


def _largest(values: list[float], weights: list[Range]) -> float:
    """Largest weighted mean: the largest values with most weight, the others with least."""
    order = sorted(zip(values, weights, strict=True), key=lambda pair: -pair[0])
    best = -math.inf
    for heavy in range(len(order) + 1):
        chosen = [w.high if i < heavy else w.low for i, (_, w) in enumerate(order)]
        total = sum(w * value for w, (value, _) in zip(chosen, order, strict=True))
        best = max(best, total / sum(chosen))
    return best


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
        says += "" if agrees else would_fit(column)
        yield Check(
            verdict=verdict if decided else Verdict.CANNOT_TELL,
            kind="precision",
            where=column.name,
            arithmetic=says if decided else f"{says} {_scale_words(column)}",
            question="" if agrees else "Do they come from one analysis, one n, one level?",
        )
    yield from _any_plain_design(column, ways)
    yield from _grand_mean(column)
    yield from _unsaid_error(column, ways)
    yield from _df(column)
    yield from _f_from_means(column)
    yield from _p_from_f(column)


def _any_plain_design(column: Column, ways: list[tuple[str, Range]]) -> Iterator[Check]:
    """Where df are not printed: whether those of any plain design bring all together."""
    plain = designs(column)
    if "df" in column.numbers or not plain or not _all_meet(ways):
        return
    for df in plain.values():
        numbers = {**column.numbers, "df": Printed(f"{df:g}", df, 0)}
        if df < 1 or _all_meet(routes(replace(column, numbers=numbers))):
            return
    known = " or ".join(f"{df:g} ({name})" for name, df in plain.items())
    says = f"No degrees of freedom of a plain design, {known}, bring the numbers together."
    yield Check(
        verdict=Verdict.CANNOT_TELL,
        kind="precision",
        where=column.name,
        arithmetic=says + would_fit(column),
        question="Of how many plots, at which level, and on which scale are they?",
    )


def _all_meet(ways: list[tuple[str, Range]]) -> bool:
    return all(a.meets(b) for (_, a), (_, b) in combinations(ways, 2))


def would_fit(column: Column) -> str:
    """Name the numbers of plots in a plain design with which all ways would agree; or nothing."""
    fits = []
    for n in range(2, _MOST_PLOTS + 1):
        exact = Printed(str(n), float(n), 0)
        other = replace(column, plots={}, numbers={**column.numbers, "n": exact})
        for name, df in designs(other).items():
            printed = Printed(f"{df:g}", df, 0)
            numbers = {**other.numbers, "df": other.numbers.get("df", printed)}
            own = routes(replace(other, numbers=numbers))
            if df >= 1 and df == numbers["df"].value and _all_meet(own):
                fits.append(f"{n} plots a treatment in {name} ({df:g} df)")
    if not fits or (
        column.exact("n") and any(item.startswith(f"{column.exact('n'):g} ") for item in fits)
    ):
        return ""
    return f" They would agree with {' or '.join(fits[:2])}."


def _grand_mean(column: Column) -> Iterator[Check]:
    printed = column.number("grand mean")
    if printed is None or column.treatments != len(column.means):
        return
    found = mean_of_means(column)
    agrees = found.meets(printed)
    yield Check(
        verdict=Verdict.CONSISTENT
        if agrees
        else Verdict.INCONSISTENT
        if column.exact("n") and column.tested_as_shown
        else Verdict.CANNOT_TELL,
        kind="sums",
        where=f"{column.name}, grand mean",
        arithmetic=f"The means give {found}; printed: {column.numbers['grand mean'].text}.",
        question="" if agrees else "Was a mean left out, or were plots missing?",
    )


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
    df, plots, number = column.exact("df"), _plots(column), column.treatments
    if df is None or not plots:
        return
    most, n = sum(plots) - number, Range(min(plots), max(plots))
    fits = [name for name, value in designs(column).items() if value == df]
    if fits:
        named = " and of ".join(fits)
        says = f"{df:g} are those of {named}, {number} treatments, {from_to(n)} plots each."
    elif df > most:
        says = f"{number} treatments with {from_to(n)} plots each leave {most:g} for error at most."
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
    spread = variance_of_means(column)
    name, sed = ways[0]
    if spread is None or sed.low <= 0:
        return
    # n times the variance of the means over the mean square, which is n SED^2 / 2
    found = Range(2.0 * spread.low / sed.high**2, 2.0 * spread.high / sed.low**2)
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


def variance_of_means(column: Column) -> Range | None:
    """Range of the variance of the means; None where one of them has no bounds."""
    ranges = [printed.range for printed in column.means.values()]
    values = [printed.value for printed in column.means.values()]
    reach = math.sqrt(sum((r.high - v) ** 2 for r, v in zip(ranges, values, strict=True)))
    if len(values) < 2 or not math.isfinite(reach):
        return None
    centre = sum(values) / len(values)
    spread = math.sqrt(sum((value - centre) ** 2 for value in values))
    ends = max(0.0, spread - reach) ** 2, (spread + reach) ** 2
    return Range(*(end / (len(values) - 1) for end in ends))


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
        t = t_point(column.alpha, df)
        return f"LSD from {name}", Range(sed.low * t.low, sed.high * t.high)
    q = q_point(column.alpha, column.treatments, df).times(1 / _ROOT2)
    return f"Tukey's difference from {name}", Range(sed.low * q.low, sed.high * q.high)
