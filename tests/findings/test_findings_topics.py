"""How those sentences speak that the examples do not bring about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import trialkit
from shipped import analysed
from trialkit.trial import Treatment, TreatmentRole


@pytest.fixture(scope="module")
def potato():
    return analysed("leaf_beetle_potato")


@pytest.fixture(scope="module")
def mites():
    return analysed("spider_mite_glasshouse")


def told(analysis, topic):
    return [item for item in trialkit.make_findings(analysis) if item.topic == topic]


def test_page_1_opens_with_what_was_done_to_the_pest_and_how_the_reference_did(potato):
    first, second, *_ = trialkit.make_findings(potato)
    assert first.question == "pest"
    assert first.subjects == ("4",)
    assert "an estimated" in first.text
    assert second.text.startswith("The reference, Tarnock (3), reduced larvae by ")


def test_a_reference_that_was_not_shown_to_do_anything_is_named_as_that(potato):
    own = potato.claims["a"].eq("3") & potato.claims["question"].eq("pest")
    claims = potato.claims.assign(
        shown=potato.claims["shown"].mask(own, False),
        front=potato.claims["front"].mask(own, False),
        p_adjusted=potato.claims["p_adjusted"].mask(own, 0.4),
    )
    comparisons = potato.comparisons.assign(different=False)
    quiet = replace(potato, claims=claims, comparisons=comparisons)
    texts = [item.text for item in trialkit.make_findings(quiet) if item.front]
    assert "The reference, Tarnock (3), was not shown to reduce larvae" in " ".join(texts)
    starred = replace(potato, claims=claims)
    texts = [item.text for item in trialkit.make_findings(starred) if item.front]
    assert "was not shown to reduce" not in " ".join(texts)


def _start(analysis, **changes):
    return told(
        replace(analysis, rate_start=analysis.rate_start.assign(**changes)), "rate and start"
    )


def test_a_lower_rate_at_higher_numbers(potato):
    (quiet,) = _start(potato, p=0.5, note=None)
    assert "was not shown to lose control at higher starting numbers" in quiet.text
    assert not quiet.claim
    (worse,) = _start(potato, p=0.01, points=-12.3, lower=-20.1, upper=-4.2, note=None)
    assert "fell 12 percentage points further behind the full rate" in worse.text
    assert "in control of larvae (95% CI 4–20; p = 0.010)" in worse.text
    assert worse.claim
    (better,) = _start(potato, p=0.01, points=12.3, lower=4.2, upper=20.1, note=None)
    assert "came 12 percentage points closer to the full rate" in better.text
    (one,) = _start(potato, p=0.01, points=1.1, lower=0.9, upper=2.1, note=None)
    assert "came 1 percentage point closer" in one.text
    (blind,) = _start(potato, note="too small a range")
    assert "cannot be told" in blind.text
    assert _start(potato, points=np.nan) == []


def test_a_mixture_that_fell_short(potato):
    table = potato.mixture_periods.assign(p=0.004, difference=-9.0, lower=-20.0, upper=-2.0)
    (finding,) = told(replace(potato, mixture_periods=table), "mixture")
    assert "did worse than its components predict" in finding.text
    assert finding.direction == "lower"
    (finding,) = told(replace(potato, mixture_periods=table.assign(p=0.2)), "mixture")
    assert "not shown to differ from what its components predict" in finding.text
    assert not finding.claim


def test_longer_is_told_from_the_limit_of_the_interval(potato):
    table = potato.persistence_differences.copy()
    pair = (table["a"] == "4") & (table["b"] == "3") & (table["question"] == "days held")
    columns = ["difference", "lower", "upper", "p_adjusted"]
    table.loc[pair, columns] = [28.0, 7.9, np.nan, 0.01]
    table.loc[pair, "upper"] = 28.0
    texts = [
        item.text for item in told(replace(potato, persistence_differences=table), "persistence")
    ]
    assert any("at least 7 days longer than Tarnock (3) (p = 0.010)." in text for text in texts)
    assert not any("28 days" in text for text in texts)


def test_pairs_that_share_no_level_of_a_factor_are_not_told(potato):
    table = potato.persistence_differences.copy()
    pair = (table["a"] == "6") & (table["b"] == "3") & (table["question"] == "days held")
    columns = ["difference", "lower", "upper", "p_adjusted"]
    table.loc[pair, columns] = [-7.0, -12.0, -2.0, 0.01]
    for level, said in (("wet", False), ("dry", True)):
        mains = {"3": "dry", "6": level}
        plots = tuple(
            replace(item, main_factor=mains.get(item.treatment, "other"), sub_factor=item.treatment)
            for item in potato.trial.plots
        )
        changed = replace(
            potato, trial=replace(potato.trial, plots=plots), persistence_differences=table
        )
        texts = [item.text for item in told(changed, "persistence")]
        assert any("longer than Wimbrel (6)" in text for text in texts) is said


def test_resurgence_names_the_largest_day_and_numbers_as_counted(mites):
    (finding,) = told(mites, "resurgence")
    assert finding.claim
    assert finding.subjects == ("SHA",)
    assert "most on day 28: 102 against 53.0" in finding.text.replace("102.5", "102")
    means = mites.means.query("variable == 'mites' and days_after == 28").set_index("treatment")
    assert mites.resurgence["pest_mean"].iloc[0] == means.loc["SHA", "mean"]
    assert mites.resurgence["untreated_mean"].iloc[0] == means.loc["UNT", "mean"]


def test_a_carrier_is_told_where_it_was_shown_to_do_something(mites):
    assert told(mites, "carrier") == []
    own = mites.claims["question"].eq("carrier")
    claims = mites.claims.assign(
        shown=mites.claims["shown"].mask(own, True),
        p_adjusted=mites.claims["p_adjusted"].mask(own, 0.01),
        lower=mites.claims["lower"].clip(lower=1.0),
    )
    (finding,) = told(replace(mites, claims=claims), "carrier")
    assert finding.text.startswith("Spraying Water alone (WAT) reduced mites by 23% over the trial")


def _planned(*contrasts: str, without_yield: bool = False):
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    trial = replace(trial, settings=replace(trial.settings, contrasts=contrasts))
    analysis = trialkit.analyse(trial)
    if without_yield:
        rows = analysis.contrasts
        kept = rows[rows["measure"] == "count"].reset_index(drop=True)
        analysis = replace(analysis, contrasts=kept)
    return analysis, told(analysis, "planned")


def test_planned_contrasts_are_told_with_their_sizes():
    analysis, found = _planned("rates = 4, 5 against 1")
    (finding,) = [item for item in found if item.variable == "tubers"]
    (row,) = analysis.contrasts.query("contrast == 'rates' and measure == 'yield'").to_dict(
        "records"
    )
    assert finding.direction == "higher"
    assert finding.subjects == ("4", "5")
    assert finding.against == ("1",)
    shown = (
        f"by {row['estimate']:.1f} t/ha (95% CI {row['lower']:.1f}–{row['upper']:.1f}; p < 0.001)."
    )
    assert shown in finding.text
    _, (shown, nothing) = _planned("two rates = 4 against 5")
    assert shown.variable == "larvae"
    assert "showed no significant difference in any of 3 responses" in nothing.text


def test_planned_contrasts_by_day_are_adjusted_over_days():
    analysis, found = _planned("4 against 1", without_yield=True)
    (finding,) = [item for item in found if item.variable == "larvae"]
    assert "came out lower than the untreated in larvae on days 3, 7" in finding.text
    single = analysis.contrasts["p"].max()
    assert finding.p <= 0.05
    assert single >= finding.p


def test_varieties_without_untreated_are_compared_in_pairs(potato):
    trial = trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))
    kept = tuple(
        Treatment(id=item.id, name=item.name, role=TreatmentRole.TEST) for item in trial.treatments
    )
    analysis = trialkit.analyse(
        replace(
            trial, treatments=kept, untreated=None, settings=replace(trial.settings, contrasts=())
        )
    )
    findings = trialkit.make_findings(analysis)
    claims = [item for item in findings if item.claim and item.question == "pairs"]
    assert {item.variable for item in claims} >= {"larvae", "tubers"}
    for item in claims:
        assert item.against
        assert item.direction == ("higher" if item.variable == "tubers" else "lower")
    assert not any("untreated" in item.text for item in findings)


@pytest.mark.parametrize("unit", ["t/ha", None])
def test_a_yield_called_yield_keeps_the_unit_that_was_given(mites, unit):
    variables = tuple(
        replace(item, name="yield", label="Yield", unit=unit) if item.name == "fruit" else item
        for item in mites.trial.variables
    )
    trial = replace(
        mites.trial,
        variables=variables,
        settings=replace(mites.trial.settings, yield_unit="kg/ha"),
        yields=mites.trial.yields.assign(variable="yield"),
    )
    analysis = trialkit.analyse(trial)
    texts = [item.text for item in told(analysis, "yield")]
    assert texts
    assert not any("kg" in text for text in texts)
    assert all((" t/ha" in text) is (unit is not None) for text in texts)
    assert set(analysis.glance.query("question == 'yield'")["unit"]) == {unit}


def test_factors_are_told_with_their_levels_unless_they_depend_on_each_other(potato):
    line = potato.anova.query("measure == 'yield' and source == 'treatment'").iloc[0]
    head = {"variable": "tubers", "measure": "yield", "days_after": np.nan}

    def anova(interaction):
        made = [
            {**line.to_dict(), "source": source, "p": p}
            for source, p in (("main", 0.001), ("sub", 0.4), ("main:sub", interaction))
        ]
        return pd.concat([potato.anova, pd.DataFrame(made)], ignore_index=True)

    means = pd.DataFrame([{**head, "factor": name, "level": "x"} for name in ("main", "sub")])
    pair = {**head, "factor": "main", "a": "dry", "b": "wet", "difference": -3.0, "se": 1.0}
    pair |= {"df": 6.0, "p_adjusted": 0.004, "method": "tukey", "lower": -5.0, "upper": -1.0}
    pairs = pd.DataFrame([{**pair, "different": True}])
    changed = replace(potato, anova=anova(0.5), factor_means=means, factor_comparisons=pairs)
    texts = [item.text for item in told(changed, "factors")]
    assert texts == [
        "Levels of the main factor differed in tubers (p = 0.003).",
        "Within the main factor, wet was above dry in tubers (p = 0.004).",
    ]
    (finding,) = told(replace(changed, anova=anova(0.002)), "factors")
    assert "the main factor and the sub factor depended on each other" in finding.text
    assert finding.p == 0.004


def test_limits_of_a_share_that_say_nothing_are_not_printed():
    trial = trialkit.read_trial(trialkit.example_trial("fruit_moth_plum"))
    plum = trialkit.analyse(trial)
    assert any("(95% CI" in item.text for item in told(plum, "shares"))
    models = plum.count_models.assign(lower=0.0, upper=99.9)
    texts = [item.text for item in told(replace(plum, count_models=models), "shares")]
    assert texts
    assert all("too uncertain for limits" in text and "CI" not in text for text in texts)
