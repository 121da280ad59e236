"""How far the analysis can be trusted: checks of its assumptions."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.findings.sentences import noun
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.plain_text import capital, joined
from trialkit.report.captions import caption, counted
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
from trialkit.trial import Design, VariableRole

_OF_BLOCKS = "equal variances, normal residuals and additive block effects"
_ASSUMED = {
    Design.CRD: "equal variances and normal residuals",
    Design.LATIN: "equal variances, normal residuals and additive effects of rows and columns",
}

OUTLYING = "outlying plot"
#: Checks with a verdict, each with its heading and what a failure means for the trial.
CHECKS: Mapping[str, tuple[str, str]] = {
    "equal scatter": (
        "Equal variances",
        "Variances differed between treatments, or rose with the mean. One common standard error "
        "is then too wide for some treatments and too narrow for others.",
    ),
    "normality": (
        "Normality",
        "Residuals were not normally distributed. F and the comparisons tolerate a moderate "
        "departure; treat p-values close to the level with care.",
    ),
    "additivity": (
        "Additivity",
        "Treatment differences changed with the level of the block; means are averages over "
        "blocks.",
    ),
    OUTLYING: (
        "Outlying plot",
        "It shifts the mean of its treatment and widens every interval. It stayed in the analysis; "
        "check it in the field book.",
    ),
}
_NAME_IT = "for this variable and rerun."
_ADVICE: Mapping[str, str] = {
    "try sqrt": f"a square root may help: set transform = \u201csqrt\u201d {_NAME_IT}",
    "try log": f"a log transform may help: set transform = \u201clog\u201d {_NAME_IT}",
    "try arcsine": f"an arcsine transform may help: set transform = \u201carcsine\u201d {_NAME_IT}",
    "count model beside": "prefer the count model, which lets the variance rise with the mean.",
    "randomisation test beside": "prefer the randomisation test, which assumes no distribution.",
    "read with caution": "no other scale serves better; do not rely on p-values close to the "
    "level.",
}
_UNDER_DOUBT = ("doubtful", "failed")
_VERDICTS = ("fine", *_UNDER_DOUBT)
_MOST_NAMED = 6
_MOST_FRAGILE = 3
_SCALE_WORDS: Mapping[str, str] = {
    "scale none": "as counted",
    "scale sqrt": "on a square-root scale",
    "scale log": "on a log scale",
}
_COUNT_MODELS = ("negative binomial", "beta-binomial")

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
    yield Paragraph(_tally(context, rows, doubtful, failed))
    notes = []
    for check, (title, meaning) in CHECKS.items():
        own = failed.where(check=check)
        if own:
            verb = "Outlying plot:" if check == OUTLYING else f"{title} failed:"
            notes.append(f"{verb} {_places(context, own)}. {meaning}")
    if notes:
        yield Notes(tuple(notes))
    advice = tuple(_recommendations(context))
    if advice:
        yield Paragraph("Recommended, but not done automatically:")
        yield Notes(advice)


def standing(context: Context) -> Iterator[Block]:
    """Which differences fall on another path of analysis, and what other tests of all say."""
    rows = context.table("standing", "variable", "measure", "a", "b", "stands", "paths", "falls")
    if rows:
        fragile = rows.known("falls")
        paths = round(max(rows.numbers("paths")))
        firm = len(rows) - len(fragile)
        control = context.trial.untreated is not None
        omitted = "" if context.trial.design is Design.CRD else "block or "
        text = (
            f"Of {plural(len(rows), 'difference')} {'from the untreated ' if control else ''}"
            f"shown in {_whole_measures(rows)}, {_how_many(firm, len(rows))} shown in "
            f"every other analysis as well. Up to {paths} were tried: on other scales, and "
            f"without each {omitted}outlying plot in turn."
        )
        yield Paragraph(text + (" Fragile:" if fragile else ""))
        if fragile:
            yield Notes(tuple(_fragile(context, fragile)))
    yield from _other_tests(context)


def other_paths(context: Context) -> Iterator[Block]:
    """Every difference in pest-days and yield with the paths on which it is not shown."""
    rows = context.table("standing", "variable", "measure", "a", "b", "p_largest", "falls")
    if not rows:
        return
    body: list[tuple[Cell, ...]] = []
    for row in rows.records():
        falls = row["falls"]
        body.append(
            (
                context.response(str(row["variable"]), str(row["measure"]), math.nan),
                context.label(str(row["a"])),
                context.label(str(row["b"])),
                number_or_missing(row["p_adjusted"]),
                number_or_missing(row["p_largest"]),
                f"{row['stands']:.0f} of {row['paths']:.0f}",
                _where(falls) if isinstance(falls, str) else "",
            )
        )
    yield Table(
        key="standing",
        question=f"Differences in {_whole_measures(rows)} in other analyses",
        columns=(
            Column(title="Response"),
            Column(title="Treatment"),
            Column(title="Compared with"),
            Column(title="p-value", kind=Kind.P_VALUE),
            Column(title="Largest p-value", kind=Kind.P_VALUE),
            Column(title="Shown in"),
            Column(title="Not shown"),
        ),
        rows=tuple(body),
        notes=(
            "Other scales, and each outlying plot left out in turn."
            if context.trial.design is Design.CRD
            else "Other scales, and each block and each outlying plot left out in turn.",
        ),
        sheet="Other analyses",
    )


def _how_many(number: int, of: int) -> str:
    if number == of:
        return "all were" if of > 1 else "this was"
    return f"{number} was" if number == 1 else f"{number or 'none'} were"


def _fragile(context: Context, rows: Rows) -> Iterator[str]:
    """Those that fall on most paths first; of many the first ones."""
    order = sorted(range(len(rows)), key=lambda i: rows["stands"][i] - rows["paths"][i])
    for place in order[:_MOST_FRAGILE]:
        row = rows.take([place]).records()[0]
        label = context.response(str(row["variable"]), str(row["measure"]), math.nan)
        names = (context.label(str(row[side])) for side in ("a", "b"))
        yield f"{label}, {' against '.join(names)}: not shown {_where(str(row['falls']))}."
    if len(order) > _MOST_FRAGILE:
        yield f"And {len(order) - _MOST_FRAGILE} more (in the workbook)."


def _where(falls: str) -> str:
    """Write "on a log scale or without block 1, 2 or 4"; one of them is enough to lose it."""
    paths = [plain_line(path) for path in falls.split("; ")]
    scales = [_SCALE_WORDS[path] for path in paths if path in _SCALE_WORDS]
    gone = [path.removeprefix("without ") for path in paths if path not in _SCALE_WORDS]
    if all(path.startswith("block ") for path in gone):  # the word once
        gone = [path.removeprefix("block " if place else "") for place, path in enumerate(gone)]
    return " or ".join([*scales, *([f"without {joined(gone, 'or')}"] if gone else [])])


def _other_tests(context: Context) -> Iterator[Block]:
    """How many of the tests of all treatments are confirmed by rearrangement and by counts."""
    alpha = context.trial.settings.alpha
    tested = context.table("responses", "variable", "measure", "days_after", "p", "p_randomised")
    shown = [row for row in tested.records() if _at_most(row["p"], alpha)]
    drawn = [row for row in shown if not math.isnan(_number(row["p_randomised"]))]
    counts = context.table("count_tests", "variable", "days_after", "model", "p", "source")
    modelled = {
        (row["variable"], row["days_after"]): row["p"]
        for row in counts.records()
        if row["model"] in _COUNT_MODELS and not isinstance(row["source"], str)
    }
    counted = [
        p for row in shown
        if row["measure"] == "count"
        and not math.isnan(p := _number(modelled.get((row["variable"], row["days_after"]))))
    ]  # fmt: skip
    parts = []
    if drawn:
        agree = sum(_at_most(row["p_randomised"], alpha) for row in drawn)
        parts.append(f"the randomisation test agrees in {agree} of {len(drawn)}")
    if counted:
        agree = sum(_at_most(p, alpha) for p in counted)
        parts.append(f"the count model in {agree} of {len(counted)}")
    if parts:
        yield Paragraph(
            f"Treatments differ in {len(shown)} of {plural(len(tested), 'response')} by analysis "
            f"of variance. {capital(' and '.join(parts))}."
        )


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _at_most(value: object, limit: float) -> bool:
    return _number(value) <= limit


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
            title=caption(
                "residuals", count=far, far=counted(far), number=len(own), noun=noun(variable)
            ),
            caption=caption("residuals_how", label=label, days=days),
        )
        return


def _whole_measures(rows: Rows) -> str:
    """Words for what the differences told of were found in."""
    names = {"pest_days": "areas under the curve", "yield": "yield"}
    found = set(rows["measure"])
    return joined([words for measure, words in names.items() if measure in found])


def _tally(context: Context, rows: Rows, doubtful: Rows, failed: Rows) -> str:
    number = len(rows)
    text = (
        f"The tests assume {_ASSUMED.get(context.trial.design, _OF_BLOCKS)}. Of {number} checks, "
    )
    if not doubtful:
        return text + "none raised a doubt; small trials detect only gross departures."
    below = (
        f"{len(failed)} of them below 0.01 (\u201cfailed\u201d)"
        if len(failed)
        else "none below 0.01"
    )
    chance = f"About {0.05 * number:.0f}" if number >= 20 else "One or none"
    return text + (
        f"{len(doubtful)} gave p below 0.05, {below}. {chance} below 0.05 would be expected by "
        "chance. No method was changed because of them."
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
    return f" on day{'' if len(known) == 1 else 's'} {joined(known)}"


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
        question="Checks of assumptions: p-values for each response",
        columns=(
            Column(title="Response"),
            *(Column(title=CHECKS[check][0], kind=Kind.P_VALUE) for check in present),
            *([Column(title="Which plot")] if plots else []),
        ),
        rows=tuple(body),
        notes=(
            "Small p-values cast doubt on the assumption. Variances: Brown and Forsythe's test and "
            "the correlation of spread with the mean. Normality: Shapiro and Wilk's test. "
            "Both p-values by simulation of this layout."
            + (" Additivity: Tukey's one degree of freedom." if "additivity" in present else "")
            + " Outlying plot: the largest studentized residual, with Bonferroni's correction.",
        ),
        sheet="Checks",
    )
