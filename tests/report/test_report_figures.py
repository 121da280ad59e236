from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit import figures
from trialkit.analysis import Analysis, analyse
from trialkit.figures.field import MOST_DAYS, map_days
from trialkit.figures.identity import identities
from trialkit.figures.plot_values import PlotValues
from trialkit.numerals import day as write_day
from trialkit.trial import Treatment, Trial


def test_course_draws_every_treatment_in_its_colour(analysis: Analysis) -> None:
    svg = figures.draw_svg(figures.course(analysis, "larvae"), "one")
    for name, look in identities(analysis.trial).items():
        assert look.colour in svg
        assert (look.label in svg) == (name != analysis.trial.untreated)
    assert "threshold 15" in svg
    assert "\u22121" in svg


def test_control_course_has_its_target_and_no_untreated(analysis: Analysis) -> None:
    svg = figures.draw_svg(figures.control_course(analysis, "larvae"), "two")
    assert "target 80%" in svg
    assert "Brambletox" in svg
    assert "Untreated" not in svg


def test_means_have_their_letters(analysis: Analysis) -> None:
    svg = figures.draw_svg(figures.yield_means(analysis, "grain"), "three")
    rows = analysis.means[analysis.means["measure"] == "yield"]
    for letters in rows["letters"]:
        assert f">{letters}<" in svg
    assert "Grain, kg/ha" in svg
    assert "days" in figures.draw_svg(figures.pest_days_means(analysis, "larvae"), "four")


def test_drawing_twice_gives_the_same(analysis: Analysis) -> None:
    first, second = (figures.draw_svg(figures.course(analysis, "eaten"), "x") for _ in range(2))
    assert first == second


@pytest.mark.parametrize("name", ["course", "control_course", "yield_means", "pest_days_means"])
def test_unknown_variable_is_told(analysis: Analysis, name: str) -> None:
    with pytest.raises(ValueError, match="nothing like it"):
        getattr(figures, name)(analysis, "nothing like it")


def test_figures_draw_without_a_warning(analysis: Analysis) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figures.draw_svg(figures.control_course(_very_negative(analysis), "larvae"))


def _very_negative(analysis: Analysis) -> Analysis:
    control = analysis.control.copy()
    control.loc[control["treatment"] == "2", "percent"] = -400.0
    return replace(analysis, control=control)


def test_a_single_day_is_drawn_as_dots(trial: Trial) -> None:
    one_day = trial.counts[trial.counts["day"] == 7].reset_index(drop=True)
    analysis = analyse(replace(trial, counts=one_day))
    assert "Brambletox" in figures.draw_svg(figures.course(analysis, "larvae"))


def test_missing_intervals_and_days_do_no_harm(analysis: Analysis) -> None:
    course = analysis.course.copy()
    course["lower"] = np.nan
    course["upper"] = np.nan
    late = (course["treatment"] == "3") & (course["days_after"] > 7)
    course.loc[late, "mean"] = np.nan
    assert "3 Fernway" in figures.draw_svg(
        figures.course(replace(analysis, course=course), "larvae")
    )


def test_all_zero_is_drawn(analysis: Analysis) -> None:
    course = analysis.course.assign(mean=0.0, lower=0.0, upper=0.0)
    assert "<svg" in figures.draw_svg(figures.course(replace(analysis, course=course), "larvae"))
    means = analysis.means.assign(mean=0.0, back_transformed=0.0, lower=0.0, upper=0.0)
    assert "<svg" in figures.draw_svg(figures.yield_means(replace(analysis, means=means), "grain"))


def test_thirty_treatments_find_room(analysis: Analysis) -> None:
    course = analysis.course
    base = course[(course["variable"] == "larvae") & (course["treatment"] == "2")]
    many = [base.assign(treatment=f"t{number}") for number in range(30)]
    trial = replace(
        analysis.trial,
        treatments=tuple(
            Treatment(id=f"t{number}", name=f"Product {number}") for number in range(30)
        ),
    )
    wide = replace(analysis, trial=trial, course=pd.concat(many, ignore_index=True))
    svg = figures.draw_svg(figures.course(wide, "larvae"))
    assert all(f"t{number} Product {number}<" in svg for number in range(30))


def test_the_field_is_drawn_day_by_day_where_plots_lie(analysis: Analysis) -> None:
    variable = analysis.trial.variables[0].name
    placed = [
        replace(plot, row=1 + place % 4, column=1 + place // 4)
        for place, plot in enumerate(analysis.trial.plots)
    ]
    trial = replace(analysis.trial, plots=tuple(placed))
    svg = figures.draw_svg(figures.field_days(replace(analysis, trial=trial), variable))
    days = sorted(set(trial.counts.loc[trial.counts["variable"] == variable, "day"]))
    places = [svg.index(f">day {write_day(day)}<") for day in days]
    assert places == sorted(places)
    lost = tuple(replace(plot, row=None, column=None) for plot in placed)
    with pytest.raises(ValueError, match="no values on a map"):
        figures.field_days(replace(analysis, trial=replace(trial, plots=lost)), variable)


def test_many_days_are_thinned_to_the_first_and_last_and_some_between() -> None:
    values = PlotValues(["1"], [float(day) for day in range(30)], [[1.0] * 30])
    days = map_days(values)
    assert len(days) == MOST_DAYS
    assert days[0] == 0.0
    assert days[-1] == 29.0
    assert days == sorted(set(days))
