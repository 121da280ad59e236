from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import Analysis, analyse
from trialkit.report.compose import OUTLINE, compose
from trialkit.report.document import (
    Document,
    FieldMap,
    Findings,
    Kind,
    Missing,
    Notes,
    Paragraph,
    Table,
    Where,
)
from trialkit.report.references import REFERENCES
from trialkit.trial import Comparison, Design, Trial, empty_counts, empty_yields


def table(document: Document, key: str) -> Table:
    return next(item for item in document.tables() if item.key == key)


def texts(document: Document) -> str:
    parts: list[str] = []
    for block in document.blocks():
        if isinstance(block, Paragraph):
            parts.append(block.text)
        elif isinstance(block, Notes | Findings):
            parts += block.items
        elif isinstance(block, Table):
            parts += [block.question, *block.notes]
    return "\n".join(parts)


def with_settings(trial: Trial, **settings: object) -> Analysis:
    return analyse(replace(trial, settings=replace(trial.settings, **settings)))


def test_sections_come_in_the_order_of_the_outline(document: Document) -> None:
    keys = [section.key for section in document.printed]
    order = [part.key for part in OUTLINE]
    assert keys == [key for key in order if key in keys]
    assert keys[:4] == ["treatments", "course", "control", "pest-days"]
    main = [section.key for section in document.sections if section.where is Where.MAIN]
    assert main[-2:] == ["cautions", "references"]
    assert keys[-1] == "again"


def test_no_section_is_empty_and_none_is_without_need(
    document: Document, analysis: Analysis
) -> None:
    assert all(section.blocks for section in document.sections)
    keys = {section.key for section in document.sections}
    assert "injury" not in keys
    bare = compose(analysis)
    assert "findings" not in {section.key for section in bare.sections}


def test_table_keys_are_unique(document: Document) -> None:
    keys = [item.key for item in (*document.tables(), *document.figures())]
    keys += [section.key for section in document.sections]
    assert len(keys) == len(set(keys))


def test_means_are_those_of_the_analysis(document: Document, analysis: Analysis) -> None:
    made = table(document, "means-1")
    assert made.columns[1].title == "Day \u22121"
    numbers = [column for column in made.columns if column.kind is Kind.NUMBER]
    assert len(numbers) == 5
    rows = analysis.means
    wanted = rows[
        (rows["variable"] == "larvae")
        & (rows["measure"] == "count")
        & (rows["days_after"] == 7)
        & (rows["treatment"] == "3")
    ]
    place = [column.title for column in made.columns].index("Day 7")
    row = next(row for row in made.rows if row[0] == "3 Fernway")
    assert row[place] == pytest.approx(float(wanted["mean"].iloc[0]))
    assert row[place + 1] == wanted["letters"].iloc[0]


def test_later_applications_are_told_in_the_heads(document: Document) -> None:
    heads = {column.title: column.under for column in table(document, "control-1").columns}
    assert heads["Day 7"] == ""
    assert heads["Day 14"] == "4 after latest"


def test_control_shows_the_chosen_method_without_the_untreated(
    document: Document, analysis: Analysis
) -> None:
    made = table(document, "control-1")
    assert made.target == 80.0
    assert "Abbott" in made.about
    assert [row[0] for row in made.rows] == ["2 Brambletox", "3 Fernway", "NA Brambletox + Fernway"]
    rows = analysis.control
    wanted = rows[
        (rows["variable"] == "larvae")
        & (rows["method"] == "abbott")
        & (rows["days_after"] == 3)
        & (rows["treatment"] == "2")
    ]["percent"].iloc[0]
    assert made.rows[0][1] == pytest.approx(float(wanted))


def test_undefined_control_carries_its_reason(analysis: Analysis) -> None:
    control = analysis.control.copy()
    hit = (control["variable"] == "larvae") & (control["days_after"] == 3)
    control.loc[hit, "percent"] = np.nan
    control.loc[hit, "reason"] = "no pest in the untreated"
    made = table(compose(replace(analysis, control=control)), "control-1")
    assert made.rows[0][1] == Missing("no pest in the untreated")


def test_intervals_stand_below_control_once_they_are_known(analysis: Analysis) -> None:
    unknown = analysis.control.assign(lower=np.nan, upper=np.nan)
    before = table(compose(replace(analysis, control=unknown)), "control-1")
    assert not any(column.kind is Kind.SPAN for column in before.columns)
    for limits, wanted in (((-12.4, 93.6), "\u221212 to 94"), ((88.0, np.nan), "at least 88")):
        known = analysis.control.assign(lower=limits[0], upper=limits[1])
        made = table(compose(replace(analysis, control=known)), "control-1")
        place = next(i for i, column in enumerate(made.columns) if column.kind is Kind.SPAN)
        assert made.rows[0][place] == wanted


def test_letters_are_explained_wherever_they_stand(document: Document) -> None:
    lettered = [
        item
        for item in document.tables()
        if any(column.kind is Kind.LETTERS for column in item.columns)
    ]
    assert lettered
    for item in lettered:
        assert any("same letter do not differ significantly" in note for note in item.notes)


