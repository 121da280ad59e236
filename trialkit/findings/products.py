"""Findings about products: carrier, rates, mixtures, natural enemies, neighbours."""

from __future__ import annotations

from collections.abc import Iterator

from trialkit.analysis import Analysis
from trialkit.findings.pest import MOST_NAMED, REBOUND_POINTS, variables_of
from trialkit.findings.sentences import Finding, Row, Style, Teller, day_list, rows, series
from trialkit.trial import VariableRole


def _treatments(found: list[Row]) -> list[str]:
    return list(dict.fromkeys(str(row["treatment"]) for row in found))


def rate_findings(analysis: Analysis) -> Iterator[Finding]:
    """Whether a lower rate was shown to be as good as the full one, early and late."""
    for variable in variables_of(analysis, VariableRole.PEST):
        all_rows = rows(analysis, "rates", variable=variable.name)
        for treatment in _treatments(all_rows):
            found = [
                row for row in all_rows if row["treatment"] == treatment and row.known("lower")
            ]
            if found:
                yield _rate(analysis, variable.label, found)


def _rate(analysis: Analysis, label: str, found: list[Row]) -> Finding:
    say = Teller(analysis)
    lower, full = say.name(found[0]["treatment"]), say.name(found[0]["full"])
    margin = say.cite(found[0], "margin", Style.PERCENT)
    passed = [row for row in found if row["not_inferior"] is True]
    worse = [row for row in found if row["upper"] < 0]
    last = found[-1]
    text = f"{label}: {lower} compared with {full}: "
    if len(passed) == len(found):
        text += f"no more than {margin} points of control less on any day, by its interval"
    elif passed:
        text += (
            f"no more than {margin} points of control less on "
            f"{day_list([row['days_after'] for row in passed])}, not shown on the other days"
        )
    else:
        text += f"that it loses no more than {margin} points of control was shown on no day"
    if worse:
        text += f"; shown to be lower on {day_list([row['days_after'] for row in worse])}"
    text += (
        f"; on day {say.cite(last, 'days_after', Style.DAY)} control was "
        f"{say.cite(last, 'control', Style.PERCENT)} % against "
        f"{say.cite(last, 'control_full', Style.PERCENT)} %, a difference of "
        f"{say.cite(last, 'difference', Style.PERCENT)} points{say.interval(last, Style.PERCENT)}"
    )
    held = rows(
        analysis,
        "rate_persistence",
        variable=found[0]["variable"],
        treatment=last["treatment"],
        full=last["full"],
    )
    for row in held:
        text += (
            f"; the days at the target differed by {say.cite(row, 'difference', Style.DAY)}"
            f"{say.interval(row, Style.DAY)}"
        )
    return say.finding("rate", text + ".")


def mixture_findings(analysis: Analysis) -> Iterator[Finding]:
    """Whether a mixture did more or less than its parts let expect."""
    for variable in variables_of(analysis, VariableRole.PEST):
        all_rows = rows(analysis, "mixtures", variable=variable.name)
        for treatment in _treatments(all_rows):
            found = [
                row for row in all_rows if row["treatment"] == treatment and row.known("lower")
            ]
            shown = [row for row in found if row["verdict"] != "as expected"]
            say = Teller(analysis)
            periods = rows(analysis, "mixture_periods", variable=variable.name, treatment=treatment)
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
                    f"{say.cite(row, 'difference', Style.PERCENT)} points"
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
                    f"{say.cite(row, 'difference', Style.PERCENT)} points"
                    f"{say.interval(row, Style.PERCENT)}.",
                )


