"""The generators draw what they say: checked against expectations, with large fields."""

import numpy as np
import pytest

from known_truth.field import (
    FloatArray,
    IntArray,
    draw,
    mean_one_effects,
    neighbour_means,
    pest_days,
    randomised_blocks,
)
from known_truth.loss import loss_trial
from known_truth.mixture import mixture_trial
from known_truth.neighbours import neighbour_trial
from known_truth.persistence import control_on, persistence_trial
from trialkit.trial import COUNT_COLUMNS, Trial

MANY = 3000


def standardised(counts: FloatArray, treatment: IntArray, expected: FloatArray) -> FloatArray:
    """Mean of each treatment and day less its expectation, in standard errors."""
    means = np.array([counts[treatment == code].mean(axis=0) for code in range(len(expected))])
    errors = np.array(
        [
            counts[treatment == code].std(axis=0, ddof=1) / np.sqrt((treatment == code).sum())
            for code in range(len(expected))
        ]
    )
    z: FloatArray = (means - expected) / errors
    return z


def test_draw_has_the_stated_mean_and_variance() -> None:
    rng = np.random.default_rng(1)
    seen = draw(rng, np.full(200_000, 20.0), 2.0)
    assert seen.mean() == pytest.approx(20.0, rel=0.01)
    assert seen.var() == pytest.approx(20.0 + 20.0**2 / 2.0, rel=0.03)
    assert draw(rng, np.full(200_000, 20.0), None).var() == pytest.approx(20.0, rel=0.03)


def test_block_effects_have_mean_one() -> None:
    effects = mean_one_effects(np.random.default_rng(2), 200_000, 0.5)
    assert effects.mean() == pytest.approx(1.0, rel=0.01)
    assert np.log(effects).std() == pytest.approx(0.5, rel=0.01)


def test_blocks_are_complete_and_every_plot_has_its_own_place() -> None:
    field = randomised_blocks(np.random.default_rng(3), 5, 4)
    for block in range(4):
        assert sorted(field.treatment[field.block == block]) == [0, 1, 2, 3, 4]
    assert len(set(zip(field.row, field.column, strict=True))) == 20


def test_neighbours_are_the_plots_beside_before_and_behind() -> None:
    field = randomised_blocks(np.random.default_rng(3), 3, 2)
    # The map reads 1 2 4 / 8 16 32.
    means = neighbour_means(field, np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0]))
    assert means == pytest.approx([5.0, 7.0, 17.0, 8.5, 14.0, 10.0])


def test_pest_days_by_hand() -> None:
    counts = np.array([[99.0, 10.0, 20.0, 0.0]])
    # From day 0: (10 + 20)/2 * 3 + (20 + 0)/2 * 4 = 85; from day -1: 99 and 10 first.
    assert pest_days((-3.0, 0.0, 3.0, 7.0), counts) == pytest.approx([85.0])
    assert pest_days((-1.0, 3.0, 7.0, 8.0), counts) == pytest.approx([218.0 + 60.0 + 10.0])
    assert pest_days((1.0, 2.0, 3.0, 4.0), counts) == pytest.approx([54.5 + 15.0 + 10.0])


def test_control_passes_the_target_on_the_day() -> None:
    days = np.array([-1.0, 0.5, 8.0, 9.0, 10.0, 60.0])
    control = control_on(days, 9.0, target=80.0, peak=95.0, points_a_day=2.5)
    assert control == pytest.approx([0.0, 95.0, 82.5, 80.0, 77.5, 0.0])


def test_persistence_is_found_in_the_expected_means() -> None:
    known = persistence_trial(4)
    assert known.holds_until[1:] == pytest.approx([9.0, 27.0])
    for code, hold in ((1, 9.0), (2, 27.0)):
        control = 100.0 * (1.0 - known.expected[code] / known.expected[0])
        after = known.days > known.days[np.argmax(control)]
        crossing = np.interp(-80.0, -control[after], known.days[after])
        assert crossing == pytest.approx(hold)


def test_persistence_counts_have_their_expectation() -> None:
    known = persistence_trial(5, blocks=MANY)
    z = standardised(known.counts, known.field.treatment, known.expected)
    assert np.abs(z).max() < 4.0


def test_mixture_departs_from_colby_by_fifteen_points() -> None:
    known = mixture_trial(6)
    assert known.colby == pytest.approx(80.0)
    left = known.expected[:, 1] / known.expected[0, 1]
    assert 100.0 * (left[1] * left[2] - left[3]) == pytest.approx(-15.0)
    assert known.trial.treatment("4").parts == ("2", "3")


