"""A trial of pandas tables is the trial that the same tables give as files."""

import numpy as np
import pandas as pd
import pytest

import trialkit
from trialkit import TrialError, trial_from_tables

PLOTS = pd.DataFrame(
    {"plot": [101, 102, 201, 202], "treatment": ["1", "2", "2", "1"], "block": [1, 1, 2, 2]}
)
COUNTS = pd.DataFrame({"plot": PLOTS["plot"], "days_after": 7, "aphids": [30, 4, np.nan, 28]})
KEYS = {
    "title": "Soap",
    "design": trialkit.Design.RCBD,
    "untreated": "1",
    "variables": {"aphids": {"role": trialkit.VariableRole.PEST, "label": "Aphids"}},
    "analysis": {"alpha": 0.1},
}


def test_tables_give_what_files_give(tmp_path) -> None:
    made = trial_from_tables(KEYS, plots=PLOTS, counts=COUNTS)
    PLOTS.to_csv(tmp_path / "plots.csv", index=False)
    COUNTS.to_csv(tmp_path / "counts.csv", index=False)
    (tmp_path / "trial.toml").write_text(
        'title = "Soap"\ndesign = "rcbd"\nuntreated = "1"\n[variables.aphids]\nrole = "pest"\n'
        'label = "Aphids"\n[analysis]\nalpha = 0.1\n'
    )
    assert made == trialkit.read_trial(tmp_path)
    assert made.settings.alpha == 0.1
    assert trialkit.analyse(made).means["treatment"].tolist() == ["1", "2"]


def test_a_flat_table_will_do() -> None:
    flat = PLOTS.merge(COUNTS)
    made = trial_from_tables(KEYS, flat=flat)
    assert [plot.id for plot in made.plots] == ["101", "102", "201", "202"]


def test_problems_name_table_and_row() -> None:
    wrong = COUNTS.astype({"aphids": object}).assign(aphids=[30, "many", 1, 28])
    with pytest.raises(TrialError) as caught:
        trial_from_tables(KEYS, plots=PLOTS, counts=wrong)
    place = caught.value.problems[0].place
    assert (place.file, place.row, place.column) == ("counts", 2, "aphids")


def test_an_unknown_table_is_named() -> None:
    with pytest.raises(TrialError, match="Did you mean 'plots'"):
        trial_from_tables(KEYS, plot=PLOTS)
    with pytest.raises(TrialError, match="does not fit alpha"):
        trial_from_tables({**KEYS, "analysis": {"alpha": 3}}, plots=PLOTS, counts=COUNTS)
