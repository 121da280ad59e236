"""Findings about factors: of split-plots, strip-plots and factorial trials."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.phrases import phrase, series
from trialkit.findings.products import holm_of
from trialkit.findings.sentences import Finding, Row, Teller, brackets, noun, rows
from trialkit.findings.shown import variables_of, yields_of
from trialkit.rows import Tables
from trialkit.trial import Variable, VariableRole

#: What joins the names of factors in the source of an interaction.
_BETWEEN = ":"


def factor_findings(tables: Tables) -> Iterator[Finding]:
    """Which factors made a difference, over the whole trial and in the yield.

    The sources of one response are one question (Holm). Where an interaction was shown, what a
    factor did on average is not told: it depended on the other.
    """
    asked: list[tuple[Variable, str]] = [
        (item, "pest_days") for item in variables_of(tables, VariableRole.PEST)
    ]
    asked += [(item, "yield") for item in yields_of(tables)]
    for variable, measure in asked:
        found = _sources(tables, variable, measure)
        adjusted = holm_of([float(row["p"]) for row in found])
        alpha = tables.trial.settings.alpha
        shown = [(row, p) for row, p in zip(found, adjusted, strict=True) if p < alpha]
        bound = {
            part
            for row, _ in shown
            if _BETWEEN in row["source"]
            for part in row["source"].split(_BETWEEN)
        }
        for row, p in shown:
            if row["source"] not in bound:
                yield _finding(tables, variable, row, p)
                yield from _pairs(tables, variable, measure, row["source"])


def _sources(tables: Tables, variable: Variable, measure: str) -> list[Row]:
    """Lines of the analysis of variance that are factors or interactions between them."""
    lines = rows(tables, "anova", variable=variable.name, measure=measure)
    if measure == "pest_days" and not lines:
        days = rows(tables, "anova", variable=variable.name, measure="count")
        if len({row["days_after"] for row in days}) == 1:
            lines = days
    single = {row["factor"] for row in rows(tables, "factor_means", variable=variable.name)}
    return [row for row in lines if row.known("p") and set(row["source"].split(_BETWEEN)) <= single]


def _finding(tables: Tables, variable: Variable, row: Row, p: float) -> Finding:
    say = Teller(tables)
    names = [_name(part) for part in row["source"].split(_BETWEEN)]
    tested = say.p(row, "p", p)
    if len(names) == 1:
        text = phrase(
            "factors.shown", factor=names[0], noun=noun(variable), brackets=brackets(tested)
        )
    else:
        text = phrase("factors.interaction", factors=series(names), noun=noun(variable), p=tested)
    return say.finding(
        "factors",
        text,
        variable=variable.name,
        claim=True,
        p=p,
        level=float(tables.trial.settings.alpha),
    )


def _pairs(tables: Tables, variable: Variable, measure: str, factor: str) -> Iterator[Finding]:
    """Which level stood above which, as the procedure of the settings says."""
    found = rows(
        tables,
        "factor_comparisons",
        variable=variable.name,
        measure=measure,
        factor=factor,
        different=True,
    )
    above: dict[str, list[tuple[str, Row]]] = {}
    for row in found:
        upper, lower = (row["a"], row["b"]) if row["difference"] > 0 else (row["b"], row["a"])
        above.setdefault(upper, []).append((lower, row))
    for level, own in above.items():
        say = Teller(tables)
        text = phrase(
            "factors.pair",
            factor=_name(factor),
            a=level,
            b=series([lower for lower, _ in own]),
            noun=noun(variable),
            brackets=brackets(say.largest_p([row for _, row in own])),
        )
        yield say.finding(
            "factors",
            text,
            variable=variable.name,
            claim=True,
            p=max(float(row["p_adjusted"]) for _, row in own),
            level=float(tables.trial.settings.alpha),
        )


def _name(factor: str) -> str:
    return phrase(f"factors.{factor}") if factor in ("main", "sub") else factor
