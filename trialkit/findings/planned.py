"""Findings about the contrasts that the settings plan: what the trial was laid out to ask."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.findings.phrases import phrase, series
from trialkit.findings.products import holm_of
from trialkit.findings.sentences import Finding, Row, Teller, brackets, day_list, noun, rows
from trialkit.findings.shown import quantity, treatments_named, yields_of
from trialkit.planned import Planned, read_planned
from trialkit.rows import Tables
from trialkit.trial import harvest_variable

#: How many responses are named before they are only counted.
MOST_RESPONSES = 2


def planned_findings(tables: Tables) -> Iterator[Finding]:
    """Each planned contrast in yields and whole trials, or on the days where there are none.

    A contrast is a question of its own; over its responses or days p-values are adjusted (Holm).
    """
    for text in tables.trial.settings.contrasts:
        asked = read_planned(text)
        known = [row for row in rows(tables, "contrasts", contrast=asked.name) if row.known("p")]
        whole = [row for row in known if row["measure"] != "count"]
        if whole:
            yield from _of_whole(tables, asked, whole)
        elif known:
            yield from _by_day(tables, asked, known)


def _groups(say: Teller, asked: Planned) -> dict[str, str]:
    return {
        "group": treatments_named(say, asked.group),
        "against": treatments_named(say, asked.against),
    }


def _noun(tables: Tables, row: Row) -> str:
    known = {item.name: item for item in tables.trial.variables}
    name = noun(known.get(row["variable"], harvest_variable(tables.trial)))
    return phrase("planned.whole", noun=name) if row["measure"] == "pest_days" else name


def _unit(tables: Tables, row: Row) -> str | None:
    """Unit of a yield; pest-days have none of their own."""
    units = {item.name: item.unit for item in yields_of(tables)}
    return units.get(row["variable"]) if row["measure"] == "yield" else None


def _nouns(tables: Tables, found: list[Row]) -> str:
    if len(found) > MOST_RESPONSES:
        return phrase("planned.any", number=str(len(found)))
    return series([_noun(tables, row) for row in found])


def _about(asked: Planned, row: Row) -> dict[str, Any]:
    return {
        "variable": row["variable"],
        "subjects": tuple(asked.group),
        "against": tuple(asked.against),
    }


def _of_whole(tables: Tables, asked: Planned, whole: list[Row]) -> Iterator[Finding]:
    alpha = tables.trial.settings.alpha
    adjusted = holm_of([float(row["p"]) for row in whole])
    for row, p in zip(whole, adjusted, strict=True):
        if p >= alpha:
            continue
        say = Teller(tables)
        (response,) = rows(tables, "responses", variable=row["variable"], measure=row["measure"])
        way = "higher" if row["estimate"] > 0 else "lower"
        slots = _groups(say, asked) | {"noun": _noun(tables, row)}
        if response["transform"] == "none":
            number, interval = say.size(row, "estimate")
            text = phrase(
                f"planned.{way}_size",
                size=quantity(number, _unit(tables, row)),
                brackets=brackets(interval, say.p(row, "p", p)),
                **slots,
            )
        else:
            text = phrase(f"planned.{way}", brackets=brackets(say.p(row, "p", p)), **slots)
        about = _about(asked, row) | {"claim": True, "p": p, "level": alpha, "direction": way}
        yield say.finding("planned", text, **about)
    left = [(row, p) for row, p in zip(whole, adjusted, strict=True) if p >= alpha]
    rest = [row for row, _ in left]
    if rest:
        say = Teller(tables)
        row, p = min(left, key=lambda item: item[1])
        least = say.p(row, "p", p)
        text = phrase(
            "planned.none",
            noun=_nouns(tables, rest),
            brackets=brackets(least if len(rest) == 1 else phrase("words.smallest_p", p=least)),
            **_groups(say, asked),
        )
        yield say.finding("planned", text, **_about(asked, rest[0]) | {"variable": None})


def _by_day(tables: Tables, asked: Planned, known: list[Row]) -> Iterator[Finding]:
    """Days on which a difference was shown, for each variable; adjusted over all of them."""
    alpha = tables.trial.settings.alpha
    adjusted = holm_of([float(row["p"]) for row in known])
    pairs = list(zip(known, adjusted, strict=True))
    for name in dict.fromkeys(row["variable"] for row in known):
        mine = [(row, p) for row, p in pairs if row["variable"] == name]
        quiet = True
        for way, sign in (("higher", 1), ("lower", -1)):
            own = [(row, p) for row, p in mine if p < alpha and row["estimate"] * sign > 0]
            if not own:
                continue
            quiet = False
            say = Teller(tables)
            days = day_list([row["days_after"] for row, _ in own])
            what = phrase("planned.days", noun=_noun(tables, own[0][0]), days=days)
            text = phrase(f"planned.{way}", noun=what, brackets="", **_groups(say, asked))
            about = _about(asked, own[0][0]) | {"direction": way, "level": alpha, "claim": True}
            yield say.finding("planned", text, p=max(p for _, p in own), **about)
        if quiet:
            say = Teller(tables)
            what = phrase("planned.any_day", noun=_noun(tables, mine[0][0]))
            text = phrase("planned.none", noun=what, brackets="", **_groups(say, asked))
            yield say.finding("planned", text, **_about(asked, mine[0][0]))
