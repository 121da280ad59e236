"""Power by simulation: against brute simulation written apart, formulas, and known fields."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import html5lib
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from typer.testing import CliRunner

import trialkit
from planning.conftest import factor_treatments, make_protocol
from trialkit.analysis import analyse
from trialkit.cli import app
from trialkit.planning import Field, blocks_needed, field_of, plan_trial
from trialkit.planning.chances import QUESTIONS, Sought, true_control
from trialkit.planning.fields import simulate_counts
from trialkit.planning.power import LEVELS, _Setting, _tasks
from trialkit.planning.power_pages import power_lines, power_page, power_svg
from trialkit.planning.whole_trials import whole_trials
from trialkit.problems import TrialError
from trialkit.trial import Settings, Transform, Trial

FIELD = Field(density=20, k=2, plot_cv=30, block_cv=20, samples=2)


def chances(needed, question: str) -> pd.DataFrame:
    own = needed.chances[needed.chances["question"] == question]
    return own.pivot_table(index="control_percent", columns="blocks", values="chance")


def test_chances_agree_with_a_simulation_written_apart() -> None:
    # Four treatments in four blocks, one at 60 %, the others at 80 %, square roots; F by hand.
    trial = replace(make_protocol("rcbd", 4), settings=Settings(transform=Transform.SQRT))
    needed = blocks_needed(trial, FIELD, blocks=(4,), simulations=2000)
    found = float(chances(needed, Sought.ANY).loc[60.0, 4])
    rng = np.random.default_rng(99)
    t, b, n = 4, 4, 2000
    means = 20 * np.array([1, 0.4, 0.2, 0.2])[:, None, None]
    spread = [np.sqrt(np.log1p(cv**2)) for cv in (0.2, 0.3)]
    level = means * np.exp(rng.normal(0, spread[0], (1, b, n)) - spread[0] ** 2 / 2)
    level = level * np.exp(rng.normal(0, spread[1], (t, b, n)) - spread[1] ** 2 / 2)
    counts = rng.negative_binomial(2, 2 / (2 + level), (2, t, b, n)).mean(axis=0)
    y = np.sqrt(counts + 0.5)
    grand = y.mean(axis=(0, 1))
    ss_t = b * ((y.mean(axis=1) - grand) ** 2).sum(axis=0)
    ss_b = t * ((y.mean(axis=0) - grand) ** 2).sum(axis=0)
    ss_e = ((y - grand) ** 2).sum(axis=(0, 1)) - ss_t - ss_b
    p = stats.f.sf((ss_t / 3) / (ss_e / 9), 3, 9)
    apart = float((p < 0.05).mean())
    error = np.sqrt(2 * apart * (1 - apart) / n)
    assert abs(found - apart) < 4 * error


def test_the_noncentral_f_agrees_where_it_holds() -> None:
    needed = blocks_needed(make_protocol("rcbd", 5), FIELD, blocks=(3, 6), simulations=1000)
    assert len(needed.formula) == 2 * len(LEVELS)
    assert (needed.formula["simulated"] - needed.formula["noncentral_f"]).abs().max() < 0.05


def test_without_any_effect_five_in_a_hundred_are_found() -> None:
    needed = blocks_needed(
        make_protocol("rcbd", 5), FIELD, blocks=(4,), assumed=0.0, simulations=3000
    )
    null = float(chances(needed, Sought.ANY).loc[0.0, 4])
    assert null == pytest.approx(0.05, abs=0.015)
    assert float(chances(needed, Sought.UNTREATED).loc[0.0, 4]) < 0.05


def test_more_blocks_and_more_control_are_found_sooner() -> None:
    needed = blocks_needed(make_protocol("rcbd", 5), FIELD, blocks=(3, 5, 8), simulations=400)
    against = chances(needed, Sought.UNTREATED)
    assert (np.diff(against.to_numpy(), axis=1) > -0.06).all()
    assert (np.diff(against.loc[30.0:].to_numpy(), axis=0) > -0.02).all()
    smallest = needed.smallest.query("question == @Sought.UNTREATED")["control_percent"]
    assert (np.diff(smallest) < 0).all()
    for row in needed.chances.itertuples():
        assert 0 <= row.lower <= row.chance <= row.upper <= 1


@pytest.mark.parametrize("name", ["crd", "latin", "split-plot", "strip-plot", "incomplete"])
def test_every_design_can_be_asked(name: str) -> None:
    trial = make_protocol("rcbd" if name == "incomplete" else name, 6)
    if name.endswith("-plot"):
        trial = replace(trial, treatments=factor_treatments(2, 2), untreated="C1:P1")
    if name == "incomplete":
        trial = replace(trial, plan={**trial.plan, "plan.block_size": "3"})
    needed = blocks_needed(trial, FIELD, blocks=(4,), simulations=12)
    assert needed.chances["chance"].between(0, 1).all()
    assert (needed.formula.empty) == (name in {"split-plot", "strip-plot", "incomplete"})
    assert set(needed.chances["blocks"]) == {6 if name == "latin" else 4}


def one_task(question: str, trial: Trial, *, size: int = 4, place: int = 0):
    setting = _Setting(trial, replace(FIELD, steady=60, samples=3), size, 80.0, 6)
    return list(_tasks(setting, question))[place]


def test_what_stays_with_plots_makes_days_alike() -> None:
    # On the log scale, of many plots without chance of counting: variances and what days share.
    field = Field(density=1, plot_cv=40, block_cv=30, unit_cv=20, steady=25)
    block, unit = np.arange(40) // 4, np.arange(40) // 2
    means = np.full((40, 2), 1e8)
    logs = np.log(simulate_counts(means, (block, unit), field, 400, np.random.default_rng(5)))
    plots, blocks, units = (np.log1p(cv**2) for cv in (0.4, 0.3, 0.2))
    flat = logs.transpose(1, 0, 2).reshape(2, -1)
    assert flat.var(axis=1) == pytest.approx(np.full(2, plots + blocks + units), rel=0.06)
    shared = 0.25 * plots + blocks + units
    assert np.cov(flat)[0, 1] == pytest.approx(shared, rel=0.08)
    within = logs[::2] - logs[1::2]  # plots of one main plot
    assert within.var() == pytest.approx(2 * plots, rel=0.05)


def test_a_course_passes_the_target_on_the_day_asked_for() -> None:
    task = one_task("days", make_protocol("rcbd", 4, {"plan.days": "-1, 0, 2, 5, 7, 21"}), place=2)
    control = true_control(replace(task, days=np.array([-1.0, 1e-9, task.held, 20.0])))
    assert control[task.other] == pytest.approx([0, 95, 80, control[task.other, 3]])
    later = true_control(replace(task, days=np.array([task.held + task.truth])))
    assert later[task.first] == pytest.approx([80])
    assert task.truth > 0
    assert (control[task.plan.untreated] == 0).all()


@pytest.mark.parametrize(
    ("question", "design"),
    [
        *((question, "rcbd") for question in ("trial", "target", "rates", "days")),
        ("trial", "split-plot"),
        ("days", "split-plot"),
    ],
)
def test_whole_trials_are_told_as_the_analysis_of_their_counts_tells_them(
    question: str, design: str
) -> None:
    protocol = make_protocol(design, 5, {"plan.days": "-1, 3, 7, 14"})
    if design == "split-plot":
        protocol = replace(protocol, treatments=factor_treatments(2, 3), untreated="C1:P1")
    task = one_task(
        question, protocol, place={"trial": 6, "target": 3, "rates": 4, "days": 3}[question]
    )
    control = true_control(task)[task.plan.treatment]
    values = simulate_counts(
        task.field.density * (1 - control / 100), task.groups, task.field, 3,
        np.random.default_rng(8),
    )  # fmt: skip
    first, other = (task.plan.treatments[code] for code in (task.first, task.other))
    seen: dict[str, list[bool]] = {}
    for place in range(3):
        rows = [
            (plot.id, "larvae", day, None, values[i, j, place])
            for i, plot in enumerate(task.trial.plots)
            for j, day in enumerate(task.days)
        ]
        counts = pd.DataFrame(rows, columns=["plot", "variable", "day", "sample", "value"])
        found = analyse(replace(task.trial, counts=counts))
        claims = found.claims[found.claims["a"] == first]
        whole = claims[claims["scope"] == "whole trial"]
        seen.setdefault(Sought.WHOLE_UNTREATED, []).append(
            bool((whole["question"].eq("pest") & whole["shown"].eq(True)).any())
        )
        seen.setdefault(Sought.WHOLE_REFERENCE, []).append(
            bool((whole["question"].eq("reference") & whole["shown"].eq(True)).any())
        )
        target = claims[claims["scope"] == "target"]
        seen.setdefault(Sought.TARGET, []).append(
            bool((target["shown"].eq(True) & target["direction"].eq("lower")).any())
        )
        rates = found.rates
        seen.setdefault(Sought.RATE, []).append(
            not rates.empty and rates["not_inferior"].iloc[-1] is True
        )
        held = found.persistence_differences.query("question == 'days held'")
        pair = held[held["a"].isin([first, other]) & held["b"].isin([first, other])]
        sign = 1 if pair["a"].iloc[0] == first else -1
        seen.setdefault(Sought.DAYS, []).append(
            bool(pair["p_adjusted"].iloc[0] <= 0.05 and sign * pair["difference"].iloc[0] > 0)
        )
    made = whole_trials(task, values).shown
    assert set(made) <= set(QUESTIONS[question])
    assert made
    for sought, share in made.items():
        assert share == pytest.approx(np.mean(seen[sought])), sought


def test_a_cluster_gives_the_same(tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="needs the extra 'cluster'")
    trial = make_protocol("rcbd", 4, {"plan.days": "3, 7"})
    here = blocks_needed(trial, FIELD, blocks=(3, 4), ask=("assessment", "trial"), simulations=10)
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, processes=True
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        there = blocks_needed(
            trial, FIELD, blocks=(3, 4), ask=("assessment", "trial"), simulations=10,
            executor=client.get_executor(),
        )  # fmt: skip
        outcomes = trialkit.report_trials(
            [trialkit.example_trial("leaf_beetle_potato"), tmp_path / "nothing"],
            tmp_path / "out",
            formats=(),
            executor=client.get_executor(),
        )
    assert [item.written for item in outcomes] == [True, False]
    pd.testing.assert_frame_equal(here.chances, there.chances)


def test_several_numbers_of_samples_stand_beside_each_other() -> None:
    fields = [replace(FIELD, samples=n) for n in (8, 1)]
    needed = blocks_needed(make_protocol("rcbd", 4), fields, blocks=(3, 4), simulations=200)
    assert list(dict.fromkeys(needed.chances["samples"])) == [1, 8]
    own = needed.chances.query("question == @Sought.UNTREATED and control_percent == 80")
    few, many = (own[own["samples"] == n]["chance"].to_numpy() for n in (1, 8))
    assert (many > few).all()
    assert power_svg(own).count("samples a plot") + power_svg(own).count("1 sample a plot") == 2


@pytest.mark.parametrize(
    ("ask", "days", "kind"),
    [(("days",), "3", "no-days-planned"), (("trial",), "-1", "no-days-planned"),
     (("more",), "3, 7", "power-field"), ((), "3", "power-field")],
)  # fmt: skip
def test_what_cannot_be_asked_is_said(ask: tuple[str, ...], days: str, kind: str) -> None:
    with pytest.raises(TrialError) as caught:
        blocks_needed(make_protocol("rcbd", 4, {"plan.days": days}), FIELD, ask=ask)
    assert [problem.kind for problem in caught.value.problems] == [kind]


def test_two_treatments_cannot_be_compared_in_rates() -> None:
    trial = make_protocol("rcbd", 2, {"plan.days": "3, 7"})
    with pytest.raises(TrialError, match="between two treatments"):
        blocks_needed(trial, FIELD, ask=("rates",), simulations=10)


def test_a_task_can_go_to_another_process() -> None:
    # By itself: whether anything else has taught Python to send frozen mappings or not.
    code = (
        "import pickle, sys; from planning.test_power import one_task, make_protocol; "
        "from trialkit.planning.power import run_task; import copyreg, types; "
        "copyreg.dispatch_table.pop(types.MappingProxyType, None); "
        "sys.stdout.write(str(len(pickle.dumps(one_task('assessment', make_protocol())))))"
    )
    path = os.pathsep.join(sys.path)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=120,
        env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 1000


def test_any_executor_gives_the_same() -> None:
    trial = make_protocol("rcbd", 4)
    here = blocks_needed(trial, FIELD, blocks=(3, 4), simulations=50)
    with ThreadPoolExecutor(2) as pool:
        threads = blocks_needed(trial, FIELD, blocks=(3, 4), simulations=50, executor=pool)
    with ProcessPoolExecutor(2) as pool:
        processes = blocks_needed(trial, FIELD, blocks=(3, 4), simulations=50, executor=pool)
    pd.testing.assert_frame_equal(here.chances, threads.chances)
    pd.testing.assert_frame_equal(here.chances, processes.chances)


def test_trials_are_reported_on_any_executor(tmp_path: Path) -> None:
    trials = [trialkit.example_trial("leaf_beetle_potato"), tmp_path / "nothing"]
    with ThreadPoolExecutor(1) as pool:
        outcomes = trialkit.report_trials(trials, tmp_path / "out", formats=(), executor=pool)
        assert pool.submit(int).result() == 0  # it was not shut down
    assert [item.written for item in outcomes] == [True, False]


def counted(field: Field, days: int, seed: int) -> Trial:
    """A trial in 12 blocks with samples, counted on several days, no effect of treatments."""
    laid = plan_trial(make_protocol("rcbd", 6, {"plan.blocks": "12"}), seed=seed).trial
    rng = np.random.default_rng(seed)
    block = np.array([int(plot.block or 0) - 1 for plot in laid.plots])
    one = replace(field, samples=1, k=float("inf"))
    rows = []
    # Levels of plots first, then samples of each about its own level.
    huge = simulate_counts(np.full((block.size, days), 1e6), (block,), one, 1, rng) / 1e6
    for day in range(1, days + 1):
        for plot, level in zip(laid.plots, huge[:, day - 1, 0] * field.density, strict=True):
            rate = level * rng.gamma(field.k, 1 / field.k, field.samples)
            values = rng.poisson(rate)
            rows += [(plot.id, "larvae", day, str(i), float(v)) for i, v in enumerate(values)]
    columns = ["plot", "variable", "day", "sample", "value"]
    return replace(laid, counts=pd.DataFrame(rows, columns=columns))


@pytest.mark.parametrize("steady", [20.0, 60.0, 100.0])
def test_an_earlier_trial_gives_its_field_back(steady: float) -> None:
    truth = Field(density=25, k=3, plot_cv=35, block_cv=25, steady=steady, samples=8)
    found = field_of(counted(truth, days=6, seed=2))
    assert found.steady == pytest.approx(steady, abs=20)
    assert found.samples == 8
    assert found.density == pytest.approx(25, rel=0.15)
    assert found.k == pytest.approx(3, rel=0.15)
    assert found.plot_cv == pytest.approx(35, abs=8)
    assert found.block_cv == pytest.approx(25, abs=10)


def test_main_plots_of_an_earlier_trial_are_told_from_plots() -> None:
    protocol = replace(
        make_protocol("split-plot", plan={"plan.blocks": "20"}),
        treatments=factor_treatments(3, 3),
        untreated="C1:P1",
    )
    truth = Field(density=1e4, plot_cv=20, block_cv=30, unit_cv=40)
    task = one_task("assessment", protocol, size=20)
    means = np.full((len(task.trial.plots), 4), truth.density)
    values = simulate_counts(means, task.groups, truth, 1, np.random.default_rng(4))[:, :, 0]
    rows = [
        (plot.id, "larvae", float(day + 1), None, values[i, day])
        for i, plot in enumerate(task.trial.plots)
        for day in range(4)
    ]
    counts = pd.DataFrame(rows, columns=["plot", "variable", "day", "sample", "value"])
    found = field_of(replace(task.trial, counts=counts))
    assert found.unit_cv == pytest.approx(40, abs=8)
    assert found.plot_cv == pytest.approx(20, abs=4)
    assert found.block_cv == pytest.approx(30, abs=15)
    assert found.steady == pytest.approx(100, abs=15)


def test_a_record_is_as_good_as_its_trial(tmp_path: Path) -> None:
    example = trialkit.example_trial("spider_mite_glasshouse")
    trialkit.report_trials([example], tmp_path, formats=(), jobs=1)
    record = next(tmp_path.rglob("record.json"))
    assert field_of(record) == field_of(example)


@pytest.mark.parametrize(
    "field", [Field(density=0), Field(density=5, k=0), Field(density=5, plot_cv=-1)]
)
def test_a_field_that_cannot_be_is_refused(field: Field) -> None:
    with pytest.raises(TrialError, match="cannot be simulated"):
        blocks_needed(make_protocol(), field)


def test_the_page_has_its_figure_and_sentences() -> None:
    trial = replace(make_protocol("rcbd", 4), title="<b>Peas</b>")
    needed = blocks_needed(trial, FIELD, blocks=(3, 6), simulations=50)
    ElementTree.fromstring(power_svg(needed.chances))
    page = power_page(trial, needed)
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<b>" not in page
    assert "common practice, no source" in page
    assert any("with 3 blocks" in line for line in power_lines(needed))


def test_the_command(tmp_path: Path) -> None:
    run = CliRunner()
    path = str(trialkit.example_trial("leaf_beetle_potato"))
    asked = ["power", path, "--density", "20", "--k", "2", "--plot-cv", "30", "--blocks", "3..4"]
    result = run.invoke(app, [*asked, "--simulations", "100", "--out", str(tmp_path / "p")])
    assert result.exit_code == 0
    assert "from the untreated" in " ".join(result.output.split())
    assert {item.name for item in (tmp_path / "p").iterdir()} == {"power.html", "power.csv"}
    assert run.invoke(app, ["power", path]).exit_code == 2
    assert run.invoke(app, [*asked[:4], "--blocks", "8..3"]).exit_code == 2
    assert "Examples" in run.invoke(app, ["power", "--help"]).output
