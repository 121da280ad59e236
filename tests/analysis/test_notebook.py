"""What a notebook shows of trial, analysis, settings and findings, and what can be asked there."""

import html
from xml.etree import ElementTree as Tree

import pytest

import trialkit
from trialkit import Settings, TrialError
from trialkit.analysis.schema import TABLES
from trialkit.run import front_page_lines

PATH = trialkit.example_trial("leaf_beetle_potato")


@pytest.fixture(scope="module")
def analysis() -> trialkit.Analysis:
    """The analysis of an example, asked for by its path."""
    return trialkit.analyse(PATH)


def test_reprs_fit_on_a_line_or_two(analysis: trialkit.Analysis) -> None:
    assert repr(analysis.trial).startswith("<Trial 'Leaf beetle larvae in potatoes, 2025': rcbd")
    assert repr(analysis).startswith("<Analysis of 'Leaf beetle larvae")
    assert max(map(len, map(repr, (analysis, analysis.trial, Settings(alpha=0.1))))) < 160
    assert repr(Settings(alpha=0.1, comparison="lsd")) == "Settings(alpha='0.1', comparison='lsd')"
    assert eval(repr(analysis.trial.settings)) == analysis.trial.settings
    finding = trialkit.make_findings(analysis)[0]
    assert repr(finding) == f"<Finding: {finding.text}>"


def test_a_summary_is_the_first_page(analysis: trialkit.Analysis) -> None:
    text = analysis.summary()
    assert max(map(len, text.splitlines())) <= 80
    said = " ".join(text.split())
    front = [item.text for item in trialkit.make_findings(analysis) if item.front]
    assert front
    for sentence in front:
        assert " ".join(sentence.split()) in said
    assert text.splitlines() == front_page_lines(PATH)


def test_a_notebook_shows_findings_and_tables_as_sound_html(analysis: trialkit.Analysis) -> None:
    made = analysis._repr_html_()
    page = Tree.fromstring(f"<div>{made}</div>")
    filled = [name for name in TABLES if len(getattr(analysis, name))]
    listed = [row[0].text for row in page.findall("details//tbody/tr")]
    assert listed == filled
    assert len(page.findall("ul/li")) > 0


def test_text_of_a_trial_never_becomes_html() -> None:
    from dataclasses import replace

    trial = replace(trialkit.read_trial(PATH), title="<script>x</script>")
    made = trialkit.analyse(trial.with_settings(supporting=False))._repr_html_()
    assert "<script>" not in made
    assert html.escape("<script>") in made


def test_other_settings_are_named_and_checked(analysis: trialkit.Analysis) -> None:
    trial = analysis.trial.with_settings(alpha=0.1)
    assert trial.settings.alpha == 0.1
    assert trial.settings.currency == analysis.trial.settings.currency
    with pytest.raises(TrialError, match="Did you mean 'alpha'"):
        trial.with_settings(alfa=0.1)


@pytest.mark.parametrize("name", [None, *TABLES, "letters", "control.percent", "alpha", "control"])
def test_explain_writes_short_lines(name: str | None) -> None:
    text = trialkit.explain(name)
    assert max(map(len, text.splitlines())) <= 80
    assert name is None or name.partition(".")[0] in text


def test_explain_tells_the_nearest_name() -> None:
    with pytest.raises(KeyError, match="Did you mean 'means'"):
        trialkit.explain("maens")
