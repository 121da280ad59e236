"""Units as the user has them: in headings, per acre, and asked for where they are unclear."""

from __future__ import annotations

import pytest

from trialkit.measures.yields import BUSHELS
from trialkit.reading import read_trial, save_trial
from trialkit.reading.heading_units import heading_unit
from trialkit.trial_faults import crop_in_bushels

YIELD = "plot,{}\n101,5.5\n102,6\n201,6.5\n202,5\n"
TREATMENTS = "treatment,name,role,{}\n1,Untreated,untreated,0\n2,Ostrel,test,8\n"


@pytest.mark.parametrize(
    ("heading", "label", "unit"),
    [
        ("Yield (t/ha)", "Yield", "t/ha"),
        ("yield_bu_acre", "yield", "bu/acre"),
        ("Grain yield, lb/ac", "Grain yield", "lb/acre"),
        ("yield kg per ha", "yield", "kg/ha"),
        ("yield", "yield", None),
        ("Yield of plants", "Yield of plants", None),
    ],
)
def test_the_unit_of_a_yield_is_that_of_its_heading_or_none(folder, tmp_path, heading, label, unit):
    quoted = f'"{heading}"' if "," in heading else heading
    trial = read_trial(folder({"yield.csv": YIELD.format(quoted)}))
    assert (trial.variables[-1].label, trial.variables[-1].unit) == (label, unit)
    save_trial(trial, tmp_path / "again")
    assert read_trial(tmp_path / "again") == trial


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("Rate (fl oz/acre)", "fl oz/acre"),
        ("rate oz/ac", "oz/acre"),
        ("Dose_kg_per_ha", "kg/ha"),
        ("rate", None),
    ],
)
def test_the_unit_of_a_rate_is_that_of_its_heading_or_none(folder, heading, unit):
    trial = read_trial(folder({"treatments.csv": TREATMENTS.format(heading)}))
    assert (trial.treatment("2").rate, trial.treatment("2").rate_unit) == (8, unit)


@pytest.mark.parametrize(
    ("heading", "area"),
    [
        ("cost_per_acre", "acre"),
        ("Cost ($/ac)", "acre"),
        ("cost USD/acre", "acre"),
        ("Cost EUR/ha", "ha"),
        ("cost_per_ha", "ha"),
    ],
)
def test_costs_are_those_of_the_area_named(folder, heading, area):
    trial = read_trial(
        folder(
            {
                "treatments.csv": TREATMENTS.format(heading),
                "yield.csv": YIELD.format("yield bu/acre"),
            }
        )
    )
    treatment = trial.treatment("2")
    assert {"ha": treatment.cost_per_ha, "acre": treatment.cost_per_acre} == {
        "ha": None,
        "acre": None,
        area: 8,
    }


def test_a_bare_cost_beside_yields_per_acre_is_asked_for(folder, check):
    files = {"treatments.csv": TREATMENTS.format("cost"), "yield.csv": YIELD.format("yield bu/ac")}
    said = check(folder(files)).error("cost-of-which-area", "treatments.csv, row 1, column cost")
    assert "Head it cost_per_acre or cost_per_ha." in said
    files["yield.csv"] = YIELD.format("yield t/ha")
    assert read_trial(folder(files)).treatment("2").cost_per_ha == 8


def test_the_bushels_known_are_not_asked_for():
    assert {crop_in_bushels(name) for name in BUSHELS} == set(BUSHELS)
    assert crop_in_bushels("Corn, field") == "maize"
    assert crop_in_bushels(None) is None


def test_a_unit_alone_is_no_heading():
    assert heading_unit("kg/ha") is None
    assert heading_unit("rate_unit") is None
