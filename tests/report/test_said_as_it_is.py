"""Sentences and notes of a page presume nothing that the trial lacks."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from known_truth.field import randomised_blocks, treatment_list, trial_of
from trialkit import Analysis, analyse, example_trial, make_findings, read_trial
from trialkit.report import compose
from trialkit.report.captions import counted
from trialkit.report.document import Aside, Document, FigureBlock, Notes, Paragraph, Table
from trialkit.report.glance_block import Glance
from trialkit.report.parts.layout_words import layout
from trialkit.report.parts.persistence import NEVER
from trialkit.trial import (
    Better,
    Design,
    Kind,
    Plot,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)
from trialkit.trial_faults import trial_faults

PEST = Variable(name="mined", label="Plants with mines", kind=Kind.PERCENT, role=VariableRole.PEST)
GRAIN = Variable(
    name="grain", label="Grain", kind=Kind.MEASUREMENT, role=VariableRole.YIELD, unit="t/ha"
)
WASTE = Variable(
    name="waste", label="Screenings", kind=Kind.MEASUREMENT, role=VariableRole.YIELD, unit="%"
)


def _trial(
    design: Design, *, days: tuple[float, ...] = (-1.0, 5.0, 9.0), treated: int = 1
) -> Trial:
    """Lay out an untreated and products that work, eight plots of each."""
    rng = np.random.default_rng(20)
    names = ["U", *(f"P{code}" for code in range(treated))]
    plots = [
        Plot(
            id=f"{block}{name}", treatment=name, block=None if design is Design.CRD else str(block)
        )
        for block in range(8)
        for name in names
    ]
    rows = [
        (plot.id, day, PEST.name, None, np.clip(rng.normal(8 if treated_now else 50, 4), 0, 100))
        for plot in plots
        for day in days
        for treated_now in [plot.treatment != "U" and day > 0]
    ]
    return Trial(
        title="Mines",
        design=design,
        treatments=tuple(
            Treatment(
                id=name,
                name=name,
                role=TreatmentRole.UNTREATED if name == "U" else TreatmentRole.TEST,
            )
            for name in names
        ),
        plots=tuple(plots),
        variables=(PEST,),
        counts=pd.DataFrame(rows, columns=["plot", "day", "variable", "sample", "value"]),
        untreated="U",
        applied=date(2025, 6, 1),
    )


def _with_yields(trial: Trial) -> Trial:
    rng = np.random.default_rng(3)
    rows = [
        (plot.id, name, (12.0 if plot.treatment == more else 6.0) + rng.normal(0.0, 0.3))
        for plot in trial.plots
        for name, more in (("grain", "P0"), ("waste", "U"))
    ]
    return replace(
        trial,
        untreated=None,
        treatments=tuple(replace(item, role=TreatmentRole.TEST) for item in trial.treatments),
        variables=(PEST, GRAIN, WASTE),
        yields=pd.DataFrame(rows, columns=["plot", "variable", "value"]),
    )


def _texts(document: Document) -> list[str]:
    found: list[str] = []
    for block in [
        *document.front,
        *(block for section in document.sections for block in section.blocks),
    ]:
        if isinstance(block, Paragraph | Aside):
            found.append(block.text)
        elif isinstance(block, Notes):
            found += block.items
        elif isinstance(block, Table):
            found += [block.question, *block.notes]
        elif isinstance(block, FigureBlock):
            found += [block.title, block.caption]
        elif isinstance(block, Glance):
            found += block.notes
    return found


def _told(analysis: Analysis) -> str:
    return "\n".join(_texts(compose(analysis, make_findings(analysis))))


@pytest.fixture(scope="module")
def without_blocks() -> Analysis:
    return analyse(_trial(Design.CRD))


def test_no_block_is_spoken_of_where_there_is_none(without_blocks: Analysis) -> None:
    told = _told(without_blocks)
    assert "The tests assume equal variances and normal residuals." in told
    assert "without each outlying plot" in told
    assert "block effects" not in told and "each block" not in told
    assert "in areas under the curve" in told and "and yield" not in told


def test_one_product_is_not_counted_among_treatments(without_blocks: Analysis) -> None:
    told = _told(without_blocks)
    assert "of one treatments" not in told
    assert "with P0 was" in told


def test_percentages_carry_their_sign(without_blocks: Analysis) -> None:
    (first,) = [
        item.text for item in make_findings(without_blocks) if "untreated plots" in item.text
    ]
    assert "% on day" in first
    assert "Plants with mines, %" in _told(without_blocks)


@pytest.mark.parametrize("days", [(5.0,), (-1.0, 5.0), (0.0, 5.0)])
def test_one_day_alone_is_named_and_not_the_whole_trial(days: tuple[float, ...]) -> None:
    analysis = analyse(_trial(Design.CRD, days=days, treated=2))
    texts = [item.text for item in make_findings(analysis)]
    assert any(
        "on day 5" in text for text in texts if "than the untreated" in text or "reduced" in text
    )
    assert "over the trial" not in ("\n".join(texts) + _told(analysis)).lower()


def test_several_days_are_the_trial() -> None:
    analysis = analyse(_trial(Design.CRD, treated=2))
    assert any("over the trial" in item.text for item in make_findings(analysis))
    assert "Statements over the trial rest" in _told(analysis)


def test_two_yields_are_told_apart_and_no_untreated_is_presumed() -> None:
    analysis = analyse(_with_yields(_trial(Design.RCBD)))
    texts = [item.text for item in make_findings(analysis) if "yielded" in item.text]
    assert {text.split(":")[0] for text in texts} == {"Grain", "Screenings"}
    notes = "\n".join(
        note
        for block in compose(analysis, make_findings(analysis)).front
        if isinstance(block, Glance)
        for note in block.notes
    )
    assert notes and "untreated" not in notes


def test_yields_in_incomplete_blocks_are_shown_as_they_are_compared() -> None:
    trial = _with_yields(_trial(Design.RCBD, treated=3))
    left_out = {
        f"{block}{name}" for block, name in zip(range(8), ("U", "P0", "P1", "P2") * 2, strict=True)
    }
    lift = {str(block): 3.0 * block for block in range(8)}
    by_plot = {plot.id: plot for plot in trial.plots}
    yields = trial.yields[~trial.yields["plot"].isin(left_out)]
    yields = yields.assign(
        value=yields["value"] + [lift[str(by_plot[plot].block)] for plot in yields["plot"]]
    )
    analysis = analyse(
        replace(
            trial,
            plots=tuple(plot for plot in trial.plots if plot.id not in left_out),
            counts=trial.counts[~trial.counts["plot"].isin(left_out)],
            yields=yields,
        )
    )
    means = analysis.means[analysis.means["measure"] == "yield"]
    assert not np.allclose(means["mean"], means["mean_analysed"])
    np.testing.assert_allclose(means["mean_shown"], means["mean_analysed"])
    assert ((means["lower"] + means["upper"]) / 2).to_numpy() == pytest.approx(means["mean_shown"])
    assert means["note"].str.startswith("no block holds all treatments").all()
    assert layout(analysis.trial) == "8 incomplete blocks"


def test_plots_without_yield_are_among_those_with_gaps() -> None:
    trial = read_trial(example_trial("leaf_disease_wheat"))
    lost = trial.plots[0].id
    analysis = analyse(replace(trial, harvest=trial.harvest[trial.harvest["plot"] != lost]))
    document = compose(analysis, make_findings(analysis))
    (line,) = [text for text in _texts(document) if "Read with care" in text]
    assert "values missing from 1 plot" in line
    assert line.endswith("Methods.")


def test_a_caption_counts_those_that_never_held_as_its_table_does() -> None:
    analysis = analyse(read_trial(example_trial("leaf_beetle_potato")))
    table = analysis.persistence
    held = table["holds_until_day"].notna() | table["censored"].eq(True)
    place = table.index[held & table["variable"].eq("larvae")][0]
    table.loc[place, "peak_percent"] = float(table.loc[place, "target"]) - 4.0  # course above it
    blocks = [
        block
        for section in compose(analysis, make_findings(analysis)).sections
        for block in section.blocks
        if isinstance(block, Table) and block.question.startswith("Fitted control of larvae")
    ]
    (block,) = blocks
    at = [column.title for column in block.columns].index("At target until day")
    never = sum(row[at] == NEVER for row in block.rows)
    assert f"; {counted(never)} never reached it" in block.question


def test_more_of_a_pest_is_not_taken_for_better() -> None:
    trial = _trial(Design.CRD)
    (fault,) = trial_faults(replace(trial, variables=(replace(PEST, better=Better.MORE),)))
    assert "less is better" in fault.what
    assert "living" in fault.remedy
    assert not trial_faults(replace(trial, variables=(replace(PEST, better=Better.LESS),)))


def test_the_change_of_one_day_is_not_headed_by_all_days() -> None:
    rng = np.random.default_rng(5)
    field = randomised_blocks(rng, 4, 5)
    start = rng.poisson(60.0, field.plots).astype(float)
    left = np.array([1.0, 0.2, 0.4, 0.9])[field.treatment]
    counts = np.column_stack([start, rng.poisson(start * left)])
    names = treatment_list(("Untreated", "One", "Two", "Three"))
    analysis = analyse(trial_of(field, names, (-1.0, 7.0), counts, title="One day"))
    assert analysis.claims["with_start"].any()
    document = compose(analysis, make_findings(analysis))
    (glance,) = [block for block in document.front if isinstance(block, Glance)]
    assert ("Day 7", "change, %") in glance.heads
    assert "over all days" not in "\n".join(glance.notes) + _told(analysis)


def test_control_in_incomplete_blocks_says_that_its_limits_allow_for_them() -> None:
    words = "its limits allow for incomplete blocks"
    trial = _trial(Design.RCBD, treated=3)
    left_out = {
        f"{block}{name}" for block, name in zip(range(8), ("U", "P0", "P1", "P2") * 2, strict=True)
    }
    incomplete = replace(
        trial,
        plots=tuple(plot for plot in trial.plots if plot.id not in left_out),
        counts=trial.counts[~trial.counts["plot"].isin(left_out)],
    )
    assert words in _notes_of_tables(incomplete)
    assert words not in _notes_of_tables(trial)


def _notes_of_tables(trial: Trial) -> str:
    document = compose(analyse(trial))
    return "\n".join(note for table in document.tables() for note in table.notes)
