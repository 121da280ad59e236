"""One table for a short journal report: treatment, rate, means by day with letters, and yield."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.figures.marks import marks
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.parts.means import feet_of, marks_note, means_by_day
from trialkit.trial import Variable, VariableRole


def one_table(context: Context) -> Iterator[Block]:
    """Compose the table of the first pest, or of the damage where no pest was counted."""
    variables = context.targets or [
        item for item in context.variables.values() if item.role is not VariableRole.YIELD
    ]
    yields = context.of_role(VariableRole.YIELD)[:1]
    base = means_by_day(context, variables[0]) if variables else None
    if base is None:
        return
    treatments = context.shown_treatments(context.rows("means", variables[0].name, "count"))
    rates = [_rate(context, treatment) for treatment in treatments]
    columns = [base.columns[0], *([Column(title="Rate")] if any(rates) else []), *base.columns[1:]]
    rows = []
    for place, cells in enumerate(base.rows):
        rate = rates[place] if place < len(rates) else ""
        rows.append([cells[0], *([rate] if any(rates) else []), *cells[1:]])
    notes = list(base.notes)
    for item in yields:
        _add_yield(context, item, treatments, columns, rows)
        notes += [
            f"{context.variable_label(item.name)}: {note}"
            for note in marks_note(context, item.name, "yield", across=False)
        ]
    yield Table(
        key="one-table",
        question=base.question,
        about=" ".join([base.about, *(_yield_words(context, item) for item in yields)]),
        columns=tuple(columns),
        rows=tuple(tuple(row) for row in rows),
        notes=tuple(notes),
        sheet="Table",
    )


def _yield_words(context: Context, item: Variable) -> str:
    """Name the column of the yield, where there is one."""
    known = bool(context.rows("means", item.name, "yield"))
    return f"Last column: {context.variable_label(item.name)}." if known else ""


def _rate(context: Context, treatment: str) -> str:
    item = context.trial.treatment(treatment)
    return f"{item.rate:g} {item.rate_unit or ''}".strip() if item.rate is not None else ""


def _add_yield(
    context: Context,
    item: Variable,
    treatments: list[str],
    columns: list[Column],
    rows: list[list[Cell]],
) -> None:
    """Add the means of a yield, with letters, to the right."""
    means = context.rows("means", item.name, "yield")
    if not means:
        return
    values = dict(zip(means["treatment"], means["mean_shown"], strict=True))
    letters = {name: text for (_, name), text in marks(context.analysis, means).items()}
    digits = context.digits(item.name, "yield")
    columns.append(Column(title=context.variable_label(item.name), kind=Kind.NUMBER, digits=digits))
    if letters:
        columns.append(Column(title="Letters", kind=Kind.LETTERS))
    feet = feet_of(context, item.name, "yield")
    for place, row in enumerate(rows):
        known = place < len(treatments)
        name = treatments[place] if known else ""
        foot = next(iter(feet.get(str(row[0]), {}).values()), "")
        row.append(number_or_missing(values.get(name)) if known else foot)
        if letters:
            row.append(letters.get(name, ""))
