"""From a trial without plots to one that is read and holds its design, for every design."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from planning.conftest import factor_treatments, make_protocol, neighbours_meet
from trialkit.planning import plan_trial
from trialkit.planning.layouts import lay_out
from trialkit.planning.options import Plan
from trialkit.problems import TrialError
from trialkit.reading import read_protocol, read_trial, save_trial
from trialkit.trial import Design, Plot, Trial

FACTORS = factor_treatments()
PROTOCOLS: dict[str, Trial] = {
    "crd": make_protocol("crd"),
    "rcbd": make_protocol("rcbd", 8, {"plan.untreated_plots": "2", "plan.block_rows": "3"}),
    "apart": make_protocol("rcbd", 6, {"plan.apart": "yes"}),
    "latin": make_protocol("latin", 6),
    "large latin": make_protocol("latin", 8),
    "split-plot": make_protocol("split-plot", treatments=2),
    "split square": make_protocol("split-plot", main_plots=Design.LATIN),
    "strip-plot": make_protocol("strip-plot"),
    "incomplete": make_protocol("rcbd", 17, {"plan.block_size": "5", "plan.blocks": "3"}),
}
for name in ("split-plot", "split square", "strip-plot"):
    PROTOCOLS[name] = replace(PROTOCOLS[name], treatments=FACTORS, untreated=None)


@pytest.mark.parametrize("name", PROTOCOLS)
@pytest.mark.parametrize("form", ["folder", "book.xlsx"])
def test_a_drawn_layout_is_saved_and_read_as_it_is(name: str, form: str, tmp_path: Path) -> None:
    planned = plan_trial(PROTOCOLS[name], seed=3)
    save_trial(planned.trial, tmp_path / form)
    read = read_trial(tmp_path / form)
    assert read.plots == planned.trial.plots
    assert read.design is planned.trial.design
    assert dict(read.plan) == dict(planned.trial.plan)
    assert {problem.kind for problem in read.warnings} <= {
        "no-values", "variable-without-data", "shared-place"
    }  # fmt: skip


@pytest.mark.parametrize("name", PROTOCOLS)
def test_a_seed_gives_one_layout_and_another_site_another(name: str) -> None:
    trial = PROTOCOLS[name]
    first, again = plan_trial(trial, seed=5), plan_trial(trial, seed=5)
    assert first.trial.plots == again.trial.plots
    sites = [plan_trial(trial, seed=5, site=site).trial for site in ("North", "South")]
    assert [trial.site for trial in sites] == ["North", "South"]
    assert len({tuple(p.treatment for p in t.plots) for t in (first.trial, *sites)}) == 3
    assert "equally likely" in first.statement
    assert "Seed 5" in first.statement


def test_without_a_seed_a_fresh_one_is_kept() -> None:
    first, second = plan_trial(PROTOCOLS["rcbd"]), plan_trial(PROTOCOLS["rcbd"])
    assert first.trial.plan["plan.seed"] != second.trial.plan["plan.seed"]
    again = plan_trial(first.trial, again=True)
    assert again.trial.plots == first.trial.plots


def test_every_block_holds_every_treatment_and_the_untreated_twice() -> None:
    planned = plan_trial(PROTOCOLS["rcbd"], seed=1)
    blocks: dict[str | None, Counter[str]] = {}
    for plot in planned.trial.plots:
        blocks.setdefault(plot.block, Counter())[plot.treatment] += 1
    assert len(blocks) == 4
    assert all(
        found == Counter({str(i): 1 + (i == 1) for i in range(1, 9)}) for found in blocks.values()
    )
    assert max(plot.row or 0 for plot in planned.trial.plots) == 12


def test_kept_apart_treatments_change_column() -> None:
    for seed in range(20):
        plots = plan_trial(PROTOCOLS["apart"], seed=seed).trial.plots
        field = np.zeros((4, 6), dtype=int)
        for plot in plots:
            field[(plot.row or 0) - 1, (plot.column or 0) - 1] = int(plot.treatment)
        assert not neighbours_meet(field, 6)


def test_incomplete_blocks_say_how_efficient_they_are() -> None:
    planned = plan_trial(PROTOCOLS["incomplete"], seed=2)
    assert planned.efficiency is not None
    assert f"{planned.efficiency:.3f}" in planned.statement
    sizes = Counter(plot.block for plot in planned.trial.plots)
    assert set(sizes.values()) <= {4, 5}
    assert len(sizes) == 12


@pytest.mark.parametrize(
    ("numbering", "second_row"), [("serpentine", [5, 4, 3, 2, 1]), ("straight", [1, 2, 3, 4, 5])]
)
def test_plots_are_numbered_along_the_walk(numbering: str, second_row: list[int]) -> None:
    trial = make_protocol("rcbd", 5, {"plan.numbering": numbering})
    plots = plan_trial(trial, seed=1).trial.plots
    assert [plot.id for plot in plots][:6] == ["101", "102", "103", "104", "105", "201"]
    assert [plot.column for plot in plots if plot.block == "2"] == second_row


@pytest.mark.parametrize(
    ("trial", "kind"),
    [
        (make_protocol("rcbd", 1), "no-treatments"),
        (replace(make_protocol(), plan={}), "no-blocks-planned"),
        (make_protocol("split-plot"), "no-factors"),
        (make_protocol("latin", plan={"plan.apart": "yes"}), "apart-not-possible"),
        (make_protocol("rcbd", 9, {"plan.block_size": "8"}), "block-size"),
        (make_protocol("latin", 5, {"plan.untreated_plots": "2"}), "key-of-another-design"),
        (make_protocol("crd", 6, {"plan.block_size": "3"}), "key-of-another-design"),
        (
            replace(make_protocol("split-plot"), treatments=FACTORS[:-1], untreated=None),
            "factors-incomplete",
        ),
        (replace(make_protocol(), plan={"plan.blocks": "many"}), "settings-value"),
    ],
)
def test_what_is_missing_is_said(trial: Trial, kind: str) -> None:
    with pytest.raises(TrialError) as caught:
        plan_trial(trial, seed=1)
    assert [problem.kind for problem in caught.value.problems] == [kind]


def test_a_layout_made_elsewhere_is_taken_over_and_looked_at() -> None:
    trial = make_protocol("rcbd", 6, {"plan.blocks": "3"})
    plots = tuple(
        Plot(id=f"{b}0{i}", treatment=str(i), block=str(b)) for b in (1, 2, 3) for i in range(1, 7)
    )
    planned = plan_trial(replace(trial, plots=plots))
    assert not planned.drawn
    assert planned.trial.plots == plots
    assert [note.kind for note in planned.notes] == ["not-randomised"]
    drawn = plan_trial(replace(trial, plots=plots), seed=1, again=True)
    assert drawn.drawn
    assert plan_trial(drawn.trial).notes == ()


def test_alpha_layouts_are_uniform() -> None:
    # Four treatments in two replicates of two blocks: every layout that renaming treatments and
    # changing the order of replicates, blocks and plots makes of the design is as likely as the
    # others. Counted one by one: 2 replicates in order, 3 pairings each but not the same twice,
    # 2 orders of blocks and of plots in each block.
    allowed = 3 * 2 * (2 * 2 * 2) ** 2
    trial = make_protocol("rcbd", 4, {"plan.block_size": "2", "plan.blocks": "2"})
    plan = Plan.of(trial)
    seen = Counter(
        tuple(p.treatment for p in lay_out(trial, plan, np.random.default_rng(seed)).plots)
        for seed in range(12 * allowed)
    )
    assert len(seen) == allowed
    assert stats.chisquare(list(seen.values())).pvalue > 1e-4


def test_a_layout_taken_over_is_held_against_its_plan() -> None:
    trial = make_protocol("rcbd", 5, {"plan.apart": "yes"})
    plots = plan_trial(trial, seed=1).trial.plots
    assert plan_trial(replace(trial, plots=plots)).notes == ()
    first = {plot.column: plot.treatment for plot in plots if plot.block == "1"}
    second = {plot.treatment: plot for plot in plots if plot.block == "2"}
    # Put a treatment of block 2 under itself, the one that stood there in its place.
    mine = second[first[3]]
    there = next(plot for plot in second.values() if plot.column == 3)
    swapped = {mine.id: there.treatment, there.id: mine.treatment}
    moved = tuple(replace(p, treatment=swapped.get(p.id, p.treatment)) for p in plots)
    notes = plan_trial(replace(trial, plots=moved)).notes
    assert [note.kind for note in notes] == ["not-apart"]
    assert f"Treatment {first[3]} is in column 3" in notes[0].what
    fewer = tuple(plot for plot in plots if plot.block != "4")
    notes = plan_trial(replace(trial, plots=fewer)).notes
    assert [note.kind for note in notes] == ["blocks-differ"]


def test_keys_of_the_plan_are_checked_where_they_stand(tmp_path: Path) -> None:
    (tmp_path / "treatments.csv").write_text(
        "treatment,name,role\n1,None,untreated\n2,Ostrel,test\n"
    )
    head = 'title = "Peas"\ndesign = "rcbd"\n[plan]\nblocks = 4\ndays = [-1, 3]\n'
    (tmp_path / "trial.toml").write_text(head)
    read = read_protocol(tmp_path)
    assert read.plots == ()
    assert dict(read.plan) == {"plan.blocks": "4", "plan.days": "-1; 3"}
    (tmp_path / "trial.toml").write_text(head + 'blok = 3\n[sprayer]\nspacing = "20"\n')
    with pytest.raises(TrialError) as caught:
        read_protocol(tmp_path)
    wrong = {problem.kind: problem for problem in caught.value.problems}
    assert wrong["settings-value"].place.row == 8
    assert "number with its unit" in wrong["settings-value"].remedy
    assert "'blocks'" in wrong["unknown-key"].remedy
    (tmp_path / "trial.toml").write_text('title = "Peas"\n')
    with pytest.raises(TrialError) as caught:
        read_protocol(tmp_path)
    assert [problem.kind for problem in caught.value.problems] == ["no-design"]
