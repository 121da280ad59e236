"""What findings say of the contrasts that the settings plan."""

from __future__ import annotations

from dataclasses import replace

import pytest

import trialkit
from trialkit.findings.planned import planned_findings
from trialkit.findings.sentences import Tables


def _told(*contrasts: str, without_yield: bool = False):
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    trial = replace(trial, settings=replace(trial.settings, contrasts=contrasts))
    analysis = trialkit.analyse(trial)
    if without_yield:
        rows = analysis.contrasts
        kept = rows[rows["measure"] == "count"].reset_index(drop=True)
        analysis = replace(analysis, contrasts=kept)
    return analysis, list(planned_findings(Tables(analysis)))


def test_size_direction_and_interval_are_those_of_the_table() -> None:
    analysis, (finding,) = _told("rates = 4, 5 against 1")
    assert finding.text.startswith(
        "Planned comparison (Pelloway, full rate; and Pelloway, half rate, against Untreated): "
    )
    table = analysis.contrasts
    (row,) = table[(table["contrast"] == "rates") & (table["measure"] == "yield")].to_dict(
        "records"
    )
    assert row["estimate"] > 0
    shown = f"higher by {row['estimate']:.2f} ({row['lower']:.2f} to {row['upper']:.2f}; p < 0.001)"
    assert shown in finding.text
    assert "Larvae per 10 plants over the whole period, lower by " in finding.text
    for number in finding.numbers:
        assert number.table == "contrasts"


def test_nothing_shown_is_said_as_that() -> None:
    analysis, (finding,) = _told("two rates = 4 against 5")
    table = analysis.contrasts
    mine = table[(table["contrast"] == "two rates") & (table["measure"] != "count")]
    least = float(mine["p"].min())
    assert least > 0.05
    assert finding.text.endswith(f"and Marketable tubers (p = {least:.3f} or more).")
    assert ": no difference could be shown in Larvae per 10 plants over the whole" in finding.text


@pytest.mark.parametrize("contrast", ["4 against 1"])
def test_days_stand_where_there_is_nothing_whole(contrast: str) -> None:
    analysis, (finding,) = _told(contrast, without_yield=True)
    table = analysis.contrasts
    mine = table[(table["contrast"] == contrast) & (table["variable"] == "larvae")]
    lower = mine[(mine["p"] < 0.05) & (mine["estimate"] < 0)]["days_after"]
    days = [f"{day:g}" for day in lower]
    assert len(days) > 1
    assert f"lower on days {', '.join(days[:-1])} and {days[-1]}" in finding.text


def test_nothing_planned_nothing_said() -> None:
    assert _told()[1] == []
