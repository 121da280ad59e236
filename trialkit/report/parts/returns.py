"""What the pest cost in yield, and what control was worth."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from trialkit.figures.identity import plain_line
from trialkit.numerals import number, p_value
from trialkit.report.captions import Spot, caption, range_caption
from trialkit.report.context import Context
from trialkit.report.document import Block, Cell, Column, Kind, Table, number_or_missing
from trialkit.report.numbers import as_number, decimals_for_error, decimals_for_size
from trialkit.report.parts.across import interval_words, span_text
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
            question=f"{label}: yield against pest pressure",
            columns=(
                Column(title="Pest or damage"),
                Column(title="Compared"),
                Column(
                    title="Yield change per 100 units \u00d7 days",
                    kind=Kind.NUMBER,
                    digits=digits,
                ),
                Column(title=interval_words(context), kind=Kind.SPAN),
                Column(title="p-value", kind=Kind.P_VALUE),
                Column(
                    title="R\u00b2 of treatment means, %",
                    kind=Kind.NUMBER,
                    digits=0,
                ),
                Column(title="p-value, lack of fit", kind=Kind.P_VALUE),
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
        "Below zero: less yield where there was more. Between treatments the line includes "
        "whatever else a treatment did to the crop."
    )
    units = {Design.SPLIT_PLOT: "main plot", Design.STRIP_PLOT: "strips"}
    if unit := units.get(context.trial.design):
        yield (f"Both lines compare plots of the same {unit}.")
    alpha = context.trial.settings.alpha
    for row in rows:
        beyond = as_number(row["p_lack_of_fit"])
        if row["basis"] == "over treatments" and beyond < alpha:
            yield (
                f"{context.variable_label(row['pest'])}: the line does not explain all yield "
                f"differences between treatments ({p_value(beyond)})."
            )
    if len({row["pest"] for row in rows}) > 1:
        yield "Pest and damage were fitted separately; each includes the effect of the other."


def _returns_of(row: dict[str, Any], digits: int) -> tuple[Cell, ...]:
    own = row["reason"] == "the untreated itself"
    reason = "" if own else row["reason"]
    priceless = reason or ("" if own else "no price would cover the cost")
    return (
        *(
            number_or_missing(row[name], reason)
            for name in ("mean", "gross", "cost", "net", "gain")
        ),
        span_text(row["lower"], row["upper"], digits),
        number_or_missing(row["break_even_price"], priceless),
        number_or_missing(row["break_even_cost"], reason),
    )


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
    body = [
        (context.label(treatment), *_returns_of(by_treatment[treatment], digits))
        for treatment in context.shown_treatments(rows)
    ]
    yield Table(
        key="money",
        question=range_caption(
            context,
            "returns",
            [
                Spot(row["gain"], row["treatment"], digits=digits)
                for row in rows.records()
                if math.isfinite(row["gain"]) and row["treatment"] != context.trial.untreated
            ],
            per=f"{currency}/{area}" if area else currency,
        )
        or caption("returns_how", per=per).removesuffix("."),
        about=caption("returns_how", per=per),
        columns=(
            Column(title="Treatment"),
            Column(
                title=f"Yield, {unit}",
                kind=Kind.NUMBER,
                digits=context.digits(variable, "yield"),
            ),
            Column(title="Crop return", kind=Kind.NUMBER, digits=digits),
            Column(title="Treatment cost", kind=Kind.NUMBER, digits=digits),
            Column(title="Net return", kind=Kind.NUMBER, digits=digits),
            Column(title="Gain over the untreated", kind=Kind.NUMBER, digits=digits),
            Column(title=f"Gain, {interval_words(context)}", kind=Kind.SPAN),
            Column(
                title="Break-even crop price",
                kind=Kind.NUMBER,
                digits=decimals_for_size(rows["break_even_price"], 2),
            ),
            Column(title="Break-even cost", kind=Kind.NUMBER, digits=digits),
        ),
        rows=tuple(body),
        notes=(
            f"At {number(settings.crop_price)} {currency} {_for_one(unit)} and the costs entered, "
            "both taken as exact: intervals reflect yield alone. Yields are least-squares means.",
        ),
        sheet="Returns",
    )


def _for_one(unit: str) -> str:
    """Name one unit of the yield: "for 1 t" where it is t/ha."""
    amount = unit.partition("/")[0]
    return f"for 1 {amount}" if amount else "for one unit of yield"
