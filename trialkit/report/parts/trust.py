"""How far the analysis can be trusted: checks of its assumptions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.numerals import day as write_day
from trialkit.report.context import Context
from trialkit.report.document import (
    Block,
    Cell,
    Column,
    FigureBlock,
    Kind,
    Notes,
    Paragraph,
    Table,
    number_or_missing,
)
from trialkit.rows import Rows
from trialkit.trial import VariableRole

OUTLYING = "outlying plot"
#: Checks with a verdict, each with its heading and what a failure means for the trial.
CHECKS: Mapping[str, tuple[str, str]] = {
    "equal scatter": (
        "Equal scatter",
        "Plots did not scatter alike in all treatments, or scattered more where means are high. "
        "One common standard error is then too wide for the even treatments and too narrow for "
        "the uneven ones.",
    ),
    "normality": (
        "Normality",
        "What treatments and blocks leave over is not shaped like a normal distribution. F and "
        "the comparisons bear a moderate departure; p-values close to the level deserve care.",
    ),
    "additivity": (
        "Additivity",
        "Treatments did not act alike in all blocks: their differences changed with the level of "
        "the block. The means are averages over the blocks, and what they average over stands in "
        "the error.",
    ),
    OUTLYING: (
        "Outlying plot",
        "Such a plot moves the mean of its treatment and widens every interval. It stayed in the "
        "analysis; look it up in the field book.",
    ),
}
_NAME_IT = "name it as the transform of the variable, run the trial again and compare."
_ADVICE: Mapping[str, str] = {
    "try sqrt": f"a square root may mend this: {_NAME_IT}",
    "try log": f"a logarithm may mend this: {_NAME_IT}",
    "try arcsine": f"the arcsine may mend this: {_NAME_IT}",
    "count model beside": "read the count model beside these tests; it gives large and small "
    "counts each their own variance.",
    "randomisation test beside": "read the randomisation test beside F; it takes no distribution "
    "on trust.",
    "read with caution": "no other scale is known to serve better; rest no conclusion on a "
    "p-value close to the level alone.",
}
_UNDER_DOUBT = ("doubtful", "failed")
_VERDICTS = ("fine", *_UNDER_DOUBT)
_MOST_NAMED = 6

Row = dict[str, Any]


def _verdicts(context: Context) -> Rows:
    rows = context.table("diagnostics", "check", "p", "verdict")
    return rows.keep(verdict in _VERDICTS for verdict in rows.get("verdict"))


def doubts(context: Context) -> Iterator[Block]:
    """Sentences: how many checks raised doubts, what failed where, and what is recommended."""
    rows = _verdicts(context)
    if not rows:
        return
    doubtful = rows.keep(verdict in _UNDER_DOUBT for verdict in rows["verdict"])
    failed = rows.where(verdict="failed")
    yield Paragraph(_tally(rows, doubtful, failed))
    notes = []
    for check, (title, meaning) in CHECKS.items():
        own = failed.where(check=check)
        if own:
            verb = "One plot stands apart in" if check == OUTLYING else f"{title} failed for"
            notes.append(f"{verb} {_places(context, own)}. {meaning}")
    if notes:
        yield Notes(tuple(notes))
    advice = tuple(_recommendations(context))
    if advice:
        yield Paragraph("What is recommended, and was not done by itself:")
        yield Notes(advice)


def scatter(context: Context) -> Iterator[Block]:
    """Residuals of the first pest against its fitted values."""
    for variable in context.trial.variables:
        own = context.rows("residuals", variable.name, "count")
        own = own.known("studentized") if own else own
        if variable.role is not VariableRole.PEST or not own:
            continue
        label = plain_line(variable.label)
        far = sum(abs(value) >= 3.0 for value in own["studentized"])
        first, last = min(own["days_after"]), max(own["days_after"])
        days = "all days" if last > first else f"day {write_day(first)}"
        yield FigureBlock(
            key=context.key("residuals", variable.name),
            kind="residuals",
            variable=variable.name,
            alt=f"Residuals of {label} on {days} against fitted values; {far} of {len(own)} lie "
            "beyond 3 standard errors.",
            caption=f"{label}, {days}: what plots differ by from what treatments and blocks let "
            "expect, in standard errors, against that expectation. A band that widens to one side "
            "shows a spread that rises with the mean; a bow shows effects that do not add up on "
            "this scale. Plots beyond 3 are named.",
        )
        return


def _tally(rows: Rows, doubtful: Rows, failed: Rows) -> str:
    number = len(rows)
    text = (
        "The tests rest on plots that scatter alike, about a normal curve, with treatments that "
        f"act alike in all blocks. Of {number} checks "
    )
    if not doubtful:
        return text + "none raised a doubt, which in a small trial is not proof that all is well."
    below = (
        f"{len(failed)} of them below 1 % (called failed here)" if len(failed) else "none below 1 %"
    )
    chance = f"about {0.05 * number:.0f}" if number >= 20 else "one or none"
    return text + (
        f"{len(doubtful)} came out below 5 %, {below}; {chance} below 5 % would be expected by "
        "chance alone. Nothing was switched because of them: scale and procedure are those of the "
        "settings or of the stated rule."
    )


def _places(context: Context, rows: Rows) -> str:
    """Name responses: "Larvae per plant on days 3 and 7; Yield"."""
    parts = []
    for variable, measure in dict.fromkeys(zip(rows["variable"], rows["measure"], strict=True)):
        own = rows.where(variable=variable, measure=measure)
        label = context.response(str(variable), str(measure), math.nan)
        parts.append(f"{label}{days_words(own['days_after'])}{_plots(own['plot'])}")
    return "; ".join(parts)


def days_words(days: list[float]) -> str:
    """Write " on day 7" or " on days 3 and 7"; nothing where no day is known."""
    known = [write_day(day) for day in days if math.isfinite(day)]
    if not known:
        return ""
    if len(known) > _MOST_NAMED:
        return f" on {len(known)} days"
    joined = known[0] if len(known) == 1 else f"{', '.join(known[:-1])} and {known[-1]}"
    return f" on day{'' if len(known) == 1 else 's'} {joined}"


def _plots(plots: list[object]) -> str:
    named = list(dict.fromkeys(plain_line(plot) for plot in plots if isinstance(plot, str)))
    if not named or len(named) > _MOST_NAMED:
        return ""
    return f" (plot{'' if len(named) == 1 else 's'} {', '.join(named)})"


def _recommendations(context: Context) -> Iterator[str]:
    """Advice for the days of each variable together, and for areas; alike ones joined."""
    advised: dict[str, list[str]] = {}
    for variable in context.variables:
        rows = context.rows("choices", variable)
        area = context.rows("responses", variable, "pest_days")
        label = context.variable_label(variable)
        for name, found in ((label, rows), (f"{label}, area under the curve", area)):
            text = found["recommendation"][0] if found else None
            if isinstance(text, str) and text in _ADVICE:
                advised.setdefault(text, []).append(name)
    for text, names in advised.items():
        yield f"{'; '.join(names)}: {_ADVICE[text]}"


def checks(context: Context) -> Iterator[Block]:
    """One row a response: p-values of the checks."""
    rows = _verdicts(context)
    if not rows:
        return
    by_response: dict[tuple[str, str, float], dict[str, Row]] = {}
    days: dict[tuple[str, str, float], float] = {}
    for row in rows.records():
        day = float(row["days_after"])
        key = (str(row["variable"]), str(row["measure"]), day if math.isfinite(day) else math.inf)
        by_response.setdefault(key, {})[str(row["check"])] = row
        days[key] = day
    present = [check for check in CHECKS if check in rows["check"]]
    plots = rows.knows("plot")
    body: list[tuple[Cell, ...]] = []
    for key, found in by_response.items():
        cells: list[Cell] = [context.response(key[0], key[1], days[key])]
        cells += [
            number_or_missing(found.get(check, {}).get("p"), "the check is not available here")
            for check in present
        ]
        if plots:
            plot = found.get(OUTLYING, {}).get("plot")
            cells.append(plain_line(plot) if isinstance(plot, str) else "")
        body.append(tuple(cells))
    yield Table(
        key="checks",
        question="Do the assumptions hold? p-values of the checks of each response",
        columns=(
            Column(title="Response"),
            *(Column(title=CHECKS[check][0], kind=Kind.P_VALUE) for check in present),
            *([Column(title="Which plot")] if plots else []),
        ),
        rows=tuple(body),
        notes=(
            "A small p-value says that the assumption is in doubt. Scatter: Brown and Forsythe's "
            "test between treatments and the correlation of scatter with the mean, together. "
            "Normality: Shapiro and Wilk's test. Both p-values come from draws of normal errors "
            "in this very layout."
            + (" Additivity: Tukey's one degree of freedom." if "additivity" in present else "")
            + " Outlying plot: the largest studentized residual, with Bonferroni's correction.",
        ),
        sheet="Checks",
    )
