"""A line a trial of a batch."""

from __future__ import annotations

import csv
from pathlib import Path
from xml.etree import ElementTree

from trialkit.many import Reported
from trialkit.overview import HEADS, overview_rows, write_overview
from trialkit.problems import error, warning


def _batch() -> list[Reported]:
    told = Reported(
        name="one",
        trial=Path("a") / "one.xlsx",
        paths=(Path("out/one/report.html"), Path("out/one/record.json")),
        findings=("Product A <b> reduced larvae most.", "More."),
        problems=(warning("odd", "Something was odd.", "Look."),),
    )
    failed = Reported(
        name="=two", trial=Path("two"), problems=(error("bad", "It is bad.", "Mend it."),)
    )
    return [told, failed]


def test_rows_say_what_leads_and_what_failed() -> None:
    first, second = overview_rows(_batch())
    assert len(first) == len(HEADS)
    assert first[2].startswith("Product A")
    assert first[3:] == ("1", "reported", "one/report.html")
    assert second[4:] == ("1 to mend", "")


def test_files_are_whole_and_hold_no_markup_or_formula(tmp_path: Path) -> None:
    page, table = write_overview(_batch(), tmp_path)
    text = page.read_text(encoding="utf-8")
    assert "<b>" not in text
    assert ElementTree.fromstring(text.split("<body>")[1].join(["<body>", ""]).split("</html>")[0])
    rows = list(csv.reader(table.read_text(encoding="utf-8").splitlines()))
    assert rows[0] == list(HEADS)
    assert rows[2][0] == "'=two"
