"""The risk of a lower rate at higher numbers: found where it was put in, and not otherwise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from known_truth.density import density_trial
from known_truth.field import FloatArray
from known_truth.recovery import basis_of
from trialkit.analysis.efficacy.rate_start import BLOCKS, rate_start_table


def _found(seeds: range, ratio: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Ratio over all days, whether covered, p-value; all (seeds,)."""
    found, covered, p = [], [], []
    for seed in seeds:
        table = rate_start_table(basis_of(density_trial(seed, ratio=ratio).trial))
        row = table[table["days_after"].isna()].iloc[0]
        found.append(float(row["ratio"]))
        covered.append(row["ratio_lower"] <= ratio <= row["ratio_upper"])
        p.append(float(row["p"]))
    return np.array(found), np.array(covered, dtype=float), np.array(p)


def test_a_lower_rate_that_fails_at_high_numbers_is_found() -> None:
    found, covered, p = _found(range(50), 2.0)
    assert np.median(found) == pytest.approx(2.0, abs=0.25)
    assert covered.mean() >= 0.85
    assert (p < 0.05).mean() >= 0.6


def test_none_is_found_where_there_is_none() -> None:
    found, covered, p = _found(range(100, 150), 1.0)
    assert np.median(found) == pytest.approx(1.0, abs=0.12)
    assert covered.mean() >= 0.85
    assert (p < 0.05).mean() <= 0.13


def test_points_follow_from_the_ratio_and_carry_its_sign() -> None:
    known = density_trial(7, ratio=1.5)
    table = rate_start_table(basis_of(known.trial))
    assert len(table) == 5
    assert set(table["level"]) == {BLOCKS}
    treatment = np.array([plot.treatment for plot in known.trial.plots])
    left = {name: known.counts[treatment == name].mean(axis=0) for name in ("1", "3")}
    for row in table.dropna(subset=["days_after"]).itertuples():
        day = [-1.0, 3.0, 7.0, 14.0, 21.0].index(row.days_after)
        share = left["3"][day] / left["1"][day]
        assert row.points == pytest.approx(-100.0 * share * (row.ratio - 1.0))
        assert np.sign(row.points) == np.sign(1.0 - row.ratio)
        assert row.lower <= row.points <= row.upper
        assert (row.p < 0.05) == (row.lower > 0.0 or row.upper < 0.0)


def test_a_block_without_a_count_before_treatment_is_left_out() -> None:
    trial = density_trial(7, ratio=2.0).trial
    gone = {plot.id for plot in trial.plots if plot.block == trial.plots[0].block}
    before = trial.counts["plot"].isin(gone) & (trial.counts["day"] < 0)
    blind = replace(trial, counts=trial.counts[~before].reset_index(drop=True))
    lost = replace(
        trial, counts=trial.counts[~trial.counts["plot"].isin(gone)].reset_index(drop=True)
    )
    found, expected = (rate_start_table(basis_of(each)) for each in (blind, lost))
    assert set(found["level"]) == {BLOCKS}
    np.testing.assert_allclose(found["ratio"], expected["ratio"], rtol=1e-6)
