"""Seed trials, incomplete blocks and assessments without a day: saved, read back, analysed."""

from __future__ import annotations

import itertools

import pytest

from trialkit.analysis import analyse
from trialkit.reading import read_trial, save_trial
from trialkit.words import day_zero

PLANTED = 'planted = 2025-04-20\nuntreated = "none"\n'


def undated() -> str:
    """One assessment without a day."""
    rows = itertools.product((1, 2, 3, 4), enumerate(("Untreated", "Velsin", "Ostrel")))
    return "block,treatment,larvae\n" + "".join(
        f"{b},{t},{30 // (k + 1) + b * 2 % 5}\n" for b, (k, t) in rows
    )


def resolvable() -> str:
    """Blocks of three in three replicates, numbered anew in each."""
    lines = ["plot,rep,block,gen,yield"]
    for rep in range(3):
        for place in range(9):
            block, k = divmod(place, 3)
            gen = 3 * k + (block + rep * k) % 3
            value = 5 + gen / 4 + block / 3 + (place * 7 + rep * 5) % 11 / 20
            lines.append(f"{9 * rep + place},R{rep},B{block},G{gen},{value:.3f}")
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("make", [undated, resolvable])
@pytest.mark.parametrize("target", ["saved", "saved.xlsx"])
def test_saved_and_read_back(file, tmp_path, make, target):
    trial = read_trial(file("trial.csv", make()))
    save_trial(trial, tmp_path / target)
    assert read_trial(tmp_path / target) == trial


def test_control_at_an_assessment_without_a_day(file):
    analysis = analyse(read_trial(file("trial.csv", undated())))
    shown = analysis.control[analysis.control["method"] == "abbott"]
    assert set(shown["treatment"]) >= {"Velsin", "Ostrel"}
    assert not shown["percent"].isna().all()


def test_replicates_stand_in_the_model(file):
    trial = read_trial(file("trial.csv", resolvable()))
    assert {plot.replicate for plot in trial.plots} == {"R0", "R1", "R2"}
    assert len({plot.block for plot in trial.plots}) == 9
    tests = analyse(trial).recovered_tests
    assert tests["p"].notna().all()


def test_days_after_planting_and_dates_from_planting(file, tmp_path):
    (tmp_path / "trial.toml").write_text(PLANTED)
    rows = [f"{v},{b}" for b in (1, 2, 3) for v in "ABC"]
    dap = "variety,rep,height 40 DAP\n" + "".join(f"{r},{i}\n" for i, r in enumerate(rows, 50))
    dates = dap.replace("40 DAP", "2025-05-30")
    first, second = (read_trial(file(f"{n}.csv", t)) for n, t in (("a", dap), ("b", dates)))
    assert set(first.counts["day"]) == set(second.counts["day"]) == {40.0}
    assert first.applied is None


def test_a_treatment_called_none_is_a_treatment(file, tmp_path):
    (tmp_path / "trial.toml").write_text('untreated = "None"\n')
    text = undated().replace("Untreated", "None")
    assert read_trial(file("trial.csv", text)).untreated == "None"


def test_days_count_from_planting_in_words_and_when_saved(file, tmp_path):
    lines = ["variety,rep,height 40 DAP,height 60 DAP"]
    lines += [f"V{k},{b},{40 + 3 * k + b},{80 + k * b}" for b in (1, 2, 3) for k in range(4)]
    trial = read_trial(file("trial.csv", "\n".join(lines)))
    assert trial.counted_from == "planting"
    assert day_zero(trial) == "planting"
    for name in ("saved", "saved.xlsx"):
        save_trial(trial, tmp_path / name)
        assert read_trial(tmp_path / name) == trial
