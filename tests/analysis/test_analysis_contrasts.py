"""Rate trends and groups of treatments."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.analysis.supporting.contrasts import name_stem, planned_contrasts, rate_series
from trialkit.trial import Treatment, TreatmentRole, Trial

Build = Callable[..., Trial]


@pytest.mark.parametrize(
    ("name", "rate", "stem"),
    [
        ("Fernway 0.5 L/ha", 0.5, "Fernway"),
        ("Fernway 240 SC 0.5 L/ha", 0.5, "Fernway 240 SC"),
        ("Fernway, half rate", 0.5, "Fernway"),
        ("Fernway low rate", 0.5, "Fernway"),
        ("Half rate Fernway", 0.5, "Fernway"),
        ("Fernway (0,5 L)", 0.5, "Fernway"),
        ("Q-31 1 kg", 1.0, "Q-31"),
        ("Q-31", 31.0, "Q-31"),
        ("High", 1.0, ""),
    ],
)
def test_stem_of_a_name(name: str, rate: float, stem: str) -> None:
    assert name_stem(name, rate) == stem


def test_series_are_inferred_where_names_units_and_action_agree(product_trial: Build) -> None:
    trial = product_trial()
    found = rate_series(trial)
    assert [series.name for series in found] == ["Brambletox", "Fernway"]
    assert found[0].rates == (0.25, 0.5, 1.0)
    assert "taken for rates" in found[0].note
    other = tuple(
        replace(item, mode_of_action="group 97") if item.id == "B1" else item
        for item in trial.treatments
    )
    rates = {series.name: series.rates for series in rate_series(replace(trial, treatments=other))}
    assert rates["Brambletox"] == (0.25, 0.5)


def test_a_column_goes_before_names(product_trial: Build) -> None:
    trial = product_trial()
    named = tuple(
        replace(item, extra={"Rate series": "both lines"}) if item.rate else item
        for item in trial.treatments
        if not item.id.startswith("F0")
    )
    found = rate_series(replace(trial, treatments=named))
    assert len(found) == 1
    assert found[0].name == "both lines"
    assert found[0].rates == (0.25, 0.5, 1.0, 1.0)
    assert "column rate_series" in found[0].note


def test_trend_is_the_slope_through_the_means(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    rows = analysis.contrasts[analysis.contrasts["days_after"] == 7.0].set_index("contrast")
    means = analysis.means[analysis.means["days_after"] == 7.0].set_index("treatment")
    y = means.loc[["B0.25", "B0.5", "B1"], "mean_analysed"].to_numpy()
    x = np.array([0.25, 0.5, 1.0])
    line = rows.loc["linear trend over the rates of Brambletox"]
    assert line["estimate"] == pytest.approx(np.polyfit(x, y, 1)[0], rel=1e-9)
    bend = rows.loc["curvature over the rates of Brambletox"]
    assert bend["estimate"] == pytest.approx(np.polyfit(x, y, 2)[0], rel=1e-9)
    assert line["lower"] < line["estimate"] < line["upper"]
    assert line["df"] == 18
    group = rows.loc["test treatments against the untreated"]
    expected = means.drop("0")["mean_analysed"].mean() - means.loc["0", "mean_analysed"]
    assert group["estimate"] == pytest.approx(expected, rel=1e-9)


def test_days_before_treatment_are_left_out(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    days = analysis.contrasts["days_after"]
    assert (days.isna() | (days > 0)).all()
    assert set(analysis.contrasts["measure"]) == {"count", "pest_days"}


def test_reference_is_compared_where_there_is_one(product_trial: Build) -> None:
    trial = product_trial()
    roles = tuple(
        replace(item, role=TreatmentRole.REFERENCE) if item.id == "F1" else item
        for item in trial.treatments
    )
    planned = planned_contrasts(replace(trial, treatments=roles))
    names = [name for name, _, _ in planned]
    assert "test treatments against the reference" in names
    coefficients = {name: row for name, row, _ in planned}["test treatments against the reference"]
    assert coefficients.sum() == pytest.approx(0.0)
    assert coefficients[-1] == -1.0


def test_split_plots_use_their_errors(split_rice: Build) -> None:
    trial = split_rice()
    treatments = tuple(
        replace(item, rate=10.0 * int(item.id[1]), rate_unit="kg", extra={"rate_series": "N"})
        if item.id.endswith("V1")
        else item
        for item in trial.treatments
    )
    first = replace(treatments[0], role=TreatmentRole.TEST)
    analysis = analyse(replace(trial, treatments=(first, *treatments[1:]), untreated=None))
    row = analysis.contrasts.set_index("contrast").loc["linear trend over the rates of N"]
    x = 10.0 * np.arange(6)
    weights = (x - x.mean()) / ((x - x.mean()) ** 2).sum()
    a, b = 141967.880555556, 349579.810185185
    assert row["se"] == pytest.approx(np.sqrt((weights**2).sum() * (a + 3 * b) / 4 / 3), rel=1e-9)
    assert 10 < row["df"] < 46


def test_contrasts_of_the_settings_are_differences_of_group_means(product_trial: Build) -> None:
    trial = product_trial()
    asked = ("high or low = B1, F1 against B0.25", "none = 0 against B1")
    trial = replace(trial, settings=replace(trial.settings, contrasts=asked))
    analysis = analyse(trial)
    rows = analysis.contrasts[analysis.contrasts["days_after"] == 7.0].set_index("contrast")
    means = analysis.means[analysis.means["days_after"] == 7.0].set_index("treatment")
    mean = means["mean_analysed"]
    found = rows.loc["high or low"]
    assert found["estimate"] == pytest.approx(mean[["B1", "F1"]].mean() - mean["B0.25"], rel=1e-9)
    assert found["note"] == (
        "mean of treatments B1, F1 minus treatment B0.25; planned in the settings"
    )
    # Two means with one block structure: the standard error of their difference is known.
    assert found["se"] == pytest.approx(rows.loc["none", "se"] * np.sqrt(0.75), rel=1e-9)
    pairs = analysis.comparisons
    pair = pairs[(pairs["days_after"] == 7.0) & (pairs["a"] == "0") & (pairs["b"] == "B1")]
    assert rows.loc["none", "estimate"] == pytest.approx(float(pair["difference"].iloc[0]))


def test_no_questions_without_rates_or_groups() -> None:
    trial = Trial(
        title="Two",
        design="crd",  # type: ignore[arg-type]
        treatments=(
            Treatment(id="1", name="Untreated", role=TreatmentRole.UNTREATED),
            Treatment(id="2", name="Fernway", rate=1.0),
        ),
        plots=(),
        variables=(),
        untreated="1",
    )
    assert planned_contrasts(trial) == []
