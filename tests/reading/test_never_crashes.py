"""Whatever stands in the files, reading ends in a trial or in problems, never in a crash."""

from __future__ import annotations

import io
import os
import tempfile
from pathlib import Path

import openpyxl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.problems import Severity
from trialkit.reading import read, save_trial

WORDS = [
    "plot", "treatment", "block", "row", "column", "days_after", "date", "sample", "variable",
    "value", "aphids", "aphids 7 DAT", "7 DAT", "aphids 2025-06-19", "thrips 19.06.2025", "yield",
    "harvested_kg", "moisture_percent", "name", "role", "rate", "parts", "main_factor",
    "sub_factor", "untreated", "test", "1", "2", "101", "102", "7", "-1", "-5", "1,5", "1,234",
    "1.5", "1.234", "nan", "NA", "", "", "", "*", "2025-06-19", "19.06.2025", "06/07/2025", "x",
    "Mean", "Note: wet", "a;b", "=1+1", "#N/A", "<b>", "%", "carrier_l_per_ha", "title", "design",
    "rcbd", "latin", "split-plot", "analysis.alpha", "variables.aphids.kind", "count", "key",
    "aphids-1 DAT", "x", "aphids examined", "1e999", "1e300", "two\nlines",
]  # fmt: skip
words = st.sampled_from(WORDS) | st.text(max_size=4)
tables = st.lists(st.lists(words, max_size=7), max_size=7)
NAMES = ["treatments", "plots", "counts", "yield", "applications", "flat", "trial"]
HEADS = {
    "treatments": ["treatment", "name", "role", "rate", "parts"],
    "plots": ["plot", "block", "treatment", "row", "column"],
    "counts": ["plot", "days_after", "aphids", "sample"],
    "yield": ["plot", "grain yield", "harvested_kg", "moisture"],
    "applications": ["date", "gal_per_acre", "speed"],
    "flat": ["plot", "block", "treatment", "DAT", "aphids"],
    "trial": ["key", "value"],
}
PLAIN = settings(
    max_examples=int(os.environ.get("TRIALKIT_EXAMPLES", "25")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)


@st.composite
def trials(draw: st.DrawFn) -> dict[str, list[list[str]]]:
    names = draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=5, unique=True))
    made = {}
    for name in names:
        rows = draw(tables)
        if draw(st.integers(0, 3)):
            rows = [HEADS[name], *rows]
        made[name] = rows
    return made


TOML = st.sampled_from(
    [
        "",
        'untreated = "1"\n',
        'design = "latin"\napplied = 2025-06-12\n',
        'design = "split-plot"\n[variables.aphids]\nkind = "percent"\n',
        "[variables]\naphids = 1\n",
        "variables = 3\nanalysis = 4\n",
        "[analysis]\nalpha = [1]\n[analysis.alpha2]\nx = 1\n",
        "[variables.a.b]\nc = 1\n",
        '[variables.aphids]\nexamined = "value"\n[variables.thrips]\nexamined = 7\n',
        '[variables.x]\nexamined = "aphids"\n[variables.aphids]\nkind = "count"\n',
        "title = 1979-05-27T07:32:00Z\napplied = 07:32:00\n",
        "untreated = []\nplot_area_m2 = nan\n",
        "[[variables]]\nx = 1\n",
    ]
)


def sound(path: Path) -> None:
    reading = read(path)
    errors = [p for p in reading.problems if p.severity is Severity.ERROR]
    assert (reading.trial is None) == bool(errors)
    assert all(p.what and p.remedy and p.kind for p in reading.problems)
    if reading.trial is not None:
        trial = reading.trial
        plots = {plot.id for plot in trial.plots}
        assert set(trial.counts["plot"]) <= plots
        assert set(trial.yields["plot"]) <= plots
        assert set(trial.harvest["plot"]) <= plots
        assert {plot.treatment for plot in trial.plots} <= {t.id for t in trial.treatments}
        assert set(trial.counts["variable"]) <= {v.name for v in trial.variables}


@given(trials(), TOML)
@PLAIN
def test_folders(files: dict[str, list[list[str]]], toml: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "trial.toml").write_text(toml)
        for name, rows in files.items():
            text = "\n".join(",".join(cell.replace("\n", " ") for cell in row) for row in rows)
            (folder / f"{name}.csv").write_bytes(text.encode("utf-8", "replace"))
        sound(folder)
        sound(folder / f"{next(iter(files))}.csv")


@given(trials())
@PLAIN
def test_workbooks(files: dict[str, list[list[str]]]) -> None:
    book = openpyxl.Workbook()
    for name, rows in files.items():
        page = book.create_sheet(name)
        for number, row in enumerate(rows, 1):
            for index, text in enumerate(row, 1):
                if text.isprintable() and text:
                    typed = text.lstrip("-").isdecimal() and text.isascii()
                    page.cell(number, index).value = int(text) if typed else text
        if rows:
            page.merge_cells(start_row=1, end_row=3, start_column=2, end_column=2)
    stream = io.BytesIO()
    book.save(stream)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "trial.xlsx"
        path.write_bytes(stream.getvalue())
        sound(path)


@given(st.binary(max_size=300), st.sampled_from(["t.csv", "t.tsv", "t.xlsx", "t.xlsm", "t.txt"]))
@PLAIN
def test_any_bytes(data: bytes, name: str) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / name
        path.write_bytes(data)
        sound(path)


@given(st.integers(0, 6000), st.integers(0, 255))
@PLAIN
def test_a_spoilt_byte_in_a_workbook(at: int, value: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "trial.xlsx"
        save_trial(_small(), path)
        data = bytearray(path.read_bytes())
        data[at % len(data)] = value
        path.write_bytes(bytes(data))
        sound(path)


def _small():
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "peas.csv"
        path.write_text(
            "plot,block,treatment,DAT,aphids\n1,1,check,7,3\n2,1,B,7,2\n3,2,B,7,1\n4,2,check,7,9\n"
        )
        trial = read(path).trial
        assert trial is not None
        return trial
