"""Findings of a series beside its main questions: rates, seasons, what goes with differences."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.phrases import phrase
from trialkit.findings.sentences import Finding, Row, Style, brackets, noun, rows
from trialkit.findings.series_shown import SeriesSpeaker, called, claims, combined, shown
from trialkit.series.matched import SeriesVariable
from trialkit.series.questions import LEAST_CLAIMED
from trialkit.series.rows import Asked, SeriesTables

#: Least change of control, in percentage points, that makes a trial left out worth a sentence.
LEAST_MOVE = 5.0


def beside_findings(tables: SeriesTables) -> Iterator[Finding]:
    """Lower rates, changes over the years, the trial that matters most, covariates, programmes."""
    for variable in tables.targets:
        asked = tables.main(variable.name)
        if asked is not None:
            yield from _rates(tables, variable, asked)
            yield from _left_out(tables, variable, asked)
            yield from _seasons(tables, variable)
            yield from _covariates(tables, variable, asked)


def rate_pairs(tables: SeriesTables) -> list[tuple[str, str]]:
    """Treatments of one product at two rates: the lower, then the higher."""
    found = []
    for lower in tables.treated:
        for full in tables.treated:
            one, other = tables.facts(lower), tables.facts(full)
            same = one.product and one.product == other.product
            if same and one.rate_unit == other.rate_unit and (one.rate or 0) < (other.rate or 0):
                found.append((lower, full))
    return found


def difference_of(tables: SeriesTables, asked: Asked, a: str, b: str) -> Row | None:
    """The row of a pair of treatments as it stands in the table, if it does so."""
    found = rows(tables, "combined_differences", a=a, b=b, **asked.where)
    return found[0] if found else None


def _rates(tables: SeriesTables, variable: SeriesVariable, asked: Asked) -> Iterator[Finding]:
    """Whether a lower rate was shown to be within the margin of the full one."""
    for lower, full in rate_pairs(tables):
        row = difference_of(tables, asked, lower, full)
        if row is None or row["not_inferior"] not in (True, False):
            continue
        if row["trials"] < min(len(tables.matched.trials), LEAST_CLAIMED):
            continue
        say = SeriesSpeaker(tables)
        within = row["not_inferior"] is True
        text = phrase(
            "series.within" if within else "series.not_within",
            trials=say.trials(row),
            a=say.name(lower),
            b=say.name(full),
            noun=called(variable, asked),
            margin=phrase(
                "series.points", count=int(row["margin"]), number=say.cite(row, "margin", Style.DAY)
            ),
            brackets=brackets(_points(say, row)),
        )
        yield say.finding(
            "rate",
            text,
            claim=within,
            variable=variable.name,
            subjects=(lower,),
            against=(full,),
            level=tables.alpha if within else None,
        )


def _points(say: SeriesSpeaker, row: Row) -> str:
    """Write "difference -4 (95% CI -9 to 1)"."""
    if not row.known("points"):
        return ""
    number, interval = say.signed(
        row, "points", ("points_lower", "points_upper"), whole=True, points=True
    )
    difference = phrase("mixture.difference", difference=number)
    return f"{difference}; {interval}" if interval else difference


def _left_out(tables: SeriesTables, variable: SeriesVariable, asked: Asked) -> Iterator[Finding]:
    """The trial without which control by one treatment would change most."""
    moved: list[tuple[float, Row, Row]] = []
    for row in rows(tables, "leave_one_out", **asked.where):
        whole = combined(tables, asked, row["treatment"])
        if whole is not None and row.known("percent"):
            moved.append((abs(float(row["percent"]) - float(whole["percent"])), row, whole))
    if not moved:
        return
    move, row, whole = max(moved, key=lambda item: item[0])
    if move < LEAST_MOVE:
        return
    say = SeriesSpeaker(tables)
    size, interval = say.percent(row)
    text = phrase(
        "series.left_out",
        trial=tables.trial_labels[row["left_out"]],
        treatment=say.name(row["treatment"]),
        noun=called(variable, asked),
        size=size,
        all=phrase("level.percent", number=say.cite(whole, "percent", decimals=0)),
        brackets=brackets(interval),
    )
    yield say.finding("left out", text, variable=variable.name, subjects=(row["treatment"],))


def _seasons(tables: SeriesTables, variable: SeriesVariable) -> Iterator[Finding]:
    """Control that was shown to fall or rise from year to year."""
    found = claims(tables, "season", variable.name, None)
    told = [
        row
        for way in ("lower", "higher")
        for front in (True, False)
        for row in shown(found, way, front=front)
    ]
    for claim in told:
        where = {"measure": claim["measure"], "window": claim["window"], "treatment": claim["a"]}
        for row in rows(tables, "series_seasons", variable=variable.name, **where):
            say, own = SeriesSpeaker(tables), Asked(variable.name, row["measure"], row["window"])
            number, interval = say.size(row, "change_a_year", whole=True)
            text = phrase(
                "series.falls" if float(row["change_a_year"]) > 0 else "series.rises",
                treatment=say.name(claim["a"]),
                noun=called(variable, own),
                years=phrase(
                    "series.years",
                    count=int(row["years"]),
                    number=say.cite(row, "years", decimals=0),
                ),
                size=phrase("level.percent", number=number),
                brackets=brackets(interval, say.p(claim)),
            )
            yield say.claim("season", text, [claim])


def _covariates(tables: SeriesTables, variable: SeriesVariable, asked: Asked) -> Iterator[Finding]:
    """What went with the differences between trials: the clearest, adjusted for their number."""
    found = [
        row
        for row in rows(tables, "series_covariates", **asked.where)
        if row.known("p") and row.known("slope")
    ]
    if not found:
        return
    row = min(found, key=lambda row: float(row["p"]))
    adjusted = float(row["p"]) * len(found)
    if adjusted > tables.alpha:
        return
    say = SeriesSpeaker(tables)
    number, interval = say.size(row, "slope", whole=False)
    size = phrase("series.each", size=phrase("level.percent", number=number))
    text = phrase(
        "series.goes_with" if float(row["slope"]) > 0 else "series.goes_against",
        treatment=say.name(row["treatment"]),
        noun=noun(variable),
        covariate=str(row["covariate"]).partition(",")[0],
        brackets=brackets(size, interval, say.p(row, "p", adjusted)),
    )
    yield say.finding("goes with", text, variable=variable.name, subjects=(row["treatment"],))
