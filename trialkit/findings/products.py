"""Findings about products: carrier, mixtures, resurgence, neighbours, loss, money, programmes."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.findings.effects import loss_unit
from trialkit.findings.pest import MOST_NAMED, main_variables, treatments_of, variables_of
from trialkit.findings.sentences import Finding, Row, Style, Teller, day_list, rows, series
from trialkit.numerals import plural
from trialkit.rows import Tables
from trialkit.trial import Design, VariableRole


def mixture_findings(tables: Tables) -> Iterator[Finding]:
    """Whether a mixture did more or less than its parts let expect."""
    for variable in main_variables(tables):
        all_rows = rows(tables, "mixtures", variable=variable.name)
        for treatment in treatments_of(all_rows):
            found = [
                row for row in all_rows if row["treatment"] == treatment and row.known("lower")
            ]
            shown = [row for row in found if row["verdict"] != "as expected"]
            say = Teller(tables)
            periods = rows(tables, "mixture_periods", variable=variable.name, treatment=treatment)
            if periods and periods[0].known("lower"):
                yield _over_all_days(say, variable.label, periods[0])
            elif shown:
                row = max(shown, key=lambda row: abs(float(row["difference"])))
                yield say.finding(
                    "mixture",
                    f"{variable.label}: {say.name(treatment)} gave {row['verdict']} from its parts "
                    f"(Colby) on {day_list([item['days_after'] for item in shown])}; on day "
                    f"{say.cite(row, 'days_after', Style.DAY)} "
                    f"{say.cite(row, 'observed', Style.PERCENT)} % where "
                    f"{say.cite(row, 'expected', Style.PERCENT)} % was expected, a difference of "
                    f"{plural(say.cite(row, 'difference', Style.PERCENT), 'point')}"
                    f"{say.interval(row, Style.PERCENT)}.",
                )
            elif found:
                row = found[0]
                yield say.finding(
                    "mixture",
                    f"{variable.label}: on no day could {say.name(treatment)} be shown to do more "
                    f"or less than its parts let expect (Colby); on day "
                    f"{say.cite(row, 'days_after', Style.DAY)} "
                    f"{say.cite(row, 'observed', Style.PERCENT)} % against "
                    f"{say.cite(row, 'expected', Style.PERCENT)} % expected, a difference of "
                    f"{plural(say.cite(row, 'difference', Style.PERCENT), 'point')}"
                    f"{say.interval(row, Style.PERCENT)}.",
                )


def _over_all_days(say: Teller, label: str, row: Row) -> Finding:
    name = say.name(row["treatment"])
    numbers = (
        f"{say.cite(row, 'observed')} % where {say.cite(row, 'expected')} % was expected (Colby), "
        f"a difference of {plural(say.cite(row, 'difference'), 'point')}{say.interval(row)}"
    )
    if row["verdict"] == "as expected":
        text = (
            f"that {name} does more or less than its parts let expect could not be shown: over "
            f"all days after treatment it gave {numbers}"
        )
    else:
        text = (
            f"over all days after treatment {name} gave {row['verdict']} from its parts: {numbers}"
        )
    return say.finding("mixture", f"{label}: {text}.")


def carrier_findings(tables: Tables) -> Iterator[Finding]:
    """What the carrier alone did."""
    for variable in main_variables(tables):
        all_rows = rows(tables, "control", variable=variable.name, chosen=True)
        for treatment in tables.trial.treatments:
            if treatment.role.value != "carrier":
                continue
            found = [
                row
                for row in all_rows
                if row["treatment"] == treatment.id and row.known("p_untreated")
            ]
            shown = [row for row in found if row["p_untreated"] < tables.trial.settings.alpha]
            say = Teller(tables)
            name = say.name(treatment.id)
            if not shown:
                continue
            row = max(shown, key=lambda row: abs(float(row["percent"])))
            word = "fewer" if row["percent"] > 0 else "more"
            days = day_list([item["days_after"] for item in shown])
            when = f", on day {say.cite(row, 'days_after', Style.DAY)}" if len(shown) > 1 else ""
            yield say.finding(
                "carrier",
                f"{variable.label}: {name} by itself had {word} than the untreated on {days} "
                f"({say.cite(row, 'percent', Style.PERCENT)} % control"
                f"{say.interval(row, Style.PERCENT)}{when}); control of the sprayed treatments "
                "holds that effect as well.",
            )


def resurgence_findings(tables: Tables) -> Iterator[Finding]:
    """Pests shown to stand above the untreated after their enemies were down."""
    yield from _resurgence(tables, shown=True)


def perhaps_resurgence_findings(tables: Tables) -> Iterator[Finding]:
    """Pests that stood above the untreated after their enemies were down, within chance."""
    yield from _resurgence(tables, shown=False)


def _resurgence(tables: Tables, *, shown: bool) -> Iterator[Finding]:
    labels = {item.name: item.label for item in tables.trial.variables}
    for row in rows(tables, "resurgence"):
        if (row["lower"] > 0) is not shown:
            continue
        say = Teller(tables)
        sure = (
            "That one followed the other does not show that it was the cause."
            if shown
            else "The rise itself lies within chance."
        )
        yield say.finding(
            "resurgence",
            f"{labels[row['variable']]}: on day {say.cite(row, 'pest_day', Style.DAY)} "
            f"{say.name(row['treatment'])} had {say.cite(row, 'pest_percent', Style.PERCENT)} % "
            f"more than the untreated{say.interval(row, Style.PERCENT)}, after having "
            f"{say.cite(row, 'enemy_percent', Style.PERCENT)} % fewer of the natural enemies "
            f"({labels[row['enemy']]}) on day {say.cite(row, 'enemy_day', Style.DAY)}. {sure}",
        )


def neighbour_findings(tables: Tables) -> Iterator[Finding]:
    """Where late counts followed the plots next door."""
    alpha = tables.trial.settings.alpha
    for variable in variables_of(tables, VariableRole.PEST):
        found = [
            row
            for row in rows(
                tables, "neighbours", variable=variable.name, question="neighbouring plots"
            )
            if row.known("p")
        ]
        # One question on several days: Bonferroni over the days.
        shown = [row for row in found if row["p"] * len(found) < alpha]
        if shown:
            say = Teller(tables)
            row = min(shown, key=lambda row: float(row["p"]))
            p = f"{say.cite(row, 'p', Style.P)}, on day {say.cite(row, 'days_after', Style.DAY)}"
            yield say.finding(
                "neighbours",
                f"{variable.label}: counts followed those of the adjacent plots at the assessment "
                f"before ({p}): plots may have been invaded from next door, so that control in a "
                "whole field could last longer than here; a patchy field gives the same picture.",
            )


def loss_findings(tables: Tables) -> Iterator[Finding]:
    """What pest-days cost in yield."""
    labels = {item.name: item.label for item in tables.trial.variables}
    pests = [item.name for item in variables_of(tables, VariableRole.PEST)]
    found = [
        row
        for row in rows(tables, "loss", basis="over treatments")
        if row["pest"] in pests and row.known("lower")
    ]
    for row in found:
        say = Teller(tables)
        label = labels.get(row["variable"], "Yield")
        unit = loss_unit(tables, row["variable"])
        if row["lower"] > 0 or row["upper"] < 0:
            word, ends = ("less", ("upper", "lower"))
            if row["slope"] > 0:
                word, ends = ("more", ("lower", "upper"))
            text = (
                f"{label}: every 100 pest-days of {row['pest']} went with "
                f"{say.cite(row, 'slope', Style.AMOUNT)}{unit} {word} "
                f"({say.limits(row, ends, Style.AMOUNT)}); a line through the treatment means"
                f"{_where(say)} explains {say.cite(row, 'share_explained', Style.PERCENT)} % of "
                "their differences"
            )
        else:
            text = (
                f"{label}: a loss with the pest-days of {row['pest']} could not be shown: for "
                f"every 100 the change was {say.cite(row, 'slope')}{unit}{say.interval(row)}"
            )
        if row.known("p_lack_of_fit") and row["p_lack_of_fit"] < tables.trial.settings.alpha:
            text += (
                f"; treatments differed in yield beyond that "
                f"({say.cite(row, 'p_lack_of_fit', Style.P)})"
            )
        yield say.finding("loss", text + ".")


def _where(say: Teller) -> str:
    """Of what the line of a loss is drawn, where not of all plots together."""
    design = say.tables.trial.design
    if design is Design.SPLIT_PLOT:
        return " within main plots"
    return " within strips" if design is Design.STRIP_PLOT else ""


def money_findings(tables: Tables) -> Iterator[Finding]:
    """Which treatments paid, at the price and costs given."""
    found = [row for row in rows(tables, "money") if row.known("gain")]
    if not found:
        return
    say = Teller(tables)
    settings = tables.trial.settings
    amount, _, area = settings.yield_unit.partition("/")
    paid = sorted((row for row in found if row["lower"] > 0), key=lambda row: -float(row["gain"]))
    unit = f"{settings.currency or 'money'}/{area}"
    if paid:
        parts = [
            f"{say.name(row['treatment'])} by {say.cite(row, 'gain')}{say.interval(row)}"
            for row in paid[:MOST_NAMED]
        ]
        if len(paid) > MOST_NAMED:
            parts.append(f"{len(paid) - MOST_NAMED} more")
        text = f"returned more than the untreated after the cost of treatment, in {unit}: "
        text += series(parts)
    else:
        text = "no treatment could be shown to return more than it cost"
    yield say.finding(
        "money",
        f"At the price given, {settings.crop_price:g} {settings.currency or 'money'} for 1 "
        f"{amount}, {text}.",
    )


def programme_findings(tables: Tables) -> Iterator[Finding]:
    """Programmes that repeat a mode-of-action group, each group of a treatment once."""
    runs: dict[tuple[str, str], list[str]] = {}
    for row in rows(tables, "programmes"):
        named = runs.setdefault((row["treatment"], row["group"]), [])
        named += [name for name in (row["first"], row["second"]) if name not in named]
    for (treatment, group), named in runs.items():
        say = Teller(tables)
        yield Finding(
            "resistance",
            f"{say.name(treatment)} used mode-of-action group {group} in successive "
            f"applications ({series(named)}), which favours resistance.",
        )
