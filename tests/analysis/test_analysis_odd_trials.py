"""Trials with holes: what cannot be told is null with a reason, and all else still stands."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest

from trialkit import trial_from_tables
from trialkit.analysis import analyse
from trialkit.problems import TrialError
from trialkit.trial import (
    COUNT_COLUMNS,
    Comparison,
    ControlMethod,
    Design,
    Kind,
    Trial,
    Variable,
    VariableRole,
    empty_harvest,
)

DAYS = (-1.0, 3.0, 7.0, 14.0)
IDS = ("None", "NA", "007", "1e3")


def odd_trial(seed: int = 0, *, design: Design = Design.RCBD, holes: float = 0.0) -> Trial:
    """Four treatments, one of them in two plots a block, counts with zeros, some missing."""
    rng = np.random.default_rng(seed)
    levels = {"None": 12.0, "NA": 9.0, "007": 3.0, "1e3": 0.5}
    rows = []
    for block, (place, name) in product("ABC", enumerate((*IDS, "None"))):
        for day in DAYS:
            value = float(rng.poisson(10.0 if day < 0 else levels[name]))
            rows.append(
                (f"{block}{place}", name, block, day, np.nan if rng.random() < holes else value)
            )
    table = pd.DataFrame(rows, columns=["plot", "treatment", "block", "days_after", "bugs"])
    return trial_from_tables(
        {
            "title": "Odd",
            "design": design.value,
            "untreated": "None",
            "variables": {"bugs": {"label": "Bugs", "kind": "count", "role": "pest"}},
            "analysis": {"transform": "sqrt"},
        },
        treatments=pd.DataFrame({"treatment": IDS, "name": [f"Product {name}" for name in IDS]}),
        flat=table if design is Design.RCBD else table.drop(columns="block"),
    )


def without(trial: Trial, treatment: str, days: tuple[float, ...], value: float = np.nan) -> Trial:
    """Lose (or set) the counts of a treatment on some days."""
    plots = {plot.id for plot in trial.plots if plot.treatment == treatment}
    counts = trial.counts.copy()
    chosen = counts["plot"].isin(plots) & counts["day"].isin(days)
    counts.loc[chosen, "value"] = value
    return replace(trial, counts=counts)


def on(table: pd.DataFrame, day: float) -> pd.DataFrame:
    return table[table["days_after"] == day]


@pytest.mark.parametrize("comparison", [item for item in Comparison if item.value != "none"])
@pytest.mark.parametrize("design", [Design.CRD, Design.RCBD])
def test_tables_are_whole_and_consistent(design, comparison):
    trial = odd_trial(3, design=design, holes=0.15)
    trial = replace(trial, settings=replace(trial.settings, comparison=comparison))
    analysis = analyse(trial)
    for table in analysis.tables().values():
        for column in table.select_dtypes("number"):
            assert not np.isinf(table[column].to_numpy(dtype=float)).any()
    keys = ["variable", "measure", "days_after"]
    responses = analysis.responses[keys].itertuples(index=False)
    for variable, measure, day in responses:

        def of(table: pd.DataFrame, v=variable, m=measure, d=day) -> pd.DataFrame:
            same_day = table["days_after"].isna() if np.isnan(d) else table["days_after"] == d
            return table[(table["variable"] == v) & (table["measure"] == m) & same_day]

        means, anova = of(analysis.means).set_index("treatment"), of(analysis.anova)
        assert tuple(means.index) == IDS
        assert anova["df"].sum() == means["n"].sum() - 1
        rows = of(analysis.comparisons)
        dunnett = rows[rows["method"] == "dunnett"]
        assert list(dunnett["a"]) == list(IDS[1:])
        assert set(dunnett["b"]) == {"None"}
        pairs = rows[rows["method"] == comparison.value]
        if comparison is Comparison.DUNNETT:
            assert len(pairs) == 3
            continue
        assert list(zip(pairs["a"], pairs["b"], strict=True)) == list(combinations(IDS, 2))
        known = means["mean_analysed"]
        for row in rows.itertuples():
            assert row.difference == pytest.approx(known[row.a] - known[row.b], nan_ok=True)
        letters = means["letters"]
        for row in pairs.itertuples():
            if isinstance(letters[row.a], str) and isinstance(letters[row.b], str):
                shared = bool(set(letters[row.a]) & set(letters[row.b]))
                assert shared == (not row.different)


@pytest.mark.parametrize("seed", range(4))
def test_undefined_control_has_a_reason_and_defined_control_none(seed):
    trial = without(odd_trial(seed, holes=0.2), "None", (7.0,), 0.0)
    control = analyse(trial).control
    undefined = control["percent"].isna()
    assert undefined.any()
    assert (undefined == control["reason"].notna()).all()
    assert (on(control, 7.0)["percent"].isna()).all()


def test_a_treatment_that_was_not_counted_on_a_day():
    analysis = analyse(without(odd_trial(), "007", (7.0,)))
    means = on(analysis.means, 7.0).set_index("treatment")
    assert means.loc["007", "n"] == 0
    assert means.loc["007", ["mean", "mean_analysed", "se", "lower", "upper"]].isna().all()
    assert means.drop("007")["mean_analysed"].notna().all()
    anova = on(analysis.anova, 7.0).set_index("source")
    assert anova.loc["treatment", "df"] == 2
    rows = on(analysis.comparisons, 7.0)
    touched = (rows["a"] == "007") | (rows["b"] == "007")
    assert rows[touched]["p_adjusted"].isna().all()
    assert not rows[touched]["different"].any()
    assert rows[~touched]["p_adjusted"].notna().all()
    control = on(analysis.control, 7.0).set_index("treatment")
    assert control.loc["007", "percent"].isna().all()
    assert control.loc["007", "reason"].notna().all()
    # The days before and after are bridged in the area under the curve, and said.
    areas = analysis.pest_days.set_index("treatment")
    assert (areas.loc["007", "bridged"] == 1).all()
    assert (areas.drop("007")["bridged"] == 0).all()


def test_a_family_without_the_lost_treatment_is_that_of_the_others():
    """Tukey's p comes from the number of means that are compared, not of those planned."""
    trial = without(odd_trial(), "007", DAYS)
    smaller = replace(
        trial,
        treatments=tuple(item for item in trial.treatments if item.id != "007"),
        plots=tuple(plot for plot in trial.plots if plot.treatment != "007"),
        counts=trial.counts[trial.counts["value"].notna()].reset_index(drop=True),
    )
    left = analyse(trial).comparisons.dropna(subset=["p_adjusted"])
    right = analyse(smaller).comparisons
    columns = ["days_after", "a", "b", "difference", "se", "p_adjusted", "method"]
    assert len(left) == len(right) > 0
    for column in columns:
        if left[column].dtype == float:
            assert left[column].to_numpy() == pytest.approx(
                right[column].to_numpy(), nan_ok=True, abs=1e-12
            )
        else:
            assert left[column].tolist() == right[column].tolist()


