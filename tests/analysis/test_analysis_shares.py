"""Shares k of n from a trial: summed over samples, and fitted beside the analysis of variance."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest

from trialkit import trial_from_tables
from trialkit.analysis import Analysis, analyse
from trialkit.analysis.plots.layout_of_trial import plan_plots
from trialkit.analysis.plots.responses import assessed_variables
from trialkit.findings import make_findings
from trialkit.inference.glm.share_model import fit_shares
from trialkit.report.compose import compose
from trialkit.report.document import Table
from trialkit.report.references import REFERENCES
from trialkit.trial import (
    EXAMINED,
    Design,
    TreatmentRole,
    Trial,
)

TREATMENTS = ("0", "A", "B", "C")
CHANCES = (0.35, 0.2, 0.08, 0.0)
DAYS = (-2.0, 20.0, 60.0)


def build(
    *,
    least: int = 40,
    most: int = 60,
    samples: int = 0,
    design: Design = Design.RCBD,
    examined: str | float = "fruits examined",
    chances: tuple[float, ...] = CHANCES,
    seed: int = 4,
    **settings: object,
) -> Trial:
    """Damaged fruits of fruits examined, four blocks, 0.35 before treatment everywhere."""
    rng = np.random.default_rng(seed)
    rows = []
    for block, (place, treatment) in product(range(1, 5), enumerate(TREATMENTS)):
        for day in DAYS:
            chance = chances[place] if day > 0 else 0.35
            for sample in range(1, samples + 1) if samples else (None,):
                n = int(rng.integers(least, most + 1))
                k = int(rng.binomial(n, chance * rng.uniform(0.8, 1.2)))
                column = (place + block) % 4 + 1
                rows.append((f"{block}{treatment}", treatment, block, column, day, sample, k, n))
    columns = ["plot", "treatment", "row", "column", "days_after", "sample"]
    table = pd.DataFrame(rows, columns=[*columns, "damage", "fruits examined"])
    if isinstance(examined, float):
        table = table.drop(columns="fruits examined")
    if design is not Design.CRD:
        table.insert(1, "block", table["row"])
    label = {"label": "Damaged fruits", "kind": "percent", "role": "damage"}
    made = trial_from_tables(
        {
            "title": "Invented fruit moth",
            "design": design.value,
            "untreated": "0",
            "variables": {"damage": {**label, "examined": examined}},
        },
        flat=table if samples else table.drop(columns="sample"),
    )
    return made.with_settings(**settings)


def matrices(trial: Trial) -> tuple[np.ndarray, np.ndarray]:
    """Units hit and examined after treatment, (plots, 2), added up by hand."""
    plots = [plot.id for plot in trial.plots]
    hits, numbers = np.zeros((len(plots), 2)), np.zeros((len(plots), 2))
    for row in trial.counts.to_dict("records"):
        if row["day"] > 0 and row["value"] == row["value"]:
            place = plots.index(row["plot"]), [20.0, 60.0].index(row["day"])
            hits[place] += round(row["value"] * row[EXAMINED] / 100.0)
            numbers[place] += row[EXAMINED]
    return hits, numbers


def close(found: object, expected: object) -> None:
    np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-12)  # type: ignore[call-overload]


def tables(analysis: Analysis) -> dict[str, Table]:
    return {table.key: table for table in compose(analysis).tables()}


@pytest.mark.parametrize("design", [Design.RCBD, Design.CRD, Design.LATIN])
def test_the_tables_hold_what_the_fit_gives(design: Design) -> None:
    trial = build(design=design, alpha=0.1)
    analysis = analyse(trial)
    layout = plan_plots(trial).layout
    hits, numbers = matrices(trial)
    fit = fit_shares(layout, hits, numbers, family="beta-binomial", alpha=0.1)
    against = fit.ratios(0)
    rows = analysis.count_models
    assert set(rows["model"]) == {"beta-binomial"}
    assert rows["treatment"].tolist() == list(TREATMENTS) * 2
    for name, part in (
        ("mean", 100 * fit.proportions),
        ("lower", 100 * fit.lower),
        ("upper", 100 * fit.upper),
    ):
        close(rows[name], part.T.ravel())
    others = (rows["treatment"] != "0").to_numpy()
    for name in ("ratio", "ratio_lower", "ratio_upper", "odds", "odds_lower", "odds_upper"):
        close(rows[name][others], getattr(against, name).T.ravel()[others])
        assert rows[name][~others].isna().all()
    close(rows["dispersion"], np.repeat(fit.correlation, 4))
    member = np.array([[plot.treatment == key for plot in trial.plots] for key in TREATMENTS])
    close(rows["hits"], (member @ hits).T.ravel())
    close(rows["examined"], (member @ numbers).T.ravel())
    tests = analysis.count_tests
    assert tests["model"].tolist() == ["beta-binomial", "quasi-binomial"] * 2
    loose = fit_shares(layout, hits, numbers, family="quasi-binomial", alpha=0.1)
    for family, one in (("beta-binomial", fit), ("quasi-binomial", loose)):
        line = next(item for item in one.lines if item.source == "treatment")
        own = tests[tests["model"] == family]
        close(own["p"], line.p)
        close(own["F"], line.F)
        close(own["df_error"], one.df_error)
    close(tests[tests["model"] == "quasi-binomial"]["dispersion"], loose.scale)


def test_p_values_and_limits_of_odds_agree() -> None:
    """The 90 % limits of odds leave 1 out where p is below 10 %."""
    rows = analyse(build(alpha=0.1, chances=(0.35, 0.33, 0.25, 0.15))).count_models
    rows = rows[rows["treatment"] != "0"]
    outside = (rows["odds_lower"] > 1) | (rows["odds_upper"] < 1)
    assert outside.tolist() == (rows["p"] < 0.1).tolist()
    assert 0 < outside.sum() < len(rows)


def test_the_percentages_are_analysed_as_before() -> None:
    trial = build()
    plain = replace(
        trial,
        counts=trial.counts.drop(columns=EXAMINED),
        variables=(replace(trial.variables[0], examined=None),),
    )
    analysis, without = analyse(trial), analyse(plain)
    for name in ("anova", "means", "comparisons"):
        pd.testing.assert_frame_equal(getattr(analysis, name), getattr(without, name))
    pd.testing.assert_series_equal(analysis.control["percent"], without.control["percent"])
    assert without.count_models.empty
    assert without.count_tests.empty


def test_samples_are_summed_and_not_averaged() -> None:
    trial = build(samples=3, least=5, most=60)
    item = assessed_variables(trial, plan_plots(trial))[0]
    hits, numbers = matrices(trial)
    assert (item.samples == 3).all()
    assert item.examined is not None
    assert item.hits is not None
    np.testing.assert_array_equal(item.examined[:, 1:], numbers)
    np.testing.assert_array_equal(item.hits[:, 1:], hits)
    np.testing.assert_allclose(item.values[:, 1:], 100.0 * hits / numbers)
    plain = trial.counts.groupby(["plot", "day"])["value"].mean().unstack()  # noqa: PD010
    assert np.abs(plain.to_numpy() - item.values).max() > 1.0
    assert item.days.tolist() == list(DAYS)
    # Samples of unequal size are no replicates of one another.
    analysis = analyse(trial)
    assert analysis.samples.empty
    assert not analyse(build(samples=3, least=20, most=20, examined=20.0)).samples.empty
    text = " ".join(str(block) for block in compose(analysis).blocks())
    assert "Samples within a plot were added up first" in text


def test_missing_plots_and_samples() -> None:
    trial = build(samples=2)
    counts = trial.counts.copy()
    gone = (counts["plot"] == "2A") & (counts["day"] == 20.0)
    one = (counts["plot"] == "3B") & (counts["day"] == 60.0) & (counts["sample"] == "2")
    counts.loc[gone | one, ["value", EXAMINED]] = np.nan
    trial = replace(trial, counts=counts)
    analysis = analyse(trial)
    hits, numbers = matrices(trial)
    numbers[numbers == 0] = np.nan
    fit = fit_shares(plan_plots(trial).layout, hits, numbers, family="beta-binomial")
    rows = analysis.count_models
    np.testing.assert_array_equal(rows["mean"], 100 * fit.proportions.T.ravel())
    assert rows["mean"].notna().all()
    made = tables(analysis)["plots-1"]
    row = next(cells for cells in made.rows if cells[0] == "2A")
    assert row[6] == ""


def test_none_and_all_have_finite_limits() -> None:
    rows = analyse(build()).count_models.set_index("treatment")
    none = rows.loc["C"]
    assert (none["mean"] == 0).all()
    assert none["upper"].between(0.5, 5).all()
    assert (none["ratio"] == 0).all()
    assert none["ratio_upper"].between(0.01, 0.5).all()
    assert none["odds_upper"].between(0.001, 0.5).all()
    assert none["p"].isna().all()
    trial = build()
    counts = trial.counts.copy()
    counts.loc[counts["plot"].str.endswith("B") & (counts["day"] > 0), "value"] = 100.0
    analysis = analyse(replace(trial, counts=counts))
    whole = analysis.count_models.set_index("treatment").loc["B"]
    assert (whole["mean"] == 100).all()
    assert whole["lower"].between(95, 99.9).all()
    assert whole["ratio"].between(2, 5).all()
    assert np.isfinite(whole["ratio_upper"]).all()
    assert whole["odds"].isna().all()
    assert (whole["odds_lower"] > 10).all()
    shown = {row[0]: row for row in tables(analysis)["shares-against-1"].rows}["B"]
    assert str(shown[4]).startswith("at least ")


def test_an_untreated_of_none_says_why() -> None:
    rows = analyse(build(chances=(0.0, 0.2, 0.1, 0.3))).count_models
    others = rows[rows["treatment"] != "0"]
    assert set(others["reason"]) == {"the untreated has none"}
    assert others["ratio"].isna().all()
    assert others["mean"].notna().all()


def test_trials_without_an_untreated() -> None:
    trial = build()
    tested = tuple(replace(item, role=TreatmentRole.TEST) for item in trial.treatments)
    analysis = analyse(replace(trial, untreated=None, treatments=tested))
    assert set(analysis.count_models["reason"]) == {"there is no untreated to compare with"}
    assert "shares-1" in tables(analysis)
    assert "shares-against-1" not in tables(analysis)


def test_uneven_numbers_are_said_once() -> None:
    assert not [p for p in analyse(build()).problems if p.kind == "uneven-examined"]
    trial = build(least=10, most=90)
    found = [p for p in analyse(trial).problems if p.kind == "uneven-examined"]
    assert len(found) == 1
    numbers = trial.counts.groupby("day")[EXAMINED].agg(["min", "max"])
    worst = (numbers["max"] / numbers["min"]).idxmax()
    least, most = numbers.loc[worst]
    assert f"from {least:g} to {most:g} on day" in found[0].what
    assert "and on 2 more days" in found[0].what
    assert "common practice, no source" in found[0].remedy
    assert "beta-binomial" in found[0].remedy


def test_notes_say_where_tests_do_not_keep_their_level() -> None:
    even, uneven = (analyse(build(least=n, most=90)).count_tests for n in (60, 10))
    for tests, expected in ((even, False), (uneven, True)):
        loose = tests[tests["model"] == "quasi-binomial"]
        assert loose["note"].notna().tolist() == [expected] * 2
        own = tests[tests["model"] == "beta-binomial"]
        assert own["note"].notna().tolist() == (own["dispersion"] == 0).tolist()
    rows = analyse(build()).count_models
    assert set(rows.loc[rows["note"].notna(), "mean"]) == {0.0}


def test_the_report_shows_k_of_n() -> None:
    trial = build()
    analysis = analyse(trial)
    made = tables(analysis)
    hits, numbers = matrices(trial)
    first = made["plots-1"].rows[0]
    assert first[0] == "10"
    assert first[6] == f"{hits[0, 0]:.0f} of {numbers[0, 0]:.0f}"
    assert first[5] == pytest.approx(100 * hits[0, 0] / numbers[0, 0])
    levels = made["shares-1"]
    assert levels.question == (
        "Damaged fruits, %: estimated share of fruits examined (beta-binomial model)"
    )
    member = np.array([plot.treatment == "0" for plot in trial.plots])
    assert levels.rows[0][1] == f"{hits[member, 0].sum():.0f} of {numbers[member, 0].sum():.0f}"
    row = analysis.count_models.iloc[0]
    assert levels.rows[0][2] == row["mean"]
    assert levels.rows[0][3] == f"{row['lower']:.1f} to {row['upper']:.1f}"
    beside = made["beside"]
    titles = [column.title for column in beside.columns]
    assert titles[-3:] == [
        "Beta-binomial model",
        "Quasi-binomial model",
        "Correlation within plots",
    ]
    assert "Negative binomial model" not in titles
    found = analysis.count_tests.iloc[0]
    assert beside.rows[0][-3] == found["p"]
    assert any("k of n" in note for note in beside.notes)
    text = " ".join(str(block) for block in compose(analysis).blocks())
    assert "Counted out of a number examined: Damaged fruits, % (of fruits examined)" in text
    # only references that were checked reach a report; treatment C has none
    assert ("Williams DA (1982)" in text) == REFERENCES["beta-binomial"].seen
    assert ("Clopper" in text) == REFERENCES["exact-share"].seen


def test_a_finding_tells_the_last_shares() -> None:
    """As counted: untreated and smallest share, with totals and the limits of the model."""
    analysis = analyse(build())
    told = [item.text for item in make_findings(analysis) if item.topic == "shares"]
    last = analysis.count_models.tail(4).set_index("treatment")

    def totals(key: str) -> str:
        row = last.loc[key]
        return f"{row['hits']:.0f} of {row['examined']:.0f} fruits examined"

    untreated, least = told
    assert untreated.startswith(f"On day 60, {totals('0')} in the untreated were counted as ")
    assert least.startswith("On day 60, C had the fewest counted as ")
    assert totals("C") in least
    assert "treatments differed, p < 0.001" in least
    analysis = analyse(build(chances=(0.2, 0.2, 0.2, 0.2)))
    assert analysis.count_tests["p"].iloc[2] > 0.05
    (untreated,) = [item.text for item in make_findings(analysis) if item.topic == "shares"]
    assert "fewest" not in untreated


def test_a_share_without_numbers_is_a_percentage() -> None:
    """As from a trial made in memory: nothing fails, and no model is fitted."""
    trial = build()
    analysis = analyse(replace(trial, counts=trial.counts.drop(columns=EXAMINED)))
    assert analysis.count_tests.empty
    assert not analysis.anova.empty
    assert "shares-1" not in tables(analysis)
