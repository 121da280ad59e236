"""Figures of a series: every trial has its mark, names are text, and nothing else is drawn."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from made_series import made_series
from trialkit.figures import control_windows, draw_svg, forest, series_means
from trialkit.figures.forest import PANELS_OF_WINDOWS, TALLEST, panels_of_forest
from trialkit.figures.scales import HIGHEST, LOWEST, place_of
from trialkit.series.result import SeriesAnalysis


@pytest.fixture(scope="module")
def series() -> SeriesAnalysis:
    return made_series(trials=5, treatments=4)


def test_a_forest_names_every_trial_and_all_of_them(series: SeriesAnalysis) -> None:
    svg = draw_svg(forest(series, "aphids", "pest_days", "whole trial"))
    for words in ("Withy Bottom farm 2024", "Saltby Down 2024", "All trials", "Larkmere"):
        assert words in svg
    assert "target" in svg


def test_natural_enemies_have_no_target(series: SeriesAnalysis) -> None:
    svg = draw_svg(forest(series, "lady_beetles", "pest_days", "whole trial"))
    assert "Reduction, %" in svg
    assert "target" not in svg


def test_chosen_treatments_alone_get_a_panel(series: SeriesAnalysis) -> None:
    svg = draw_svg(forest(series, "aphids", "pest_days", "whole trial", "Larkmere"))
    assert "Larkmere" in svg
    assert "Thornwick" not in svg


def test_windows_and_means_are_drawn(series: SeriesAnalysis) -> None:
    assert "5–10" in draw_svg(control_windows(series, "aphids"))
    assert "Dry beans, t/ha" in draw_svg(series_means(series, "beans"))


def test_what_is_not_there_is_refused(series: SeriesAnalysis) -> None:
    with pytest.raises(ValueError, match="no trial has control"):
        forest(series, "aphids", "control", "25+")
    with pytest.raises(ValueError, match="no two windows"):
        control_windows(series, "beans")
    with pytest.raises(ValueError, match="no means"):
        series_means(series, "aphids")


def test_a_figure_fits_on_a_page(series: SeriesAnalysis) -> None:
    assert panels_of_forest(5) >= 9
    assert panels_of_forest(60) >= 3
    assert PANELS_OF_WINDOWS >= 9
    many = made_series(trials=30, treatments=4)
    figure = forest(many, "aphids", "pest_days", "whole trial")
    assert figure.theme.getp("figure_size")[1] <= TALLEST


@given(st.floats(LOWEST, HIGHEST), st.floats(LOWEST, HIGHEST))
def test_the_scale_keeps_order_and_halves_what_is_left_in_one_step(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert place_of(low) <= place_of(high)
    assert place_of(high) > place_of(low) or high - low < 1e-9
    half = 100.0 - (100.0 - a) / 2.0
    if half <= HIGHEST:
        assert place_of(half) - place_of(a) == pytest.approx(math.log(2.0), abs=1e-9)
