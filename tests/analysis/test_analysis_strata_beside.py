"""What stands beside the tests of split-plot and strip-plot trials."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from strata_fits import two_factor_layout
from trialkit.analysis import analyse
from trialkit.analysis.result import Analysis
from trialkit.findings import make_findings
from trialkit.inference.glm.share_strata import share_strata
from trialkit.report.compose import compose
from trialkit.report.references import REFERENCES
from trialkit.trial import COUNT_COLUMNS, EXAMINED, Kind, Trial, Variable, VariableRole

Build = Callable[..., Trial]


def keys(analysis: Analysis) -> set[str]:
    return {table.key for table in compose(analysis, make_findings(analysis)).tables()}


def test_randomisation_of_factors(split_rice: Build, strip_rice: Build) -> None:
    for build in (split_rice, strip_rice):
        analysis = analyse(build())
        p = analysis.anova.set_index("source")["p_randomised"]
        assert p[["main", "sub", "main:sub"]].between(0.0009, 0.03).all()
        assert p.drop(["main", "sub", "main:sub"]).isna().all()
        assert analysis.responses["p_randomised"].iloc[0] == pytest.approx(0.001)
        assert {"factor-randomised", "beside"} <= keys(analysis)
        again = analyse(build())
        np.testing.assert_array_equal(p, again.anova["p_randomised"])


def test_few_arrangements_bound_the_p_value(strip_rice: Build) -> None:
    """Three strips in three blocks have 216 arrangements; six only exchange names of levels."""
    p = analyse(strip_rice()).anova.set_index("source")["p_randomised"]
    assert p["sub"] == pytest.approx(1 / 36, rel=1e-12)


def test_missing_subplots_are_dealt_among_those_present(split_rice: Build) -> None:
    analysis = analyse(split_rice(missing=[("N1", "V2", "2"), ("N4", "V4", "1")]))
    p = analysis.anova.set_index("source")["p_randomised"]
    assert p[["main", "sub", "main:sub"]].between(0.0009, 0.02).all()
    assert analysis.factor_differences["relative_efficiency"].isna().all()
    assert analysis.factor_differences["reason"].str.contains("missing").all()
    assert "factor-efficiency" not in keys(analysis)


def test_efficiency_of_splitting(split_rice: Build, strip_rice: Build) -> None:
    """Rice of Gomez and Gomez 1984; mean squares as in the check of its table, recomputed here."""
    ea, eb, a, b, r = 141967.880555556, 349579.810185185, 6, 4, 3
    e = ((a - 1) * ea + a * (b - 1) * eb) / (a * b - 1)
    analysis = analyse(split_rice())
    found = analysis.factor_differences["relative_efficiency"].tolist()
    df = (r - 1) * (a * b - 1)
    assert found[0] == pytest.approx(e / ea * 11 * (df + 3) / (13 * (df + 1)), rel=1e-9)
    assert found[1] == pytest.approx(e / eb * 37 * (df + 3) / (39 * (df + 1)), rel=1e-9)
    assert found[1] == pytest.approx(found[2], rel=1e-12)
    assert "factor-efficiency" in keys(analysis)
    strips = analyse(strip_rice())
    assert strips.factor_differences["relative_efficiency"].isna().all()
    assert strips.factor_differences["reason"].str.contains("no published formula").all()


def test_a_constant_added_to_a_block_changes_nothing(split_rice: Build) -> None:
    trial = split_rice()
    yields = trial.yields.assign(
        value=trial.yields["value"] + 1000.0 * trial.yields["plot"].str.startswith("2")
    )
    one, two = analyse(trial), analyse(replace(trial, yields=yields))
    np.testing.assert_allclose(one.anova["p_randomised"], two.anova["p_randomised"])
    np.testing.assert_allclose(
        one.factor_differences["relative_efficiency"],
        two.factor_differences["relative_efficiency"],
        rtol=1e-9,
    )


def _with_days(trial: Trial, *, lost: tuple[str, ...] = ()) -> Trial:
    """The plots of a trial with invented counts on four days, one before treatment."""
    rng = np.random.default_rng(12)
    rows = []
    for plot in trial.plots:
        assert plot.main_factor and plot.sub_factor
        level = 20.0 * np.exp(0.1 * rng.normal())
        for day in (-1.0, 3.0, 7.0, 14.0):
            fall = 0.1 * int(plot.sub_factor[1:]) % 7 if day > 0 else 0.0
            value = np.nan if day == 7.0 and plot.id in lost else float(rng.poisson(level - fall))
            rows.append((plot.id, "aphids", day, None, value))
    aphids = Variable(name="aphids", label="Aphids", kind=Kind.COUNT, role=VariableRole.PEST)
    return replace(
        trial,
        counts=pd.DataFrame(rows, columns=list(COUNT_COLUMNS)),
        variables=(*trial.variables, aphids),
    )


def _of_three_mains(trial: Trial) -> Trial:
    """The part of a trial that has the first three levels of its larger units."""
    mains = list(dict.fromkeys(plot.main_factor for plot in trial.plots))[:3]
    plots = tuple(plot for plot in trial.plots if plot.main_factor in mains)
    held = {plot.treatment for plot in plots}
    return replace(
        trial,
        plots=plots,
        treatments=tuple(item for item in trial.treatments if item.id in held),
        yields=trial.yields[trial.yields["plot"].isin([plot.id for plot in plots])],
    )


@pytest.mark.parametrize("strips", [False, True])
def test_courses_of_factors(split_rice: Build, strip_rice: Build, strips: bool) -> None:
    def build() -> Trial:  # REML over days takes ten times longer for all six
        return _of_three_mains((strip_rice if strips else split_rice)())

    sources = ["main", "sub", "main:sub", "main:day", "sub:day", "main:sub:day"]
    whole = analyse(_with_days(build())).course_tests
    assert list(whole.loc[whole["chosen"].eq(True), "source"]) == sources
    assert len(whole) == 12
    plot = build().plots[10].id
    holes = analyse(_with_days(build(), lost=(plot,)))
    tests = holes.course_tests
    chosen = tests[tests["chosen"].eq(True)]
    assert list(chosen["source"]) == sources
    assert chosen["test"].str.startswith("REML").all()
    assert chosen["p"].between(0, 1).all()
    assert tests["note"].str.contains("left out").sum() == 12
    assert strips or "courses" in keys(holes)


@pytest.mark.parametrize("strips", [False, True])
def test_counts_as_counts(split_rice: Build, strip_rice: Build, strips: bool) -> None:
    trial = _with_days((strip_rice if strips else split_rice)())
    sub = next(plot.sub_factor for plot in trial.plots if plot.treatment != trial.untreated)
    gone = {plot.id for plot in trial.plots if plot.treatment == trial.plots[-1].treatment}
    counts = trial.counts.assign(
        value=trial.counts["value"].where(
            ~(trial.counts["plot"].isin(gone) & (trial.counts["day"] == 14.0)), 0.0
        )
    )
    assert sub
    analysis = analyse(replace(trial, counts=counts))
    tests = analysis.count_tests
    assert list(tests["source"]) == ["treatment", "main", "sub", "main:sub"] * 3
    assert tests["p"].between(0, 1).all()
    models = analysis.count_models
    zero = models[models["mean"] == 0]
    assert set(zero["treatment"]) == {trial.plots[-1].treatment}
    assert zero["lower"].eq(0).all()
    assert zero["upper"].between(0.1, 20).all()
    assert zero["ratio_upper"].between(0.001, 1).all()
    others = models[models["mean"] > 0]
    assert (others["lower"] < others["mean"]).all()
    assert (others["upper"] > others["mean"]).all()
    assert strips or "factor-counts" in keys(analysis)


def _with_shares(trial: Trial, *, share: float = 0.3, lost: tuple[str, ...] = ()) -> Trial:
    """The plots of a trial with invented damaged fruits of 25 to 50; none in the last treatment."""
    rng = np.random.default_rng(21)
    rows = []
    for plot in trial.plots:
        for day in (7.0, 14.0):
            n = int(rng.integers(25, 51))
            k = 0 if plot.treatment == trial.plots[-1].treatment else int(rng.binomial(n, share))
            value = np.nan if day == 7.0 and plot.id in lost else 100.0 * k / n
            rows.append((plot.id, "damage", day, None, value, float(n)))
    damage = Variable(
        name="damage",
        label="Damaged fruits",
        kind=Kind.PERCENT,
        role=VariableRole.DAMAGE,
        examined="fruits examined",
    )
    return replace(
        trial,
        counts=pd.DataFrame(rows, columns=[*COUNT_COLUMNS, EXAMINED]),
        variables=(*trial.variables, damage),
    )


@pytest.mark.parametrize("strips", [False, True])
def test_shares_in_strata(split_rice: Build, strip_rice: Build, strips: bool) -> None:
    build = strip_rice if strips else split_rice
    analysis = analyse(_with_shares(build()))
    tests = analysis.count_tests
    assert list(tests["source"]) == ["treatment", "main", "sub", "main:sub"] * 2
    assert set(tests["model"]) == {"beta-binomial"}
    assert tests["p"].between(0, 1).all()
    assert tests["note"].isna().all()
    # The same tests by hand, from the plots in the order of the trial.
    trial = analysis.trial
    data = (
        trial.counts[trial.counts["day"] == 7.0].set_index("plot").loc[[p.id for p in trial.plots]]
    )
    names = [
        np.unique([getattr(plot, name) for plot in trial.plots], return_inverse=True)[1]
        for name in ("main_factor", "sub_factor", "block")
    ]
    main, sub, block = names
    units = {"main": block * 100 + main} | ({"sub": block * 100 + sub} if strips else {})
    items = data[EXAMINED].to_numpy()
    hits = np.round(data["value"].to_numpy() * items / 100)
    layout = two_factor_layout(main, sub, blocking=[("block", block)], units=units)
    found = share_strata(layout, hits, items)
    np.testing.assert_allclose(tests["p"][:4], [term.p[0] for term in found.terms], rtol=1e-6)
    models = analysis.count_models.set_index("treatment")
    none = models.loc[trial.plots[-1].treatment]
    assert (none["mean"] == 0).all()
    assert none["upper"].between(1, 15).all()
    assert none["ratio_upper"].between(0.01, 0.7).all()
    assert none["note"].str.contains("one-sided").all()
    others = models[models["mean"] > 0]
    assert (others["lower"] < others["mean"]).all()
    assert (others["upper"] > others["mean"]).all()
    against = others[others["reason"].isna()]
    assert ((against["odds_lower"] < 1) & (against["odds_upper"] > 1)).mean() > 0.7
    outside = (against["odds_lower"] > 1) | (against["odds_upper"] < 1)
    assert outside.tolist() == (against["p"] < 0.05).tolist()
    member = np.array([p.treatment == trial.plots[0].treatment for p in trial.plots])
    first = models.loc[trial.plots[0].treatment].iloc[0]
    assert (first["hits"], first["examined"]) == (hits[member].sum(), items[member].sum())


@pytest.mark.parametrize("strips", [False, True])
def test_the_report_shows_shares_in_strata(
    split_rice: Build, strip_rice: Build, strips: bool
) -> None:
    analysis = analyse(_with_shares((strip_rice if strips else split_rice)()))
    findings = make_findings(analysis)
    made = {table.key: table for table in compose(analysis, findings).tables()}
    shown = made["factor-shares"].rows
    p = analysis.count_tests.set_index(["days_after", "source"])["p"]
    for row, day in zip(shown, (7.0, 14.0), strict=True):
        assert list(row[1:4]) == [p[day, source] for source in ("main", "sub", "main:sub")]
    assert "factor-counts" not in made
    assert "limits combine" in made["shares-2"].notes[0]
    assert "within blocks" not in made["shares-against-2"].notes[0]
    assert made["beside"].rows[0][-2] == p[7.0, "treatment"]
    assert not any("quasi-binomial" in note for note in made["beside"].notes)
    text = " ".join(str(block) for block in compose(analysis, findings).blocks())
    assert "on the mean shares of its own units" in text
    assert ("Cox DR (1970)" in text) == REFERENCES["empirical-logit"].seen
    assert ("Satterthwaite FE (1946)" in text) == REFERENCES["satterthwaite"].seen
    assert [item for item in findings if item.topic == "shares"]


def test_shares_with_missing_plots(split_rice: Build) -> None:
    trial = split_rice()
    first = trial.plots[0]
    gone = tuple(p.id for p in trial.plots if p.treatment == first.treatment)
    analysis = analyse(_with_shares(trial, lost=(*gone, trial.plots[20].id)))
    rows = analysis.count_models.set_index(["treatment", "days_after"])
    assert np.isnan(rows.loc[(first.treatment, 7.0), "mean"])
    assert np.isfinite(rows.loc[(first.treatment, 14.0), "mean"])
    assert analysis.count_tests["p"].between(0, 1).all()


def test_notes_on_rare_shares(split_rice: Build) -> None:
    analysis = analyse(_with_shares(split_rice(), share=0.01))
    assert analysis.count_tests["note"].str.contains("the test is conservative").all()
    notes = analysis.count_models["note"]
    assert notes.notna().all()
    assert notes.str.contains("too narrow|one-sided").all()
    analysis = analyse(_with_shares(split_rice(), share=0.06))
    assert analysis.count_models["note"].str.contains("conservative").any()
