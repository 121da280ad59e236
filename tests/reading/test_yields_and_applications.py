"""Yields, harvested masses and applications."""

from __future__ import annotations

import pytest

from trialkit.reading import read_trial
from trialkit.trial import HARVEST_COLUMNS, Kind, VariableRole

YIELDS = "plot,grain,straw\n101,5.5,3\n102,6,4\n201,6.5,-\n202,5,2\n"
HARVEST = (
    "Plot,Harvested lb,Harvested area ft2,Grain moisture %\n"
    "101,16.8,150,14.4\n102,15,150,13\n201,17,150,\n202,18,150,13.8\n"
)


def test_a_column_a_yield(folder, check):
    found = check(folder({"yield.csv": YIELDS}))
    trial = found.reading.trial
    assert trial.yields["plot"].tolist() == ["101", "101", "102", "102", "201", "202", "202"]
    assert trial.yields["value"].tolist() == [5.5, 3, 6, 4, 6.5, 5, 2]
    assert [(v.name, v.kind, v.role) for v in trial.variables[1:]] == [
        ("grain", Kind.MEASUREMENT, VariableRole.YIELD),
        ("straw", Kind.MEASUREMENT, VariableRole.YIELD),
    ]
    said = found.warning("missing-plots", "yield.csv, row 1, column straw")
    assert "Plot 201 has no value of 'straw'." in said
    assert trial.harvest.empty


def test_long(folder):
    wide = read_trial(folder({"yield.csv": YIELDS}))
    rows = [line.split(",") for line in YIELDS.splitlines()[1:]]
    long = "plot,variable,value\n" + "".join(
        f"{plot},{name},{value}\n"
        for name, i in (("grain", 0), ("straw", 1))
        for plot, *values in rows
        for value in [values[i]]
    )
    assert read_trial(folder({"yield.csv": long})) == wide


def test_harvested_masses(folder, check):
    found = check(folder({"yield.csv": HARVEST}))
    harvest = found.reading.trial.harvest
    assert tuple(harvest.columns) == HARVEST_COLUMNS
    assert harvest["harvested_lb"].tolist() == [16.8, 15, 17, 18]
    assert harvest["harvested_kg"].isna().all()
    assert harvest["moisture_percent"].isna().tolist() == [False, False, True, False]
    assert found.problems == ()
    assert found.reading.trial.yields.empty


def test_mass_and_yield_together(folder):
    lines = HARVEST.splitlines()
    text = "\n".join([lines[0] + ",oil %", *(line + ",40" for line in lines[1:])])
    trial = read_trial(folder({"yield.csv": text}))
    assert len(trial.harvest) == 4
    assert set(trial.yields["variable"]) == {"oil %"}


@pytest.mark.parametrize(
    ("old", "new", "kind", "place", "words"),
    [
        ("102,15,150,13", "102,-15,150,13", "negative-number", "row 3, column Harvested lb",
         "It must be 0 or more."),
        ("102,15,150,13", "102,15,0,13", "out-of-range", "row 3, column Harvested area ft2",
         "It must be above 0."),
        ("102,15,150,13", "102,15,150,100", "out-of-range", "row 3, column Grain moisture %",
         "It must be 0 or more and below 100."),
        ("102,15,150,13", "102,15 lb,150,13", "text-in-number", "row 3, column Harvested lb",
         "Type the number alone: 15."),
        ("102,15", "101,15", "different-values-twice", "row 3, column Harvested lb",
         "Plot '101' has harvested_lb twice: 16.8 in row 2 and 15 here."),
        ("102,15", "109,15", "plot-unknown", "row 3, column Plot", "is not in the plan"),
    ],
)  # fmt: skip
def test_faults_of_harvests(folder, check, old, new, kind, place, words):
    found = check(folder({"yield.csv": HARVEST.replace(old, new)}))
    problem = found.of(kind)[0]
    assert str(problem.place) == f"yield.csv, {place}"
    assert words in str(problem)
    assert found.reading.trial is None


def test_moisture_without_a_mass(folder, check):
    found = check(
        folder({"yield.csv": "plot,grain,moisture\n101,5,14\n102,6,14\n201,6,14\n202,5,14\n"})
    )
    assert "Add the column harvested_kg or harvested_lb." in found.warning(
        "no-harvested-mass", "yield.csv, row 1, column moisture"
    )
    assert found.reading.trial.harvest.empty


