"""Numbers that no plot can have, and what only looks like a file."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from trialkit.reading import read


@pytest.mark.parametrize("text", ["1e155", "1e16", "-1e300", "1e-300"])
def test_numbers_that_no_plot_can_have(folder, base, check, text):
    counts = base["counts.csv"].replace("102,7,2", f"102,7,{text}")
    said = check(folder({"counts.csv": counts})).error(
        "out-of-range", "counts.csv, row 7, column aphids"
    )
    assert "is no number that a plot can have" in said


@pytest.mark.parametrize("rate", ["1e300", "1e-300"])
def test_rates_out_of_bounds(folder, check, rate):
    text = f"treatment,name,role,rate\n1,Untreated,untreated,\n2,Ostrel,test,{rate}\n"
    check(folder({"treatments.csv": text})).error(
        "out-of-range", "treatments.csv, row 3, column rate"
    )


def test_a_workbook_cell_without_bounds(book, sheets, check):
    sheets["Counts"][1][2] = 1e300
    check(book(sheets)).error("out-of-range")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes are of POSIX systems")
@pytest.mark.parametrize("how", ["pipe", "link to a pipe", "link to a device", "broken link"])
def test_only_files_are_read(folder, tmp_path, how, check):
    target = folder()
    (target / "counts.csv").unlink()
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    if how == "pipe":
        os.mkfifo(target / "counts.csv")
    else:
        leads = {"link to a pipe": pipe, "link to a device": Path("/dev/zero")}
        (target / "counts.csv").symlink_to(leads.get(how, tmp_path / "nothing"))
    assert "could not be opened" in check(target).error("file-unreadable", "counts.csv")
    alone = target / "counts.csv" if how != "broken link" else pipe
    assert read(alone).trial is None


def test_a_folder_with_the_name_of_a_table(folder, check):
    target = folder()
    (target / "counts.csv").unlink()
    (target / "counts.csv").mkdir()
    check(target).error("file-unreadable", "counts.csv")
