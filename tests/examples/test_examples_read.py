"""Each example trial is read without errors and is what the README says."""

from pathlib import Path

import pytest

import trialkit
from trialkit.reading import read_trial
from trialkit.trial import Comparison, Design, Trial

EXAMPLES = Path(__file__).parents[2] / "example_trials"


def trial(name: str) -> Trial:
    return read_trial(EXAMPLES / name)


@pytest.mark.parametrize(
    ("name", "design", "plots", "treatments", "days", "variables"),
    [
        (
            "leaf_beetle_potato",
            Design.RCBD,
            32,
            8,
            [-1, 3, 7, 10, 14, 21, 28],
            ["larvae", "lady_beetles", "defoliation", "tubers"],
        ),
        (
            "spider_mite_glasshouse",
            Design.CRD,
            28,
            6,
            [-1, 3, 7, 14, 21, 28],
            ["mites", "predatory_mites", "fruit"],
        ),
        (
            "leaf_disease_wheat",
            Design.LATIN,
            36,
            6,
            [-1, 9, 18, 25, 32, 39],
            ["blotch", "scorch", "grain"],
        ),
        (
            "fruit_moth_plum",
            Design.RCBD,
            24,
            6,
            [35, 63, 98],
            ["infested", "stung"],
        ),
        (
            "thrips_onion_field_office.xlsx",
            Design.RCBD,
            24,
            6,
            [-1, 3, 7, 14, 21, 28],
            ["thrips", "scarring", "bulbs"],
        ),
    ],
)
def test_shape(
    name: str,
    design: Design,
    plots: int,
    treatments: int,
    days: list[float],
    variables: list[str],
) -> None:
    read = trial(name)
    assert read.design == design
    assert len(read.plots) == plots
    assert len(read.treatments) == treatments
    assert sorted(read.counts["day"].unique()) == days
    assert [variable.name for variable in read.variables] == variables
    assert {plot.treatment for plot in read.plots} == {item.id for item in read.treatments}
    assert read.treatment(read.untreated or "").role == "untreated"
    assert sum(item.role == "reference" for item in read.treatments) == 1
    assert sum(item.role == "carrier" for item in read.treatments) == (design != Design.LATIN)
    assert all(plot.row and plot.column for plot in read.plots)


def test_potato_has_a_lost_plot_a_rate_pair_and_a_mixture() -> None:
    read = trial("leaf_beetle_potato")
    larvae = read.counts[read.counts["variable"] == "larvae"]
    missing = larvae[larvae["value"].isna()]
    assert set(missing[missing["day"] == 10]["plot"]) == {"406", "407", "408"}
    assert set(missing[missing["day"] >= 14]["plot"]) == {"307"}
    assert len(missing) == 6
    assert "307" not in set(read.harvest["plot"].astype(str)[read.harvest["harvested_kg"].notna()])
    assert (read.treatment("4").rate, read.treatment("5").rate) == (0.30, 0.15)
    assert read.treatment("8").parts == ("5", "7")
    assert len(read.applications) == 1


def test_mites_have_samples_and_unequal_numbers_of_plots() -> None:
    read = trial("spider_mite_glasshouse")
    mites = read.counts[read.counts["variable"] == "mites"]
    samples = mites.groupby(["plot", "day"])["value"].count()
    assert sorted(samples.unique()) == [3, 5]
    assert (samples == 3).sum() == 3
    plots = [plot.treatment for plot in read.plots]
    assert sorted(plots.count(item.id) for item in read.treatments) == [4, 4, 4, 5, 5, 6]
    assert read.settings.comparison == Comparison.DUNNETT


def test_wheat_is_a_latin_square_in_us_units() -> None:
    read = trial("leaf_disease_wheat")
    ids = {item.id for item in read.treatments}
    for number in range(1, 7):
        assert {plot.treatment for plot in read.plots if plot.row == number} == ids
        assert {plot.treatment for plot in read.plots if plot.column == number} == ids
    assert read.harvest["harvested_lb"].between(10, 25).all()
    assert (read.harvest["harvested_area_ft2"] == 150.0).all()
    assert read.harvest["moisture_percent"].between(12, 17).all()
    assert read.settings.yield_unit == "bu/acre"
    scorch = read.counts[read.counts["variable"] == "scorch"]
    assert sorted(scorch["day"].unique()) == [9, 18, 25]
    assert [str(item.date) for item in read.applications] == ["2025-05-06", "2025-05-24"]