def test_faults_of_yields(folder, check):
    text = "plot,grain\n101,5\n102,-6\n201,six\n202,5\n202,7\n"
    found = check(folder({"yield.csv": text}))
    assert "A yield can't be negative: '-6'." in found.error(
        "negative-number", "yield.csv, row 3, column grain"
    )
    found.error("text-in-number", "yield.csv, row 4, column grain")
    said = found.error("different-values-twice", "yield.csv, row 6, column grain")
    assert "Plot '202' has 'grain' twice: 5 in row 5 and 7 here." in said
    assert "Of several harvests enter the total." in said


def test_a_lost_harvest(folder, check):
    found = check(folder({"yield.csv": HARVEST.replace("102,15,150,13\n", "")}))
    said = found.warning("missing-plots", "yield.csv, row 1, column Harvested lb")
    assert "Plot 102 has no value of 'harvested mass'." in said


def test_a_trial_of_yields_alone(folder, base, check):
    toml = base["trial.toml"].split("[variables")[0]
    target = folder({"trial.toml": toml, "yield.csv": YIELDS})
    (target / "counts.csv").unlink()
    found = check(target)
    assert found.reading.trial.counts.empty
    assert found.kinds == ["variable-assumed", "variable-assumed", "missing-plots"]


def test_variables_on_rows_of_their_own(folder, base, check):
    text = "plot,days_after,aphids,damage %\n" + "".join(
        f"{plot},7,5,\n{plot},7,,10\n" for plot in ("101", "102", "201", "202")
    )
    found = check(folder({"counts.csv": text}))
    assert found.kinds == ["variable-assumed"]
    assert sorted(found.reading.trial.counts["value"]) == [5] * 4 + [10] * 4


@pytest.mark.parametrize("value", ["-1", "101", "150"])
def test_percentages_outside_their_range(folder, check, value):
    text = f"plot,days_after,damage %\n101,7,5\n102,7,{value}\n201,7,100\n202,7,0\n"
    said = check(folder({"counts.csv": text})).error(
        "percent-range", "counts.csv, row 3, column damage %"
    )
    assert f"A percentage lies between 0 and 100: '{value}'." in said


def test_negative_counts(folder, base, check):
    text = base["counts.csv"].replace("102,7,2", "102,7,-2").replace("201,7,3", "201,7,-3")
    found = check(folder({"counts.csv": text}))
    assert [str(p.place) for p in found.of("negative-count")] == [
        "counts.csv, row 7, column aphids",
        "counts.csv, row 8, column aphids",
    ]
    assert "A count can't be negative: '-2'." in str(found.of("negative-count")[0])


# --- applications ------------------------------------------------------------------------


def test_applications(folder, check):
    text = (
        "Date,Water volume (L/ha),Sprayer,Crop stage,Nozzle,Pressure\n"
        "2025-06-12,300,knapsack,BBCH 61,flat fan,3 bar\n2025-06-26,,,,,\n"
    )
    found = check(folder({"applications.csv": text}))
    assert found.problems == ()
    first, second = found.reading.trial.applications
    assert (first.carrier_l_per_ha, first.equipment, first.growth_stage) == (
        300.0,
        "knapsack",
        "BBCH 61",
    )
    assert dict(first.details) == {"Nozzle": "flat fan", "Pressure": "3 bar"}
    assert (second.carrier_l_per_ha, dict(second.details)) == (None, {})


@pytest.mark.parametrize(
    ("text", "kind", "place"),
    [
        ("day of spraying,nozzle\n2025-06-12,x\n", "no-header", None),
        ("sprayer,nozzle\nknapsack,x\n", "no-column", "row 1"),
        ("date,gpa\n2025-06-12,-3\n", "negative-number", "row 2, column gpa"),
        ("date,gpa\n2025-06-12,much\n", "text-in-number", "row 2, column gpa"),
        ("date,gpa\nJune,15\n", "day-unreadable", "row 2, column date"),
        ("date,gpa\n,15\n", "day-unreadable", "row 2, column date"),
    ],
)
def test_faults_of_applications(folder, check, text, kind, place):
    found = check(folder({"applications.csv": text}))
    where = "applications.csv" + (f", {place}" if place else "")
    assert str(found.one(kind).place) == where
    assert found.reading.trial is None
