"""The efficacy story of the examples: arithmetic, order of limits, reasons where undefined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit
from shipped import analysed
from trialkit.trial import Kind, TreatmentRole, Variable, VariableRole


@pytest.fixture(scope="module", params=trialkit.example_names())
def analysis(request):
    return analysed(request.param)


def known(table, *columns):
    keep = np.ones(len(table), dtype=bool)
    for name in columns:
        keep &= np.isfinite(table[name].to_numpy(dtype=float))
    return table[keep]


def test_estimates_lie_in_their_intervals(analysis):
    for name, value in (
        ("control", "percent"),
        ("reductions", "percent"),
        ("natural_enemies", "percent"),
        ("mixtures", "difference"),
        ("rates", "difference"),
        ("loss", "slope"),
        ("money", "gain"),
    ):
        rows = known(getattr(analysis, name), value, "lower", "upper")
        assert (rows["lower"] <= rows[value] + 1e-9).all(), name
        assert (rows[value] <= rows["upper"] + 1e-9).all(), name


def test_control_is_that_of_the_means_by_abbott(analysis):
    means = analysis.means[analysis.means["measure"] == "count"].set_index(
        ["variable", "days_after", "treatment"]
    )["mean"]
    untreated = analysis.trial.untreated
    rows = analysis.control[analysis.control["method"] == "abbott"]
    assert not rows.empty
    for row in known(rows, "percent").itertuples():
        treated = means[row.variable, row.days_after, row.treatment]
        check = means[row.variable, row.days_after, untreated]
        assert row.percent == pytest.approx(100 * (1 - treated / check), rel=1e-9, abs=1e-9)


def test_what_is_undefined_has_a_reason(analysis):
    for name, value in (("control", "percent"), ("persistence", "holds_until_day")):
        table = getattr(analysis, name)
        missing = ~np.isfinite(table[value].to_numpy(dtype=float))
        assert table["reason"][missing].notna().all()
        assert not np.isinf(table[value].to_numpy(dtype=float)).any()


def test_sun_shepard_and_henderson_tilton_agree(analysis):
    table = analysis.control
    wide = table.pivot_table(
        index=["variable", "days_after", "treatment"], columns="method", values="percent"
    )
    if "sun-shepard" in wide:
        both = wide[["sun-shepard", "henderson-tilton"]].dropna()
        assert np.allclose(both["sun-shepard"], both["henderson-tilton"])


def test_one_method_is_chosen_for_each_cell(analysis):
    chosen = analysis.control[analysis.control["chosen"] == True]  # noqa: E712
    assert not chosen.duplicated(["variable", "days_after", "treatment"]).any()
    assert set(chosen["treatment"]) == set(analysis.control["treatment"])


def test_carrier_splits_what_is_left(analysis):
    for row in known(analysis.carrier, "added_percent").itertuples():
        left = (1 - row.carrier_percent / 100) * (1 - row.added_percent / 100)
        assert 100 * (1 - left) == pytest.approx(row.percent, abs=1e-9)
    roles = {item.role for item in analysis.trial.treatments}
    pests = [item for item in analysis.trial.variables if item.role == "pest"]
    assert analysis.carrier.empty == (TreatmentRole.CARRIER not in roles or not pests)


def test_mixtures_follow_colby(analysis):
    control = analysis.control[analysis.control["chosen"] == True].set_index(  # noqa: E712
        ["variable", "days_after", "treatment"]
    )["percent"]
    for row in known(analysis.mixtures, "expected").itertuples():
        left = 1.0
        for part in row.parts.split("+"):
            left *= 1 - control[row.variable, row.days_after, part] / 100
        assert row.expected == pytest.approx(100 * (1 - left), abs=1e-9)
        assert row.difference == pytest.approx(row.observed - row.expected, abs=1e-9)


def test_persistence_limits_keep_their_order(analysis):
    rows = known(analysis.persistence, "lower")
    bounded = known(rows, "upper")
    assert (bounded["lower"] <= bounded["upper"]).all()
    held = known(rows, "holds_until_day")
    assert (held["lower"] <= held["holds_until_day"] + 1e-9).all()


def test_the_same_seed_gives_the_same_intervals(analysis):
    again = trialkit.analyse(analysis.trial)
    for name in ("control", "persistence", "reductions", "neighbours"):
        assert getattr(again, name).equals(getattr(analysis, name)), name


def test_another_seed_changes_no_limit_of_a_ratio(analysis):
    trial = analysis.trial
    again = trialkit.analyse(
        replace(trial, settings=replace(trial.settings, seed=trial.settings.seed + 5))
    )
    tables = ("control", "reductions", "natural_enemies", "carrier", "count_models", "claims")
    # Differences of two ratios too, but where plots of several treatments share larger units.
    if not analysis.trial.design.value.endswith("plot"):
        tables += ("persistence_differences", "mixtures", "rates")
    for name in tables:
        assert getattr(again, name).equals(getattr(analysis, name)), name


def test_resurgence_is_told_of_the_mites():
    found = {name: not analysed(name).resurgence.empty for name in trialkit.example_names()}
    # Made so: a product that kills the predators, and mites that rise above the untreated after it.
    assert found["spider_mite_glasshouse"]
    assert not found["leaf_disease_wheat"]


def test_a_repeated_group_is_pointed_out():
    analysis = analysed("leaf_disease_wheat")
    assert analysis.programmes[["treatment", "group"]].to_numpy().tolist() == [["5", "41"]]


def test_no_money_without_a_price():
    from dataclasses import replace

    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    assert not trialkit.analyse(trial).money.empty
    without = replace(trial, settings=replace(trial.settings, crop_price=None))
    assert trialkit.analyse(without).money.empty


def test_no_control_where_nothing_is_left_in_the_untreated():
    from dataclasses import replace

    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    counts = trial.counts.copy()
    plots = {item.id for item in trial.plots if item.treatment == trial.untreated}
    cells = counts["plot"].isin(plots) & (counts["variable"] == "larvae") & (counts["day"] == 7)
    counts.loc[cells, "value"] = 0.0
    control = trialkit.analyse(replace(trial, counts=counts)).control
    rows = control[(control["variable"] == "larvae") & (control["days_after"] == 7)]
    assert rows["percent"].isna().all()
    assert rows["reason"].notna().all()
    assert rows["lower"].isna().all()


def test_pests_for_each_enemy_are_a_quotient_of_means(analysis):
    means = analysis.means[analysis.means["measure"] == "count"].set_index(
        ["variable", "days_after", "treatment"]
    )["mean"]
    pest = next(item.name for item in analysis.trial.variables if item.role == "pest")
    table = analysis.natural_enemies
    for row in known(table, "pest_per_enemy").itertuples():
        place = (row.days_after, row.treatment)
        assert row.pest_per_enemy == pytest.approx(
            means[(pest, *place)] / means[(row.variable, *place)]
        )
        assert row.pest_per_enemy_lower < row.pest_per_enemy < row.pest_per_enemy_upper
        assert np.isnan(row.pest_per_enemy_p) == (row.treatment == analysis.trial.untreated)


def test_harm_over_the_whole_period_is_classed_by_its_interval(analysis):
    enemies = {item.name for item in analysis.trial.variables if item.role == "natural-enemy"}
    table = analysis.reductions
    classed = table["variable"].isin(enemies) & (table["measure"] == "pest_days")
    assert table.loc[~classed, "harm_class"].isna().all()
    edges = {"harmless": 25, "slightly harmful": 50, "moderately harmful": 75, "harmful": 100}
    names = list(edges)
    for row in known(table[classed], "lower").itertuples():
        low, _, high = row.harm_class.partition(" to ")
        for name, limit in ((low, row.lower), (high or low, row.upper)):
            place = names.index(name)
            assert limit <= edges[name] or name == names[-1]
            assert place == 0 or limit >= edges[names[place - 1]]


def test_a_price_that_belongs_to_no_yield_is_told() -> None:
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    grain = Variable(
        name="grain", label="Grain", kind=Kind.MEASUREMENT, role=VariableRole.YIELD, unit="bags"
    )
    values = [float(place) for place in range(len(trial.plots))]
    yields = pd.DataFrame(
        {"plot": [plot.id for plot in trial.plots], "variable": "grain", "value": values}
    ).astype({"plot": object, "variable": object})
    odd = replace(
        trial,
        variables=(*trial.variables, grain),
        yields=yields,
        harvest=trial.harvest.iloc[:0],
    )
    found = trialkit.analyse(odd)
    assert found.money.empty
    (told,) = [item for item in found.problems if item.kind == "price-without-yield"]
    assert "no yield is in t/ha (grain)" in told.what
    priced = replace(grain, unit="t/ha")
    again = trialkit.analyse(replace(odd, variables=(*trial.variables, priced)))
    assert not again.money.empty
    assert not any(item.kind == "price-without-yield" for item in again.problems)


def test_loss_in_a_split_plot_compares_within_main_plots(split_rice) -> None:
    """The slope within treatments is that of least squares with main plots taken out."""
    trial = split_rice()
    rng = np.random.default_rng(3)
    plots = [plot.id for plot in trial.plots]
    pest = Variable(name="hoppers", label="Hoppers", kind=Kind.MEASUREMENT, role=VariableRole.PEST)
    value = rng.gamma(4.0, 5.0, len(plots))
    counts = pd.DataFrame(
        {
            "plot": plots * 2,
            "variable": "hoppers",
            "day": np.repeat([1.0, 11.0], len(plots)),
            "sample": None,
            "value": np.tile(value, 2),
        }
    ).astype({"plot": object, "variable": object, "sample": object})
    found = trialkit.analyse(
        replace(trial, variables=(*trial.variables, pest), counts=counts)
    ).loss.set_index("basis")
    y = trial.yields.set_index("plot").loc[plots, "value"].to_numpy(float)
    x = 10.0 * value
    treatment = pd.get_dummies([plot.treatment for plot in trial.plots]).to_numpy(float)
    units = pd.get_dummies([f"{plot.block}/{plot.main_factor}" for plot in trial.plots]).to_numpy(
        float
    )
    design = np.column_stack([treatment, units, x])
    slope = np.linalg.lstsq(design, y, rcond=None)[0][-1]
    assert found.loc["within treatments", "slope"] == pytest.approx(100.0 * slope, rel=1e-6)
