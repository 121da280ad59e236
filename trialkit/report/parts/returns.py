"""What the pest cost in yield, and what control was worth."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.numerals import number, p_value
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import decimals_for_error, decimals_for_size, write_share
from trialkit.report.parts.across import as_number, interval_words, span_text
from trialkit.trial import Design

_BASES = {
    "over treatments": "Between treatments",
    "within treatments": "Between plots treated alike",
}


def loss(context: Context) -> Iterator[Block]:
    """Tables: how yield went with pest-days."""
    rows = context.table("loss", "variable", "pest", "slope")
    if not rows:
        return
    for name, own in rows.known("slope").groups("variable").items():
        found = own.records()
        widths = [(as_number(row["upper"]) - as_number(row["lower"])) / 4 for row in found]
        digits = decimals_for_error(widths, [abs(row["slope"]) for row in found])
        label = context.variable_label(str(name))
        yield Table(
            key=context.key("loss", str(name)),
            question=f"{label}: how did yield go with the pest?",
            columns=(
                Column(title="Pest or damage"),
                Column(title="Compared"),
                Column(
                    title="Change of yield for each 100 units \u00d7 days",
                    kind=Kind.NUMBER,
                    digits=digits,
                ),
                Column(title=interval_words(context), kind=Kind.SPAN),
                Column(title="p-value", kind=Kind.P_VALUE),
                Column(
                    title="Share of the treatment differences on the line, %",
                    kind=Kind.NUMBER,
                    digits=0,
                ),
                Column(title="p-value, differences beyond the line", kind=Kind.P_VALUE),
            ),
            rows=tuple(
                (
                    context.variable_label(row["pest"]),
                    _BASES.get(row["basis"], str(row["basis"])),
                    number_or_missing(row["slope"]),
                    span_text(row["lower"], row["upper"], digits),
                    number_or_missing(row["p"]),
                    *_line_cells(row),
                )
                for row in found
            ),
            notes=tuple(_loss_notes(context, found)),
            sheet=f"Loss {label}",
        )


def _line_cells(row: dict[str, Any]) -> tuple[Cell, Cell]:
    """Share and lack of fit: of the line between treatments only."""
    if row["basis"] != "over treatments":
        return None, None
    return number_or_missing(row["share_explained"]), number_or_missing(row["p_lack_of_fit"])


def _loss_notes(context: Context, rows: list[dict[str, Any]]) -> Iterator[str]:
    yield (
        "Below zero means less yield where there was more. Between treatments the line runs "
        "through the treatment means; what else a treatment did to the crop is in it. Between "
        "plots treated alike, counting error flattens the line."
    )
    units = {Design.SPLIT_PLOT: "main plot", Design.STRIP_PLOT: "strips"}
    if unit := units.get(context.trial.design):
        yield (
            f"Both lines compare plots of the same {unit}; differences between larger units are "
            "left out."
        )
    alpha = context.trial.settings.alpha
    for row in rows:
        beyond = as_number(row["p_lack_of_fit"])
        if row["basis"] == "over treatments" and beyond < alpha:
            yield (
                f"{context.variable_label(row['pest'])}: treatments differ in yield by more than "
                f"this line lets expect ({p_value(beyond)})."
            )
    if len({row["pest"] for row in rows}) > 1:
        yield "Pest and damage are lines of their own: each takes in what the other did."


def money(context: Context) -> Iterator[Block]:
    """Table: returns by treatment; nothing where no price was given."""
    rows = context.table("money", "treatment", "net", "gain")
    settings = context.trial.settings
    if not rows or not rows.knows("gross") or settings.crop_price is None:
        return
    unit = plain_line(settings.yield_unit)
    area = unit.partition("/")[2]
    currency = plain_line(settings.currency or "") or "units of money"
    per = f"{currency} per {area}" if area else currency
    by_treatment = {row["treatment"]: row for row in rows.records()}
    digits = 0 if decimals_for_size(rows["gross"]) == 0 else 2
    variable = str(rows["variable"][0])
    body: list[tuple[Cell, ...]] = []
    for treatment in context.shown_treatments(rows):
        row = by_treatment[treatment]
        own = row["reason"] == "the untreated itself"
        reason = "" if own else row["reason"]
        body.append(
            (
                context.label(treatment),
                number_or_missing(row["mean"], reason),
                number_or_missing(row["gross"], reason),
                number_or_missing(row["cost"], reason),
                number_or_missing(row["net"], reason),
                number_or_missing(row["gain"], reason),
                span_text(row["lower"], row["upper"], digits),
                number_or_missing(
                    row["break_even_price"], reason or ("" if own else "no price would do")
                ),
                number_or_missing(row["break_even_cost"], reason),
            )
        )
    yield Table(
        key="money",
        question=f"What was each treatment worth, in {per}?",
        columns=(
            Column(title="Treatment"),
            Column(
                title=f"Yield, {unit}",
                kind=Kind.NUMBER,
                digits=context.digits(variable, "yield"),
            ),
            Column(title="Return from the crop", kind=Kind.NUMBER, digits=digits),
            Column(title="Cost of the treatment", kind=Kind.NUMBER, digits=digits),
            Column(title="Return less cost", kind=Kind.NUMBER, digits=digits),
            Column(title="Gain over the untreated", kind=Kind.NUMBER, digits=digits),
            Column(title=f"Gain, {interval_words(context)}", kind=Kind.SPAN),
            Column(
                title="Crop price from which it pays",
                kind=Kind.NUMBER,
                digits=decimals_for_size(rows["break_even_price"], 2),
            ),
            Column(title="Cost up to which it pays", kind=Kind.NUMBER, digits=digits),
        ),
        rows=tuple(body),
        notes=(
            "Yields are least-squares means, which allow for missing plots.",
            f"At the price given, {number(settings.crop_price)} {currency} "
            f"{_for_one(unit)}, and the costs given; both are taken as exact, so that the "
            f"{write_share(1 - settings.alpha)} intervals hold the uncertainty of the yield alone. "
            "Other costs, such as driving, are in it only where they were entered.",
        ),
        sheet="Returns",
    )


def _for_one(unit: str) -> str:
    """Name one unit of the yield: "for 1 t" where it is t/ha."""
    amount = unit.partition("/")[0]
    return f"for 1 {amount}" if amount else "for one unit of yield"
