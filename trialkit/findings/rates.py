"""Findings about rates: lower against full over the trial, at the end, and at higher numbers."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.findings.phrases import phrase
from trialkit.findings.products import holm_of
from trialkit.findings.sentences import (
    MOST_POINTS,
    Finding,
    Row,
    Style,
    Teller,
    brackets,
    noun,
    once,
    rows,
)
from trialkit.findings.shown import claims_of, fewer, main_variables, variables_of
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole


def _points(number: str) -> str:
    return phrase("words.points", count=int(number == "1"), number=number)


def rate_findings(tables: Tables) -> Iterator[Finding]:
    """Whether a lower rate did less over the trial, where it stood last, and whether as good."""
    for variable in main_variables(tables):
        for claim in claims_of(tables, "rate", variable.name):
            if claim["shown"] is True:
                say = Teller(tables)
                text = phrase(
                    "rate.higher"
                    if claim["direction"] == "higher"
                    else fewer("rate.lower", variable),
                    lower=say.name(claim["a"]),
                    full=say.name(claim["b"]),
                    noun=noun(variable),
                    brackets=brackets(say.p(claim)),
                )
                yield say.claim("rate", text, [claim])
        all_rows = rows(tables, "rates", variable=variable.name)
        for treatment in once(row["treatment"] for row in all_rows):
            found = [r for r in all_rows if r["treatment"] == treatment and r.known("lower")]
            if found:
                yield from _last(tables, variable, found[-1])
                yield _margin(tables, variable, found)
                yield from _shorter(tables, variable, found[-1])


def _last(tables: Tables, variable: Variable, row: Row) -> Iterator[Finding]:
    """Control of both rates on the last day, as estimates; nothing where all is possible."""
    if row["lower"] < -MOST_POINTS and row["upper"] > MOST_POINTS:
        return
    say = Teller(tables)
    slots = {
        "lower": say.name(row["treatment"]),
        "id": row["full"],
        "noun": noun(variable),
        "day": say.day(row),
        "control": say.cite(row, "control", decimals=0),
        "control_full": say.cite(row, "control_full", decimals=0),
    }
    number, interval = say.size(row, "difference", whole=True, points=True)
    key = "rate.last_more" if row["difference"] > 0.0 else "rate.last"
    key = "rate.last_same" if number == "0" else key
    text = phrase(key, difference=_points(number), brackets=brackets(interval), **slots)
    yield say.finding("rate", text, **_about(variable, row))


def _about(variable: Variable, row: Row) -> dict[str, Any]:
    return {
        "variable": variable.name,
        "subjects": (row["treatment"],),
        "against": (row["full"],),
    }


def _margin(tables: Tables, variable: Variable, found: list[Row]) -> Finding:
    """Not inferior on every day: each day at its own level makes a level for all of them."""
    say = Teller(tables)
    every = all(row["not_inferior"] is True for row in found)
    number = say.cite(found[0], "margin", Style.WHOLE)
    any_day = any(row["not_inferior"] is True for row in found)
    last = found[-1]
    slots = {
        "lower": say.name(last["treatment"]),
        "id": last["full"],
        "noun": noun(variable),
        "margin": _points(number),
    }
    about = _about(variable, last)
    if every:
        about |= {"claim": True, "level": float(tables.trial.settings.alpha)}
    key = "rate.every" if every else "rate.not_every" if any_day else "rate.no"
    return say.finding("rate", phrase(key, **slots), **about)


def _shorter(tables: Tables, variable: Variable, last: Row) -> Iterator[Finding]:
    """Whether the lower rate was shown to hold the target for less time."""
    alpha = tables.trial.settings.alpha
    asked = rows(tables, "rate_persistence", variable=variable.name)
    asked = [row for row in asked if row.known("p")]
    adjusted = holm_of([float(row["p"]) for row in asked])
    pair = last["treatment"], last["full"]
    for row, p in zip(asked, adjusted, strict=True):
        if (row["treatment"], row["full"]) != pair or p >= alpha:
            continue
        if not row.known("upper") or row["upper"] >= 0.0:
            continue
        say = Teller(tables)
        number, interval = say.size(row, "difference", whole=True)
        text = phrase(
            "rate.shorter",
            lower=say.name(row["treatment"]),
            full=say.name(row["full"]),
            noun=noun(variable),
            days=phrase("words.count_days", count=int(number == "1"), number=number),
            brackets=brackets(interval, say.p(row, "p", p)),
        )
        about = _about(variable, row) | {"claim": True, "p": p, "level": alpha}
        yield say.finding("rate", text, question="persistence", direction="lower", **about)


def rate_start_findings(tables: Tables) -> Iterator[Finding]:
    """Whether a lower rate loses more where more pests were there at the start, and how sure.

    From all days after treatment together where there are several.
    """
    for variable in variables_of(tables, VariableRole.PEST):
        all_rows = rows(tables, "rate_start", variable=variable.name)
        names = once(row["treatment"] for row in all_rows)
        first = [next(row for row in all_rows if row["treatment"] == name) for name in names]
        known = [row for row in first if row.known("points") and row.known("lower")]
        tested = [row for row in known if row["note"] is None and row.known("p")]
        adjusted = dict(
            zip(
                (row.index for row in tested),
                holm_of([float(row["p"]) for row in tested]),
                strict=True,
            )
        )
        for row in known:
            yield _rate_start(tables, variable, row, adjusted.get(row.index))


def _rate_start(tables: Tables, variable: Variable, row: Row, p: float | None) -> Finding:
    say = Teller(tables)
    alpha = tables.trial.settings.alpha
    slots = {
        "lower": say.name(row["treatment"]),
        "noun": noun(variable),
    }
    covered = {
        "place": phrase("rate_start.blocks" if row["level"] == "blocks" else "rate_start.plots"),
    }
    if p is None:
        covered |= {
            "lowest": say.cite(row, "start_lowest"),
            "highest": say.cite(row, "start_highest"),
        }
        text = phrase("rate_start.cannot", **slots, **covered)
        return say.finding("rate and start", text, **_about(variable, row))
    shown = p < alpha
    if not shown:
        covered |= {
            "lowest": say.cite(row, "start_lowest"),
            "highest": say.cite(row, "start_highest"),
        }
        text = phrase("rate_start.none", brackets=brackets(say.p(row, "p", p)), **slots, **covered)
        return say.finding("rate and start", text, **_about(variable, row))
    number, interval = say.size(row, "points", whole=True, points=True)
    text = phrase(
        "rate_start.more" if row["points"] < 0 else "rate_start.less",
        points=_points(number),
        brackets=brackets(interval, say.p(row, "p", p)),
        **slots,
    )
    about = _about(variable, row) | {"claim": True, "p": p, "level": alpha}
    return say.finding("rate and start", text, **about)
