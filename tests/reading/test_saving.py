"""Saving writes whole files or none, and refuses what would not read back."""

from __future__ import annotations

from dataclasses import replace

import openpyxl
import pytest

from trialkit.reading import read_trial, save_trial
from trialkit.reading.saving import number_text


def test_a_folder_holds_what_the_trial_has(folder, tmp_path):
    trial = read_trial(folder())
    files = save_trial(trial, tmp_path / "deep" / "down")
    assert [path.name for path in files] == [
        "trial.toml",
        "treatments.csv",
        "plots.csv",
        "counts.csv",
    ]
    assert sorted(p.name for p in (tmp_path / "deep" / "down").iterdir()) == sorted(
        path.name for path in files
    )
    counts = (tmp_path / "deep" / "down" / "counts.csv").read_text().splitlines()
    assert counts[:3] == ["plot,days_after,aphids", "101,-1,10", "101,7,20"]


def test_uneven_counts_are_written_long(folder, base, tmp_path):
    text = base["counts.csv"].replace("aphids", "aphids,damage %").replace("\n", ",\n").replace(
        ",damage %,\n", ",damage %\n"
    ) + "".join(f"{plot},14,,5\n" for plot in (101, 102, 201, 202))
    trial = read_trial(folder({"counts.csv": text}))
    save_trial(trial, tmp_path / "new")
    first = (tmp_path / "new" / "counts.csv").read_text().splitlines()[0]
    assert first == "plot,days_after,variable,value"
    assert read_trial(tmp_path / "new") == trial


def test_a_workbook_keeps_text_as_text(folder, base, tmp_path):
    trial = read_trial(folder({"treatments.csv": base["treatments.csv"].replace("Ostrel", "=1+1")}))
    save_trial(trial, tmp_path / "new" / "trial.xlsx")
    book = openpyxl.load_workbook(tmp_path / "new" / "trial.xlsx")
    cell = book["Treatments"]["B3"]
    assert (cell.value, cell.data_type) == ("=1+1", "s")
    assert book["Counts"]["C2"].data_type == "n"
    assert book["Plots"]["A2"].data_type == "s"
    assert book["Treatments"].freeze_panes == "A2"


def test_old_tables_in_the_folder_are_not_mixed_in(folder, tmp_path):
    trial = read_trial(folder())
    target = tmp_path / "old"
    target.mkdir()
    (target / "Yield.csv").write_text("plot,grain\n101,5\n")
    with pytest.raises(FileExistsError, match="Yield"):
        save_trial(trial, target)
    assert [path.name for path in target.iterdir()] == ["Yield.csv"]


def test_saving_again_replaces_the_files(folder, tmp_path):
    trial = read_trial(folder())
    save_trial(trial, tmp_path / "new")
    save_trial(replace(trial, title="Other"), tmp_path / "new")
    assert read_trial(tmp_path / "new").title == "Other"
    assert not [p for p in (tmp_path / "new").iterdir() if p.name.startswith(".")]


def test_what_a_workbook_cannot_hold(folder, tmp_path):
    trial = replace(read_trial(folder()), title="bell \x07")
    with pytest.raises(ValueError, match="control characters"):
        save_trial(trial, tmp_path / "trial.xlsx")
    with pytest.raises(ValueError, match="xlsx"):
        save_trial(trial, tmp_path / "trial.xlsm")
    assert not list(tmp_path.glob("*.xls*"))


def test_mixtures_and_variables_named_like_columns(folder, base, tmp_path):
    treatments = base["treatments.csv"].replace("role", "role,parts").replace("test", "test,1;2")
    trial = read_trial(
        folder(
            {
                "trial.toml": base["trial.toml"] + '[variables.sample]\nkind = "measurement"\n'
                'role = "yield"\n[variables.variable]\nkind = "measurement"\nrole = "yield"\n',
                "treatments.csv": treatments.replace("untreated\n", "untreated,\n"),
                "yield.csv": "plot,variable,value\n101,sample,3\n102,variable,4\n",
            }
        )
    )
    assert trial.treatments[1].parts == ("1", "2")
    assert trial.yields["variable"].tolist() == ["sample", "variable"]
    save_trial(trial, tmp_path / "new")
    save_trial(trial, tmp_path / "new.xlsx")
    assert read_trial(tmp_path / "new") == trial
    assert read_trial(tmp_path / "new.xlsx") == trial


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (7.0, "7"),
        (-1.0, "-1"),
        (0.1, "0.1"),
        (1e300, "1e+300"),
        (140.30934343434342, "140.30934343434342"),
    ],
)
def test_numbers_as_text(value, text):
    assert number_text(value) == text
    assert float(text) == value
