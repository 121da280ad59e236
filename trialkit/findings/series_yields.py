"""Findings about yields and measurements over several trials."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import (
    LIMITS,
    Finding,
    Row,
    Style,
    brackets,
    decimals_of,
    noun,
)
from trialkit.findings.series_shown import SeriesSpeaker, claims, most_trials, shown
from trialkit.findings.shown import quantity
from trialkit.rows import Rows
from trialkit.series.matched import SeriesVariable
from trialkit.series.rows import SeriesTables
from trialkit.trial import VariableRole


def yield_findings(tables: SeriesTables, *, front: bool) -> Iterator[Finding]:
    """What out-yielded the untreated over the trials, and what yielded less; or that none did."""
    for variable in tables.measured:
        if variable.role is not VariableRole.YIELD:
            continue
        found = [
            row
            for question in ("yield", "pairs")
            for row in claims(tables, question, variable.name, None)
        ]
        untreated = tables.untreated
        against = [row for row in found if untreated is not None and row["b"] == untreated]
        if not against:
            yield from _pairs(tables, variable, found, front=front)
            continue
        for way in ("higher", "lower"):
            told = shown(against, way, front=front)
            if told:
                yield _against(tables, variable, told, way, front=front)
        if front and not any(row["shown"] is True for row in against):
            say = SeriesSpeaker(tables)
            text = phrase(
                "series.yield_none",
                trials=say.trials(_mean(tables, variable, against[0]["a"])),
                noun=noun(variable),
                brackets=brackets(say.p(min(against, key=lambda row: float(row["p_adjusted"])))),
            )
            yield say.finding("yield", text, variable=variable.name, front=True)


def injury_findings(tables: SeriesTables, *, front: bool) -> Iterator[Finding]:
    """What injured the crop more, or less, than the untreated over the trials."""
    for variable in tables.measured:
        if variable.role is not VariableRole.CROP_INJURY:
            continue
        found = claims(tables, "crop injury", variable.name, None)
        for way in ("higher", "lower"):
            told = shown(found, way, front=front)
            if told:
                yield _level(tables, variable, told, way, front=front)


def _level(
    tables: SeriesTables, variable: SeriesVariable, found: list[Row], way: str, *, front: bool
) -> Finding:
    """Means of treatments against that of the untreated."""
    say = SeriesSpeaker(tables)
    means = sorted(
        (_mean(tables, variable, row["a"]) for row in found), key=lambda row: float(row["mean"])
    )
    own = _mean(tables, variable, found[0]["b"])
    decimals = decimals_of(means[0], "mean", LIMITS)
    ends = means if len(means) == 1 else [means[0], means[-1]]
    sizes = [quantity(say.cite(row, "mean", decimals=decimals), variable.unit) for row in ends]
    size = sizes[0] if len(sizes) == 1 else phrase("series.from_to", low=sizes[0], high=sizes[1])
    text = phrase(
        f"series.level_{way}",
        trials=say.trials(most_trials(means)),
        treatments=say.named([row["a"] for row in found]),
        noun=noun(variable),
        size=size,
        own=quantity(say.cite(own, "mean", decimals=decimals), variable.unit),
        brackets=brackets(say.largest_p(found)),
    )
    return say.claim("crop injury", text, found, front=front)


def _found(tables: SeriesTables, table: str, own: Rows, **wanted: object) -> Row | None:
    """A row of one inference, with its place in the whole table."""
    kept = own.where(**wanted)
    if not kept:
        return None
    cells = {name: values[0] for name, values in kept.columns.items()}
    names = [n for n in ("variable", "treatment", "a", "b", "inference", "method") if n in cells]
    places = tables[table].places(**{name: cells[name] for name in names})
    return Row(table, places[0], cells)


def _mean(tables: SeriesTables, variable: SeriesVariable, treatment: str) -> Row:
    found = _found(tables, "combined_means", tables.means(variable.name), treatment=treatment)
    if found is None:
        raise KeyError(variable.name, treatment)
    return found


def difference(
    tables: SeriesTables, variable: SeriesVariable, a: str, b: str
) -> tuple[Row, bool] | None:
    """Difference of two means over the trials, and whether it stands there as b less a."""
    pairs = tables.pairs(variable.name)
    for turned, (first, second) in enumerate(((a, b), (b, a))):
        row = _found(tables, "combined_comparisons", pairs, a=first, b=second)
        if row is not None and row.known("difference"):
            return row, bool(turned)
    return None


def _against(
    tables: SeriesTables, variable: SeriesVariable, found: list[Row], way: str, *, front: bool
) -> Finding:
    say = SeriesSpeaker(tables)
    pairs = [difference(tables, variable, row["a"], row["b"]) for row in found]
    known = sorted(
        (row for row in pairs if row is not None), key=lambda pair: abs(pair[0]["difference"])
    )
    means = [_mean(tables, variable, row["a"]) for row in found]
    own = _mean(tables, variable, found[0]["b"])
    treatments = say.named([row["a"] for row in found])
    slots = {"treatments": treatments, "trials": say.trials(most_trials(means))}
    if len(known) != len(found):
        text = phrase(
            "series.higher" if way == "higher" else "series.lower",
            noun=noun(variable),
            brackets=brackets(say.largest_p(found)),
            **slots,
        )
        return say.claim("yield", text, found, front=front)
    decimals = decimals_of(known[0][0], "difference", LIMITS)
    slots["own"] = quantity(say.cite(own, "mean", decimals=decimals), variable.unit)
    if len(known) == 1:
        number, interval = say.size(known[0][0], "difference")
        text = phrase(
            f"series.yield_{way}_one",
            size=quantity(number, variable.unit),
            brackets=brackets(interval, say.p(found[0])),
            **slots,
        )
        return say.claim("yield", text, found, front=front)
    low, high = (_size(say, pair[0], decimals) for pair in (known[0], known[-1]))
    text = phrase(
        f"series.yield_{way}_many",
        low=low,
        high=quantity(high, variable.unit),
        brackets=brackets(say.largest_p(found)),
        **slots,
    )
    return say.claim("yield", text, found, front=front)


def _size(say: SeriesSpeaker, row: Row, decimals: int) -> str:
    """Write a difference without its sign: the words say more or less."""
    style = Style.TURNED if float(row["difference"]) < 0.0 else Style.NUMBER
    return say.cite(row, "difference", style, decimals)


def _pairs(
    tables: SeriesTables, variable: SeriesVariable, found: list[Row], *, front: bool
) -> Iterator[Finding]:
    """Where there is no untreated: which treatment out-yielded the most others."""
    flag = "front" if front else "shown"
    kept = [row for row in found if row[flag] is True and (front or row["front"] is not True)]
    groups: dict[str, list[Row]] = {}
    for row in kept:
        groups.setdefault(row["a"] if row["direction"] == "higher" else row["b"], []).append(row)
    for treatment, own in sorted(groups.items(), key=lambda item: -len(item[1]))[
        : 1 if front else None
    ]:
        say = SeriesSpeaker(tables)
        others = [row["b"] if row["a"] == treatment else row["a"] for row in own]
        text = phrase(
            "series.pair_yield",
            trials=say.trials(_mean(tables, variable, treatment)),
            a=say.name(treatment),
            b=say.named(others),
            brackets=brackets(say.largest_p(own)),
        )
        yield say.claim(
            "yield",
            text,
            own,
            front=front,
            subjects=(treatment,),
            against=tuple(others),
            direction="higher",
        )
    if front and found and not any(row["shown"] is True for row in found):
        say = SeriesSpeaker(tables)
        text = phrase(
            "series.pair_none",
            trials=say.trials(_mean(tables, variable, found[0]["a"])),
            noun=noun(variable),
            brackets=brackets(say.p(min(found, key=lambda row: float(row["p_adjusted"])))),
        )
        yield say.finding("yield", text, variable=variable.name, front=True)
