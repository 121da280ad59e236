"""Workbooks: bad ones get a plain word, odd ones come through, good ones equal the folder."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

import trialkit
from reading.folders import SOUND, write_folder
from trialkit.problems import Severity
from trialkit.reading import read, read_trial, save_trial


def sound_workbook() -> Workbook:
    book = Workbook()
    head = book.active
    head.title = "Trial"
    for row in [
        ("key", "value"),
        ("title", "Hoppers in barley"),
        ("design", "rcbd"),
        ("applied", date(2025, 5, 1)),
        ("untreated", "1"),
        ("variables.hoppers.label", "Hoppers per sweep"),
        ("variables.hoppers.kind", "count"),
        ("variables.hoppers.role", "pest"),
    ]:
        head.append(row)
    for name in ("counts", "plots", "treatments"):
        sheet = book.create_sheet(name.capitalize())
        for line in SOUND[f"{name}.csv"].splitlines():
            sheet.append([int(part) if part.isdigit() else part for part in line.split(",")])
    return book


def saved(book: Workbook, path):
    book.save(path)
    return path


def kinds(path) -> set[str]:
    return {item.kind for item in read(path).problems if item.severity is Severity.ERROR}


def test_a_workbook_equals_the_folder(tmp_path):
    folder = read_trial(write_folder(tmp_path / "folder"))
    workbook = read_trial(saved(sound_workbook(), tmp_path / "trial.xlsx"))
    assert workbook == folder


def test_truncated(tmp_path):
    path = saved(sound_workbook(), tmp_path / "trial.xlsx")
    path.write_bytes(path.read_bytes()[:2000])
    assert kinds(path) == {"workbook-truncated"}


def test_no_workbook_at_all(tmp_path):
    path = tmp_path / "trial.xlsx"
    path.write_bytes(b"plot,treatment\n1,2\n")
    assert len(kinds(path)) == 1
    path.write_bytes(b"")
    assert len(kinds(path)) == 1
    with zipfile.ZipFile(path, "w") as made:
        made.writestr("hello.txt", "no workbook")
    assert len(kinds(path)) == 1


def test_encrypted(tmp_path):
    path = tmp_path / "trial.xlsx"
    # An encrypted workbook is an OLE container, whatever its ending.
    path.write_bytes(bytes.fromhex("d0cf11e0a1b11ae1") + b"\0" * 4096)
    assert kinds(path) & {"workbook-encrypted", "old-workbook"}


def test_unpacks_to_too_much(tmp_path):
    path = tmp_path / "trial.xlsx"
    buffer = io.BytesIO()
    sound_workbook().save(buffer)
    with (
        zipfile.ZipFile(buffer) as old,
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for item in old.infolist():
            new.writestr(item, old.read(item))
        with new.open("xl/media/filler.bin", "w", force_zip64=True) as filler:
            for _ in range(201):
                filler.write(b"\0" * 1_000_000)
    assert path.stat().st_size < 2_000_000
    assert kinds(path) == {"workbook-too-large"}


@pytest.mark.parametrize("ending", ["xls", "ods"])
def test_old_forms_get_a_plain_word(ending, tmp_path):
    path = tmp_path / f"trial.{ending}"
    path.write_bytes(b"whatever")
    (problem,) = read(path).problems
    assert ".xlsx" in problem.what + problem.remedy


def test_formula_without_a_stored_value(tmp_path):
    book = sound_workbook()
    book["Counts"]["C9"] = "=2+2"
    path = saved(book, tmp_path / "trial.xlsx")
    (problem,) = [item for item in read(path).problems if item.kind == "formula-without-value"]
    assert (problem.place.sheet, problem.place.row) == ("Counts", 9)


def test_error_cell(tmp_path):
    book = sound_workbook()
    book["Counts"]["C9"] = "#N/A"
    book["Counts"]["C9"].data_type = "e"
    assert "error-cell" in kinds(saved(book, tmp_path / "trial.xlsx"))


def test_a_cell_far_away_does_no_harm(tmp_path):
    book = sound_workbook()
    book["Counts"]["XFD1048576"] = "far"
    reading = read(saved(book, tmp_path / "trial.xlsx"))
    assert reading.problems
    assert all(item.what and item.remedy for item in reading.problems)


def test_real_dates_numbers_as_text_and_titles(tmp_path):
    book = sound_workbook()
    del book["Counts"]
    sheet = book.create_sheet("Counts")
    sheet.append(["Counts of hoppers, all by sweep net", None, None])
    sheet.merge_cells("A1:C1")
    sheet.append([None, None, None])
    sheet.append(["Plot", "Date", "Hoppers"])
    for line in SOUND["counts.csv"].splitlines()[1:]:
        plot, day, value = line.split(",")
        sheet.append([int(plot), datetime(2025, 5, 1 + int(day)), f" {value} "])
    sheet.append([None, None, None])
    sheet.append(["Counted after the dew had dried", None, None])
    trial = read_trial(saved(book, tmp_path / "trial.xlsx"))
    assert trial.counts.equals(read_trial(write_folder(tmp_path / "folder")).counts)


HOSTILE = ["<script>alert(1)</script>", "=1+1", "../x", "+cmd", "@a", "\N{BUG} x", 'say "hi"; then']


def test_text_stays_text(tmp_path):
    book = sound_workbook()
    rows = book["Treatments"]
    for row, name in zip(range(2, 5), HOSTILE[:3], strict=True):
        rows.cell(row, 2).value = name
        rows.cell(row, 2).data_type = "s"
    trial = read_trial(saved(book, tmp_path / "trial.xlsx"))
    assert [item.name for item in trial.treatments] == HOSTILE[:3]


TEXT = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp", "Zs", "Cn", "Cf")),
    min_size=1,
    max_size=12,
)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    names=st.lists(TEXT, min_size=3, max_size=3, unique_by=str.casefold),
    # A day on which nothing was counted is no assessment, so each day keeps one value.
    first=st.lists(st.integers(0, 500), min_size=2, max_size=2),
    values=st.lists(st.integers(0, 500) | st.none(), min_size=10, max_size=10),
    title=TEXT,
    form=st.sampled_from(["folder", "book.xlsx"]),
)
def test_what_is_saved_reads_back_equal(names, first, values, title, form, tmp_path_factory):
    from dataclasses import replace

    import numpy as np

    base = read_trial(write_folder(tmp_path_factory.mktemp("base")))
    counts = base.counts.copy()
    counts["value"] = np.array([np.nan if v is None else v for v in [*first, *values]], dtype=float)
    trial = replace(
        base,
        title=title,
        counts=counts,
        treatments=tuple(
            replace(item, name=name) for item, name in zip(base.treatments, names, strict=True)
        ),
    )
    path = tmp_path_factory.mktemp("saved") / form
    save_trial(trial, path)
    assert read_trial(path) == trial


@pytest.mark.parametrize("name", trialkit.example_names())
@pytest.mark.parametrize("form", ["folder", "book.xlsx"])
def test_examples_survive_a_round_trip(name, form, tmp_path):
    trial = read_trial(trialkit.example_trial(name))
    save_trial(trial, tmp_path / form)
    assert read_trial(tmp_path / form) == trial
