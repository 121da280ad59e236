"""Findings about control: how much by which day, how long it lasted, and where it was lost."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.analysis.efficacy.mode_of_action import applied_later
from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import (
    Finding,
    Row,
    Style,
    Teller,
    brackets,
    noun,
    rows,
)
from trialkit.findings.shown import (
    MOST_NAMED,
    claims_of,
    main_variables,
    percent,
    reference_of,
    treatments_named,
)
from trialkit.findings.whole import question_of
from trialkit.rows import Tables
from trialkit.trial import Variable

#: How many pairs of treatments a sentence names before it stops.
MOST_PAIRS = 3


def control_findings(tables: Tables) -> Iterator[Finding]:
    """The highest control on the first day and on the last, where it was shown to be any."""
    for variable in main_variables(tables):
        found = rows(tables, "control", variable=variable.name, chosen=True)
        known = [row for row in found if row.known("percent")]
        if not known:
            if found:
                reason = next((row["reason"] for row in found if row["reason"]), "")
                text = phrase("control.none", noun=noun(variable), reason=reason)
                yield Teller(tables).finding("control", text, variable=variable.name)
            continue
        days = sorted({float(row["days_after"]) for row in known})
        for day in dict.fromkeys((days[0], days[-1])):
            yield from _best(tables, variable, [row for row in known if row["days_after"] == day])
        yield from _faster(tables, variable, days)


def _best(tables: Tables, variable: Variable, of_day: list[Row]) -> Iterator[Finding]:
    best = max(of_day, key=lambda row: float(row["percent"]))
    behind = [
        row
        for row in claims_of(tables, question_of(variable), variable.name, "day")
        if row["a"] == best["treatment"] and row["days_after"] == best["days_after"]
    ]
    if not behind or behind[0]["shown"] is not True or best["percent"] <= 0:
        return
    say = Teller(tables)
    number, interval = say.signed(best, "percent", whole=True)
    if best.known("lower") and best["lower"] <= 0.0:
        # The test allows for the counts before treatment, this interval may not.
        say.numbers, interval = say.numbers[:1], ""
    text = phrase(
        "control.best",
        day=say.day(best),
        treatment=say.name(best["treatment"]),
        noun=noun(variable),
        size=percent(number),
        brackets=brackets(interval, say.p(behind[0])),
    )
    yield say.claim("control", text, behind)


def _pairs(tables: Tables, variable: Variable, question: str) -> tuple[list[Row], list[Row]]:
    """Pairs that can be compared, and those of them that were shown to differ.

    Those with the reference first, then the largest differences. Pairs that share no level of a
    factor are left out: nobody knows which factor made the difference.
    """
    found = rows(tables, "persistence_differences", variable=variable.name, question=question)
    known = [row for row in found if row.known("difference") and row.known("p_adjusted")]
    alpha, reference = tables.trial.settings.alpha, reference_of(tables)
    shown = [
        row
        for row in known
        if row["p_adjusted"] < alpha and row["lower"] * row["upper"] >= 0.0 and _alike(tables, row)
    ]
    shown.sort(key=lambda row: (reference not in (row["a"], row["b"]), -_least(row)))
    return known, shown


def _least(row: Row) -> float:
    """How large a difference is at least, by its interval."""
    return min(abs(float(row["lower"])), abs(float(row["upper"])))


def _alike(tables: Tables, row: Row) -> bool:
    levels = {item.treatment: (item.main_factor, item.sub_factor) for item in tables.trial.plots}
    one, other = levels[row["a"]], levels[row["b"]]
    return None in one or one[0] == other[0] or one[1] == other[1]


def _larger(row: Row) -> tuple[str, str]:
    return (row["a"], row["b"]) if row["difference"] > 0 else (row["b"], row["a"])


def _pair_claim(say: Teller, topic: str, text: str, row: Row, variable: Variable) -> Finding:
    more, less = _larger(row)
    return say.finding(
        topic,
        text,
        question=topic,
        variable=variable.name,
        subjects=(more,),
        against=(less,),
        direction="higher",
        claim=True,
        p=float(row["p_adjusted"]),
        level=float(say.tables.trial.settings.alpha),
    )


def _faster(tables: Tables, variable: Variable, days: list[float]) -> Iterator[Finding]:
    """Who had more control than the reference, or than any other, at the first assessment."""
    reference = reference_of(tables)
    _, shown = _pairs(tables, variable, "first control")
    # Who was not treated yet cannot have been slow.
    waiting = applied_later(tables.trial, days[0])
    shown = [row for row in shown if not waiting.keys() & {row["a"], row["b"]}]
    if reference is not None:
        shown = [row for row in shown if reference in (row["a"], row["b"])]
    if len(days) < 2:
        return
    first = rows(tables, "control", variable=variable.name, chosen=True, days_after=days[0])[0]
    for row in shown[:MOST_PAIRS]:
        say = Teller(tables)
        more, less = _larger(row)
        day = say.day(first)
        number, interval = say.size(row, "difference", whole=True, points=True)
        text = phrase(
            "control.faster",
            day=day,
            more=say.name(more),
            less=say.name(less),
            noun=noun(variable),
            size=phrase("words.points", count=int(number == "1"), number=number),
            brackets=brackets(interval, say.p(row)),
        )
        yield _pair_claim(say, "control", text, row, variable)


def held_findings(tables: Tables, *, front: bool) -> Iterator[Finding]:
    """Until which day control was shown to stay above the target; on page 1 the longest."""
    for variable in main_variables(tables):
        behind: dict[str, Row] = {}
        for row in claims_of(tables, question_of(variable), variable.name, "target"):
            old = behind.get(row["a"])
            better = old is None or row["p_adjusted"] < old["p_adjusted"]
            if row["front" if front else "shown"] is True and better:
                behind[row["a"]] = row
        found = [
            row
            for row in rows(tables, "persistence", variable=variable.name)
            if row["treatment"] in behind and row.known("holds_until_day") and row["lower"] > 0.0
        ]
        found.sort(key=lambda row: -float(row["lower"]))
        for row in found[:1] if front else found[1 : 1 + MOST_NAMED]:
            yield _held(tables, variable, row, behind[row["treatment"]], front=front)
        if not front:
            yield from _never(tables, variable)
            yield from _longer(tables, variable)


def _held(tables: Tables, variable: Variable, row: Row, behind: Row, *, front: bool) -> Finding:
    say = Teller(tables)
    whole = row["censored"] is True and row["lower"] >= row["holds_until_day"]
    slots = {
        "treatment": say.name(row["treatment"]),
        "noun": noun(variable),
        "target": say.cite(row, "target", Style.WHOLE),
        "day": phrase("words.day", day=say.cite(row, "lower", Style.LEAST)),
    }
    if whole:
        text = phrase("held.to_end", brackets=brackets(say.p(behind)), **slots)
    else:
        key = "held.estimate_end" if row["censored"] is True else "held.estimate"
        estimate = phrase(key, day=say.day(row, "holds_until_day"))
        text = phrase("held.at_least", brackets=brackets(say.p(behind), estimate), **slots)
    return say.claim(
        "persistence", text, [behind], front=front, question="persistence", direction="higher"
    )


def _never(tables: Tables, variable: Variable) -> Iterator[Finding]:
    """Products whose estimated control reached the target on no day."""
    roles = {item.id: item.role.value for item in tables.trial.treatments}
    found = [
        row
        for row in rows(tables, "persistence", variable=variable.name)
        if not row.known("holds_until_day")
        and row["peak_percent"] < row["target"]
        and roles[row["treatment"]] != "carrier"
    ]
    if found:
        say = Teller(tables)
        names = [row["treatment"] for row in found]
        treatments = treatments_named(say, names)
        every = treatments == phrase("words.all_products")
        target = say.cite(found[0], "target", Style.WHOLE)
        text = (
            phrase("held.never_any", target=target, noun=noun(variable))
            if every
            else phrase("held.never", treatments=treatments, target=target, noun=noun(variable))
        )
        yield say.finding("persistence", text, variable=variable.name, subjects=tuple(names))


def _longer(tables: Tables, variable: Variable) -> Iterator[Finding]:
    known, shown = _pairs(tables, variable, "days held")
    for row in shown[:MOST_PAIRS]:
        say = Teller(tables)
        longer, shorter = _larger(row)
        target = rows(tables, "persistence", variable=variable.name)[0]
        at = say.cite(target, "target", Style.WHOLE)
        end = "lower" if row["difference"] > 0 else "upper"
        number = say.cite(row, end, Style.LEAST)
        text = phrase(
            "held.longer",
            longer=say.name(longer),
            shorter=say.name(shorter),
            noun=noun(variable),
            target=at,
            days=phrase("words.count_days", count=int(number == "1"), number=number),
            brackets=brackets(say.p(row)),
        )
        if number != "0":
            yield _pair_claim(say, "persistence", text, row, variable)
    alpha = tables.trial.settings.alpha
    # Of a lower rate and its full rate alone a difference may have been shown.
    planned = rows(tables, "rate_persistence", variable=variable.name)
    shown_any = any(row["p_adjusted"] < alpha for row in known)
    if known and not shown_any and not any(row["p"] < alpha for row in planned):
        say = Teller(tables)
        least = min(known, key=lambda row: float(row["p_adjusted"]))
        text = phrase("held.none", noun=noun(variable), brackets=brackets(say.p(least)))
        yield say.finding("persistence", text, variable=variable.name)


def fall_findings(tables: Tables) -> Iterator[Finding]:
    """Whose control stood lower at the last count than before, by a test against the untreated."""
    for variable in main_variables(tables):
        found = [
            row
            for row in claims_of(tables, "fall", variable.name)
            if row["shown"] is True and row["direction"] == "higher"
        ]
        control = rows(tables, "control", variable=variable.name, chosen=True)
        if not found or not control:
            continue
        say = Teller(tables)
        last = max(control, key=lambda row: float(row["days_after"]))
        text = phrase(
            "control.fell",
            treatments=treatments_named(say, [row["a"] for row in found]),
            noun=noun(variable),
            day=say.day(last),
            brackets=brackets(say.largest_p(found)),
        )
        also = phrase("control.reinvaded")
        yield say.claim("fall", f"{text} {also}", found)
