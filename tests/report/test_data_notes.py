"""Data notes say each thing once: what begins alike is begun once, departures are not repeated."""

from __future__ import annotations

from dataclasses import replace

from trialkit.analysis import Analysis
from trialkit.problems import Place, warning
from trialkit.report import compose
from trialkit.report.document import Document, Notes


def notes_of(document: Document, part: str) -> list[str]:
    section = next(item for item in document.printed if item.title == part)
    return [text for block in section.blocks if isinstance(block, Notes) for text in block.items]


def test_notes_that_begin_alike_are_told_together(analysis: Analysis) -> None:
    remedy = "Nothing needs to be done if that is right."
    found = [
        warning("row-note", f"This row holds a note: '{text}'.", remedy, Place("a.csv", row=row))
        for row, text in ((3, "windy"), (9, "not counted"))
    ]
    (note,) = notes_of(compose(replace(analysis, problems=tuple(found))), "Data notes")
    assert note == (
        "This row holds a note: 'windy' (a.csv, row 3); 'not counted' (a.csv, row 9). " + remedy
    )


def test_departures_of_the_methods_are_no_data_notes(analysis: Analysis) -> None:
    found = [
        warning("unequal-samples", "Numbers of samples differ on day 7.", "Nothing."),
        warning("odd", "A plot is odd.", "Look it up."),
    ]
    notes = notes_of(compose(replace(analysis, problems=tuple(found))), "Data notes")
    assert notes == ["A plot is odd. Look it up."]
