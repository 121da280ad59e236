"""All findings of a series: page 1 first, then each question in the order of the report."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from itertools import chain, zip_longest

from trialkit.findings.front import MOST_SENTENCES
from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import Finding, Row, Style, brackets, rows
from trialkit.findings.series_beside import beside_findings
from trialkit.findings.series_shown import (
    SeriesSpeaker,
    at_all,
    called,
    claims,
    combined,
    most_trials,
    shown,
)
from trialkit.findings.series_yields import injury_findings, yield_findings
from trialkit.series.matched import SeriesVariable
from trialkit.series.result import SeriesAnalysis
from trialkit.series.rows import QUESTIONS, Asked, SeriesTables
from trialkit.trial import VariableRole

#: A share of sites, in percent, from which on nearly all are meant: none is certain.
NEARLY_ALL = 99.0


def series_findings(
    series: SeriesAnalysis, tables: SeriesTables | None = None
) -> tuple[Finding, ...]:
    """Say what a series of trials shows.

    Claims are those of the table ``series_claims``: on page 1 (``front``) at a level that all of
    them hold together, elsewhere at the level of the settings for each question.

    Parameters
    ----------
    series : SeriesAnalysis
    tables : SeriesTables, optional
        Its tables as rows, where they are at hand.

    Returns
    -------
    tuple of Finding
        Those of page 1 first, the most important at their head.
    """
    read = tables or SeriesTables(series)
    front, rest = _front(read)
    return (
        *front,
        *rest,
        *level_findings(read, _PESTS, front=False),
        *reference_findings(read, front=False),
        *yield_findings(read, front=False),
        *level_findings(read, _SIDES, front=False),
        *injury_findings(read, front=False),
        *beside_findings(read),
    )


#: A variable, and the comparison of which a sentence speaks.
Of = tuple[SeriesVariable, Asked]

_PESTS = (VariableRole.PEST,)
_SIDES = (VariableRole.NATURAL_ENEMY, VariableRole.DAMAGE)


def _front(tables: SeriesTables) -> tuple[list[Finding], list[Finding]]:
    """Sentences of page 1, and what found no place there.

    What the pest did, where the next site is expected, the reference, the yield, harm; a topic
    gives its first sentence before another gives its second.
    """
    roles = tuple({item.role for item in tables.targets})
    topics: tuple[Callable[[], Iterator[Finding]], ...] = (
        lambda: _by_turns(level_findings(tables, roles, front=True)),
        lambda: next_findings(tables),
        lambda: reference_findings(tables, front=True),
        lambda: yield_findings(tables, front=True),
        lambda: chain(
            level_findings(tables, tuple(role for role in _SIDES if role not in roles), front=True),
            injury_findings(tables, front=True),
        ),
    )
    found = [list(topic()) for topic in topics]
    order = sorted(
        ((topic, place) for topic, own in enumerate(found) for place in range(len(own))),
        key=lambda at: (2 * at[1] + (at[0] > 2 and not found[at[0]][at[1]].claim), at),
    )
    kept, rest = sorted(order[:MOST_SENTENCES]), sorted(order[MOST_SENTENCES:])
    return (
        [found[i][j] for i, j in kept],
        [replace(found[i][j], front=False) for i, j in rest],
    )


def _by_turns(found: Iterable[Finding]) -> Iterator[Finding]:
    """The first sentence of each variable, then the second of each, and so on."""
    turns: dict[str | None, list[Finding]] = {}
    for item in found:
        turns.setdefault(item.variable, []).append(item)
    for own in zip_longest(*turns.values()):
        yield from (item for item in own if item is not None)


def level_findings(
    tables: SeriesTables, roles: tuple[VariableRole, ...], *, front: bool
) -> Iterator[Finding]:
    """What was shown of the variables of some roles against the untreated; or that nothing was.

    On page 1 of the comparison that a variable is judged by; behind it what that left out, and a
    sentence for each span of days that several trials have.
    """
    targets = {item.name for item in tables.targets}
    for variable in tables.of_role(*roles):
        question = QUESTIONS.get(variable.role, "")
        for asked, main in _comparisons(tables, question, variable.name):
            found = claims(tables, question, variable.name, asked)
            of = (variable, asked)
            if not main:
                if not front:
                    yield from _of_window(tables, of, found)
                continue
            yield from _lower(tables, of, found, front=front)
            more = shown(found, "higher", front=front)
            if more:
                yield _higher(tables, of, more, front=front)
            quiet = found and not any(row["shown"] is True for row in found)
            if front and quiet and variable.name in targets:
                yield _nothing(tables, of, found)


def _comparisons(
    tables: SeriesTables, question: str, variable: str
) -> Iterator[tuple[Asked, bool]]:
    """Comparisons of a variable on which claims are made, and which of them it is judged by."""
    main = tables.main(variable)
    for asked in tables.asked(variable):
        several = len(tables.trials_of(asked)) > 1 or len(tables.matched.trials) == 1
        if claims(tables, question, variable, asked) and (asked == main or several):
            yield asked, asked == main


def _of_window(tables: SeriesTables, of: Of, found: list[Row]) -> Iterator[Finding]:
    """What was shown on some days, whether page 1 could hold it or not."""
    lower, higher = at_all(found, "lower"), at_all(found, "higher")
    if len(lower) == 1:
        yield _one(tables, of, lower[0], "lower_one", False)
    elif lower:
        yield _several(tables, of, lower, front=False)
    if higher:
        yield _higher(tables, of, higher, front=False)


def _lower(tables: SeriesTables, of: Of, found: list[Row], *, front: bool) -> Iterator[Finding]:
    lower = shown(found, "lower", front=front)
    if not lower:
        return
    sizes = {row["a"]: combined(tables, of[1], row["a"]) for row in lower}
    lower.sort(key=lambda row: -_percent(sizes[row["a"]]))
    reference = tables.matched.settings.reference
    if front:
        yield _one(tables, of, lower[0], "lower_best" if len(lower) > 1 else "lower_one", front)
        lower = lower[1:]
        for row in [row for row in lower if row["a"] == reference and _sized(sizes[reference])]:
            yield _one(tables, of, row, "reference", front)
            lower.remove(row)
    if len(lower) == 1:
        yield _one(tables, of, lower[0], "lower_one", front)
    elif lower:
        yield _several(tables, of, lower, front=front)


def _percent(row: Row | None) -> float:
    return -1e9 if row is None else float(row["percent"])


def _sized(row: Row | None) -> bool:
    """Whether an interval leaves out no change: only then it stands beside a claim."""
    return row is not None and float(row["percent"]) > 0.0 and not row["lower"] <= 0.0


def _one(tables: SeriesTables, of: Of, row: Row, key: str, front: bool) -> Finding:
    say, size = SeriesSpeaker(tables), combined(tables, of[1], row["a"])
    words = called(*of)
    if size is None or not _sized(size):
        return _plain(say, of, [row], front=front)
    slots = {"noun": words, "trials": say.trials(size)} if key != "reference" else {"noun": words}
    number, interval = say.percent(size)
    slots |= {"size": number, "brackets": brackets(interval, say.p(row))}
    slots["reference" if key == "reference" else "treatment"] = say.name(row["a"])
    return say.claim(row["question"], phrase(f"series.{key}", **slots), [row], front=front)


def _plain(say: SeriesSpeaker, of: Of, found: list[Row], *, front: bool) -> Finding:
    """A claim without a size."""
    known = [combined(say.tables, of[1], row["a"]) for row in found]
    sizes = [row for row in known if row is not None]
    text = phrase(
        "series.lower",
        trials=say.trials(most_trials(sizes)),
        treatments=say.named([row["a"] for row in found]),
        noun=called(*of),
        brackets=brackets(say.largest_p(found)),
    )
    return say.claim(found[0]["question"], text, found, front=front)


def _several(tables: SeriesTables, of: Of, found: list[Row], *, front: bool) -> Finding:
    say = SeriesSpeaker(tables)
    known = [combined(tables, of[1], row["a"]) for row in found]
    sizes = sorted((row for row in known if row is not None and _sized(row)), key=_percent)
    if len(sizes) != len(found):
        return _plain(say, of, found, front=front)
    ends = [say.cite(row, "percent", decimals=0) for row in (sizes[0], sizes[-1])]
    low, high = (phrase("level.percent", number=end) for end in ends)
    slots = {"noun": called(*of), "brackets": brackets(say.largest_p(found))}
    treatments = say.named([row["a"] for row in found])
    if low == high:
        del say.numbers[1]
        trials = say.trials(most_trials(sizes))
        slots |= {"trials": trials, "treatment": treatments, "size": low}
        return say.claim(
            found[0]["question"], phrase("series.lower_one", **slots), found, front=front
        )
    slots |= {"low": low, "high": high, "treatments": treatments}
    if not front:
        slots["trials"] = say.trials(most_trials(sizes))
    key = "series.lower_also" if front else "series.lower_many"
    return say.claim(found[0]["question"], phrase(key, **slots), found, front=front)


def _higher(tables: SeriesTables, of: Of, found: list[Row], *, front: bool) -> Finding:
    say = SeriesSpeaker(tables)
    sizes = [row for item in found if (row := combined(tables, of[1], item["a"])) is not None]
    text = phrase(
        "series.higher",
        trials=say.trials(most_trials(sizes)),
        treatments=say.named([row["a"] for row in found]),
        noun=called(*of),
        brackets=brackets(say.largest_p(found)),
    )
    return say.claim(found[0]["question"], text, found, front=front)


def _nothing(tables: SeriesTables, of: Of, found: list[Row]) -> Finding:
    say = SeriesSpeaker(tables)
    sizes = [row for item in found if (row := combined(tables, of[1], item["a"])) is not None]
    least = min(found, key=lambda row: float(row["p_adjusted"]))
    text = phrase(
        "series.none",
        trials=say.trials(most_trials(sizes)),
        noun=called(*of),
        brackets=brackets(say.p(least)),
    )
    return say.finding(found[0]["question"], text, variable=of[0].name, front=True)


def next_findings(tables: SeriesTables) -> Iterator[Finding]:
    """Where control by the treatment with the highest estimate is expected at the next site.

    Only of what was shown to control the pest at all on page 1.
    """
    for variable in tables.targets:
        asked = tables.main(variable.name)
        if asked is None:
            continue
        found = claims(tables, QUESTIONS[variable.role], variable.name, asked)
        sizes = [combined(tables, asked, row["a"]) for row in shown(found, "lower", front=True)]
        known = [
            row
            for row in sizes
            if row is not None and row.known("predicted_lower") and row.known("predicted_upper")
        ]
        if known:
            yield _next(tables, (variable, asked), max(known, key=_percent))


def _next(tables: SeriesTables, of: Of, row: Row) -> Finding:
    say = SeriesSpeaker(tables)
    lower, upper = (
        say.cite(row, column, decimals=0) for column in ("predicted_lower", "predicted_upper")
    )
    parts = [phrase("series.prediction", level=f"{100.0 * (1.0 - tables.alpha):g}")]
    if row.known("share_above_target"):
        target, share = say.cite(row, "target", Style.DAY), float(row["share_above_target"])
        if share >= NEARLY_ALL:
            parts.append(phrase("series.next_nearly_all", target=target))
        else:
            shown_share = say.cite(row, "share_above_target", decimals=0)
            parts.append(phrase("series.next_share", target=target, share=shown_share))
    text = phrase(
        "series.next",
        treatment=say.name(row["treatment"]),
        noun=called(*of),
        lower=lower,
        upper=upper,
        brackets=brackets(*parts),
    )
    return say.finding(
        "next site", text, variable=of[0].name, subjects=(row["treatment"],), front=True
    )


def reference_findings(tables: SeriesTables, *, front: bool) -> Iterator[Finding]:
    """What reduced the pest more, or less, than the reference over the trials."""
    if tables.matched.settings.reference is None:
        return
    for variable in tables.of_role(VariableRole.PEST, VariableRole.DAMAGE):
        for asked, main in _comparisons(tables, "reference", variable.name):
            found = claims(tables, "reference", variable.name, asked)
            for key, way in (("better", "lower"), ("worse", "higher")):
                if main:
                    told = shown(found, way, front=front)
                else:
                    told = [] if front else at_all(found, way)
                if told:
                    yield _against_reference(tables, (variable, asked), told, key, front=front)


def _against_reference(
    tables: SeriesTables, of: Of, found: list[Row], key: str, *, front: bool
) -> Finding:
    say = SeriesSpeaker(tables)
    pairs = [
        row
        for item in found
        for row in rows(tables, "combined_differences", a=item["a"], b=item["b"], **of[1].where)
    ]
    text = phrase(
        f"series.{key}",
        trials=say.trials(most_trials(pairs)),
        treatments=say.named([row["a"] for row in found]),
        noun=called(*of),
        reference=say.name(found[0]["b"]),
        brackets=brackets(say.largest_p(found)),
    )
    return say.claim("reference", text, found, front=front)
