"""Treatments over all days: the split-plot in time, and REML where plots miss days."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.findings import make_findings
from trialkit.inference.design.scales import forward
from trialkit.inference.normal.split_plot_in_time import repeated_measures
from trialkit.report.compose import compose
from trialkit.trial import Trial

Build = Callable[..., Trial]


def test_complete_days_are_a_split_plot_in_time(product_trial: Build) -> None:
    trial = product_trial()
    analysis = analyse(trial)
    rows = analysis.course_tests
    assert list(rows["test"]) == [
        "split-plot in time",
        "split-plot in time",
        "Greenhouse-Geisser",
        "Huynh-Feldt",
    ]
    assert rows["chosen"].tolist() == [True, False, True, False]
    scale = analysis.choices["transform"].iloc[0]
    wide = trial.counts.pivot_table(index="plot", columns="day", values="value")
    from trialkit.analysis.plots.layout_of_trial import plan_plots

    values = forward(
        scale, wide.loc[[plot.id for plot in trial.plots], [3.0, 7.0, 14.0]].to_numpy()
    )
    fit = repeated_measures(plan_plots(trial).layout, values)
    assert rows["p"].iloc[2] == pytest.approx(fit.term("treatment:day").p_gg, rel=1e-10)
    assert rows["df"].iloc[2] == pytest.approx(12 * fit.term("treatment:day").epsilon_gg, rel=1e-10)
    assert rows["p"].iloc[0] == pytest.approx(fit.term("treatment").p, rel=1e-10)


def test_missing_days_bring_reml(product_trial: Build) -> None:
    trial = product_trial(missing=[("203", 7.0), ("406", 14.0)])
    rows = analyse(trial).course_tests
    assert rows["chosen"].tolist() == [False] * 4 + [True, True]
    assert rows["note"].iloc[0] == "2 of 28 plots miss a day and were left out"
    assert rows["test"].iloc[-1].startswith("REML")
    assert rows["note"].iloc[-1] == "82 observations"
    # All plots but two are the same: both ways tell much the same.
    assert rows["F"].iloc[4] == pytest.approx(rows["F"].iloc[0], rel=0.25)
    assert rows["p"].iloc[4] < 0.001


def test_one_day_has_no_course(product_trial: Build) -> None:
    assert analyse(product_trial(days=(-1.0, 7.0))).course_tests.empty


def test_two_days_need_no_correction(product_trial: Build) -> None:
    rows = analyse(product_trial(days=(3.0, 7.0))).course_tests
    course = rows[rows["source"] == "treatment:day"]
    assert np.ptp(course["p"]) < 1e-12
    assert course["df"].tolist() == pytest.approx([6.0, 6.0, 6.0])


def test_finding_and_table_tell_the_same(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    chosen = analysis.course_tests[
        analysis.course_tests["chosen"].eq(True)
        & (analysis.course_tests["source"] == "treatment:day")
    ]
    p = float(chosen["p"].iloc[0])
    made = {table.key: table for table in compose(analysis).tables()}["courses"]
    assert made.rows[0][4] == pytest.approx(p)
    assert p > 0.05
    assert not [item for item in make_findings(analysis) if item.topic == "differences"]
    sure = analysis.course_tests.assign(p=0.003)
    found = [
        item
        for item in make_findings(replace(analysis, course_tests=sure))
        if item.topic == "differences"
    ]
    assert len(found) == 1
    assert found[0].claim
    assert found[0].p == 0.003
    assert found[0].numbers[-1].table == "course_tests"
    assert found[0].numbers[-1].row == int(chosen.index[0])