def test_dunnett_marks_differences_from_the_untreated(trial: Trial) -> None:
    analysis = with_settings(trial, comparison=Comparison.DUNNETT)
    made = table(compose(analysis), "means-1")
    marks = {
        cell
        for row in made.rows
        for cell, column in zip(row, made.columns, strict=True)
        if column.kind is Kind.LETTERS
    }
    assert marks == {"", "*"}
    assert any("differs from the untreated" in note for note in made.notes)
    pairs = analysis.comparisons
    seven = pairs[
        (pairs["variable"] == "larvae") & (pairs["measure"] == "count") & (pairs["days_after"] == 7)
    ]
    place = [column.title for column in made.columns].index("Day 7, letters")
    marked = {row[0] for row in made.rows if row[place] == "*"}
    assert len(marked) == int(seven["different"].sum())


def test_nothing_is_said_of_letters_where_nothing_is_compared(trial: Trial) -> None:
    document = compose(with_settings(trial, comparison=Comparison.NONE))
    assert "letter" not in texts(document)
    assert all(
        column.kind is not Kind.LETTERS for item in document.tables() for column in item.columns
    )


def test_missing_plots_are_told(document: Document) -> None:
    assert re.search(r"Plot 203 has no value for Larvae per plant on day 14", texts(document))


def test_fit_statistics_stand_one_row_a_response(document: Document, analysis: Analysis) -> None:
    made = table(document, "fits")
    assert len(made.rows) == len(analysis.responses)
    titles = [column.title for column in made.columns]
    assert "p-value" in titles
    assert "df, treatments" in titles
    assert {row[titles.index("df, treatments")] for row in made.rows} == {3.0}


def test_cautions_defer_to_label_and_law(document: Document) -> None:
    said = texts(document)
    assert "one trial, at one site" in said
    assert "product label, local law and licensed advice" in said
    assert "not a recommendation" in said


def test_attribution_of_codes_only_where_codes_are_used(trial: Trial, document: Document) -> None:
    sentence = "Contains EPPO Codes (www.eppo.int)"
    assert sentence not in texts(document)
    coded = compose(analyse(replace(trial, crop_code="SOLTU")))
    assert sentence in texts(coded)


def test_only_used_sources_are_listed(trial: Trial, document: Document) -> None:
    said = texts(document)
    assert "Abbott WS (1925)" in said
    assert "Keuls M (1952)" not in said
    assert "Keuls M (1952)" in texts(compose(with_settings(trial, comparison=Comparison.SNK)))


def test_sources_from_memory_are_left_out(trial: Trial, document: Document) -> None:
    said = texts(document)
    assert "from memory" not in said
    unseen = [item.text for item in REFERENCES.values() if not item.seen]
    assert unseen
    assert not [text for text in unseen if text in said]
    assert not REFERENCES["pest-days"].seen


def test_map_has_every_plot_and_its_gaps(trial: Trial) -> None:
    plots = tuple(
        replace(plot, row=None, column=None) if plot.id == "101" else plot for plot in trial.plots
    )
    document = compose(analyse(replace(trial, plots=plots)))
    field = next(block for block in document.blocks() if isinstance(block, FieldMap))
    assert len(field.plots) == 15
    assert field.at(1, 1) == ()
    assert field.at(2, 1)[0].plot == "201"
    assert "1 plot" in field.caption


def test_no_map_without_rows_and_columns(trial: Trial) -> None:
    plots = tuple(replace(plot, row=None, column=None) for plot in trial.plots)
    document = compose(analyse(replace(trial, plots=plots)))
    assert not any(isinstance(block, FieldMap) for block in document.blocks())


def test_a_yield_trial_without_counts_has_a_report(trial: Trial) -> None:
    yields_only = replace(
        trial,
        counts=empty_counts(),
        variables=(trial.variable("grain"),),
        design=Design.RCBD,
    )
    document = compose(analyse(yields_only))
    keys = {section.key for section in document.sections}
    assert "yield" in keys
    assert not keys & {"course", "control", "pest-days", "means"}
    assert "Small plots" not in texts(document)


def test_a_single_assessment_has_a_report(trial: Trial) -> None:
    one_day = trial.counts[trial.counts["day"] == 7].reset_index(drop=True)
    document = compose(analyse(replace(trial, counts=one_day, yields=empty_yields())))
    assert [figure.key for figure in document.figures()][:1] == ["course-1"]
    assert not any(figure.kind == "control_course" for figure in document.figures())


def test_samples_are_said_to_be_averaged(trial: Trial) -> None:
    twice = pd.concat(
        [trial.counts.assign(sample="a"), trial.counts.assign(sample="b")], ignore_index=True
    )
    twice.loc[0, "value"] = np.nan
    document = compose(analyse(replace(trial, counts=twice)))
    said = texts(document)
    assert "averaged before testing" in said
    assert "1 to 2 samples a plot" in said


def test_a_table_with_a_ragged_row_is_refused(document: Document) -> None:
    whole = document.tables()[0]
    with pytest.raises(ValueError, match="cells"):
        replace(whole, rows=(*whole.rows, whole.rows[0][:-1]))


def test_the_time_is_told_only_when_given(document: Document, analysis: Analysis) -> None:
    assert document.made == ""
    later = compose(analysis, made=datetime(2025, 11, 25, 1, 2, tzinfo=UTC))
    assert later.made == "2025-11-25 01:02 UTC"


def test_words_for_headings(document: Document) -> None:
    for item in document.tables():
        for column in item.columns:
            assert "_" not in column.title
            assert column.title != column.title.upper() or column.title in {"F", "SHA-256"}
