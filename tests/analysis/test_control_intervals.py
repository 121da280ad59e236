"""Intervals of percent control: undefined cases, cautions, and what the p-values mean."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import Analysis, analyse
from trialkit.trial import ControlMethod, Kind, Trial

Build = Callable[..., Trial]
NUMBERS = ["percent", "lower", "upper", "p_untreated", "p_target"]


def with_values(trial: Trial, change: Callable[[pd.DataFrame], pd.Series]) -> Trial:
    counts = trial.counts.copy()
    counts["value"] = change(counts)
    return replace(trial, counts=counts)


def untreated_plots(trial: Trial) -> list[str]:
    return [plot.id for plot in trial.plots if plot.treatment == trial.untreated]


def test_untreated_zero_on_a_day_leaves_that_day_undefined(product_trial: Build) -> None:
    trial = product_trial()
    mine = untreated_plots(trial)
    gone = with_values(
        trial, lambda c: c["value"].where(~(c["plot"].isin(mine) & (c["day"] == 7.0)), 0.0)
    )
    rows = analyse(gone).control
    day = rows[rows["days_after"] == 7.0]
    assert day[NUMBERS].isna().all(axis=None)
    assert day["reason"].notna().all()
    other = rows[rows["days_after"] == 3.0]
    assert other[NUMBERS].notna().all(axis=None)
    assert other["reason"].isna().all()


def test_zero_before_treatment_leaves_only_abbott(product_trial: Build) -> None:
    trial = product_trial()
    mine = untreated_plots(trial)
    gone = with_values(
        trial, lambda c: c["value"].where(~(c["plot"].isin(mine) & (c["day"] < 0)), 0.0)
    )
    rows = analyse(gone).control
    abbott = rows["method"] == ControlMethod.ABBOTT.value
    assert rows.loc[abbott, NUMBERS].notna().all(axis=None)
    assert rows.loc[~abbott, NUMBERS].isna().all(axis=None)
    assert rows.loc[~abbott, "reason"].notna().all()


def test_no_survivors_are_100_percent_with_a_limit_below(product_trial: Build) -> None:
    trial = product_trial()
    full = [plot.id for plot in trial.plots if plot.treatment == "B1"]
    gone = with_values(
        trial, lambda c: c["value"].where(~(c["plot"].isin(full) & (c["day"] > 0)), 0.0)
    )
    rows = analyse(gone).control
    rows = rows[rows["treatment"] == "B1"]
    assert (rows["percent"] == 100.0).all()
    assert (rows["upper"] == 100.0).all()
    # Poisson counts of about 80 untreated in four plots: 3 of 80 at most, and something over.
    assert rows["lower"].between(80.0, 99.0).all()
    assert (rows["p_untreated"] < 0.01).all()


def test_target_is_shown_where_the_lower_limit_lies_above_it(product_trial: Build) -> None:
    rows = analyse(product_trial(control_target=50.0)).control
    above = rows["lower"] > 50.0
    assert above.any()
    assert (rows.loc[above, "p_target"] <= 0.026).all()
    below = rows["upper"] < 50.0
    assert below.any()
    assert (rows.loc[below, "p_target"] >= 0.97).all()


def note_of(analysis: Analysis) -> set[str]:
    return set(analysis.control["note"].dropna())


def test_few_individuals_are_pointed_out(product_trial: Build) -> None:
    trial = product_trial()
    assert not note_of(analyse(trial))
    sparse = with_values(trial, lambda c: np.floor(c["value"] / 12.0))
    assert any("fewer than 2.5 individuals" in note for note in note_of(analyse(sparse)))


def test_plots_that_differ_hugely_are_pointed_out(product_trial: Build) -> None:
    rng = np.random.default_rng(1)
    wild = with_values(
        product_trial(), lambda c: np.round(10 * c["value"] * rng.gamma(0.15, 1 / 0.15, len(c)))
    )
    assert any("aggregation" in note for note in note_of(analyse(wild)))


def test_percentages_are_no_counts(product_trial: Build) -> None:
    """Severities of 1 to 3 % whose plots vary little: narrower than for so few individuals."""
    trial = product_trial(control=ControlMethod.ABBOTT)
    rng = np.random.default_rng(3)
    treatment = {plot.id: plot.treatment for plot in trial.plots}

    def severities(c: pd.DataFrame) -> pd.Series:
        level = c.groupby([c["plot"].map(treatment), "day"])["value"].transform("mean")
        return np.round(0.3 * level * rng.gamma(50.0, 1 / 50.0, len(c))) / 2.0

    low = with_values(trial, severities)
    share = replace(low, variables=tuple(replace(v, kind=Kind.PERCENT) for v in low.variables))
    wide, narrow = analyse(low).control, analyse(share).control
    wide, narrow = (
        rows[(rows["method"] == "abbott") & (rows["treatment"] == "B1")] for rows in (wide, narrow)
    )
    width = [(rows["upper"] - rows["lower"]).mean() for rows in (wide, narrow)]
    assert width[1] < 0.75 * width[0]


@pytest.mark.parametrize("scale", [0.0, 0.05, 1.0])
def test_tables_hold_no_infinity(product_trial: Build, scale: float) -> None:
    trial = with_values(product_trial(), lambda c: np.floor(c["value"] * scale))
    for name, table in analyse(trial).tables().items():
        numbers = table.select_dtypes("number").to_numpy(dtype=float)
        assert not np.isinf(numbers).any(), name
