"""Residuals against fitted values: every plot and day once, far ones named."""

from __future__ import annotations

import numpy as np
import pytest

from shipped import analysed
from trialkit import figures


@pytest.fixture(scope="module")
def analysis():
    return analysed("leaf_beetle_potato")


def test_every_residual_is_a_point(analysis):
    figure = figures.residuals(analysis, "larvae")
    rows = analysis.residuals
    own = rows[(rows["variable"] == "larvae") & (rows["measure"] == "count")]
    known = own["studentized"].notna()
    assert len(figure.data) == known.sum()
    assert np.allclose(figure.data["fitted"], own["fitted"][known].to_numpy(dtype=float))


def test_far_plots_are_named(analysis):
    text = figures.draw_svg(figures.residuals(analysis, "larvae"))
    rows = analysis.residuals
    own = rows[(rows["variable"] == "larvae") & (rows["measure"] == "count")]
    far = own[own["studentized"].abs() >= 3.0]
    assert not far.empty
    for plot, day in zip(far["plot"], far["days_after"], strict=True):
        assert f"plot {plot}, day {day:g}" in text


def test_what_was_not_tested_has_no_figure(analysis):
    with pytest.raises(ValueError, match="no residuals"):
        figures.residuals(analysis, "ghosts")