def _over_all_days(say: Teller, label: str, row: Row) -> Finding:
    name = say.name(row["treatment"])
    numbers = (
        f"{say.cite(row, 'observed', Style.PERCENT)} % where "
        f"{say.cite(row, 'expected', Style.PERCENT)} % was expected (Colby), a difference of "
        f"{say.cite(row, 'difference', Style.PERCENT)} points{say.interval(row, Style.PERCENT)}"
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


def carrier_findings(analysis: Analysis) -> Iterator[Finding]:
    """What the carrier alone did."""
    for variable in variables_of(analysis, VariableRole.PEST):
        all_rows = rows(analysis, "control", variable=variable.name, chosen=True)
        for treatment in analysis.trial.treatments:
            if treatment.role.value != "carrier":
                continue
            found = [
                row
                for row in all_rows
                if row["treatment"] == treatment.id and row.known("p_untreated")
            ]
            shown = [row for row in found if row["p_untreated"] < analysis.trial.settings.alpha]
            say = Teller(analysis)
            name = say.name(treatment.id)
            if not shown:
                if found:
                    yield Finding(
                        "carrier",
                        f"{variable.label}: no effect of {name} could be shown on any day.",
                    )
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


def resurgence_findings(analysis: Analysis) -> Iterator[Finding]:
    """Pests above the untreated after their enemies were down."""
    labels = {item.name: item.label for item in analysis.trial.variables}
    for row in rows(analysis, "resurgence"):
        say = Teller(analysis)
        sure = "" if row["lower"] > 0 else ", which the interval does not show,"
        yield say.finding(
            "resurgence",
            f"{labels[row['variable']]}: with {say.name(row['treatment'])} the pest stood "
            f"{say.cite(row, 'pest_percent', Style.PERCENT)} % above the untreated"
            f"{say.interval(row, Style.PERCENT)}{sure} on day "
            f"{say.cite(row, 'pest_day', Style.DAY)}, after "
            f"{labels[row['enemy']].lower()} had been "
            f"{say.cite(row, 'enemy_percent', Style.PERCENT)} % below it on day "
            f"{say.cite(row, 'enemy_day', Style.DAY)}. That one followed the other does not show "
            "that it was the cause.",
        )


def neighbour_findings(analysis: Analysis) -> Iterator[Finding]:
    """Whether late counts followed the plots next door."""
    alpha = analysis.trial.settings.alpha
    for variable in variables_of(analysis, VariableRole.PEST):
        found = [
            row
            for row in rows(
                analysis, "neighbours", variable=variable.name, question="neighbouring plots"
            )
            if row.known("p")
        ]
        if not found:
            continue
        # One question on several days: Bonferroni over the days.
        shown = [row for row in found if row["p"] * len(found) < alpha]
        say = Teller(analysis)
        row = min(shown or found, key=lambda row: float(row["p"]))
        p = f"{say.cite(row, 'p', Style.P)}, on day {say.cite(row, 'days_after', Style.DAY)}"
        if shown:
            yield say.finding(
                "neighbours",
                f"{variable.label}: counts followed those of the adjacent plots at the assessment "
                f"before ({p}): plots may have been invaded from next door, so that control in a "
                "whole field could last longer than here; a patchy field gives the same picture.",
            )
        elif _rebounded(analysis, variable.name):
            yield say.finding(
                "neighbours",
                f"{variable.label}: that counts followed the adjacent plots could not be shown "
                f"(smallest {p}); a trial of this size misses all but strong movement between "
                "plots.",
            )


def _rebounded(analysis: Analysis, name: str) -> bool:
    found = rows(analysis, "persistence", variable=name)
    return any(row["rebound_percent"] >= REBOUND_POINTS for row in found)


def loss_findings(analysis: Analysis) -> Iterator[Finding]:
    """What pest-days cost in yield."""
    labels = {item.name: item.label for item in analysis.trial.variables}
    pests = [item.name for item in variables_of(analysis, VariableRole.PEST)]
    found = [
        row
        for row in rows(analysis, "loss", basis="over treatments")
        if row["pest"] in pests and row.known("lower")
    ]
    for row in found:
        say = Teller(analysis)
        label = labels.get(row["variable"], "Yield")
        if row["lower"] > 0 or row["upper"] < 0:
            word, ends = ("less", ("upper", "lower"))
            if row["slope"] > 0:
                word, ends = ("more", ("lower", "upper"))
            text = (
                f"{label}: every 100 pest-days of {row['pest']} went with "
                f"{say.cite(row, 'slope', Style.AMOUNT)} {word} yield "
                f"({say.cite(row, ends[0], Style.AMOUNT)} to "
                f"{say.cite(row, ends[1], Style.AMOUNT)}), along the line through the treatment "
                f"means, which holds {say.cite(row, 'share_explained', Style.PERCENT)} % of what "
                "treatments differed in"
            )
        else:
            text = (
                f"{label}: a loss with the pest-days of {row['pest']} could not be shown "
                f"({say.cite(row, 'slope')}{say.interval(row)} for every 100)"
            )
        if row.known("p_lack_of_fit") and row["p_lack_of_fit"] < analysis.trial.settings.alpha:
            text += (
                f"; treatments differed in yield beyond that "
                f"({say.cite(row, 'p_lack_of_fit', Style.P)})"
            )
        yield say.finding("loss", text + ".")


def money_findings(analysis: Analysis) -> Iterator[Finding]:
    """Which treatments paid, at the price and costs given."""
    found = [row for row in rows(analysis, "money") if row.known("gain")]
    if not found:
        return
    say = Teller(analysis)
    settings = analysis.trial.settings
    area = settings.yield_unit.partition("/")[2]
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
        f"At the price of {settings.crop_price:g} {settings.currency or ''} given".rstrip()
        + f", {text}.",
    )


def programme_findings(analysis: Analysis) -> Iterator[Finding]:
    """Programmes that repeat a mode-of-action group."""
    for row in rows(analysis, "programmes"):
        say = Teller(analysis)
        yield Finding(
            "resistance",
            f"{say.name(row['treatment'])} used mode-of-action group {row['group']} in successive "
            f"applications ({row['first']} and {row['second']}), which favours resistance; labels "
            "and local guidance say how often a group may follow itself.",
        )