def test_plums_are_infested_fruits_of_fruits_examined() -> None:
    read = trial("fruit_moth_plum")
    assert {variable.examined for variable in read.variables} == {"fruits examined"}
    counts = read.counts
    lost = counts[counts["value"].isna()]
    assert set(zip(lost["variable"], lost["day"], strict=True)) == {
        ("infested", 98.0),
        ("stung", 98.0),
    }
    young = {plot.id for plot in read.plots if plot.block == "4"}
    assert set(lost["plot"]) < young
    known = counts[counts["value"].notna()]
    assert known.loc[known["plot"].isin(young), "examined"].between(24, 36).all()
    assert known.loc[~known["plot"].isin(young), "examined"].between(80, 120).all()
    best = {plot.id for plot in read.plots if plot.treatment == "6"}
    first = known[known["plot"].isin(best) & (known["day"] == 35)]
    assert first.groupby("variable")["value"].sum().loc["infested"] == 0.0


def test_field_office_workbook_is_understood() -> None:
    read = trial("thrips_onion_field_office.xlsx")
    thrips = read.counts[read.counts["variable"] == "thrips"]
    missing = thrips[thrips["value"].isna()]
    assert list(zip(missing["plot"], missing["day"], strict=True)) == [("102", 21), ("304", 7)]
    # Numbers typed with decimal commas and numbers typed as numbers are one scale.
    first = thrips["plot"].str[0].isin(["1", "2"])
    ratio = thrips["value"][first].mean() / thrips["value"][~first].mean()
    assert 0.5 < ratio < 2.0
    assert [item.rate for item in read.treatments] == [None, 0.2, 0.5, 0.4, 0.6, 0.3]
    assert read.treatment("3").cost_per_ha == 52.5
    assert str(read.applied) == "2025-06-24"
    assert read.plot_area_m2 == 12.5
    assert read.variable("thrips").threshold == 5.0
    kinds = {warning.kind for warning in read.warnings}
    assert kinds >= {"date-order", "decimal-comma", "missing-plots", "note", "unknown-sheet"}


def test_series_has_sites_and_seasons_that_differ() -> None:
    folder = trialkit.example_series("bean_aphids")
    trials = {path.name: read_trial(path) for path in sorted(folder.iterdir()) if path.is_dir()}
    assert len(trials) == 5
    assert {(read.site, read.season) for read in trials.values()} == {
        ("Withy Bottom farm", "2024"),
        ("Withy Bottom farm", "2025"),
        ("Crane Moor station", "2024"),
        ("Crane Moor station", "2025"),
        ("Saltby Down", "2025"),
    }
    lacking, square = trials["saltby_down_2025"], trials["crane_moor_2025"]
    full = {item.name for item in square.treatments}
    assert full - {item.name for item in lacking.treatments} == {"Hazelbeck"}
    assert [item.id for item in lacking.treatments] == ["A", "B", "C", "D", "E"]
    assert square.design == Design.LATIN
    assert {read.settings.yield_unit for read in trials.values()} == {"t/ha", "lb/acre"}
    assert len({tuple(sorted(read.counts["day"].unique())) for read in trials.values()}) == 5
    assert {w.kind for read in trials.values() for w in read.warnings} == {"missing-plots"}


def test_an_unknown_series_is_named() -> None:
    with pytest.raises(ValueError, match="bean_aphids"):
        trialkit.example_series("turnips")


@pytest.mark.parametrize(
    ("name", "odd"),
    [
        ("leaf_beetle_potato", {"missing-plots"}),
        ("spider_mite_glasshouse", {"unequal-samples"}),
        ("leaf_disease_wheat", set()),
        ("fruit_moth_plum", {"none-examined"}),
    ],
)
def test_folders_warn_only_of_what_is_meant_to_be_odd(name: str, odd: set[str]) -> None:
    assert {warning.kind for warning in trial(name).warnings} == odd
