"""The table at a glance: a row a treatment, with small courses and intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial

from trialkit.figures.identity import plain_line
from trialkit.figures.marks import marks
from trialkit.findings.sentences import one_day_alone
from trialkit.numerals import day as write_day
from trialkit.numerals import plural
from trialkit.report.context import Context
from trialkit.report.glance_block import (
    Glance,
    GlanceCell,
    GlanceRow,
    Ink,
    SmallCourse,
    SmallSpan,
)
from trialkit.report.numbers import DASH, percent_text, write_number, write_share
from trialkit.report.parts.glance_sheet import Row, Sheet
from trialkit.report.parts.persistence import NEVER
from trialkit.rows import one_nan
from trialkit.trial import Treatment, TreatmentRole, VariableRole

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

#: Writes the cell of a treatment.
Fill = Callable[[Sheet, str], GlanceCell]


def table_at_a_glance(context: Context) -> Glance | None:
    """Put the answers of page 1 into a row a treatment; nothing where there are none."""
    sheet = Sheet(context)
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


def _columns(sheet: Sheet) -> Iterator[tuple[tuple[str, str], Fill, str]]:
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
    if sheet.has("held_until") and sheet.has("control_first"):
        target = context.trial.settings.control_target
        yield (f"{target:g}% held", "until day"), _held, "held"
    if sheet.has("pest_days"):
        variable = context.trial.variable(sheet.first["pest_days"])
        words = _tested_days(sheet) if _tested(sheet) else _area_words(variable.role)
        yield (words, "change, %"), _change("pest_days", good=-1), "pest-days"
    if sheet.has("enemies"):
        label = _short_label(context, sheet.first["enemies"])
        yield (label, "change, %"), _change("enemies", good=1), "enemies"
    if sheet.has("yield"):
        label, unit = _short_label(context, sheet.first["yield"]), _unit(sheet, "yield")
        yield (label, unit), _yield, "yield"
    if sheet.has("return"):
        yield ("Return", _unit(sheet, "return")), _return, "return"


def _tested(sheet: Sheet) -> bool:
    """Whether the change over the whole trial is that of its test."""
    return sheet.has("pest_days") and sheet.context.tested_change(sheet.first["pest_days"])


def _tested_days(sheet: Sheet) -> str:
    """Heading of the change that was tested: that of all days after treatment, or of the one."""
    day = one_day_alone(sheet.context.tables, sheet.first["pest_days"])
    return "All days" if day is None else f"Day {write_day(float(day['days_after']))}"


def _area_words(role: VariableRole) -> str:
    return "Pest-days" if role is VariableRole.PEST else "Area under the curve"


def _short_label(context: Context, variable: str) -> str:
    label = context.variable_label(variable).split(",")[0]
    return label.split(" per ")[0]


def _unit(sheet: Sheet, question: str) -> str:
    units = {row["unit"] for (_, asked), row in sheet.cells.items() if asked == question}
    unit = units.pop() if len(units) == 1 else None
    return unit or ""


#: In the place of a day: the target was reached once, while the fitted course stays below it.
BELOW = "below"


def _whole(value: float) -> str:
    return write_number(value, 0)


def _span_text(row: Row, write: Callable[[float], str] = _whole, *, signed: bool = False) -> str:
    lower, upper = float(row["lower"]), float(row["upper"])
    if math.isnan(lower) and math.isnan(upper):
        return ""
    if math.isnan(upper) or math.isinf(upper):
        return f"at least {write(lower)}"
    if math.isnan(lower) or math.isinf(lower):
        return f"at most {write(upper)}"
    low, high = write(lower), write(upper)
    joint = " to " if signed or lower < 0 or upper < 0 else EN_DASH
    return f"{low}{joint}{high}"


def _ink(row: Row, *, harm: bool = False) -> Ink:
    if not row["shown"]:
        return Ink.ESTIMATE
    return Ink.HARM if harm else Ink.SHOWN


def _nothing() -> GlanceCell:
    return GlanceCell(text=DASH)


def _percent(question: str) -> Fill:
    def fill(sheet: Sheet, treatment: str) -> GlanceCell:
        row = sheet.cells.get((treatment, question))
        if row is None or math.isnan(row["value"]):
            return _nothing()
        return GlanceCell(
            text=percent_text(row["value"]), under=_span_text(row, percent_text), ink=_ink(row)
        )

    return fill


def _best(sheet: Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "control_best"))
    if row is None or math.isnan(row["value"]):
        return _nothing()
    under = f"day {write_day(row['days_after'])}"
    return GlanceCell(text=percent_text(row["value"]), under=under, ink=_ink(row))


def _held(sheet: Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "held_until"))
    if row is None:
        return _nothing()
    if math.isnan(row["value"]):
        if row["note"] != "never reached":
            return GlanceCell(text=DASH)
        best = sheet.value(treatment, "control_best")
        reached = best >= sheet.context.trial.settings.control_target
        return GlanceCell(text=BELOW if reached else NEVER)
    to_end = row["note"] == "to the last assessment"
    text = write_number(row["value"], 0) + ("+" if to_end else "")
    lower, upper = float(row["lower"]), float(row["upper"])
    under = f"from {write_number(lower, 0)}" if to_end and lower > 0 else _span_text(row)
    if not lower > 0 and not math.isfinite(upper):
        under = "uncertain"
    elif not lower > 0 and not to_end:  # it may never have been reached
        under = f"{NEVER} to {write_number(upper, 0)}"
    return GlanceCell(text=text, under=under, ink=_ink(row))


def _change(question: str, good: int) -> Fill:
    """Change against the untreated; in the colour of harm where it was shown the wrong way."""

    def fill(sheet: Sheet, treatment: str) -> GlanceCell:
        row = sheet.cells.get((treatment, question))
        if row is None or math.isnan(row["value"]):
            return _nothing()
        value = float(row["value"])
        return GlanceCell(
            text=_signed(value, 0),
            under=_span_text(row, signed=True),
            ink=_ink(row, harm=value * good < 0),
        )

    return fill


def _signed(value: float, digits: int) -> str:
    text = write_number(value, digits)
    return f"+{text}" if value > 0 and text.strip("0.,") else text


def _digits(sheet: Sheet, question: str) -> int:
    variable = sheet.first[question]
    return sheet.context.digits(variable, "yield")


def _yield(sheet: Sheet, treatment: str) -> GlanceCell:
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


def _letters(sheet: Sheet) -> dict[str, str]:
    rows = sheet.context.rows("means", sheet.first["yield"], "yield")
    found = marks(sheet.context.analysis, rows)
    return {treatment: letters for (_, treatment), letters in found.items()}


def _return(sheet: Sheet, treatment: str) -> GlanceCell:
    row = sheet.cells.get((treatment, "return"))
    if row is None or math.isnan(row["value"]):
        return _nothing()
    value = float(row["value"])
    return GlanceCell(text=_signed(value, 0), under=_span_text(row), ink=_ink(row, harm=value < 0))


def _ordered(sheet: Sheet) -> list[Treatment]:
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


def _course_head(sheet: Sheet) -> tuple[str, str] | None:
    if not sheet.has("control_first"):
        return None
    days = _days(sheet)
    if len(days) < 2:
        return None
    label = _short_label(sheet.context, sheet.first["control_first"]).lower()
    target = sheet.context.trial.settings.control_target
    span = f"days {write_day(days[0])} to {write_day(days[-1])}"
    return f"Control of {label}", f"{span}; dashed: {target:g}%"


def _days(sheet: Sheet) -> list[float]:
    rows = _control_rows(sheet)
    return sorted({row["days_after"] for row in rows})


def _control_rows(sheet: Sheet) -> list[Row]:
    rows = sheet.context.rows("control", sheet.first["control_first"])
    return rows.where(chosen=True).records() if rows else []


def _course(sheet: Sheet, item: Treatment) -> SmallCourse | None:
    rows = {r["days_after"]: r for r in _control_rows(sheet) if r["treatment"] == item.id}
    days = _days(sheet)
    if not rows:
        return None
    blank = {"percent": math.nan, "lower": math.nan, "upper": math.nan}
    picked = [rows.get(day, blank) for day in days]
    values, lower, upper = (
        tuple(one_nan(row[name]) for row in picked) for name in ("percent", "lower", "upper")
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


def _untreated_words(sheet: Sheet) -> str:
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


def _spans(sheet: Sheet) -> dict[str, SmallSpan]:
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
    written = partial(write_number, digits=_digits(sheet, "yield"))
    return {
        treatment: SmallSpan(
            value=float(row["value"]),
            lower=one_nan(row["lower"]),
            upper=one_nan(row["upper"]),
            base=None if math.isnan(base) else base,
            low=min(ends),
            high=max(ends),
            alt=f"mean with interval {_span_text(row, written)}",
        )
        for treatment, row in rows.items()
        if not math.isnan(row["value"])
    }


def _notes(sheet: Sheet, left_out: int) -> Iterator[str]:
    context = sheet.context
    level = write_share(1.0 - context.trial.settings.alpha)
    if sheet.has("control_first"):
        methods = {row["method"] for row in _control_rows(sheet)}
        words = [context.method_words(name) for name in sorted(methods)]
        yield f"Control ({' and '.join(words)}) and changes are against the untreated."
    shown = set(context.table("claims", "variable").where(front=True).get("variable"))
    before = any(context.tested_with_start(name) for name in context.variables if name in shown)
    if _tested(sheet):
        days = " over all days" if _tested_days(sheet) == "All days" else ""
        yield (
            f"Tests and changes{days} allow for values before treatment; other estimates may not."
        )
    elif before:
        yield "The tests allow for values before treatment; the estimates may not."
    yield f"Small figures are {level} confidence intervals, each on its own."
    if context.trial.untreated is not None:
        yield (
            "Bold: a difference from the untreated was established, all claims of this page "
            "together; grey: estimates."
        )
    if sheet.has("yield") and _letters(sheet):
        name = context.comparison_words
        yield f"Yields that share a letter do not differ significantly ({name})."
        if context.trial.untreated is not None:
            yield "The thin line marks the untreated."
    if left_out > 0:
        yield f"{plural(left_out, 'more treatment')}: see the tables inside."
