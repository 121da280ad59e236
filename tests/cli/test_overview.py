"""A line a trial of a batch."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

from shipped import analysed
from trialkit.glimpse import glimpse
from trialkit.many import Glimpse, Reported
from trialkit.overview import HEADS, overview_rows, write_overview
from trialkit.problems import error, warning


def _batch() -> list[Reported]:
    told = Reported(
        name="one",
        trial=Path("a") / "one.xlsx",
        paths=(Path("out/one/report.html"), Path("out/one/record.json")),
        findings=("Product A <b> reduced larvae most.", "More."),
        problems=(warning("odd", "Something was odd.", "Look."),),
        glimpse=Glimpse(leads="A <b>", control_first="91% (80–96), day 3", doubts="=1"),
    )
    failed = Reported(
        name="=two", trial=Path("two"), problems=(error("bad", "It is bad.", "Mend it."),)
    )
    return [told, failed]


def test_rows_say_what_leads_and_what_failed() -> None:
    first, second = overview_rows(_batch())
    assert len(first) == len(HEADS)
    assert first[2].startswith("Product A")
    assert first[3:5] == ("A <b>", "91% (80–96), day 3")
    assert first[8:] == ("1", "reported", "one/report.html")
    assert second[9:] == ("1 to mend", "")


def test_files_are_whole_and_hold_no_markup_or_formula(tmp_path: Path) -> None:
    page, table = write_overview(_batch(), tmp_path)
    text = page.read_text(encoding="utf-8")
    assert "<b>" not in text
    assert ElementTree.fromstring(text.split("<body>")[1].join(["<body>", ""]).split("</html>")[0])
    rows = list(csv.reader(table.read_text(encoding="utf-8").splitlines()))
    assert rows[0] == list(HEADS)
    assert rows[2][0] == "'=two"


def test_a_glimpse_repeats_the_table_at_a_glance() -> None:
    analysis = analysed("leaf_beetle_potato")
    found = glimpse(analysis)
    rows = analysis.glance.set_index(["treatment", "question"])
    leader = rows.xs("pest_days", level="question")["value"].idxmin()
    name = next(item.name for item in analysis.trial.treatments if item.id == leader)
    assert found.leads == name
    last = rows.loc[(leader, "control_last")]
    assert found.control_last.startswith(f"{last['value']:.0f}% (")
    assert found.control_last.endswith(f"day {last['days_after']:g}")
    assert "checks of" in found.doubts
    unsure = replace(analysis, glance=analysis.glance.assign(shown=False))
    assert glimpse(unsure).leads == f"{name} (difference not established)"
    none = replace(analysis, glance=analysis.glance.iloc[:0])
    assert glimpse(none).leads == ""
