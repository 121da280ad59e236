"""Page 1 of a series: five sentences, a row a treatment over all trials, doubts, a caution."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.figures.identity import plain_line
from trialkit.numerals import plural
from trialkit.plain_text import joined
from trialkit.report.document import (
    Block,
)
from trialkit.report.first_page import first_page
from trialkit.report.series.context import SeriesContext
from trialkit.report.series.glance import glance, yields_of
from trialkit.rows import Rows
from trialkit.series.matched import SeriesVariable
from trialkit.trial import Design
from trialkit.words import DESIGNS

_DOT = " \N{MIDDLE DOT} "
#: Fewer trials than this tell little about how sites differ (common practice, no source).
FEW_TRIALS = 5
#: Share of the variance between trials from which on they are said to differ much, in percent
#: (the rule of thumb of Higgins and others 2003: 75 is high).
MUCH = 75.0
#: What warnings of the matching say on page 1.
_DOUBTS = {
    "treatments-to-decide": "one treatment may have two names (see Departures)",
    "variables-to-decide": "one variable may have two names (see Departures)",
    "in-one-trial": "treatments in one trial only come last, and nothing is claimed of them",
    "unit-unfit": "values in units that do not fit are left out (see Departures)",
    "no-untreated": "trials without an untreated say nothing about control",
}
CAUTION = (
    "Small plots, open to reinvasion, at the sites and in the seasons listed. Not a "
    "recommendation: follow the product label, local law and licensed advice."
)


def front_page(context: SeriesContext) -> tuple[Block, ...]:
    """Compose the first page."""
    return tuple(
        first_page(context.front, glance(context), _doubt(context), CAUTION, names=_names(context))
    )


def subtitle(context: SeriesContext) -> str:
    """How many trials, at how many sites, in which seasons."""
    trials = context.series.trials
    sites = {item.site for item in trials if item.site}
    seasons = sorted({item.season for item in trials if item.season})
    parts = [f"Series of {context.count}"]
    if sites:
        parts.append(plural(len(sites), "site"))
    if seasons:
        parts.append(", ".join(seasons) if len(seasons) < 4 else f"{seasons[0]} to {seasons[-1]}")
    parts += [plain_line(context.series.crop)] if context.series.crop else []
    return _DOT.join(map(plain_line, parts))


def design(context: SeriesContext) -> str:
    """Treatments and designs in a line."""
    trials = context.series.trials
    parts = [plural(len(context.tables.labels), "treatment")]
    counts: dict[str, int] = {}
    for item in trials:
        counts[item.design] = counts.get(item.design, 0) + 1
    words = [
        f"{DESIGNS.get(name, name)} ({number})" if len(counts) > 1 else DESIGNS.get(name, name)
        for name, number in counts.items()
        if name in set(Design)
    ]
    parts += [", ".join(words)] if words else []
    ends = [item.last_day for item in trials if item.last_day is not None]
    if ends:
        low, high = min(ends), max(ends)
        span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
        parts.append(f"counted to day {span}")
    harvested = max((len(_trials_with(context, item)) for item in yields_of(context)), default=0)
    if harvested:
        parts.append(f"harvested in {plural(harvested, 'trial')}")
    return _DOT.join(parts)


def _trials_with(context: SeriesContext, variable: SeriesVariable) -> set[str]:
    return set(context.tables["error_variances"].where(variable=variable.name)["trial"])


def _names(context: SeriesContext) -> tuple[str, ...]:
    names = {context.label(name) for name in context.tables.treated}
    return tuple(sorted((name for name in names if len(name) > 2), key=len, reverse=True))


def _doubt(context: SeriesContext) -> str:
    """What makes the answer less sure than it looks, in a line."""
    parts = []
    number = len(context.series.trials)
    if number == 1:
        parts.append("one trial cannot show how sites differ")
    elif number < FEW_TRIALS:
        parts.append(f"{plural(number, 'trial')} can say little about how sites differ")
    uneven = [context.short_label(item).lower() for item in _uneven(context)]
    if uneven:
        parts.append(f"control of {joined(uneven)} varied much between trials (see Reliability)")
    parts += [words for problem in context.series.problems if (words := _DOUBTS.get(problem.kind))]
    if not parts:
        return ""
    return f"Read with care: {'; '.join(parts)}."


def _uneven(context: SeriesContext) -> Iterator[SeriesVariable]:
    """Pests of which control differed much between trials."""
    for variable in context.tables.targets:
        asked = context.tables.main(variable.name)
        rows = context.tables["combined_control"].where(**asked.where) if asked else Rows({})
        if max(rows.numbers("heterogeneity") if rows else [], default=0.0) >= MUCH:
            yield variable