def test_an_untreated_that_was_not_counted_on_a_day():
    analysis = analyse(without(odd_trial(), "None", (14.0,)))
    control = on(analysis.control, 14.0)
    assert control["percent"].isna().all()
    assert control["reason"].notna().all()
    rows = on(analysis.comparisons, 14.0)
    assert rows[rows["method"] == "dunnett"]["p_adjusted"].isna().all()
    # Persistence then rests on the days before.
    assert (analysis.persistence["last_day"] == 7.0).all()


def test_nothing_found_on_a_day():
    trial = odd_trial()
    for name in IDS:
        trial = without(trial, name, (3.0,), 0.0)
    analysis = analyse(trial)
    anova = on(analysis.anova, 3.0)
    assert (anova["sum_sq"] == 0).all()
    assert anova[["F", "p"]].isna().all(axis=None)
    assert on(analysis.means, 3.0)["mean"].eq(0).all()
    rows = on(analysis.comparisons, 3.0)
    assert rows["p_adjusted"].isna().all()
    assert not rows["different"].any()
    note = on(analysis.responses, 3.0)["note"].iloc[0]
    assert "do not vary" in note


def test_a_treatment_without_variance_is_told():
    analysis = analyse(without(odd_trial(), "1e3", (7.0,), 0.0))
    told = [item.what for item in analysis.problems if "1e3" in item.what and "day 7" in item.what]
    assert told


def test_plots_that_link_no_treatments_are_not_compared():
    """Each treatment left in a block of its own: what differs may be the blocks."""
    trial = odd_trial()
    kept = {"A": ("None",), "B": ("NA", "007"), "C": ("1e3",)}
    lost = [p.id for p in trial.plots if p.treatment not in kept[str(p.block)]]
    counts = trial.counts.copy()
    counts.loc[counts["plot"].isin(lost), "value"] = np.nan
    analysis = analyse(replace(trial, counts=counts))
    rows = on(analysis.comparisons, 7.0).set_index(["a", "b"])
    across = rows.loc[[("None", "NA"), ("None", "1e3"), ("007", "1e3")]]
    assert across["p_adjusted"].isna().all()
    assert not across["different"].any()


