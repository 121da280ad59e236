"""series.toml: every key checked, each problem with its line, and read back as it was written."""

import pytest

import trialkit
from trialkit.problems import TrialError
from trialkit.resources import data_folder
from trialkit.series.blank import blank_text
from trialkit.series.matched import Window
from trialkit.series.options import KEYS, SECTIONS, Named, SeriesOptions
from trialkit.series.options_file import options_from, options_text, read_options

WRITTEN = SeriesOptions(
    title='Aphids, "all" sites',
    target=70.0,
    windows=(Window("1-7", 1, 7), Window("8+", 8, float("inf"))),
    questions=("control", "means"),
    reference="Larkmere",
    environments="fixed",
    treatments={"Thornwick": (Named("Thornwick 10"), Named("C", "saltby.2025"))},
    variables={"aphids": (Named("greenfly"),)},
    units={"beans": "t/ha"},
    covariates={"saltby.2025": {"latitude": 52.5, "soil pH": 6.0}},
    left_out={"crane": "hail on day 6"},
    sites={"crane": "Crane Moor"},
)


def test_options_are_read_as_they_were_written(tmp_path):
    path = tmp_path / "series.toml"
    path.write_text(options_text(WRITTEN, {"treatments": ["Decide about A and B."]}))
    assert read_options(path) == WRITTEN
    assert "# Decide about A and B." in path.read_text()


def test_usual_options_are_read_as_they_were_written(tmp_path):
    path = tmp_path / "series.toml"
    path.write_text(options_text(SeriesOptions()))
    assert read_options(path) == SeriesOptions()


def test_all_problems_are_told_at_once_with_their_lines(tmp_path):
    path = tmp_path / "series.toml"
    path.write_text(
        "alpha = 7\n"
        'windows = ["1-5", "5-9"]\n'
        "targett = 80\n"
        'questions = ["yields"]\n'
        "[treatments]\n"
        'Thornwick = [{ trial = "a" }]\n'
        "[covariates.a]\n"
        'latitude = "north"\n'
        "[left_out]\n"
        'b = ""\n'
    )
    with pytest.raises(TrialError) as caught:
        read_options(path)
    told = {(p.kind, p.place.row) for p in caught.value.problems}
    assert told == {
        ("settings-value", 1),
        ("settings-value", 2),
        ("unknown-key", 3),
        ("settings-value", 4),
        ("no-name", 6),
        ("no-number", 8),
        ("no-reason", 10),
    }
    assert "Did you mean 'target'?" in str(caught.value)


def test_options_of_a_program_are_checked_alike():
    assert options_from({"target": 60, "windows": ["1-3", "4+"]}).windows[-1].last == float("inf")
    plain = SeriesOptions(treatments={"A": ["B", Named("4", "north")], "C": "D"})  # type: ignore[dict-item]
    assert plain.treatments == {"A": (Named("B"), Named("4", "north")), "C": (Named("D"),)}
    with pytest.raises(TrialError, match="no span of days"):
        SeriesOptions(windows=["soon"])  # type: ignore[arg-type]


def test_the_blank_that_is_shipped_is_as_the_keys_are_now():
    blank = data_folder("templates") / "series.toml"
    assert blank.read_text(encoding="utf-8") == blank_text()
    assert read_options(blank) == SeriesOptions()


def test_what_stands_as_an_example_in_the_blank_can_be_read(tmp_path):
    lines = [
        line.removeprefix("# ") if "=" in line or line.startswith("# [") else line
        for line in blank_text().splitlines()
        if " reading " not in line
    ]
    path = tmp_path / "series.toml"
    path.write_text("\n".join(line for line in lines if not line.startswith("trial =")) + "\n")
    found = read_options(path)
    assert found.treatments["Product, full rate"] == (
        Named("Product 10 EC"),
        Named("4", "north-2025"),
    )
    assert found.covariates == {"north-2025": {"latitude": 52.1}}
    assert found.reference == "Larkmere"


@pytest.mark.parametrize("name", [*(key.name for key in KEYS), *SECTIONS])
def test_every_key_is_explained(name):
    assert "series.toml" in trialkit.explain(name)
    assert f"  {name}\n" in trialkit.explain()
