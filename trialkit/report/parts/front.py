"""The first page: the answer in at most five sentences, a row a treatment, doubts, a caution."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.figures.marks import marks
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.report.context import Context
from trialkit.report.document import (
    Aside,
    Block,
    Findings,
    Glance,
    GlanceCell,
    GlanceRow,
    Ink,
    SmallCourse,
    SmallSpan,
)
from trialkit.report.numbers import DASH, write_number, write_share
from trialkit.report.parts.layout_words import design_line
from trialkit.trial import Treatment, TreatmentRole, VariableRole

#: Most sentences on the first page.
MOST_SENTENCES = 5
#: Most treatments in the table at a glance; the tables inside hold all.
MOST_ROWS = 16
#: The frame of the small course of control.
LOWEST, HIGHEST = -25.0, 105.0
EN_DASH = "\N{EN DASH}"
ROLES = {
    TreatmentRole.CARRIER: "carrier",
    TreatmentRole.REFERENCE: "reference",
    TreatmentRole.UNTREATED: "",
    TreatmentRole.TEST: "",
}
CAUTION = (
    "One trial in one season, on small plots open to reinvasion. Not a recommendation: follow the "
    "product label, local law and licensed advice."
)

Row = dict[str, Any]


def front_page(context: Context) -> tuple[Block, ...]:
    """Compose the first page.

    Parameters
    ----------
    context : Context
    """
    blocks: list[Block] = []
    sentences = context.front[:MOST_SENTENCES]
    if sentences:
        blocks.append(Findings(sentences, start=0, strong=_names(context), title="In short"))
    glance = _glance(context)
    if glance is not None:
        blocks.append(glance)
    doubt = _doubt(context)
    if doubt:
        blocks.append(Aside(doubt, doubt=True))
    return (*blocks, Aside(CAUTION))


def subtitle(context: Context) -> str:
    """Trial number, site and season in a line."""
    trial = context.trial
    number = trial.extra.get("trial_number") or trial.extra.get("trial")
    parts = (f"Trial {number}" if number else None, trial.site, trial.season)
    return " \N{MIDDLE DOT} ".join(plain_line(part) for part in parts if part)


def design(context: Context) -> str:
    """Treatments, design, dates and assessments in a line."""
    return design_line(context.trial)


def _names(context: Context) -> tuple[str, ...]:
    names = {plain_line(item.name) for item in context.trial.treatments if item.name}
    return tuple(sorted((name for name in names if len(name) > 2), key=len, reverse=True))


class _Sheet:
    """The rows of ``glance``, by treatment and question, of the first variable of each question."""

    def __init__(self, context: Context) -> None:
        self.context = context
        rows = context.table("glance").records()
        self.first: dict[str, str] = {}
        self.cells: dict[tuple[str, str], Row] = {}
        for row in rows:
            variable = self.first.setdefault(row["question"], row["variable"])
            if row["variable"] == variable:
                self.cells[row["treatment"], row["question"]] = row

    def has(self, question: str) -> bool:
        return question in self.first

    def value(self, treatment: str, question: str) -> float:
        row = self.cells.get((treatment, question))
        return float(row["value"]) if row is not None else math.nan

    def day(self, question: str) -> str:
        """The day of a question that has one and the same for all treatments, such as day 3."""
        days = {
            row["days_after"]
            for (_, asked), row in self.cells.items()
            if asked == question and not math.isnan(row["days_after"])
        }
        if self.context.trial.undated or len(days) != 1:
            return ""
        return f"day {write_day(days.pop())}"


Fill = Callable[[_Sheet, str], GlanceCell]


def _glance(context: Context) -> Glance | None:
    sheet = _Sheet(context)
    columns = list(_columns(sheet))
    if not columns:
        return None
    heads = tuple(head for head, _, _ in columns)
    span_at = next((i for i, (_, _, name) in enumerate(columns) if name == "yield"), -1)
    course = _course_head(sheet)
    treatments = _ordered(sheet)
    spans = _spans(sheet) if span_at >= 0 else {}
    rows = []
    for item in treatments[:MOST_ROWS] + treatments[MOST_ROWS:][-1:]:
        base = item.id == context.trial.untreated
        rows.append(
            GlanceRow(
                name=_name(item),
                under=_under(item),
                course=_course(sheet, item) if course and not base else None,
                words=_untreated_words(sheet) if base else "",
                cells=tuple(fill(sheet, item.id) for _, fill, _ in columns),
                span=spans.get(item.id),
                base=base,
            )
        )
    return Glance(
        key="glance",
        title="At a glance",
        course_head=course,
        heads=heads,
        rows=tuple(rows),
        span_at=span_at,
        notes=tuple(_notes(sheet, left_out=len(treatments) - len(rows))),
    )


def _columns(sheet: _Sheet) -> Iterator[tuple[tuple[str, str], Fill, str]]:
    """Heading, filler and question of every number that this trial has."""
    context = sheet.context
    if sheet.has("control_first"):
        one_day = len(_days(sheet)) == 1
        if one_day:
            yield ("Control, %", sheet.day("control_first")), _percent("control_first"), "control"
        else:
            yield ("First, %", sheet.day("control_first")), _percent("control_first"), "control"
            yield ("Best, %", ""), _best, "control"
            yield ("Last, %", sheet.day("control_last")), _percent("control_last"), "control"
    if sheet.has("held_until"):
        target = context.trial.settings.control_target
        yield (f"{target:g}% held", "until day"), _held, "held"
    if sheet.has("pest_days"):
        variable = context.trial.variable(sheet.first["pest_days"])
        yield (_area_words(variable.role), "change, %"), _change("pest_days", good=-1), "pest-days"
    if sheet.has("enemies"):
        label = _short_label(context, sheet.first["enemies"])
        yield (label, "change, %"), _change("enemies", good=1), "enemies"
    if sheet.has("yield"):
        label, unit = _short_label(context, sheet.first["yield"]), _unit(sheet, "yield")
        yield (label, unit), _yield, "yield"
    if sheet.has("return"):
        yield ("Return", _unit(sheet, "return")), _return, "return"


def _area_words(role: VariableRole) -> str:
    return "Pest-days" if role is VariableRole.PEST else "Area under the curve"


def _short_label(context: Context, variable: str) -> str:
    label = context.variable_label(variable).split(",")[0]
    return label.split(" per ")[0]


def _unit(sheet: _Sheet, question: str) -> str:
    units = {row["unit"] for (_, asked), row in sheet.cells.items() if asked == question}
    unit = units.pop() if len(units) == 1 else None
    return unit or ""


def _span_text(row: Row, digits: int, *, signed: bool = False) -> str:
    lower, upper = float(row["lower"]), float(row["upper"])
    if math.isnan(lower) and math.isnan(upper):
        return ""
    if math.isnan(upper) or math.isinf(upper):
        return f"at least {write_number(lower, digits)}"
    if math.isnan(lower) or math.isinf(lower):
        return f"at most {write_number(upper, digits)}"
    low, high = write_number(lower, digits), write_number(upper, digits)
    joint = " to " if signed or lower < 0 or upper < 0 else EN_DASH
    return f"{low}{joint}{high}"


def _ink(row: Row, *, harm: bool = False) -> Ink:
    if not row["shown"]:
        return Ink.ESTIMATE
    return Ink.HARM if harm else Ink.SHOWN


def _known(value: float) -> float:
    """A number, or the one NaN that equals itself in a tuple."""
    return math.nan if math.isnan(value) else float(value)


def _nothing() -> GlanceCell:
    return GlanceCell(text=DASH)


def _percent(question: str) -> Fill:
    def fill(sheet: _Sheet, treatment: str) -> GlanceCell:
        row = sheet.cells.get((treatment, question))
        if row is None or math.isnan(row["value"]):
            return _nothing()
        return GlanceCell(
            text=write_number(row["value"], 0), under=_span_text(row, 0), ink=_ink(row)
        )

    return fill


def _best(sheet: _Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "control_best"))
    if row is None or math.isnan(row["value"]):
        return _nothing()
    under = f"day {write_day(row['days_after'])}"
    return GlanceCell(text=write_number(row["value"], 0), under=under, ink=_ink(row))


def _held(sheet: _Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "held_until"))
    if row is None:
        return _nothing()
    if math.isnan(row["value"]):
        return GlanceCell(text="never" if row["note"] == "never reached" else DASH)
    to_end = row["note"] == "to the last assessment"
    text = write_number(row["value"], 0) + ("+" if to_end else "")
    lower, upper = float(row["lower"]), float(row["upper"])
    under = f"from {write_number(lower, 0)}" if to_end and lower > 0 else _span_text(row, 0)
    if not lower > 0 and not math.isfinite(upper):
        under = "uncertain"
    return GlanceCell(text=text, under=under, ink=_ink(row))


def _change(question: str, good: int) -> Fill:
    """Change against the untreated; in the colour of harm where it was shown the wrong way."""

    def fill(sheet: _Sheet, treatment: str) -> GlanceCell:
        row = sheet.cells.get((treatment, question))
        if row is None or math.isnan(row["value"]):
            return _nothing()
        value = float(row["value"])
        return GlanceCell(
            text=_signed(value, 0),
            under=_span_text(row, 0, signed=True),
            ink=_ink(row, harm=value * good < 0),
        )

    return fill


def _signed(value: float, digits: int) -> str:
    text = write_number(value, digits)
    return f"+{text}" if value > 0 and text.strip("0.,") else text


def _digits(sheet: _Sheet, question: str) -> int:
    variable = sheet.first[question]
    return sheet.context.digits(variable, "yield")


def _yield(sheet: _Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "yield"))
    if row is None or math.isnan(row["value"]):
        return _nothing()
    beside = _letters(sheet).get(treatment, "")
    base = sheet.value(sheet.context.trial.untreated or "", "yield")
    harm = not math.isnan(base) and row["value"] < base
    ink = Ink.ESTIMATE if treatment == sheet.context.trial.untreated else _ink(row, harm=harm)
    return GlanceCell(
        text=write_number(row["value"], _digits(sheet, "yield")), ink=ink, beside=beside
    )


def _letters(sheet: _Sheet) -> dict[str, str]:
    rows = sheet.context.rows("means", sheet.first["yield"], "yield")
    found = marks(sheet.context.analysis, rows)
    return {treatment: letters for (_, treatment), letters in found.items()}


def _return(sheet: _Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "return"))
    if row is None or math.isnan(row["value"]):
        return _nothing()
    value = float(row["value"])
    return GlanceCell(
        text=_signed(value, 0), under=_span_text(row, 0), ink=_ink(row, harm=value < 0)
    )


def _ordered(sheet: _Sheet) -> list[Treatment]:
    """Treatments, the best first by what the trial is about; the untreated stands last."""
    context = sheet.context
    untreated = context.trial.untreated

    def key(item: Treatment) -> tuple[bool, float]:
        for question, sign in (("pest_days", 1.0), ("control_last", -1.0), ("yield", -1.0)):
            if sheet.has(question):
                value = sheet.value(item.id, question)
                return item.id == untreated, sign * value if not math.isnan(value) else math.inf
        return item.id == untreated, 0.0

    present = {treatment for treatment, _ in sheet.cells} | {untreated}
    return sorted((item for item in context.trial.treatments if item.id in present), key=key)


def _name(item: Treatment) -> str:
    return plain_line(item.name) or plain_line(item.id)


def _under(item: Treatment) -> str:
    rate = f"{item.rate:g} {item.rate_unit or ''}".strip() if item.rate is not None else ""
    parts = [rate, ROLES.get(item.role, "")]
    name, number = plain_line(item.name), plain_line(item.id)
    if name and name != number:
        parts.insert(0, number)
    return " \N{MIDDLE DOT} ".join(plain_line(part) for part in parts if part)


def _course_head(sheet: _Sheet) -> tuple[str, str] | None:
    if not sheet.has("control_first"):
        return None
    days = _days(sheet)
    if len(days) < 2:
        return None
    label = _short_label(sheet.context, sheet.first["control_first"]).lower()
    target = sheet.context.trial.settings.control_target
    span = f"days {write_day(days[0])} to {write_day(days[-1])}"
    return f"Control of {label}", f"{span}; dashed: {target:g}%"


def _days(sheet: _Sheet) -> list[float]:
    rows = _control_rows(sheet)
    return sorted({row["days_after"] for row in rows})


def _control_rows(sheet: _Sheet) -> list[Row]:
    rows = sheet.context.rows("control", sheet.first["control_first"])
    return rows.where(chosen=True).records() if rows else []


def _course(sheet: _Sheet, item: Treatment) -> SmallCourse | None:
    rows = {r["days_after"]: r for r in _control_rows(sheet) if r["treatment"] == item.id}
    days = _days(sheet)
    if not rows:
        return None
    blank = {"percent": math.nan, "lower": math.nan, "upper": math.nan}
    picked = [rows.get(day, blank) for day in days]
    values, lower, upper = (
        tuple(_known(row[name]) for row in picked) for name in ("percent", "lower", "upper")
    )
    target = sheet.context.trial.settings.control_target
    told = ", ".join(
        f"{write_number(value, 0)}% on day {write_day(day)}"
        for day, value in zip(days, values, strict=True)
        if not math.isnan(value)
    )
    return SmallCourse(
        days=tuple(days),
        values=values,
        lower=lower,
        upper=upper,
        reached=tuple(value >= target for value in values),
        target=target,
        low=LOWEST,
        high=HIGHEST,
        alt=f"Control by {_name(item)}: {told}.",
    )


def _untreated_words(sheet: _Sheet) -> str:
    """The course of the untreated in words: before, at its highest, at the end."""
    if not sheet.has("control_first"):
        return ""
    context = sheet.context
    rows = context.rows("course", sheet.first["control_first"])
    own = rows.where(treatment=context.trial.untreated).known("mean") if rows else rows
    if not own:
        return ""
    points = sorted(zip(own["days_after"], own["mean"], strict=True))
    highest = max(points, key=lambda point: float(point[1]))
    told = dict.fromkeys((points[0], highest, points[-1]))
    label = _short_label(context, sheet.first["control_first"]).lower()
    parts = [f"{write_number(mean)} on day {write_day(day)}" for day, mean in told]
    return f"{label}: {', '.join(parts)}"


def _spans(sheet: _Sheet) -> dict[str, SmallSpan]:
    rows = {t: row for (t, question), row in sheet.cells.items() if question == "yield"}
    known = [row for row in rows.values() if not math.isnan(row["value"])]
    ends = [
        float(row[name])
        for row in known
        for name in ("value", "lower", "upper")
        if math.isfinite(row[name])
    ]
    if not ends:
        return {}
    base = sheet.value(sheet.context.trial.untreated or "", "yield")
    return {
        treatment: SmallSpan(
            value=float(row["value"]),
            lower=_known(row["lower"]),
            upper=_known(row["upper"]),
            base=None if math.isnan(base) else base,
            low=min(ends),
            high=max(ends),
            alt=f"mean with interval {_span_text(row, _digits(sheet, 'yield'))}",
        )
        for treatment, row in rows.items()
        if not math.isnan(row["value"])
    }


def _notes(sheet: _Sheet, left_out: int) -> Iterator[str]:
    context = sheet.context
    level = write_share(1.0 - context.trial.settings.alpha)
    if sheet.has("control_first"):
        methods = {row["method"] for row in _control_rows(sheet)}
        words = [context.method_words(name) for name in sorted(methods)]
        yield f"Control ({' and '.join(words)}) and changes are against the untreated."
    yield (
        f"Small figures are {level} confidence intervals, each on its own. "
        "Bold: a difference from the untreated was established, all claims of this page together; "
        "grey: estimates."
    )
    if sheet.has("yield") and _letters(sheet):
        name = context.comparison_words
        yield f"Yields that share a letter do not differ significantly ({name})."
        yield "The thin line marks the untreated."
    if left_out > 0:
        yield f"{plural(left_out, 'more treatment')}: see the tables inside."


def _doubt(context: Context) -> str:
    """The doubts that matter, in a line; empty where there are none."""
    rows = context.table("diagnostics", "check", "verdict")
    failed = rows.where(verdict="failed") if rows else rows
    parts = []
    if failed:
        apart = failed.where(check="outlying plot")
        if apart:
            parts.append(f"{plural(len(apart), 'outlying value')} kept in the analysis")
        others = {
            str(check)
            for check, verdict in zip(rows["check"], rows["verdict"], strict=True)
            if verdict == "failed" and check != "outlying plot"
        }
        if others:
            parts.append(f"assumptions in doubt ({', '.join(sorted(others))})")
    missing = _missing_plots(context)
    if missing:
        parts.append(f"values missing from {plural(missing, 'plot')}")
    if not parts:
        return ""
    return f"Read with care: {joined(parts)}. See Reliability."


def _missing_plots(context: Context) -> int:
    plots = set()
    for name in context.variables:
        values = context.plot_values(name)
        for plot, row in zip(values.plots, values.values, strict=True):
            if row and any(value != value for value in row):
                plots.add(plot)
    return len(plots)


def joined(parts: Sequence[str]) -> str:
    """Join parts into one phrase: "a", "a and b", "a, b and c"."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
