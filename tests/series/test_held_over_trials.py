"""How long the target was held: rows of a trial, and the median over trials."""

import dataclasses

import numpy as np
import pandas as pd

from series.invented import invented_series, invented_trial
from shipped import analysed
from trialkit.series.effects import effects_of
from trialkit.series.held import FEW, OTHER_TARGET, combined_held, trial_held
from trialkit.series.matched import HELD_ROWS, TrialMatch
from trialkit.series.trial_held import held_of


def _rows(days, unseen, target=80.0):
    return pd.DataFrame(
        [
            (f"site {place + 1}", "larvae", "T1", target, day, np.nan, np.nan, bool(last), None)
            for place, (day, last) in enumerate(zip(days, unseen, strict=True))
        ],
        columns=list(HELD_ROWS),
    )


def _series(rows):
    generator = np.random.default_rng(1)
    size = len(rows)
    trials = [invented_trial(generator, [-2.0, -1.0], blocks=2) for _ in range(size)]
    return dataclasses.replace(invented_series(trials), held=rows)


def test_days_of_a_trial_are_those_of_its_own_table():
    analysis = analysed("leaf_beetle_potato")
    trial = analysis.trial
    names = {item.id: item.name for item in trial.treatments}
    match = TrialMatch(trial="north", treatments=names, variables={"larvae": "beetle"})
    held = effects_of(trial, analysis.tables(), match).held.set_index("treatment")
    own = analysis.persistence.query("variable == 'larvae'")
    for row in own.to_dict("records"):
        name = names[row["treatment"]]
        expected = 0.0 if np.isnan(row["holds_until_day"]) else row["holds_until_day"]
        assert held.loc[name, "days"] == expected
        assert held.loc[name, "to_the_last"] == bool(row["censored"])
    assert held_of({}, match).empty


def test_the_median_counts_ends_that_were_not_seen_as_later():
    days, unseen = [5.0, 9.0, 12.0, 14.0, 21.0, 21.0], [0, 0, 0, 0, 1, 1]
    row = combined_held(_series(_rows(days, unseen))).iloc[0]
    assert row["days"] == 13.0
    assert (row["trials"], row["to_the_last"], row["never"]) == (6.0, 2.0, 0.0)
    assert (row["shortest"], row["longest"]) == (5.0, 21.0)
    assert row["lower"] == 5.0 and np.isnan(row["upper"])
    assert row["note"] is None


def test_few_trials_do_not_bound_the_median():
    row = combined_held(_series(_rows([5.0, 9.0, 0.0], [0, 0, 0]))).iloc[0]
    assert row["days"] == 5.0 and row["never"] == 1.0
    assert np.isnan(row["lower"]) and np.isnan(row["upper"]) and row["note"] == FEW


def test_trials_of_another_target_are_shown_and_left_out():
    rows = _rows([5.0, 9.0, 30.0], [0, 0, 0])
    rows.loc[2, "target"] = 50.0
    series = _series(rows)
    assert combined_held(series).iloc[0]["trials"] == 2.0
    shown = trial_held(series)
    assert shown["note"].tolist() == [None, None, OTHER_TARGET]
