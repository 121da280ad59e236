"""The printed analysis of variance, worked out again from the counts by the textbook's sums."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from shipped import analysed
from trialkit import analyse, read_trial
from trialkit.analysis import Analysis
from trialkit.report import compose
from trialkit.report.document import Missing, Table
from trialkit.report.laid_out import page_table
from trialkit.report.numbers import write_number, write_p


@pytest.fixture(scope="module")
def beetles() -> Analysis:
    return analysed("leaf_beetle_potato")


@pytest.fixture(scope="module")
def printed(beetles: Analysis) -> Table:
    return next(item for item in compose(beetles).tables() if item.key == "anova")


def rows_of(table: Table, response: str) -> dict[object, dict[str, object]]:
    titles = [column.title for column in table.columns]
    rows = [dict(zip(titles, row, strict=True)) for row in table.rows if row[0] == response]
    return {row["Source"]: row for row in rows}


def test_sums_of_squares_of_a_complete_day(beetles: Analysis, printed: Table) -> None:
    trial = beetles.trial
    day = trial.counts[(trial.counts["variable"] == "larvae") & (trial.counts["day"] == 3)]
    values = dict(zip(day["plot"], np.log10(day["value"] + 1.0), strict=True))
    blocks = sorted({plot.block for plot in trial.plots if plot.block is not None})
    treatments = [item.id for item in trial.treatments]
    cells = np.full((len(blocks), len(treatments)), np.nan)
    for plot in trial.plots:
        cells[blocks.index(str(plot.block)), treatments.index(plot.treatment)] = values[plot.id]
    b, t = cells.shape
    correction = cells.sum() ** 2 / cells.size
    total = float((cells**2).sum() - correction)
    of_blocks = float((cells.sum(axis=1) ** 2).sum() / t - correction)
    of_treatments = float((cells.sum(axis=0) ** 2).sum() / b - correction)
    error = total - of_blocks - of_treatments
    found = rows_of(printed, "Larvae per 10 plants, day 3")
    for source, squares, df in (
        ("blocks", of_blocks, b - 1),
        ("treatments", of_treatments, t - 1),
        ("error", error, (b - 1) * (t - 1)),
    ):
        assert found[source]["Sum of squares"] == pytest.approx(squares)
        assert found[source]["df"] == df
        assert found[source]["Mean square"] == pytest.approx(squares / df)
    f = (of_treatments / (t - 1)) / (error / ((b - 1) * (t - 1)))
    assert found["treatments"]["F"] == pytest.approx(f)
    assert found["treatments"]["df of F"] == f"{t - 1}, {(b - 1) * (t - 1)}"
    assert found["treatments"]["p"] == pytest.approx(stats.f.sf(f, t - 1, (b - 1) * (t - 1)))
    assert found["error"]["F"] is None


def test_every_source_of_the_analysis_is_printed(beetles: Analysis, printed: Table) -> None:
    assert len(printed.rows) == len(beetles.anova)
    told = [row[3] for row in printed.rows]
    assert told == pytest.approx(beetles.anova["sum_sq"].tolist())


def test_a_fit_by_reml_says_why_it_has_no_sums(tmp_path: Path) -> None:
    lines = ["plot,block,main_plot,main_factor,sub_factor,grain"]
    rng = np.random.default_rng(4)
    for block in range(1, 5):
        for main in "AB":
            for sub in "xyz":
                if (block, main, sub) != (2, "A", "y"):
                    value = 20 + 2 * (main == "B") + rng.normal()
                    lines.append(f"{block}{main}{sub},{block},{block}{main},{main},{sub},{value}")
                else:
                    lines.append(f"{block}{main}{sub},{block},{block}{main},{main},{sub},")
    path = tmp_path / "split.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    analysis = analyse(read_trial(path))
    table = next(item for item in compose(analysis).tables() if item.key == "anova")
    tested = [row for row in table.rows if row[5] is not None]
    assert tested
    for row in tested:
        cell = row[3]
        assert isinstance(cell, Missing)
        assert "REML" in cell.reason
    assert not any(
        isinstance(cell, float) and math.isnan(cell) for row in table.rows for cell in row
    )


def test_below_the_means_stand_their_error_p_and_difference(beetles: Analysis) -> None:
    table = next(item for item in compose(beetles).tables() if item.key == "means-1")
    place = [column.title for column in table.columns].index("Day 3")
    feet = {row[0]: row[place] for row in table.rows[-3:]}
    means, responses = beetles.means, beetles.responses
    of_day = (means["variable"] == "larvae") & (means["days_after"] == 3)
    tested = responses[(responses["variable"] == "larvae") & (responses["days_after"] == 3)].iloc[0]
    error = float(np.sqrt((means.loc[of_day, "se"] ** 2).mean()))
    assert feet["Standard error of a mean"] == write_number(error)
    assert feet["Significant difference"] == write_number(tested["significant_difference"])
    assert feet["p, treatments"] == write_p(tested["p"])
    below = [column.title for column in table.columns].index("Day 3, back-transformed")
    shown = [row[below] for row in table.rows[:-3]]
    assert shown == means.loc[of_day, "back_transformed"].tolist()
    first = write_number(float(str(shown[0])), table.columns[below].digits)
    assert page_table(table).rows[0][2].span == f"({first})"
