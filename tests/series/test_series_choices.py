"""What ``[report]`` of series.toml, the forms and a notebook make of a series."""

import re
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.figures import draw_svg, gains
from trialkit.findings.series_story import series_findings
from trialkit.problems import TrialError
from trialkit.record import rerun
from trialkit.report.document import Document, Paragraph, Table
from trialkit.report.series.compose import compose_series
from trialkit.report.terminal import front_lines
from trialkit.report_options import ReportOptions
from trialkit.run_series import report_series
from trialkit.series.combine import combine
from trialkit.series.options import SeriesOptions
from trialkit.series.options_file import options_text, read_options

SERIES = trialkit.example_series("bean_aphids")
TEXTS = {
    "objective": "Is the half rate good enough?",
    "conclusion": "Not at every site.",
    "author": "H. Underhill",
    "parts": "yield; control",
    "variables": "aphids; beans",
    "numbers": "si",
}


@pytest.fixture(scope="module")
def beans():
    return combine(SERIES, jobs=1)


def composed(beans, report: Mapping[str, str] = {}, form: str = "report") -> Document:
    changed = replace(beans, options=SeriesOptions(report=report))
    return compose_series(changed, series_findings(changed), options=ReportOptions(form=form))


def test_parts_variables_and_texts_are_those_that_were_chosen(beans):
    document = composed(beans, TEXTS)
    keys = [section.key for section in document.printed]
    assert keys[:3] == ["yield", "control", "conclusion"]
    assert "departures" in keys or "cautions" in keys
    assert "sign-off" in keys and "enemies" not in keys and "trials" not in keys
    (said,) = (section for section in document.sections if section.key == "conclusion")
    assert said.blocks == (Paragraph("Not at every site."),)
    told = " ".join(front_lines(document))
    assert "lady beetles" not in told.lower() and "85\N{NARROW NO-BREAK SPACE}%" in told
    plain = composed(beans)
    assert [section.key for section in plain.printed][:2] == ["trials", "control"]
    assert "lady beetles" in " ".join(front_lines(plain)).lower()


@pytest.mark.parametrize(
    ("report", "words"),
    [
        ({"parts": "yeild"}, "yield"),
        ({"variables": "aphidz"}, "aphids"),
        ({"numbers": "roman"}, "plain"),
        ({"objektive": "x"}, "objective"),
    ],
)
def test_a_choice_that_is_not_there_is_refused_with_the_nearest(report, words):
    with pytest.raises(TrialError) as caught:
        combine(SERIES, options={"report": report}, jobs=1)
    (problem,) = caught.value.problems
    assert f"Did you mean '{words}'" in problem.remedy or words in problem.remedy


def test_texts_survive_file_record_and_rerun(tmp_path):
    options = SeriesOptions(report=TEXTS)
    path = tmp_path / "series.toml"
    path.write_text(options_text(options), encoding="utf-8")
    assert read_options(path).report == TEXTS
    written = report_series(SERIES, tmp_path / "out", options=path, formats=())
    record = trialkit.read_record(written.paths[-1])
    assert record["settings"]["report"] == TEXTS
    assert rerun(record).same


def test_one_table_has_control_and_yield(beans):
    (section,) = composed(beans, form="table").sections
    (table,) = section.blocks
    assert isinstance(table, Table) and len(table.rows) == 6
    assert table.rows[-1][0] == "Untreated" and "Letters" in [c.title for c in table.columns]


def test_a_notebook_shows_page_1_and_the_tables(beans):
    html = beans._repr_html_()
    assert "Thornwick, full rate" in html and "combined_control" in html
    assert beans.summary().startswith("Aphids in field beans\n")


def test_page_1_says_how_long_the_target_was_held(beans):
    text = beans.summary()
    assert re.search(r"held", text)
    row = beans.combined_held.set_index("treatment").loc["Thornwick, full rate"]
    line = next(line for line in text.splitlines() if line.startswith("Thornwick, full"))
    assert f" {row['days']:.0f} " in line


def test_gains_by_trial_are_those_of_the_trials(beans):
    table = beans.trial_differences
    trial = trialkit.analyse(SERIES / "crane_moor_2024")
    means = trial.means.query("measure == 'yield'").set_index("treatment")["mean"]
    named = {item.name: item.id for item in trial.trial.treatments}
    for row in table[table["trial"] == "crane_moor_2024"].to_dict("records"):
        assert row["difference"] == pytest.approx(means[named[row["a"]]] - means[named[row["b"]]])
        assert row["lower"] < row["difference"] < row["upper"]
    assert np.isfinite(table[["lower", "upper"]].to_numpy()).all()
    svg = draw_svg(gains(beans, "beans"), "gains")
    assert svg.count("<svg") == 1 and "Difference from Untreated" in svg