def test_one_treatment_left_leaves_nothing_to_compare():
    trial = odd_trial()
    for name in IDS[1:]:
        trial = without(trial, name, (7.0,))
    analysis = analyse(trial)
    treatment = on(analysis.anova, 7.0).set_index("source").loc["treatment"]
    assert treatment["df"] == 0
    assert np.isnan(treatment["F"])
    assert on(analysis.comparisons, 7.0)["p_adjusted"].isna().all()
    assert "no comparison of treatments" in on(analysis.responses, 7.0)["note"].iloc[0]


def test_too_few_plots_for_an_error():
    trial = odd_trial(design=Design.CRD)
    kept = {"A0", "A1", "A2", "A3"}
    counts = trial.counts.copy()
    counts.loc[~counts["plot"].isin(kept) & (counts["day"] == 7.0), "value"] = np.nan
    analysis = analyse(replace(trial, counts=counts))
    assert on(analysis.anova, 7.0)["p"].isna().all()
    assert on(analysis.means, 7.0)["mean"].notna().all()
    assert on(analysis.means, 7.0)["se"].isna().all()
    assert "too few plots" in on(analysis.responses, 7.0)["note"].iloc[0]


def test_two_plots_on_one_place_of_the_map_have_no_neighbours():
    trial = odd_trial()
    mapped = tuple(
        replace(plot, row=index // 5 + 1, column=index % 5 + 1)
        for index, plot in enumerate(trial.plots)
    )
    assert len(analyse(replace(trial, plots=mapped)).neighbours) > 0
    shared = (replace(mapped[0], row=2, column=2), *mapped[1:])
    assert len(analyse(replace(trial, plots=shared)).neighbours) == 0


def test_a_price_of_nothing_gives_no_returns():
    trial = odd_trial()
    yields = pd.DataFrame(
        [(plot.id, "grain", 40.0 + place % 4) for place, plot in enumerate(trial.plots)],
        columns=["plot", "variable", "value"],
    )
    grain = Variable(
        name="grain",
        label="Grain",
        kind=Kind.MEASUREMENT,
        role=VariableRole.YIELD,
        unit=trial.settings.yield_unit,
    )
    trial = replace(trial, yields=yields, variables=(*trial.variables, grain))
    for price, rows in ((150.0, len(IDS)), (0.0, 0), (None, 0)):
        settings = replace(trial.settings, crop_price=price)
        assert len(analyse(replace(trial, settings=settings)).money) == rows


@pytest.mark.parametrize("asked", [item for item in ControlMethod if item.value != "auto"])
@pytest.mark.parametrize("kind", [Kind.COUNT, Kind.PERCENT])
@pytest.mark.parametrize("before", [True, False])
def test_a_method_that_the_data_do_not_allow_is_replaced_and_said(asked, kind, before):
    trial = odd_trial()
    settings = replace(trial.settings, control=asked)
    counts = trial.counts if before else trial.counts[trial.counts["day"] > 0]
    variables = (replace(trial.variables[0], kind=kind),)
    trial = replace(
        trial, settings=settings, variables=variables, counts=counts.reset_index(drop=True)
    )
    analysis = analyse(trial)
    shown = set(analysis.control.loc[analysis.control["chosen"].astype(bool), "method"])
    allowed = asked is ControlMethod.ABBOTT or (
        before and (kind is Kind.COUNT or asked is not ControlMethod.SCHNEIDER_ORELLI)
    )
    assert shown == set(analysis.control_methods["method"])
    assert (shown == {asked.value}) is allowed
    told = [item for item in analysis.problems if item.kind == "control-method"]
    assert len(told) == (0 if allowed else 1)
    assert len(analysis.persistence) == 3
    assert analysis.persistence["peak_percent"].notna().all()


def test_bushels_need_their_weight():
    trial = odd_trial()
    harvest = empty_harvest()
    harvest["plot"] = [plot.id for plot in trial.plots]
    harvest["harvested_lb"] = 12.0
    harvest["harvested_area_ft2"] = 150.0
    trial = replace(trial, harvest=harvest)
    settings = replace(trial.settings, yield_unit="bu/acre")
    with pytest.raises(TrialError, match="bushel_lb"):
        analyse(replace(trial, settings=settings))
    analysis = analyse(replace(trial, settings=replace(settings, bushel_lb=60.0)))
    yields = analysis.means[analysis.means["measure"] == "yield"]
    # 12 lb from 150 of the 43,560 square feet of an acre, in bushels of 60 lb.
    assert yields["mean"].to_numpy() == pytest.approx(12.0 * 43560 / 150 / 60)


def test_an_assessment_missing_at_an_end_shortens_the_span_of_that_plot():
    trial = odd_trial()
    counts = trial.counts.copy()
    counts.loc[(counts["plot"] == "A1") & (counts["day"] == 14.0), "value"] = np.nan
    counts.loc[(counts["plot"] == "B1") & (counts["day"] == 3.0), "value"] = np.nan
    counts.loc[(counts["plot"] == "C1") & (counts["day"] != 3.0), "value"] = np.nan
    table = analyse(replace(trial, counts=counts)).pest_days.set_index("plot")
    values = counts.set_index(["plot", "day"])["value"]
    a = [values["A1", day] for day in (-1.0, 3.0, 7.0)]
    assert table.loc["A1", "pest_days"] == pytest.approx(2 * (a[0] + a[1]) + 2 * (a[1] + a[2]))
    assert table.loc["A1", "days"] == 8
    b = [values["B1", day] for day in (-1.0, 7.0, 14.0)]
    assert table.loc["B1", "pest_days"] == pytest.approx(4 * (b[0] + b[1]) + 3.5 * (b[1] + b[2]))
    assert (table.loc["B1", "days"], table.loc["B1", "bridged"]) == (15, 1)
    assert np.isnan(table.loc["C1", "pest_days"])
    assert "two" in table.loc["C1", "reason"]


def test_samples_are_averaged_before_anything_is_tested():
    """A trial with three samples a plot has the tables of the trial of their means."""
    trial = odd_trial(5)
    rng = np.random.default_rng(1)
    parts = []
    for mark in "123":
        part = trial.counts.copy()
        part["sample"] = mark
        part["value"] += rng.poisson(2.0, len(part))
        parts.append(part)
    sampled = pd.concat(parts, ignore_index=True)
    sampled.loc[[3, 40], "value"] = np.nan  # unequal numbers of samples
    means = sampled.groupby(["plot", "variable", "day"], sort=False)["value"].mean().reset_index()
    means["sample"] = None
    left = analyse(replace(trial, counts=sampled))
    right = analyse(replace(trial, counts=means[list(COUNT_COLUMNS)]))
    for name in ("anova", "means", "comparisons", "pest_days"):
        mine, theirs = left.tables()[name], right.tables()[name]
        assert len(mine) == len(theirs)
        for column in mine.select_dtypes("float"):
            assert mine[column].to_numpy() == pytest.approx(
                theirs[column].to_numpy(), nan_ok=True, rel=1e-9
            ), (name, column)


def test_a_strip_plot_too_small_for_its_strata_says_so(strip_rice):
    """Two blocks of two by two strips with a plot missing leave no error to test against."""
    trial = strip_rice()
    kept = [
        plot
        for plot in trial.plots
        if plot.main_factor in {"G1", "G2"}
        and plot.sub_factor in {"N0", "N60"}
        and plot.block < "3"
    ]
    ids = {plot.treatment for plot in kept}
    yields = trial.yields[trial.yields["plot"].isin([plot.id for plot in kept])].reset_index(
        drop=True
    )
    yields.loc[0, "value"] = np.nan
    small = replace(
        trial,
        plots=tuple(kept),
        treatments=tuple(item for item in trial.treatments if item.id in ids),
        yields=yields,
    )
    analysis = analyse(small)
    assert len(analysis.means) == 4
    assert analysis.means["mean"].notna().all()
    assert analysis.means["mean_analysed"].isna().all()
    assert analysis.responses["note"].notna().all()
    assert not analysis.comparisons["different"].any()


def test_enemies_that_are_down_on_the_last_day_only_stop_nothing():
    # The pest was not counted after that day; the claim looks at all days after the first count.
    from dataclasses import replace

    from known_truth.claims import NULL, SETTINGS
    from known_truth.claims import trial as drawn

    analysis = analyse(drawn(replace(SETTINGS[1], effects=NULL), 50_100_049))
    assert len(analysis.resurgence) == 2
    assert (analysis.resurgence["pest_day"] > analysis.resurgence["enemy_day"]).all()
