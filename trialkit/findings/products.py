"""Findings about products: carrier, mixtures, enemies, neighbours, loss, programmes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.findings.phrases import phrase, series
from trialkit.findings.sentences import (
    Finding,
    Row,
    Teller,
    brackets,
    noun,
    rows,
)
from trialkit.findings.shown import (
    claims_of,
    main_variables,
    percent,
    quantity,
    reduced_by,
    variables_of,
    yields_of,
)
from trialkit.numerals import decimals_for
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole


def holm_of(p_values: list[float]) -> list[float]:
    """Adjust a few p-values after Holm, in their order."""
    order = sorted(range(len(p_values)), key=lambda place: p_values[place])
    adjusted, largest = [1.0] * len(p_values), 0.0
    for rank, place in enumerate(order):
        largest = max(largest, min(1.0, (len(order) - rank) * p_values[place]))
        adjusted[place] = largest
    return adjusted


def mixture_findings(tables: Tables) -> Iterator[Finding]:
    """Whether a mixture did more or less than its components predict, over all days together."""
    alpha = tables.trial.settings.alpha
    for variable in main_variables(tables):
        found = [
            row
            for row in rows(tables, "mixture_periods", variable=variable.name)
            if row.known("lower") and row.known("p")
        ]
        adjusted = holm_of([float(row["p"]) for row in found])
        for row, p in zip(found, adjusted, strict=True):
            say = Teller(tables)
            shown = p < alpha
            slots = {
                "treatment": say.name(row["treatment"]),
                "noun": noun(variable),
                "observed": say.cite(row, "observed", decimals=0),
                "expected": say.cite(row, "expected", decimals=0),
            }
            number, interval = say.signed(row, "difference", whole=True, points=True)
            points = phrase("words.points", count=int(number == "1"), number=number)
            difference = phrase("mixture.difference", difference=points)
            way = "higher" if row["difference"] > 0 else "lower"
            key = ("more" if way == "higher" else "less") if shown else "as_expected"
            text = phrase(
                f"mixture.{key}",
                brackets=brackets(difference, interval, say.p(row, "p", p)),
                **slots,
            )
            about: dict[str, Any] = {"variable": variable.name, "subjects": (row["treatment"],)}
            if shown:
                about |= {"claim": True, "p": p, "level": alpha, "direction": way}
            yield say.finding("mixture", text, **about)


def carrier_findings(tables: Tables) -> Iterator[Finding]:
    """What the carrier alone did over the trial, where that was shown."""
    for variable in variables_of(tables, VariableRole.PEST):
        for row in claims_of(tables, "carrier", variable.name):
            if row["shown"] is not True or row["direction"] != "lower":
                continue
            say = Teller(tables)
            size = reduced_by(say, variable, row["a"])
            if size is None:
                continue
            text = phrase(
                "carrier.alone",
                treatment=say.name(row["a"]),
                noun=noun(variable),
                size=size[0],
                brackets=brackets(size[1], say.p(row)),
            )
            yield say.claim("carrier", text, [row])


def enemy_findings(tables: Tables) -> Iterator[Finding]:
    """Class of what was shown to reduce an enemy, and how much could not be ruled out."""
    for variable in variables_of(tables, VariableRole.NATURAL_ENEMY):
        asked = claims_of(tables, "enemies", variable.name)
        shown = [row for row in asked if row["shown"] is True and row["direction"] == "lower"]
        for row in shown:
            yield from _class(tables, variable, row)
        if asked and not shown:
            yield from _not_ruled_out(tables, variable)


def _of_period(tables: Tables, variable: Variable) -> list[Row]:
    found = rows(tables, "reductions", variable=variable.name, measure="pest_days")
    return [row for row in found if row.known("lower") and row.known("upper")]


def _class(tables: Tables, variable: Variable, behind: Row) -> Iterator[Finding]:
    for row in _of_period(tables, variable):
        if row["treatment"] == behind["a"] and row["harm_class"]:
            say = Teller(tables)
            _, interval = say.signed(row, "percent", whole=True)
            say.numbers.pop(0)  # the estimate itself is told where the effect is
            text = phrase(
                "enemies.class",
                treatment=say.name(row["treatment"]),
                harm_class=row["harm_class"],
                noun=noun(variable),
                brackets=brackets(interval),
            )
            about = {"variable": variable.name, "subjects": (row["treatment"],)}
            yield say.finding("natural enemies", text, **about)


def _not_ruled_out(tables: Tables, variable: Variable) -> Iterator[Finding]:
    found = _of_period(tables, variable)
    if found:
        say = Teller(tables)
        most = max(found, key=lambda row: float(row["upper"]))
        if most["upper"] > 0:
            size = percent(say.cite(most, "upper", decimals=0))
            text = phrase(
                "enemies.unclear",
                noun=noun(variable),
                size=size,
                brackets=brackets(say.name(most["treatment"])),
            )
            yield say.finding("natural enemies", text, variable=variable.name)


def resurgence_findings(tables: Tables) -> Iterator[Finding]:
    """Pests shown to exceed the untreated after their enemies were down; the largest day."""
    for variable in variables_of(tables, VariableRole.PEST):
        for row in claims_of(tables, "resurgence", variable.name):
            if row["shown"] is True and row["direction"] == "higher":
                yield from _resurgence(tables, variable, row)


def _resurgence(tables: Tables, variable: Variable, behind: Row) -> Iterator[Finding]:
    labels = {item.name: noun(item) for item in tables.trial.variables}
    found = rows(tables, "resurgence", variable=variable.name, treatment=behind["a"])
    if not found:
        return
    row = found[0]
    say = Teller(tables)
    decimals = decimals_for(float(row["untreated_mean"]))
    text = phrase(
        "enemies.resurgence",
        treatment=say.name(behind["a"]),
        enemy=labels[row["enemy"]],
        noun=noun(variable),
        day=say.day(row, "pest_day"),
        pests=say.cite(row, "pest_mean", decimals=decimals),
        own=say.cite(row, "untreated_mean", decimals=decimals),
        brackets=brackets(say.p(behind)),
    )
    also = phrase("enemies.resurgence_cause")
    yield say.claim("resurgence", f"{text} {also}", [behind])


def neighbour_findings(tables: Tables) -> Iterator[Finding]:
    """Where counts followed the plots next door; one question on several days (Bonferroni)."""
    alpha = tables.trial.settings.alpha
    for variable in variables_of(tables, VariableRole.PEST):
        asked = rows(tables, "neighbours", variable=variable.name, question="neighbouring plots")
        found = [row for row in asked if row.known("p")]
        if not found:
            continue
        row = min(found, key=lambda row: float(row["p"]))
        p = min(1.0, float(row["p"]) * len(found))
        if p < alpha:
            say = Teller(tables)
            text = phrase(
                "neighbours.shown",
                day=say.day(row),
                noun=noun(variable),
                brackets=brackets(say.p(row, "p", p)),
            )
            also = phrase("neighbours.meaning")
            text = f"{text} {also}"
            about = {"variable": variable.name, "claim": True, "p": p, "level": alpha}
            yield say.finding("neighbours", text, **about)


def loss_findings(tables: Tables) -> Iterator[Finding]:
    """What pest-days went with in yield; corrected for their error of counting where known."""
    alpha = tables.trial.settings.alpha
    pests = {item.name: item for item in variables_of(tables, VariableRole.PEST)}
    crops = {item.name: item for item in yields_of(tables)}
    found = [
        row
        for row in rows(tables, "loss", basis="over treatments")
        if row["pest"] in pests and row["variable"] in crops and row.known("p")
    ]
    adjusted = holm_of([float(row["p"]) for row in found])
    for row, p in zip(found, adjusted, strict=True):
        say = Teller(tables)
        crop, pest = crops[row["variable"]], pests[row["pest"]]
        column, ends = _loss_columns(row)
        shown = p < alpha and row[ends[0]] * row[ends[1]] > 0.0
        about: dict[str, Any] = {"variable": crop.name}
        if p < alpha:
            number, interval = say.size(row, column, ends)
            key = "less" if row[column] < 0 else "more"
            text = phrase(
                f"loss.{key}" if shown else f"loss.uncertain_{key}",
                pest=noun(pest),
                size=quantity(number, crop.unit),
                crop=_which(crop),
                brackets=brackets(interval, say.p(row, "p", p) if shown else ""),
            )
        if shown:
            way = "lower" if row[column] < 0 else "higher"
            about |= {"claim": True, "p": p, "level": alpha, "direction": way}
        elif p >= alpha:
            text = phrase(
                "loss.none",
                crop=_which(crop),
                pest=noun(pest),
                brackets=brackets(say.p(row, "p", p)),
            )
        yield say.finding("loss", text, **about)


def _which(crop: Variable) -> str:
    """Which yield, in brackets, unless it is called nothing but yield."""
    name = noun(crop)
    return "" if name == "yield" else f" ({name})"


def _loss_columns(row: Row) -> tuple[str, tuple[str, str]]:
    corrected = ("corrected", "corrected_lower", "corrected_upper")
    if all(name in row.values and row.known(name) for name in corrected):
        return corrected[0], corrected[1:]
    return "slope", ("lower", "upper")


def programme_findings(tables: Tables) -> Iterator[Finding]:
    """Programmes that repeat a mode-of-action group."""
    repeated: dict[tuple[str, str], list[str]] = {}
    for row in rows(tables, "programmes"):
        own = repeated.setdefault((row["treatment"], row["group"]), [])
        own += [item for item in (row["first"], row["second"]) if item not in own]
    for (treatment, group), applications in repeated.items():
        say = Teller(tables)
        text = phrase(
            "programme.repeated",
            treatment=say.name(treatment),
            group=group,
            applications=series(applications),
        )
        yield say.finding("resistance", text, subjects=(treatment,))
