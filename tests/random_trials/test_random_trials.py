"""Whatever is laid out, counted and lost: files come out, without a warning, and come out again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from random_trials.laying_out import DESIGNS, lay_out
from trialkit.record import read_record, rerun
from trialkit.run import report_trial

#: Three trials of each design, and some that once failed; more of them look further.
SEEDS = (*range(3 * len(DESIGNS)), 29, 161, 346)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_random_trial_is_analysed_written_and_run_again(tmp_path: Path, seed: int) -> None:
    folder = lay_out(tmp_path / "trial", seed)
    written = report_trial(folder, tmp_path / "out", formats=("xlsx",))
    tables = written.analysis.tables()
    assert len(tables["means"]) > 0
    for name, table in tables.items():
        for column in table.select_dtypes("number"):
            assert not np.isinf(table[column]).any(), (name, column)
    assert (tmp_path / "out" / "tables.xlsx").stat().st_size > 0
    again = rerun(read_record(tmp_path / "out" / "record.json"))
    assert again.same, [str(each) for each in again.differences[:5]]
    assert again.largest == 0.0
