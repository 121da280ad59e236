"""Shares k of n: published data, answers made with R (``reference_scripts/shares.R``)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from trialkit import trial_from_tables
from trialkit.analysis import analyse
from trialkit.inference.design.layout import Layout, completely_randomised, randomised_blocks
from trialkit.inference.glm.share_model import ShareFit, fit_shares
from trialkit.trial import (
    Trial,
)

ANSWERS = Path(__file__).parent / "reference_scripts" / "shares.txt"
FAMILIES = ("quasi-binomial", "beta-binomial")

# Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., 12
# varieties x 3, percentages of 75 hoppers that survived, as printed with two decimals cut off.
HOPPERS = """
44 25.33 48 46.66 46.66 16 0 0 20 25.33 26.66 49.33 32 29.33 28 13.33 36 33.33
21.33 49.33 80 0 0 0 0 0 0 17.33 33.33 10.66 24 26.66 54.66 93.33 100 100
"""
# Lesnoff M and others 2004, Preventive Veterinary Medicine 64:17-28 (data carried by a package of
# R, reference from memory): herd, period, new cases, animals; two herds left, one came late.
HERDS = """
1:1:2:14 1:2:3:12 1:3:4:9 1:4:0:5 2:1:3:22 2:2:1:18 2:3:1:21 3:1:8:22 3:2:2:16 3:3:0:16 3:4:2:20
4:1:2:10 4:2:0:10 4:3:2:9 4:4:0:6 5:1:5:18 5:2:0:25 5:3:0:24 5:4:1:4 6:1:3:17 6:2:0:17 6:3:0:18
6:4:1:20 7:1:8:16 7:2:1:10 7:3:3:9 7:4:0:5 8:1:12:34 9:1:2:9 9:2:0:6 9:3:0:8 9:4:0:6 10:1:1:22
10:2:1:22 10:3:0:18 10:4:2:22 11:1:0:25 11:2:5:27 11:3:3:22 11:4:1:22 12:1:2:10 12:2:1:8 12:3:0:6
12:4:0:5 13:1:1:21 13:2:2:24 13:3:0:19 13:4:0:23 14:1:11:19 14:2:0:2 14:3:0:3 14:4:0:2 15:1:1:19
15:2:1:15 15:3:1:15 15:4:0:15
"""


def _answers(name: str, family: str) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for line in ANSWERS.read_text(encoding="utf-8").splitlines():
        words = line.split()
        if words[:2] != [name, family]:
            continue
        if words[2] == "shares":
            found["shares"] = [float(word) for word in words[3:]]
        else:
            found |= {words[i]: [float(words[i + 1])] for i in range(2, len(words), 2)}
    return found


def _hoppers() -> tuple[Layout, np.ndarray, np.ndarray]:
    percent = np.array([float(word) for word in HOPPERS.split()])
    layout = completely_randomised(np.repeat(np.arange(12), 3), 12)
    return layout, np.round(percent * 0.75), np.full(36, 75.0)


def _herds() -> tuple[Layout, np.ndarray, np.ndarray]:
    rows = np.array([[int(part) for part in word.split(":")] for word in HERDS.split()])
    layout = randomised_blocks(rows[:, 1] - 1, rows[:, 0] - 1, 4)
    return layout, rows[:, 2].astype(float), rows[:, 3].astype(float)


SETS = {"hoppers": _hoppers, "herds": _herds}


def _dispersion(fit: ShareFit) -> float:
    return float((fit.correlation if fit.family == "beta-binomial" else fit.scale)[0])


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("name", SETS)
def test_fits(name: str, family: str) -> None:
    """Deviance, dispersion and shares; groups of none and, within herds, unequal numbers."""
    layout, hits, number = SETS[name]()
    fit = fit_shares(layout, hits, number, family=family)  # type: ignore[arg-type]
    right = _answers(name, family)
    line = next(item for item in fit.lines if item.source == "treatment")
    assert fit.df_error[0] == right["df"][0]
    assert line.deviance[0] == pytest.approx(right["deviance"][0], rel=1e-7)
    assert _dispersion(fit) == pytest.approx(right["dispersion"][0], rel=1e-7)
    np.testing.assert_allclose(fit.proportions[:, 0], right["shares"], rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("name", SETS)
def test_whole_job(name: str) -> None:
    """The same through a trial: F is the mean deviance over the factor on the variance."""
    layout, hits, number = SETS[name]()
    analysis = analyse(_trial(layout, hits, number))
    tests = analysis.count_tests.set_index("model")
    for family in FAMILIES:
        right = _answers(name, family)
        row = tests.loc[family]
        scale = right["dispersion"][0] if family == "quasi-binomial" else 1.0
        groups = len(right["shares"])
        assert row["df"] == groups - 1
        assert row["df_error"] == right["df"][0]
        assert row["deviance"] == pytest.approx(right["deviance"][0], rel=1e-7)
        assert row["F"] == pytest.approx(right["deviance"][0] / (groups - 1) / scale, rel=1e-7)
        assert row["dispersion"] == pytest.approx(right["dispersion"][0], rel=1e-7)
    means = analysis.count_models
    shares = 100.0 * np.array(_answers(name, "beta-binomial")["shares"])
    np.testing.assert_allclose(means["mean"], shares, rtol=1e-7, atol=1e-10)
    assert means["upper"].between(0.0, 100.0).all()
    assert (means["lower"] <= means["mean"]).all()
    assert (means["upper"] >= means["mean"]).all()


def _trial(layout: Layout, hits: np.ndarray, number: np.ndarray) -> Trial:
    table = pd.DataFrame(
        {
            "plot": [f"p{i}" for i in range(len(hits))],
            "treatment": layout.treatment,
            "days_after": 7,
            "hit": hits,
            "units": number,
        }
    )
    if layout.blocking:
        table["block"] = layout.blocking[0][1]
    return trial_from_tables(
        {
            "title": "Published",
            "design": "rcbd" if layout.blocking else "crd",
            "untreated": "0",
            "variables": {
                "hit": {"label": "Hit", "kind": "percent", "role": "damage", "examined": "units"}
            },
        },
        flat=table,
    )