def test_mixture_counts_have_their_expectation() -> None:
    known = mixture_trial(7, blocks=MANY)
    z = standardised(known.counts, known.field.treatment, known.expected)
    assert np.abs(z).max() < 4.0


def test_impossible_mixture_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot control 110 %"):
        mixture_trial(1, departure=30.0)


@pytest.mark.parametrize("inflow", [0.0, 0.3])
def test_late_counts_follow_neighbours_by_the_inflow(inflow: float) -> None:
    known = neighbour_trial(8, inflow=inflow, blocks=MANY, k=5.0)
    late, treatment = known.counts[:, 2], known.field.treatment
    residuals = [values - values.mean() for values in _by_treatment(late, treatment)]
    drivers = [values - values.mean() for values in _by_treatment(known.neighbour_mean, treatment)]
    residual, driver = np.concatenate(residuals), np.concatenate(drivers)
    slope = (residual @ driver) / (driver @ driver)
    error = np.sqrt(((residual - slope * driver) ** 2 * driver**2).sum()) / (driver @ driver)
    assert abs(slope - inflow) < 4.0 * error
    assert error < 0.03


def _by_treatment(values: FloatArray, treatment: IntArray) -> list[FloatArray]:
    return [values[treatment == code] for code in np.unique(treatment)]


def test_switching_inflow_on_changes_only_the_late_counts() -> None:
    off, on = neighbour_trial(9, inflow=0.0), neighbour_trial(9, inflow=0.5)
    assert np.array_equal(off.counts[:, :2], on.counts[:, :2])
    assert np.all(on.expected_late > off.expected_late)
    assert on.expected_late - off.expected_late == pytest.approx(0.5 * on.neighbour_mean)


def _slope_within_blocks(known_yield: FloatArray, burden: FloatArray, block: IntArray) -> float:
    x = np.concatenate([burden[block == b] - burden[block == b].mean() for b in np.unique(block)])
    y = np.concatenate(
        [known_yield[block == b] - known_yield[block == b].mean() for b in np.unique(block)]
    )
    return float(x @ y / (x @ x))


def test_loss_per_100_pest_days_is_the_slope_within_blocks() -> None:
    known = loss_trial(10, blocks=MANY)
    slope = _slope_within_blocks(known.yields, known.pest_days, known.field.block)
    spread = known.pest_days.std() * np.sqrt(known.field.plots)
    assert abs(-100.0 * slope - 0.5) < 4.0 * 100.0 / spread
    noiseless = loss_trial(11, plot_yield_sd=0.0, loss_per_100=0.8)
    exact = _slope_within_blocks(noiseless.yields, noiseless.pest_days, noiseless.field.block)
    assert -100.0 * exact == pytest.approx(0.8)


def test_loss_by_true_level_is_diluted_by_counting() -> None:
    known = loss_trial(12, blocks=MANY, from_counts=False, k=1.0)
    counted = pest_days(known.days, known.counts)
    slope = _slope_within_blocks(known.yields, counted, known.field.block)
    assert 0.1 < -100.0 * slope < 0.47


@pytest.mark.parametrize(
    "trial",
    [
        persistence_trial(1).trial,
        mixture_trial(1).trial,
        neighbour_trial(1).trial,
        loss_trial(1).trial,
    ],
    ids=lambda trial: trial.title,
)
def test_trials_are_whole(trial: Trial) -> None:
    assert tuple(trial.counts.columns) == COUNT_COLUMNS
    assert list(trial.counts["plot"].unique()) == [plot.id for plot in trial.plots]
    assert {plot.treatment for plot in trial.plots} == {item.id for item in trial.treatments}
    assert trial.counts["value"].min() >= 0
    assert not trial.counts.duplicated(["plot", "variable", "day"]).any()
    assert trial.counts["plot"].dtype == object
    assert trial.treatment(trial.untreated or "").role == "untreated"
    named = {variable.name for variable in trial.variables}
    assert set(trial.counts["variable"]) | set(trial.yields["variable"]) == named


def test_same_seed_same_trial() -> None:
    assert persistence_trial(3).trial == persistence_trial(3).trial
    assert loss_trial(3).trial == loss_trial(np.random.default_rng(3)).trial
    assert mixture_trial(3).trial != mixture_trial(4).trial
