"""Split-plots whose main plots lie in a Latin square: read, saved, analysed, refused."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from trialkit.analysis import analyse
from trialkit.findings import make_findings
from trialkit.problems import TrialError
from trialkit.reading import read_trial, save_trial
from trialkit.record import make_record, rerun
from trialkit.report.compose import compose
from trialkit.trial import Design, Trial

LEVELS = ("bare", "straw", "film", "net")
SUBS = ("none", "half", "full")


def write(folder: Path, *, key: str = 'main_plots = "latin"\n', swap: bool = False) -> Trial:
    rng = np.random.default_rng(4)
    plots, counts = ["plot,row,column,main_factor,sub_factor"], ["plot,days_after,mites"]
    for row in range(4):
        for column in range(4):
            main = LEVELS[(row + column) % 4]
            if swap and row == column == 0:
                main = "straw"
            for place, sub in enumerate(SUBS):
                plot = f"{row + 1}{column + 1}{sub[0]}"
                plots.append(f"{plot},{row + 1},{column + 1},{main},{sub}")
                for day in (-1, 3, 7):
                    level = 30.0 + 4 * row * (day > 0)
                    share = (1.0, 0.6, 0.3)[place] if day > 0 else 1.0
                    counts.append(f"{plot},{day},{rng.poisson(level * share)}")
    (folder / "trial.toml").write_text(
        f'title = "Mulch and oil against mites"\ndesign = "split-plot"\n{key}'
        'applied = 2025-06-02\nuntreated = "bare:none"\n[variables.mites]\nkind = "count"\n'
        'role = "pest"\n'
    )
    (folder / "plots.csv").write_text("\n".join(plots) + "\n")
    (folder / "counts.csv").write_text("\n".join(counts) + "\n")
    return read_trial(folder)


def test_from_end_to_end(tmp_path: Path) -> None:
    trial = write(tmp_path)
    assert trial.main_plots is Design.LATIN
    assert not [item for item in trial.warnings if item.kind in {"shared-place", "no-block"}]
    analysis = analyse(trial)
    day = analysis.anova[analysis.anova["days_after"] == 7].set_index("source")
    assert list(day.index) == ["row", "column", "main", "error_main", "sub", "main:sub", "error"]
    assert day["df"].tolist() == [3, 3, 3, 6, 2, 6, 24]
    assert day.loc["sub", "p"] < 1e-6
    assert day.loc[["main", "sub", "main:sub"], "p_randomised"].notna().all()
    assert analysis.factor_differences["reason"].str.contains("rows and columns").all()
    assert analysis.course_tests["chosen"].eq(True).sum() == 6
    assert analysis.covariate["p"].notna().all()
    document = compose(analysis, make_findings(analysis))
    assert {"factor-tests", "courses", "adjusted"} <= {table.key for table in document.tables()}
    assert "Latin square of 4 rows and 4 columns" in dict(document.facts)["Design"]
    record = json.loads(make_record(analysis, [], datetime(2025, 9, 1, tzinfo=UTC)))
    assert rerun(record).same
    save_trial(trial, tmp_path / "again")
    assert read_trial(tmp_path / "again") == trial


def test_levels_of_rows_change_nothing(tmp_path: Path) -> None:
    trial = write(tmp_path)
    row = {plot.id: plot.row or 0 for plot in trial.plots}
    counts = trial.counts.assign(
        value=trial.counts["value"] + 100.0 * trial.counts["plot"].map(row)
    )
    settings = replace(trial.settings, transform="none")
    one = analyse(replace(trial, settings=settings)).anova
    two = analyse(replace(trial, settings=settings, counts=counts)).anova
    own = one["source"].isin(["column", "main", "sub", "main:sub"])
    np.testing.assert_allclose(one.loc[own, "F"], two.loc[own, "F"], rtol=1e-7)


def test_refused(tmp_path: Path) -> None:
    with pytest.raises(TrialError, match="no Latin square"):
        write(tmp_path, swap=True)
    with pytest.raises(TrialError, match="cannot be laid out"):
        write(tmp_path, key='main_plots = "snail"\n')
    text = (tmp_path / "plots.csv").read_text()
    write_folder = tmp_path / "two"
    write_folder.mkdir()
    write(write_folder)
    (write_folder / "plots.csv").write_text(text.replace("11h,1,1", "11h,,1"))
    with pytest.raises(TrialError, match="row or column is missing for plot 11h"):
        read_trial(write_folder)


def test_two_levels_in_one_main_plot(tmp_path: Path) -> None:
    write(tmp_path)
    plots = (tmp_path / "plots.csv").read_text().replace("11h,1,1,bare", "11h,1,1,film")
    (tmp_path / "plots.csv").write_text(plots)
    with pytest.raises(TrialError, match="several levels of the main factor"):
        read_trial(tmp_path)


def test_without_the_key_rows_and_columns_are_the_map(tmp_path: Path) -> None:
    with pytest.raises(TrialError, match="needs blocks"):
        write(tmp_path, key="")


def test_the_key_is_for_split_plots(tmp_path: Path) -> None:
    write(tmp_path)
    text = (tmp_path / "trial.toml").read_text().replace('"split-plot"', '"crd"')
    (tmp_path / "trial.toml").write_text(text)
    trial = read_trial(tmp_path)
    assert trial.main_plots is None
    assert "main-plots-unused" in {item.kind for item in trial.warnings}


def test_map_and_words_of_a_square(tmp_path: Path) -> None:
    analysis = analyse(write(tmp_path))
    document = compose(analysis, make_findings(analysis))
    maps = [
        block for part in document.sections for block in part.blocks if hasattr(block, "legend")
    ]
    assert len(maps) == 1
    assert not maps[0].legend
    assert len(maps[0].plots) == 48


def test_a_treatment_that_was_never_counted(tmp_path: Path) -> None:
    """The highest control is looked for among those that have one."""
    trial = write(tmp_path)
    lost = {plot.id for plot in trial.plots if plot.treatment == "straw:half"}
    counts = trial.counts[~trial.counts["plot"].isin(lost)]
    analysis = analyse(replace(trial, counts=counts))
    document = compose(analysis, make_findings(analysis))
    texts = [
        block.text for part in document.sections for block in part.blocks if hasattr(block, "text")
    ]
    assert any("no treatment reached" in text for text in texts)
    chosen = analysis.course_tests[analysis.course_tests["chosen"].eq(True)]
    assert chosen["p"].notna().all()
