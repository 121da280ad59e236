"""Split-plot and strip-plot trials from files or memory to tables, findings and report."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import analyse
from trialkit.findings import make_findings
from trialkit.problems import TrialError
from trialkit.reading import read_trial, save_trial
from trialkit.record import make_record, rerun
from trialkit.report.compose import compose
from trialkit.trial import Comparison, Design, Plot, Trial, empty_yields

Build = Callable[..., Trial]


def line(table: pd.DataFrame, source: str) -> pd.Series:
    found = table[table["source"] == source]
    assert len(found) == 1
    return found.iloc[0]


@pytest.mark.parametrize(
    ("source", "df", "sum_sq", "F"),
    [
        ("block", 2, 1082576.69444444, 3.81275218804),
        ("main", 5, 30429199.5694444, 42.8677239533),
        ("error_main", 10, 1419678.80555556, None),
        ("sub", 3, 89888101.1527778, 85.7106146044),
        ("main:sub", 15, 69343486.9305556, 13.2241593880),
        ("error", 36, 12584873.1666667, None),
    ],
)
def test_split_plot_table(
    split_rice: Build, source: str, df: int, sum_sq: float, F: float | None
) -> None:
    """Gomez and Gomez 1984, chapter 3, recomputed; printed 42.87, 85.71 and 13.22."""
    anova = analyse(split_rice()).anova
    row = line(anova, source)
    assert row["df"] == df
    assert row["sum_sq"] == pytest.approx(sum_sq, rel=1e-11)
    if F is None:
        assert np.isnan(row["F"])
    else:
        assert row["F"] == pytest.approx(F, rel=1e-10)
    assert list(anova["source"]) == ["block", "main", "error_main", "sub", "main:sub", "error"]


def test_strip_plot_table(strip_rice: Build) -> None:
    """The same book, table 3.15; printed F 34.069, 7.653 and 5.801."""
    anova = analyse(strip_rice()).anova
    assert [round(float(line(anova, s)["F"]), 3) for s in ("sub", "main", "main:sub")] == [
        34.069,
        7.653,
        5.801,
    ]
    assert line(anova, "error_sub")["sum_sq"] == pytest.approx(2974907.88888889, rel=1e-11)
    assert line(anova, "error_main")["df"] == 10
    assert list(anova["source"]) == [
        "block",
        "main",
        "error_main",
        "sub",
        "error_sub",
        "main:sub",
        "error",
    ]


def test_four_standard_errors(split_rice: Build) -> None:
    rows = analyse(split_rice()).factor_differences
    assert rows["se"].tolist() == pytest.approx(
        [153.822343715, 197.084248817, 482.755845941, 445.478639801], rel=1e-10
    )
    assert rows["df"].tolist()[:3] == pytest.approx([10, 36, 36], rel=1e-9)


def test_means_of_factors_and_combinations(split_rice: Build) -> None:
    analysis = analyse(split_rice())
    means = analysis.factor_means
    main = means[means["factor"] == "main"]
    assert list(main["level"]) == [f"N{i}" for i in range(6)]
    assert main["n"].tolist() == [12.0] * 6
    own = analysis.means[analysis.means["treatment"].str.startswith("N3:")]
    assert main["mean"].iloc[3] == pytest.approx(own["mean"].mean())
    assert main["letters"].tolist() == ["b", "a", "a", "a", "a", "a"]
    # Standard error of a combination: (Ea / b + (b - 1) Eb / b) / r over main plots and inside.
    a, b = 141967.880555556, 349579.810185185
    assert analysis.means["se"].iloc[0] == pytest.approx(np.sqrt((a + 3 * b) / (4 * 3)), rel=1e-9)


def test_pairs_have_the_error_that_they_contain(split_rice: Build) -> None:
    pairs = analyse(split_rice()).comparisons
    tukey = pairs[pairs["method"] == "tukey"].set_index(["a", "b"])
    assert tukey.loc[("N0:V1", "N0:V2"), "se"] == pytest.approx(482.755845941, rel=1e-10)
    assert tukey.loc[("N0:V1", "N1:V1"), "se"] == pytest.approx(445.478639801, rel=1e-10)
    dunnett = pairs[pairs["method"] == "dunnett"]
    assert set(dunnett["b"]) == {"N0:V1"}
    assert len(dunnett) == 23


def test_response_speaks_of_all_combinations(split_rice: Build) -> None:
    row = analyse(split_rice()).responses.iloc[0]
    assert row["df_treatment"] == 23
    assert row["cv_percent"] == pytest.approx(10.7914443901, rel=1e-9)
    assert 10 < row["df_error"] < 36
    # The F of all combinations is, up to Kenward and Roger's scale, the mean of the three.
    mean = (5 * 42.8677239533 + 3 * 85.7106146044 + 15 * 13.2241593880) / 23
    assert row["F"] == pytest.approx(mean, rel=0.05)
    assert "all combinations" in row["note"]


def test_missing_subplots_are_analysed_by_reml(split_rice: Build) -> None:
    analysis = analyse(split_rice(missing=[("N1", "V2", "2"), ("N4", "V4", "1")]))
    assert analysis.responses["n_missing"].iloc[0] == 2
    assert "REML" in analysis.responses["note"].iloc[0]
    assert list(analysis.anova["source"]) == ["block", "main", "sub", "main:sub"]
    assert analysis.anova["sum_sq"].isna().all()
    assert (analysis.anova["p"] < 0.5).all()
    means = analysis.means.set_index("treatment")
    assert means.loc["N1:V2", "n"] == 2
    assert means.loc["N1:V2", "se"] > means.loc["N1:V1", "se"]
    whole = analyse(split_rice()).means.set_index("treatment")
    near = abs(means["mean_analysed"] - whole["mean_analysed"])
    assert near.drop(["N1:V2", "N4:V4"]).max() < 200


def test_main_plots_without_blocks(split_rice: Build) -> None:
    with_blocks = analyse(split_rice()).anova
    without = analyse(split_rice(blocks=False, main_plots=True)).anova
    assert "block" not in set(without["source"])
    error = line(without, "error_main")
    assert error["df"] == 12
    pooled = line(with_blocks, "block")["sum_sq"] + line(with_blocks, "error_main")["sum_sq"]
    assert error["sum_sq"] == pytest.approx(pooled, rel=1e-10)
    assert line(without, "sub")["F"] == pytest.approx(line(with_blocks, "sub")["F"], rel=1e-10)


def test_named_main_plots_change_nothing(split_rice: Build) -> None:
    plain, named = analyse(split_rice()), analyse(split_rice(main_plots=True))
    pd.testing.assert_frame_equal(plain.comparisons, named.comparisons)


def test_order_of_plots_changes_nothing(split_rice: Build) -> None:
    trial = split_rice()
    rng = np.random.default_rng(3)
    shuffled = replace(trial, plots=tuple(rng.permutation(np.array(trial.plots, dtype=object))))
    one, two = analyse(trial), analyse(shuffled)
    for name in ("F", "p"):
        left = one.anova.set_index("source")[name]
        right = two.anova.set_index("source")[name]
        np.testing.assert_allclose(left, right[left.index], rtol=1e-8)
    left = one.means.set_index("treatment")["se"]
    np.testing.assert_allclose(left, two.means.set_index("treatment")["se"][left.index], rtol=1e-8)


def test_levels_of_factors_stand_in_the_order_of_treatments(split_rice: Build) -> None:
    trial = split_rice()
    expected = analyse(trial).factor_means
    order = np.random.default_rng(1).permutation(len(trial.plots))
    dealt = analyse(replace(trial, plots=tuple(trial.plots[i] for i in order))).factor_means
    for column in ("factor", "level"):
        assert list(dealt[column]) == list(expected[column])
    mains = list(dict.fromkeys(t.id.split(":")[0] for t in trial.treatments))
    assert list(expected["level"])[: len(mains)] == mains


@pytest.mark.parametrize("comparison", list(Comparison))
def test_every_procedure_runs(strip_rice: Build, comparison: Comparison) -> None:
    analysis = analyse(strip_rice(comparison=comparison))
    methods = set(analysis.comparisons["method"])
    if comparison is Comparison.NONE:
        assert not methods
        return
    assert methods == {comparison.value, "dunnett"}
    lettered = comparison is not Comparison.DUNNETT
    assert analysis.means["letters"].notna().all() == lettered
    assert analysis.factor_means["letters"].notna().all() == lettered


def test_a_plan_that_contradicts_itself_is_refused(split_rice: Build) -> None:
    trial = split_rice()
    first = trial.plots[0]

    def with_first(**changes: str | None) -> Trial:
        return replace(trial, plots=(replace(first, **changes), *trial.plots[1:]))

    for changes, words in (
        ({"sub_factor": None}, "needs main_factor and sub_factor"),
        ({"block": None}, "no block"),
        ({"treatment": "N0:V2"}, "is treatment"),
        ({"sub_factor": "V2", "treatment": "N0:V2"}, "same combination"),
    ):
        with pytest.raises(TrialError) as fault:
            analyse(with_first(**changes))
        assert words in str(fault.value)
    named = split_rice(main_plots=True)
    other = replace(named.plots[0], main_plot=named.plots[-1].main_plot, block="3")
    with pytest.raises(TrialError, match="more than one level"):
        analyse(replace(named, plots=(other, *named.plots[1:])))


def _write(folder: Path, plots: list[Plot], extra: str = "") -> None:
    (folder / "trial.toml").write_text(
        'title = "Mulch and soap against aphids"\ndesign = "split-plot"\napplied = 2025-06-02\n'
        f'untreated = "bare:none"\n{extra}\n[variables.aphids]\nkind = "count"\nrole = "pest"\n'
    )
    blocks = any(plot.block for plot in plots)
    head = ("block," if blocks else "main_plot,") + "plot,main_factor,sub_factor"
    rows = [
        f"{plot.block or plot.main_plot},{plot.id},{plot.main_factor},{plot.sub_factor}"
        for plot in plots
    ]
    (folder / "plots.csv").write_text("\n".join([head, *rows]) + "\n")
    rng = np.random.default_rng(11)
    level = {"bare": 30.0, "straw": 15.0, "film": 20.0}
    left = {"none": 1.0, "half": 0.5, "full": 0.2}
    counts = ["plot,days_after,aphids"]
    for plot in plots:
        assert plot.main_factor and plot.sub_factor
        here = level[plot.main_factor] * np.exp(rng.normal(0, 0.2))
        for day in (-1, 3, 7):
            share = 1.0 if day < 0 else left[plot.sub_factor]
            counts.append(f"{plot.id},{day},{rng.poisson(here * share)}")
    (folder / "counts.csv").write_text("\n".join(counts) + "\n")


def _plots(*, blocks: bool) -> list[Plot]:
    return [
        Plot(
            id=f"{block}{main[0]}{sub[0]}",
            treatment=f"{main}:{sub}",
            block=str(block) if blocks else None,
            main_plot=None if blocks else f"{block}{main}",
            main_factor=main,
            sub_factor=sub,
        )
        for block in range(1, 5)
        for main in ("bare", "straw", "film")
        for sub in ("none", "half", "full")
    ]


@pytest.mark.parametrize("blocks", [True, False])
def test_a_folder_from_end_to_end(tmp_path: Path, blocks: bool) -> None:
    _write(tmp_path, _plots(blocks=blocks))
    trial = read_trial(tmp_path)
    assert trial.design is Design.SPLIT_PLOT
    assert {item.id for item in trial.treatments} == {plot.treatment for plot in trial.plots}
    analysis = analyse(trial)
    sources = ["block"] if blocks else []
    sources += ["main", "error_main", "sub", "main:sub", "error"]
    day = analysis.anova[analysis.anova["days_after"] == 7]
    assert list(day["source"]) == sources
    assert line(day, "sub")["p"] < 1e-6
    shown = analysis.control[analysis.control["chosen"].eq(True)]
    full = shown[(shown["treatment"] == "bare:full") & (shown["days_after"] == 7)]
    assert 50 < float(full["percent"].iloc[0]) < 100
    courses = analysis.course_tests[analysis.course_tests["chosen"].eq(True)].set_index("source")
    assert list(courses.index) == ["main", "sub", "main:sub", "main:day", "sub:day", "main:sub:day"]
    assert courses.loc["sub", "p"] < 1e-6
    assert courses.loc["main:day", "test"] == "Greenhouse-Geisser"
    assert len(analysis.covariate) == 2
    assert analysis.covariate[["slope", "p_slope", "p", "p_sub"]].notna().all(axis=None)
    assert len(analysis.adjusted_means) == 2 * 9
    assert not analysis.diagnostics.empty
    document = compose(analysis, make_findings(analysis))
    keys = {table.key for table in document.tables()}
    assert {"factor-tests", "factor-differences", "courses", "adjusted", "checks", "reach"} <= keys
    record = json.loads(make_record(analysis, [], datetime(2025, 9, 1, tzinfo=UTC)))
    assert rerun(record).same
    save_trial(trial, tmp_path / "again")
    assert read_trial(tmp_path / "again") == trial


def test_a_trial_without_data_says_nothing(split_rice: Build) -> None:
    analysis = analyse(replace(split_rice(), yields=empty_yields()))
    assert analysis.responses.empty
    assert analysis.diagnostics.empty
