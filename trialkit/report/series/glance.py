"""The table at a glance of a series: a row a treatment over all trials, with a small picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import cached_property
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.numerals import plural
from trialkit.report.glance_block import (
    Glance,
    GlanceCell,
    GlanceRow,
    Ink,
    SmallDots,
    SmallSpan,
)
from trialkit.report.numbers import DASH, percent_text, write_number
from trialkit.report.parts.glance import MOST_ROWS, ROLES
from trialkit.report.series.context import SeriesContext, only, span_of
from trialkit.rows import defined, one_nan
from trialkit.series.matched import SeriesVariable
from trialkit.series.questions import LEAST_CLAIMED
from trialkit.series.rows import Asked
from trialkit.trial import Comparison, VariableRole
from trialkit.words import COMPARISONS

_DOT = " \N{MIDDLE DOT} "
#: Most dots of a small picture.
MOST_DOTS = 30
#: Frame of the small pictures, in percent control: its least, and how far its upper end may lie.
LOW, HIGH = -30.0, (90.0, 99.0)

Row = dict[str, Any]
Fill = Callable[[str], GlanceCell]


def yields_of(context: SeriesContext) -> list[SeriesVariable]:
    """Yields that have means over the trials."""
    return [item for item in context.tables.measured if item.role is VariableRole.YIELD]


class _Sheet:
    """What the row of each treatment is filled from."""

    def __init__(self, context: SeriesContext) -> None:
        self.context = context
        tables = context.tables
        self.target = next(iter(tables.targets), None)
        self.main = tables.main(self.target.name) if self.target else None
        windows = [
            asked
            for asked in (tables.asked(self.target.name) if self.target else [])
            if asked != self.main and self.in_most(asked)
        ]
        self.windows = [windows[0], windows[-1]] if len(windows) > 1 else windows
        enemies = [v for v in tables.of_role(VariableRole.NATURAL_ENEMY) if tables.main(v.name)]
        self.enemy = next(iter(enemies), None)
        self.harvest = next(iter(yields_of(context)), None)

    @cached_property
    def held(self) -> dict[str, Row]:
        """How long the target was held, by treatment, of what all is judged by."""
        if self.target is None:
            return {}
        rows = self.context.tables["combined_held"].where(variable=self.target.name)
        return {row["treatment"]: row for row in rows.records()}

    @cached_property
    def high(self) -> float:
        """Upper end of all small pictures."""
        if self.main is None:
            return HIGH[1]
        tables, where = self.context.tables, self.main.where
        ends = tables["trial_control"].where(**where).numbers("percent")
        ends += tables["combined_control"].where(**where).numbers("predicted_upper")
        return min(max([HIGH[0], *ends]), HIGH[1])

    def in_most(self, asked: Asked) -> bool:
        """Whether most of the trials have a comparison."""
        return 2 * len(self.context.tables.trials_of(asked)) > len(self.context.series.trials)

    def combined(self, asked: Asked | None, treatment: str) -> Row | None:
        """Control of a treatment over all trials."""
        if asked is None:
            return None
        rows = self.context.tables["combined_control"]
        row = only(rows, treatment=treatment, **asked.where)
        return row if row is not None and not math.isnan(row["percent"]) else None

    def mean(self, treatment: str) -> Row | None:
        """Yield of a treatment over all trials."""
        if self.harvest is None:
            return None
        row = only(self.context.tables.means(self.harvest.name), treatment=treatment)
        return row if row is not None and not math.isnan(row["mean"]) else None


def glance(context: SeriesContext) -> Glance | None:
    """Compose the table; None where there is nothing to put in a row."""
    sheet = _Sheet(context)
    columns = list(_columns(sheet))
    if not columns:
        return None
    span_at = next((i for i, (_, _, name) in enumerate(columns) if name == "yield"), -1)
    treatments = _ordered(sheet)
    spans = _spans(sheet, treatments) if span_at >= 0 else {}
    shown = treatments[:MOST_ROWS] + treatments[MOST_ROWS:][-1:]
    untreated = context.tables.untreated
    rows = tuple(
        GlanceRow(
            name=context.label(item),
            under=_under(sheet, item),
            course=_dots(sheet, item),
            cells=tuple(fill(item) for _, fill, _ in columns),
            span=spans.get(item),
            base=item == untreated,
        )
        for item in shown
    )
    return Glance(
        key="glance",
        title="At a glance",
        course_head=_course_head(sheet),
        heads=tuple(head for head, _, _ in columns),
        rows=rows,
        span_at=span_at,
        notes=tuple(_notes(sheet, left_out=len(treatments) - len(rows))),
    )


def _columns(sheet: _Sheet) -> Iterator[tuple[tuple[str, str], Fill, str]]:
    context = sheet.context
    if sheet.main is not None:
        yield ("Control, %", context.days(sheet.main)), _control(sheet, sheet.main), "control"
        for asked in sheet.windows:
            yield ("Control, %", context.days(asked)), _control(sheet, asked), "window"
        if sheet.held:
            yield (
                (f"{context.settings.target:g}% held", "median days"),
                _held(sheet),
                "held",
            )
        rows = context.tables["combined_control"].where(**sheet.main.where)
        if rows.knows("predicted_lower"):
            yield ("Next site", "control, %"), _next(sheet), "next"
        if rows.knows("share_above_target"):
            target = f"{context.settings.target:g}%"
            yield (f"Sites above {target}", "expected, %"), _share(sheet), "share"
    if sheet.enemy is not None:
        main = context.tables.main(sheet.enemy.name)
        label = context.short_label(sheet.enemy)
        yield (label, "change, %"), _change(sheet, main), "enemies"
    if sheet.harvest is not None:
        label = context.short_label(sheet.harvest)
        yield (label, sheet.harvest.unit or ""), _yield(sheet), "yield"


def _nothing() -> GlanceCell:
    return GlanceCell(text=DASH)


def _ink(sheet: _Sheet, treatment: str, asked: Asked | None, *, harm: bool) -> Ink:
    variable = asked.variable if asked else (sheet.harvest.name if sheet.harvest else "")
    if not sheet.context.is_shown(treatment, variable, asked):
        return Ink.ESTIMATE
    return Ink.HARM if harm else Ink.SHOWN


def _control(sheet: _Sheet, asked: Asked) -> Fill:
    def fill(treatment: str) -> GlanceCell:
        row = sheet.combined(asked, treatment)
        if row is None:
            return _nothing()
        return GlanceCell(
            text=percent_text(row["percent"]),
            under=span_of(row["lower"], row["upper"]),
            ink=_ink(sheet, treatment, asked, harm=row["percent"] < 0),
        )

    return fill


def _held(sheet: _Sheet) -> Fill:
    def fill(treatment: str) -> GlanceCell:
        row = sheet.held.get(treatment)
        if row is None:
            return _nothing()
        if row["never"] == row["trials"]:
            return GlanceCell(text="never")
        days = write_number(row["days"], 0) if defined(row["days"]) else "to the end"
        ends = span_of(row["shortest"], row["longest"], 0)
        return GlanceCell(text=days, under=ends if row["trials"] > 1 else "")

    return fill


def _next(sheet: _Sheet) -> Fill:
    def fill(treatment: str) -> GlanceCell:
        row = sheet.combined(sheet.main, treatment)
        text = span_of(row["predicted_lower"], row["predicted_upper"]) if row else ""
        return GlanceCell(text=text) if text else _nothing()

    return fill


def _share(sheet: _Sheet) -> Fill:
    def fill(treatment: str) -> GlanceCell:
        row = sheet.combined(sheet.main, treatment)
        if row is None or math.isnan(row["share_above_target"]):
            return _nothing()
        return GlanceCell(
            text=_share_text(row["share_above_target"]),
            under=span_of(row["share_lower"], row["share_upper"]),
        )

    return fill


def _share_text(percent: float) -> str:
    """Write a share of sites; neither all nor none are ever certain."""
    if percent > 99.0:
        return ">99"
    return "<1" if percent < 1.0 else write_number(percent, 0)


def _change(sheet: _Sheet, asked: Asked | None) -> Fill:
    def fill(treatment: str) -> GlanceCell:
        row = sheet.combined(asked, treatment)
        if row is None:
            return _nothing()
        value = -float(row["percent"])
        text = percent_text(value)
        return GlanceCell(
            text=f"+{text}" if value > 0 else text,
            under=span_of(-row["upper"], -row["lower"]),
            ink=_ink(sheet, treatment, asked, harm=value < 0),
        )

    return fill


def _yield(sheet: _Sheet) -> Fill:
    def fill(treatment: str) -> GlanceCell:
        row, untreated = sheet.mean(treatment), sheet.context.tables.untreated
        if row is None or sheet.harvest is None:
            return _nothing()
        base = sheet.mean(untreated) if untreated else None
        lost = base is not None and row["mean"] < base["mean"]
        return GlanceCell(
            text=write_number(row["mean"], sheet.context.digits(sheet.harvest.name)),
            beside=row["letters"] or "",
            ink=_ink(sheet, treatment, None, harm=lost),
        )

    return fill


def _ordered(sheet: _Sheet) -> list[str]:
    """Treatments, the best first by control, else by yield; the untreated stands last.

    Those in one trial of several stand behind the others, which were seen at more sites.
    """
    untreated = sheet.context.tables.untreated
    least = min(len(sheet.context.series.trials), LEAST_CLAIMED)

    def key(treatment: str) -> tuple[bool, bool, float]:
        row = sheet.combined(sheet.main, treatment) if sheet.main else None
        mean = sheet.mean(treatment) if sheet.main is None else None
        value = row["percent"] if row else mean["mean"] if mean else -math.inf
        trials = (row or mean or {"trials": 0.0})["trials"]
        return treatment == untreated, trials < least, -value

    present = [
        name
        for name in sheet.context.tables.labels
        if name == untreated or sheet.combined(sheet.main, name) or sheet.mean(name)
    ]
    return sorted(present, key=key)


def _under(sheet: _Sheet, treatment: str) -> str:
    context = sheet.context
    facts = context.tables.facts(treatment)
    rate = f"{facts.rate:g} {facts.rate_unit}".strip() if facts.rate is not None else ""
    role = "reference" if treatment == context.settings.reference else ROLES.get(facts.role, "")
    row = sheet.combined(sheet.main, treatment) or sheet.mean(treatment)
    trials = plural(f"{row['trials']:g}", "trial") if row else ""
    return _DOT.join(plain_line(part) for part in (rate, role, trials) if part)


def _course_head(sheet: _Sheet) -> tuple[str, str] | None:
    if sheet.main is None or sheet.target is None:
        return None
    label = sheet.context.short_label(sheet.target).lower()
    target = f"{sheet.context.settings.target:g}%"
    days = sheet.context.days(sheet.main)
    return f"Control of {label}", f"trial by trial, {days}; dashed: {target}"


def _dots(sheet: _Sheet, treatment: str) -> SmallDots | None:
    row = sheet.combined(sheet.main, treatment)
    if row is None or sheet.main is None:
        return None
    rows = sheet.context.tables["trial_control"].where(treatment=treatment, **sheet.main.where)
    values = _spread(rows.numbers("percent"))
    told = ", ".join(map(percent_text, values))
    return SmallDots(
        values=values,
        pooled=float(row["percent"]),
        lower=one_nan(row["lower"]),
        upper=one_nan(row["upper"]),
        predicted_lower=one_nan(row["predicted_lower"]),
        predicted_upper=one_nan(row["predicted_upper"]),
        target=sheet.context.settings.target,
        low=LOW,
        high=sheet.high,
        alt=f"Control by {sheet.context.label(treatment)}, %, trial by trial: {told}; together "
        f"{percent_text(row['percent'])}.",
    )


def _spread(values: list[float]) -> tuple[float, ...]:
    """Values for the dots of a picture; of very many those at even steps of their order."""
    if len(values) <= MOST_DOTS:
        return tuple(values)
    ordered, last = sorted(values), len(values) - 1
    return tuple(ordered[round(last * step / (MOST_DOTS - 1))] for step in range(MOST_DOTS))


def _spans(sheet: _Sheet, treatments: list[str]) -> dict[str, SmallSpan]:
    rows = {name: row for name in treatments if (row := sheet.mean(name)) is not None}
    ends = [
        float(row[name])
        for row in rows.values()
        for name in ("mean", "lower", "upper")
        if math.isfinite(row[name])
    ]
    untreated = sheet.context.tables.untreated
    base = rows.get(untreated) if untreated else None
    digits = sheet.context.digits(sheet.harvest.name) if sheet.harvest else 0
    return {
        name: SmallSpan(
            value=float(row["mean"]),
            lower=one_nan(row["lower"]),
            upper=one_nan(row["upper"]),
            base=float(base["mean"]) if base else None,
            low=min(ends),
            high=max(ends),
            alt=f"mean with interval {span_of(row['lower'], row['upper'], digits)}",
        )
        for name, row in rows.items()
    }


def _notes(sheet: _Sheet, left_out: int) -> Iterator[str]:
    context = sheet.context
    if sheet.main is not None:
        yield (
            "Circles: the trials. Diamond: all trials together, with the interval (thick) "
            "and the prediction for the next site (thin). Each halving of what is left is "
            "one step. Control and changes are against the untreated."
        )
    under = ", and below days held the fewest and the most of any trial" if sheet.held else ""
    yield f"Small figures are {context.level} confidence intervals, each on its own{under}."
    if context.tables.untreated is not None:
        yield (
            "Bold: a difference from the untreated was established, all claims of this page "
            "together; grey: estimates."
        )
    if sheet.harvest is not None and context.tables.means(sheet.harvest.name).knows("letters"):
        name = COMPARISONS.get(context.settings.comparison, "")
        if context.settings.comparison is not Comparison.NONE:
            yield (
                f"Yields that share a letter do not differ significantly ({name}, "
                f"{100 * context.settings.alpha:g}%)."
            )
    if left_out > 0:
        yield f"{plural(left_out, 'more treatment')}: see the tables inside."
