"""Control of each block on its own: data beside the control of the treatment means."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import trialkit
from trialkit.measures.control import abbott, henderson_tilton
from trialkit.trial import ControlMethod, Design


@pytest.fixture(scope="module")
def trial():
    return trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato"))


def _count(trial, plot: str, day: float) -> float:
    rows = trial.counts
    mine = rows[(rows["plot"] == plot) & (rows["variable"] == "larvae") & (rows["day"] == day)]
    return float(mine["value"].mean())


def test_each_block_is_its_own_quotient(trial) -> None:
    settings = replace(trial.settings, control=ControlMethod.HENDERSON_TILTON)
    table = trialkit.analyse(replace(trial, settings=settings)).block_control
    table = table[table["variable"] == "larvae"]
    before = max(day for day in set(trial.counts["day"]) if day <= 0)
    checked = 0
    for row in table.to_dict("records"):
        treated, untreated = (
            next(p.id for p in trial.plots if p.block == row["block"] and p.treatment == t)
            for t in (row["treatment"], trial.untreated)
        )
        found = henderson_tilton(
            _count(trial, treated, row["days_after"]),
            _count(trial, treated, before),
            _count(trial, untreated, row["days_after"]),
            _count(trial, untreated, before),
        )
        assert row["method"] == "henderson-tilton"
        if np.isfinite(row["percent"]):
            assert row["percent"] == pytest.approx(float(found.percent), rel=1e-9)
            checked += 1
        else:
            assert row["reason"] == str(found.reason)
    assert len(table) == 4 * 7 * 6
    assert checked > 150


def test_by_the_method_shown_and_only_where_there_are_blocks(trial) -> None:
    settings = replace(trial.settings, control=ControlMethod.ABBOTT)
    table = trialkit.analyse(replace(trial, settings=settings)).block_control
    row = table[(table["variable"] == "larvae") & (table["days_after"] == 7)].iloc[0]
    block, treated = row["block"], row["treatment"]
    plots = {p.treatment: p.id for p in trial.plots if p.block == block}
    found = abbott(_count(trial, plots[treated], 7.0), _count(trial, plots[trial.untreated], 7.0))
    assert row["percent"] == pytest.approx(float(found.percent), rel=1e-9)
    loose = tuple(replace(plot, block=None) for plot in trial.plots)
    crd = replace(trial, plots=loose, design=Design.CRD)
    assert trialkit.analyse(crd).block_control.empty
