"""Which sentence comes when, and how those speak that the examples do not bring about."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.analysis.efficacy.mode_of_action import applied_later
from trialkit.analysis.result import empty_table


@pytest.fixture(scope="module")
def potato():
    return trialkit.analyse(trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato")))


def told(analysis, topic):
    return [item.text for item in trialkit.make_findings(analysis) if item.topic == topic]


def topics(analysis):
    return [item.topic for item in trialkit.make_findings(analysis)]


def test_what_matters_for_a_decision_comes_first(potato):
    order = topics(potato)
    assert order[:5] == ["pressure", "control", "persistence", "yield", "money"]
    assert order[-1] == "doubts"
    assert len(order) <= 17


def test_that_nothing_differed_is_said_before_how_much_control_there_was(potato):
    none = replace(potato, responses=potato.responses.assign(p=0.5))
    order = topics(none)
    assert order.index("differences") < order.index("control")
    assert (
        "no difference between treatments could be shown on any day"
        in (told(none, "differences")[0])
    )


def _start(analysis, **changes):
    table = analysis.rate_start.copy()
    for name, value in changes.items():
        table[name] = value
    return told(replace(analysis, rate_start=table), "rate and start")


def test_a_lower_rate_at_higher_numbers(potato):
    (quiet,) = _start(potato, p=0.5, note=None)
    assert "no sign that Pelloway, half rate fails more" in quiet
    assert "the trial covered starts from" in quiet
    (worse,) = _start(potato, p=0.01, points=-12.3, lower=-20.1, upper=-4.2, note=None)
    assert (
        "lost more against Pelloway, full rate where more were there at the start: 12 points"
        in (worse)
    )
    assert "(4 to 20) more with every doubling" in worse
    (better,) = _start(potato, p=0.01, points=12.3, lower=4.2, upper=20.1, note=None)
    assert "lost less against" in better
    (blind,) = _start(potato, note="too small a range")
    assert "this trial cannot tell" in blind
    assert _start(potato, points=np.nan) == []


def test_a_mixture_that_fell_short(potato):
    table = potato.mixture_periods.assign(verdict="less than expected", lower=-20.0, upper=-2.0)
    (text,) = told(replace(potato, mixture_periods=table), "mixture")
    assert "gave less than expected from its parts" in text
    (by_day,) = told(replace(potato, mixture_periods=empty_table("mixture_periods")), "mixture")
    assert "on no day could" in by_day


def test_pairs_that_differ_are_named_with_the_larger_first(potato):
    table = potato.persistence_differences.copy()
    shown = (table["a"] == "6") & (table["b"] == "3") & (table["question"] == "days held")
    columns = ["difference", "lower", "upper", "p_adjusted"]
    table.loc[shown, columns] = [-7.0, -12.0, -2.0, 0.01]
    (text,) = told(replace(potato, persistence_differences=table), "persistence")
    assert "Shown: Tarnock longer than Wimbrel by 7 days (2 to 12)." in text


def test_abbott_is_mentioned_where_it_is_far_surer(potato):
    table = potato.control_methods.assign(times=3.25, recommendation="consider abbott")
    (text,) = told(replace(potato, control_methods=table), "method")
    assert "3.25 times as wide as they would be by Abbott's formula" in text


def test_a_difference_without_upper_limit_is_told_from_its_lower_limit_on(potato):
    table = potato.persistence_differences.copy()
    shown = (table["a"] == "4") & (table["b"] == "3") & (table["question"] == "days held")
    shown &= table["variable"] == "larvae"
    table.loc[shown, ["difference", "lower", "upper", "p_adjusted"]] = [13.0, 4.0, 28.0, 0.01]
    assert table.loc[shown, "bound"].item() == "at least"
    (text,) = told(replace(potato, persistence_differences=table), "persistence")
    assert "full rate longer than Tarnock by 13 days or more (interval from 4)." in text


def test_a_target_met_on_one_later_day_is_not_told_as_held_all_along(potato):
    table = potato.control
    own = (table["treatment"] == "4") & (table["variable"] == "larvae") & table["chosen"].eq(True)
    # The day at which the interval begins is drawn.
    words = re.compile(r"on day 28 \(interval from day \d+\), reached on day 28 only; ")
    for before, late in ((70.0, True), (81.0, False)):
        changed = table.assign(
            percent=table["percent"].mask(own & (table["days_after"] < 28.0), before)
        )
        (text,) = told(replace(potato, control=changed), "persistence")
        assert (words.search(text) is not None) is late


def test_who_was_not_applied_yet_is_not_called_slow():
    wheat = trialkit.analyse(trialkit.read_trial(trialkit.example_trial("leaf_disease_wheat")))
    assert applied_later(wheat.trial, 9.0) == {"4": 18.0}
    assert applied_later(wheat.trial, 20.0) == {}
    (text,) = told(wheat, "control")
    assert "more control was shown for Cobbleby, then Dunmarrow than Dunmarrow, early" in text
    assert "Cobbleby, late" not in text


def test_a_difference_that_only_the_adjusted_test_found(potato):
    responses = potato.responses.assign(p=potato.responses["p"].clip(lower=0.2))
    for p, said in ((0.004, True), (0.3, False)):
        covariate = potato.covariate.assign(p=p, p_equal_slopes=0.5)
        changed = replace(potato, responses=responses, covariate=covariate)
        (text,) = told(changed, "differences")
        assert ("adjusted for the count before treatment they did differ on" in text) is said


def test_an_interval_alone_beside_a_test_that_showed_nothing(potato):
    enemies = potato.comparisons["variable"] == "lady_beetles"
    comparisons = potato.comparisons.assign(
        different=potato.comparisons["different"].mask(enemies, False)
    )
    (text,) = told(replace(potato, comparisons=comparisons), "natural enemies")
    assert "does not prove the treatments harmless. " in text
    row = potato.reductions.query("variable == 'lady_beetles' and treatment == '6'").iloc[0]
    fewer, lower, upper = (f"{row[name]:.0f}" for name in ("percent", "lower", "upper"))
    alone = f"{fewer} % fewer with Wimbrel ({lower} to {upper})."
    assert f"taken alone, intervals leave out no change: {alone}" in text


def test_pairs_that_share_no_level_of_a_factor_are_not_told(potato):
    table = potato.persistence_differences.copy()
    shown = (table["a"] == "6") & (table["b"] == "3") & (table["question"] == "days held")
    columns = ["difference", "lower", "upper", "p_adjusted"]
    table.loc[shown, columns] = [-7.0, -12.0, -2.0, 0.01]
    for level, said in (("wet", False), ("dry", True)):
        mains = {"3": "dry", "6": level}
        plots = tuple(
            replace(item, main_factor=mains.get(item.treatment, "other"), sub_factor=item.treatment)
            for item in potato.trial.plots
        )
        changed = replace(
            potato,
            trial=replace(potato.trial, plots=plots),
            persistence_differences=table,
        )
        (text,) = told(changed, "persistence")
        assert ("Shown: Tarnock longer than Wimbrel" in text) is said
        assert "Between no two" not in text


def test_one_point_is_no_points(potato):
    for points, said in ((0.9, " 1 point ("), (-1.1, " \u22121 point ("), (2.0, " 2 points (")):
        (text,) = _start(potato, p=0.5, points=points, note=None)
        assert said in text
