"""From trials on disk to a series: what stays the same however they come, and what is refused."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trialkit
from trialkit.problems import TrialError
from trialkit.record import rerun
from trialkit.record.series import make_series_record, series_from_record
from trialkit.series.combine import combine, read_series
from trialkit.series.start import start_text
from trialkit.series_summaries import series_lines

SERIES = trialkit.example_series("bean_aphids")
KEYS = [
    "crane_moor_2024",
    "withy_bottom_2024",
    "crane_moor_2025",
    "saltby_down_2025",
    "withy_bottom_2025",
]


@pytest.fixture(scope="module")
def beans():
    return combine(SERIES, jobs=1)


def same_tables(one, other, but: tuple[str, ...] = ()) -> None:
    assert one.tables.keys() == other.tables.keys()
    for name, table in one.tables.items():
        if name not in but:
            pd.testing.assert_frame_equal(table, other.tables[name], check_exact=False, rtol=1e-9)


def copies(tmp_path: Path, change) -> Path:
    """The example with every file changed."""
    for folder in SERIES.iterdir():
        shutil.copytree(folder, tmp_path / folder.name)
    for path in tmp_path.rglob("*"):
        if path.is_file():
            path.write_text(change(path, path.read_text(encoding="utf-8")), encoding="utf-8")
    return tmp_path


def test_trials_stand_by_year_and_site_and_windows_hold_their_days(beans):
    assert [trial.key for trial in beans.trials] == KEYS
    assert beans.title == "Aphids in field beans"
    assert beans.matched.settings.reference == "Larkmere"
    days = beans.series_matches.query("kind == 'days' and trial == 'saltby_down_2025'")
    taken = dict(zip(days["found"], days["taken_as"], strict=True))
    assert taken["aphids, day 6"] == "5-10"
    assert pd.isna(taken["aphids, day −2"])
    units = beans.series_matches.query("kind == 'unit'")
    assert units[["trial", "taken_as"]].to_numpy().tolist() == [["saltby_down_2025", "beans, t/ha"]]


def test_the_order_of_the_trials_and_where_they_are_worked_on_do_not_matter(beans):
    paths = [SERIES / key for key in reversed(KEYS)]
    with ThreadPoolExecutor(2) as executor:
        same_tables(beans, combine(paths, executor=executor))


def test_records_give_what_trials_give(beans, tmp_path):
    trialkit.report_trials([SERIES / key for key in KEYS[:2]], tmp_path, formats=(), jobs=1)
    found = combine([tmp_path, *(SERIES / key for key in KEYS[2:])], jobs=1)
    assert [item.kind for item in found.inputs].count("record") == 2
    same_tables(beans, found)
    assert {item.digest for item in found.inputs} == {item.digest for item in beans.inputs}


def test_other_ids_give_the_same(beans, tmp_path):
    def change(path: Path, text: str) -> str:
        if path.name == "treatments.csv":
            head, *rows = text.splitlines()
            return "\n".join([head, *(f"n{row}" for row in rows)]) + "\n"
        if path.name == "plots.csv":
            head, *rows = text.splitlines()
            place = head.split(",").index("treatment")
            cells = [row.split(",") for row in rows]
            made = [",".join([*r[:place], f"n{r[place]}", *r[place + 1 :]]) for r in cells]
            return "\n".join([head, *made]) + "\n"
        if path.name == "trial.toml":
            return text.replace('untreated = "', 'untreated = "n')
        return text

    same_tables(beans, combine(copies(tmp_path, change), jobs=1), but=("series_matches",))


def flat_lines(seed: int) -> list[str]:
    rng = np.random.default_rng(seed)
    lines = []
    for block in range(1, 5):
        for name, mean in (("Untreated", 40), ("Wimbrel", 6), ("Tarnock", 15)):
            for day in (-1, 3, 9, 14):
                count = rng.poisson((mean if day > 0 else 40) * rng.gamma(5, 0.2))
                lines.append(f"{block},{name},{day},{count}")
    return lines


def test_one_table_of_all_sites_equals_a_file_for_each(tmp_path):
    described = 'design = "rcbd"\nuntreated = "Untreated"\n[variables.larvae]\nrole = "pest"\n'
    places = [("north", 2024), ("north", 2025), ("south", 2025)]
    trials = {place: flat_lines(number) for number, place in enumerate(places)}
    one, apart = tmp_path / "one", tmp_path / "apart"
    one.mkdir()
    (one / "trial.toml").write_text(described)
    head = "block,treatment,days_after,larvae"
    rows = [f"{site},{year},{row}" for (site, year), own in trials.items() for row in own]
    (one / "all.csv").write_text("\n".join([f"site,year,{head}", *rows]) + "\n")
    for (site, year), own in trials.items():
        folder = apart / f"{site} {year}"
        folder.mkdir(parents=True)
        (folder / "trial.toml").write_text(f'site = "{site}"\nseason = "{year}"\n{described}')
        (folder / "own.csv").write_text("\n".join([head, *own]) + "\n")
    together, separate = combine(one / "all.csv", jobs=1), combine(apart, jobs=1)
    assert [t.key for t in together.trials] == ["north 2024", "north 2025", "south 2025"]
    same_tables(together, separate, but=("series_trials",))


def test_a_series_of_one_trial_gives_the_estimates_of_the_trial(tmp_path):
    found = combine(SERIES / KEYS[0], jobs=1)
    control = trialkit.analyse(SERIES / KEYS[0]).control.query("chosen and variable == 'aphids'")
    names = {t.id: t.name for t in trialkit.read_trial(SERIES / KEYS[0]).treatments}
    own = {
        (f"{day:g}", names[treatment]): percent
        for day, treatment, percent in zip(
            control["days_after"], control["treatment"], control["percent"], strict=True
        )
    }
    rows = found.trial_control.query("variable == 'aphids' and measure == 'control'")
    assert len(rows) == 25
    for row in rows.itertuples():
        assert row.percent == pytest.approx(own[row.days_after, row.treatment])


def test_problems_of_all_trials_are_told_at_once(tmp_path):
    def change(path: Path, text: str) -> str:
        if path.name == "counts.csv" and path.parent.name in KEYS[:2]:
            return text.replace("\n", "\n999,", 1)
        return text

    with pytest.raises(TrialError) as caught:
        combine(copies(tmp_path, change), jobs=1)
    files = {problem.place.file for problem in caught.value.problems}
    assert {name.split("/")[0] for name in files} == set(KEYS[:2])


def test_a_trial_is_left_out_with_its_reason_alone(beans):
    found = combine(SERIES, options={"left_out": {KEYS[0]: "hail"}}, jobs=1)
    assert [trial.key for trial in found.trials] == KEYS[1:]
    first = found.series_matches.iloc[0]
    assert (first["kind"], first["trial"], first["how"]) == ("trial", KEYS[0], "hail")
    with pytest.raises(TrialError, match="no trial is called so"):
        combine(SERIES, options={"left_out": {"crane_moor": "hail"}}, jobs=1)


def test_only_what_is_asked_is_answered():
    found = combine(SERIES, options={"questions": ["control"], "windows": ["1-10"]}, jobs=1)
    assert set(found.matched.rows["window"]) == {"1-10"}
    assert found.matched.means == ()
    assert set(found.combined_control["measure"]) == {"control"}


def test_options_that_were_written_from_the_matches_give_the_same(beans, tmp_path):
    path = tmp_path / "series.toml"
    path.write_text(start_text(read_series(SERIES, jobs=1)), encoding="utf-8")
    same_tables(beans, combine(SERIES, options=path, jobs=1), but=("series_matches",))


def test_covariates_of_the_options_stand_beside_those_of_the_trials():
    given = {"covariates": {KEYS[0]: {"soil pH": 6.5}}}
    found = read_series(SERIES, options=given, jobs=1).matching.trials[0].covariates
    assert found["soil pH"] == 6.5
    assert "carrier volume, L/ha" in found
    assert "aphids in the untreated" in found


def test_the_record_of_a_series_gives_the_same_numbers(beans):
    record = json.loads(make_series_record(beans, datetime(2025, 1, 1, tzinfo=UTC)))
    again = series_from_record(record)
    assert again.options == beans.options
    assert again.matched.trials == beans.matched.trials
    assert again.facts == dict(beans.facts)
    agreement = rerun(record)
    assert agreement.same
    assert agreement.largest == 0.0
    record["series"]["ratios"][0]["estimates"][0] -= 0.1
    agreement = rerun(record)
    assert agreement.edited == ("data",)
    assert {item.table for item in agreement.differences} >= {"combined_control"}


def test_varieties_without_an_untreated_are_compared_by_their_yields(tmp_path):
    rng = np.random.default_rng(5)
    gains = {"Old Drum": 0.0, "Brightwell": 1.5, "Tansy": -0.2}
    lines = ["site,year,block,variety,yield (t/ha)"]
    for site, year, level in (("Ashby", 2024, 6.0), ("Ashby", 2025, 7.0), ("Birch", 2025, 5.0)):
        for block in (1, 2, 3):
            for name, gain in gains.items():
                value = level + gain + rng.normal(0.0, 0.2)
                lines.append(f"{site},{year},{block},{name},{value:.2f}")
    (tmp_path / "varieties.csv").write_text("\n".join(lines) + "\n")
    found = combine(tmp_path / "varieties.csv", jobs=1)
    assert found.matched.settings.untreated is None
    assert found.combined_control.empty
    means = found.combined_means.groupby("treatment")["mean"].first()
    assert means["Brightwell"] - means["Old Drum"] == pytest.approx(1.5, abs=0.3)
    assert any("Brightwell" in line for line in series_lines(found) if line.startswith("- "))
    # parts of one table have no report of their own: what is odd in them is told here, once
    kinds = [problem.kind for problem in found.problems]
    assert len(kinds) == len(set(kinds))
