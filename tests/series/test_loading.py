"""Trials and records behind paths: found, read, each once, with the place of what is wrong."""

import json
import pickle
import shutil
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

import trialkit
from trialkit.problems import TrialError
from trialkit.record.reading import read_trial_of_record
from trialkit.series.covariates import covariates_of, pressure_of, year_of
from trialkit.series.loading import TABLES, find_sources, load, refuse_twice, unpacked, with_keys

SERIES = trialkit.example_series("bean_aphids")
ONE = SERIES / "crane_moor_2024"


@pytest.fixture(scope="module")
def reported(tmp_path_factory) -> Path:
    out = tmp_path_factory.mktemp("reports") / "crane"
    trialkit.report_trial(ONE, out, formats=())
    return out


def test_a_folder_is_looked_through(tmp_path, reported):
    shutil.copytree(ONE, tmp_path / "season" / "crane")
    shutil.copytree(reported, tmp_path / "season" / "as_reported")
    (tmp_path / "season" / "notes.txt").write_text("nothing")
    (tmp_path / "flat.csv").write_text("plot,treatment\n")
    found = find_sources([tmp_path])
    assert [(item.key, item.record) for item in found] == [
        ("flat", False),
        ("as_reported", True),
        ("crane", False),
    ]


def test_a_path_without_trials_is_told(tmp_path):
    with pytest.raises(TrialError) as caught:
        find_sources([tmp_path, tmp_path / "nowhere"])
    assert [p.kind for p in caught.value.problems] == ["no-trials", "no-trials"]


def test_a_record_gives_the_trial_and_its_tables(reported):
    (source,) = find_sources([reported])
    (found,) = load(source)
    assert found.kind == "record"
    trial, tables = unpacked(found.packed)
    assert trial == trialkit.read_trial(ONE)
    analysis = trialkit.analyse(ONE)
    for name in TABLES:
        pd.testing.assert_frame_equal(tables[name], getattr(analysis, name))


def test_an_edited_record_is_analysed_anew(reported, tmp_path):
    record = json.loads((reported / "record.json").read_text())
    record["tables"]["control"][0]["percent"] = -1.0
    edited = tmp_path / "record.json"
    edited.write_text(json.dumps(record))
    trial, tables = read_trial_of_record(edited, TABLES)
    assert tables is None
    assert trial == trialkit.read_trial(ONE)
    text = (reported / "record.json").read_text()
    edited.write_text(text.replace('"site": "Crane Moor', '"site": "Cran Moor'))
    trial, tables = read_trial_of_record(edited, TABLES)
    assert tables is None
    assert (trial.site or "").startswith("Cran Moor")


def test_the_same_trial_twice_is_refused(reported):
    loaded = with_keys([item for s in find_sources([ONE, reported]) for item in load(s)])
    assert len({item.key for item in loaded}) == 2
    assert [p.kind for p in refuse_twice(loaded)] == ["same-trial-twice"]


def test_problems_name_their_trial(tmp_path):
    shutil.copytree(ONE, tmp_path / "crane")
    plots = tmp_path / "crane" / "plots.csv"
    plots.write_text(plots.read_text().replace(",2", ",x2"))
    (found,) = load(find_sources([tmp_path / "crane"])[0])
    assert found.facts is None
    assert found.problems
    assert all(item.place.file.startswith("crane") for item in found.problems)


def test_a_trial_travels_between_processes():
    trial = trialkit.read_trial(ONE)
    assert pickle.loads(pickle.dumps(trial)) == trial


def test_what_a_trial_says_of_itself():
    saltby = trialkit.read_trial(SERIES / "saltby_down_2025")
    found = covariates_of(saltby)
    assert found["carrier volume, L/ha"] == pytest.approx(20 * 3.785411784 / 0.40468564224)
    crane = trialkit.read_trial(ONE)
    weather = pd.read_csv(ONE / "weather.csv")
    applied = pd.Timestamp(crane.applied)
    after = (pd.to_datetime(weather["date"]) - applied).dt.days
    three = weather.loc[after.between(1, 3), "rain_mm"].sum()
    assert covariates_of(crane)["rain in the 3 days after application, mm"] == pytest.approx(three)
    counts = crane.counts
    own = {plot.id for plot in crane.plots if plot.treatment == crane.untreated}
    kept = counts[counts["plot"].isin(own) & (counts["variable"] == "aphids") & (counts["day"] > 0)]
    assert pressure_of(crane)["aphids"] == pytest.approx(kept["value"].mean())


@pytest.mark.parametrize(
    ("season", "applied", "year"),
    [
        ("spring 2024", None, 2024),
        ("2024/25", date(2025, 1, 3), 2024),
        ("", date(2023, 5, 1), 2023),
        ("dry", None, None),
        ("plot 12024", None, None),
    ],
)
def test_the_year_of_a_season(season, applied, year):
    assert year_of(season, applied) == year
