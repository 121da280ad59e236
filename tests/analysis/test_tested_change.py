"""The change over the whole trial on page 1 is that of the test, where it allows for the start."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

import trialkit
from shipped import analysed
from trialkit.analysis.claims.glance import TESTED
from trialkit.findings import make_findings
from trialkit.inference.comparisons.against_control import against_control
from trialkit.inference.design.layout import randomised_blocks


@pytest.fixture(scope="module")
def mites() -> trialkit.Analysis:
    return analysed("spider_mite_glasshouse")


def test_limits_and_p_say_the_same() -> None:
    """Two treatments in blocks: the paired t interval."""
    rng = np.random.default_rng(4)
    layout = randomised_blocks(np.tile([0, 1], 6), np.repeat(np.arange(6), 2), 2)
    y = rng.normal(size=12)
    found = against_control(layout, y, 0)
    low, high = found.limits(0.05)
    pairs = y.reshape(6, 2)
    expected = stats.ttest_rel(pairs[:, 1], pairs[:, 0]).confidence_interval(0.95)
    assert (low[1], high[1]) == pytest.approx((expected.low, expected.high))
    at = found.limits(float(found.p_adjusted[1]))
    assert min(abs(at[0][1]), abs(at[1][1])) == pytest.approx(0.0, abs=1e-6)


def test_page_1_has_estimate_interval_and_p_of_one_test(mites: trialkit.Analysis) -> None:
    claims = mites.claims[mites.claims["percent"].notna()]
    assert set(claims["question"]) == {"pest"}
    assert claims["with_start"].all()
    assert (claims["lower"] < claims["percent"]).all()
    assert (claims["percent"] < claims["upper"]).all()
    assert ((claims["percent"] > 0) == (claims["direction"] == "lower")).all()
    shown = claims[claims["shown"].eq(True)]
    assert len(shown) > 0
    assert (shown["lower"] * shown["upper"] > 0).all()
    rows = mites.glance[mites.glance["question"] == "pest_days"].set_index("treatment")
    assert (rows["note"] == TESTED).all()
    own = claims.set_index("a")
    for name, column in (("value", "percent"), ("lower", "upper"), ("upper", "lower")):
        np.testing.assert_array_equal(rows[name], -own.loc[rows.index, column])
    marked = own.loc[rows.index, "front"].to_numpy(bool)
    np.testing.assert_array_equal(rows["shown"].to_numpy(bool), marked)


def test_sentences_tell_the_size_that_was_tested(mites: trialkit.Analysis) -> None:
    best = mites.claims.loc[mites.claims["percent"].idxmax()]
    told = [item.text for item in make_findings(mites) if item.front and item.claim]
    assert any(f"{best['percent']:.0f}%" in text for text in told)


def test_enemies_and_percentages_keep_the_areas(mites: trialkit.Analysis) -> None:
    enemies = mites.glance[mites.glance["question"] == "enemies"]
    assert len(enemies) > 0
    assert enemies["note"].isna().all()
    wheat = analysed("leaf_disease_wheat")
    assert wheat.claims["percent"].isna().all()
