"""Factorial treatments with the untreated outside, from the settings to the report."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.problems import TrialError
from trialkit.reading import read_trial, save_trial
from trialkit.record import make_record, rerun, trial_from_record
from trialkit.report.compose import compose
from trialkit.trial import Treatment, TreatmentRole, Trial

Build = Callable[..., Trial]
FACTORS = ("product", "rate")


def test_lines_split_what_treatments_explain(product_trial: Build) -> None:
    analysis = analyse(product_trial(factors=FACTORS))
    day = analysis.anova[analysis.anova["days_after"] == 7].set_index("source")
    assert list(day.index) == [
        "block",
        "treatment",
        "untreated against the rest",
        "product",
        "rate",
        "product:rate",
        "error",
    ]
    parts = day.loc[["untreated against the rest", "product", "rate", "product:rate"]]
    assert parts["df"].tolist() == [1, 1, 2, 2]
    assert parts["sum_sq"].sum() == pytest.approx(day.loc["treatment", "sum_sq"], rel=1e-10)
    error = day.loc["error", "mean_sq"]
    np.testing.assert_allclose(parts["F"], parts["mean_sq"] / error, rtol=1e-10)


def test_a_line_is_that_of_its_contrast(product_trial: Build) -> None:
    """The two products over their rates differ by one contrast of six treatments."""
    analysis = analyse(product_trial(factors=FACTORS))
    means = analysis.means[analysis.means["days_after"] == 14].set_index("treatment")
    first = means.filter(like="B", axis=0)["mean_analysed"].mean()
    second = means.filter(like="F", axis=0)["mean_analysed"].mean()
    expected = 12 * (first - second) ** 2 / 2  # 12 plots a product
    day = analysis.anova[analysis.anova["days_after"] == 14].set_index("source")
    assert day.loc["product", "sum_sq"] == pytest.approx(expected, rel=1e-9)
    levels = analysis.factor_means[analysis.factor_means["days_after"] == 14]
    product = levels[levels["factor"] == "product"].set_index("level")
    assert product.loc["Brambletox", "mean_analysed"] == pytest.approx(first)
    assert product["n"].tolist() == [12, 12]
    rate = levels[levels["factor"] == "rate"]
    assert list(rate["level"]) == ["0.25", "0.5", "1"]
    assert rate["letters"].notna().all()


def test_without_the_setting_nothing_is_split(product_trial: Build) -> None:
    analysis = analyse(product_trial())
    assert set(analysis.anova["source"]) == {"block", "treatment", "error"}
    assert analysis.factor_means.empty


def test_an_untreated_that_shares_its_levels_belongs_inside(product_trial: Build) -> None:
    def made(product: str, net: str) -> Treatment:
        none = (product, net) == ("none", "open")
        return Treatment(
            id=f"{product}-{net}",
            name=f"{product}, {net}",
            role=TreatmentRole.UNTREATED if none else TreatmentRole.TEST,
            extra={"product": product, "net": net},
        )

    treatments = tuple(made(p, n) for p in ("none", "soap") for n in ("open", "covered"))
    analysis = analyse(product_trial(treatments=treatments, factors=("product", "net")))
    assert set(analysis.anova["source"]) == {
        "block",
        "treatment",
        "product",
        "net",
        "product:net",
        "error",
    }


@pytest.mark.parametrize(
    ("factors", "kind", "words"),
    [
        (("produkt", "rate"), "factors-unfit", "no column"),
        (("product", "rate_unit"), "factors-unfit", "fewer than two levels"),
        (("name", "rate"), "factors-incomplete", "No treatment combines"),
    ],
)
def test_factors_that_do_not_fit_are_told(
    product_trial: Build, factors: tuple[str, ...], kind: str, words: str
) -> None:
    analysis = analyse(product_trial(factors=factors))
    found = [problem for problem in analysis.problems if problem.kind == kind]
    assert len(found) == 1
    assert words in found[0].what
    assert "treatment" in set(analysis.anova["source"])


def test_split_plots_keep_their_own_factors(split_rice: Build) -> None:
    analysis = analyse(split_rice(factors=FACTORS))
    assert any(problem.kind == "factors-unfit" for problem in analysis.problems)
    assert set(analysis.factor_means["factor"]) == {"main", "sub"}


@pytest.mark.parametrize("form", ["folder", "trial.xlsx"])
def test_the_setting_survives_saving_reading_and_the_record(
    product_trial: Build, tmp_path: Path, form: str
) -> None:
    trial = product_trial(factors=FACTORS)
    save_trial(trial, tmp_path / form)
    read = read_trial(tmp_path / form)
    assert read.settings.factors == FACTORS
    analysis = analyse(read)
    record = json.loads(make_record(analysis, [], datetime(2025, 9, 1, tzinfo=UTC)))
    assert trial_from_record(record).settings.factors == FACTORS
    assert rerun(record).same


def test_one_factor_is_no_factorial(product_trial: Build, tmp_path: Path) -> None:
    save_trial(product_trial(factors=FACTORS), tmp_path)
    toml = tmp_path / "trial.toml"
    toml.write_text(toml.read_text().replace('["product", "rate"]', '["product"]'))
    with pytest.raises(TrialError, match="two factors or more"):
        read_trial(tmp_path)


def test_the_report_shows_factors(product_trial: Build) -> None:
    document = compose(analyse(product_trial(factors=FACTORS)))
    tables = {table.key: table for table in document.tables()}
    heads = [column.title for column in tables["factor-tests"].columns]
    assert heads == ["Response", "Untreated against the rest", "Product", "Rate", "Product × rate"]
    assert len(tables["factor-tests"].rows) == 5
    assert [row[0] for row in tables["factor-1-1"].rows] == ["Brambletox", "Fernway"]


def test_outside_of_several(product_trial: Build, products: tuple[Treatment, ...]) -> None:
    water = Treatment(id="W", name="Water alone", role=TreatmentRole.CARRIER)
    treatments = (products[0], water, *products[1:])
    analysis = analyse(product_trial(treatments=treatments, factors=FACTORS))
    day = analysis.anova[analysis.anova["days_after"] == 7]
    sources = list(day["source"])
    assert "among those outside the factorial" in sources
    assert "outside the factorial against the rest" in sources
    split = day[~day["source"].isin(["block", "treatment", "error"])]
    whole = day[day["source"] == "treatment"]["sum_sq"].iloc[0]
    assert split["sum_sq"].sum() == pytest.approx(whole, rel=1e-10)
