"""Trials at the edge: nothing found, all plots alike, the fewest of everything; told truly."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import Analysis, analyse
from trialkit.findings import make_findings
from trialkit.report.compose import compose
from trialkit.trial import (
    COUNT_COLUMNS,
    EXAMINED,
    Design,
    Kind,
    Plot,
    Settings,
    Transform,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)

Value = Callable[[int, int, float], float]
DAYS = (-1.0, 3.0, 7.0)


def extreme(
    value: Value | None = None,
    *,
    treatments: int = 4,
    blocks: int = 3,
    days: tuple[float, ...] = DAYS,
    design: Design = Design.RCBD,
    kind: Kind = Kind.COUNT,
    role: VariableRole = VariableRole.PEST,
    second: TreatmentRole = TreatmentRole.TEST,
    examined: int = 0,
    split: bool = False,
) -> Trial:
    """A trial whose plots hold ``value(treatment, block, day)``, treatments and blocks from 0."""
    rng = np.random.default_rng(11)
    names = [f"{'ABC'[i // 2]}:{'xy'[i % 2]}" if split else str(i + 1) for i in range(treatments)]
    roles = [TreatmentRole.UNTREATED, second, *[TreatmentRole.TEST] * treatments]
    plots, rows = [], []
    for block in range(blocks):
        for place in range(treatments):
            code = (block + place) % treatments
            plot = f"{block + 1}{place + 1:02d}"
            main, sub = names[code].split(":") if split else (None, None)
            plots.append(
                Plot(
                    id=plot,
                    treatment=names[code],
                    block=None if design in (Design.CRD, Design.LATIN) else str(block),
                    row=block + 1,
                    column=place + 1,
                    main_factor=main,
                    sub_factor=sub,
                )
            )
            for day in days:
                level = 20.0 * np.exp(-0.7 * code * (day > 0))
                found = value(code, block, day) if value else float(rng.poisson(level))
                share = 100.0 * min(found, examined) / examined if examined else found
                rows.append((plot, "bugs", day, None, share, float(examined or np.nan)))
    counts = pd.DataFrame(rows, columns=[*COUNT_COLUMNS, EXAMINED])
    return Trial(
        title="Extreme",
        design=design,
        treatments=tuple(
            Treatment(id=name, name=f"Product {name}", role=part)
            for name, part in zip(names, roles, strict=False)
        ),
        plots=tuple(plots),
        variables=(
            Variable(
                name="bugs",
                label="Bugs",
                kind=kind,
                role=role,
                threshold=5.0,
                examined=float(examined) if examined else None,
            ),
        ),
        counts=counts if examined else counts.drop(columns=EXAMINED),
        untreated=names[0],
        settings=Settings(contrasts=(f"planned = {names[1]} against {names[0]}",)),
    )


def spread(code: int, block: int, day: float) -> float:
    return float((7 * code + 3 * block + int(day)) % 5)


PERCENT = {"kind": Kind.PERCENT, "role": VariableRole.DAMAGE}
SPLIT = {"treatments": 6, "split": True}
TRIALS = {
    "two treatments": extreme(treatments=2),
    "two treatments, two blocks": extreme(treatments=2, blocks=2),
    "two treatments in a square": extreme(treatments=2, blocks=2, design=Design.LATIN),
    "twenty treatments": extreme(treatments=20),
    "one day": extreme(days=(7.0,)),
    "one day before": extreme(days=(-1.0,)),
    "day 0 alone": extreme(days=(0.0,)),
    "a reference and no test": extreme(treatments=2, second=TreatmentRole.REFERENCE),
    "a carrier and no test": extreme(treatments=2, second=TreatmentRole.CARRIER),
    "none before": extreme(lambda c, b, d: 0.0 if d < 0 else spread(c, b, d) + 3.0),
    "untreated none before": extreme(lambda c, b, d: spread(c, b, d) * (c > 0 or d > 0)),
    "one treatment none before": extreme(lambda c, b, d: spread(c, b, d) * (c != 1 or d > 0)),
    "untreated none after": extreme(lambda c, b, d: spread(c, b, d) * (c > 0 or d < 0)),
    "untreated alone has any": extreme(lambda c, b, d: 9.0 + b if c == 0 or d < 0 else 0.0),
    "one plot has one": extreme(lambda c, b, d: float(c == b == 0 and d == 3)),
    "alike in treatments": extreme(lambda c, b, d: 20.0 / (c + 1) // 1),
    "alike in blocks": replace(
        extreme(lambda c, b, d: 5.0 * (b + 1), treatments=5, blocks=4),
        settings=Settings(transform=Transform.SQRT),
    ),
    "0 or 100 %": extreme(lambda c, b, d: 100.0 * (c == 0), **PERCENT),
    "0 and 100 % mixed": extreme(lambda c, b, d: 100.0 * (spread(c, b, d) > 2), **PERCENT),
    "0 of n or all": extreme(lambda c, b, d: 20.0 * (c < 2), examined=20, **PERCENT),
    "same k in treatments": extreme(lambda c, b, d: 12.0 - 3 * c, examined=20, **PERCENT),
    "k of 1": extreme(lambda c, b, d: float(spread(c, b, d) > 2), examined=1, **PERCENT),
}
for design in (Design.RCBD, Design.CRD):
    TRIALS[f"nothing, {design}"] = extreme(lambda c, b, d: 0.0, design=design)
    TRIALS[f"equal, {design}"] = extreme(lambda c, b, d: 7.0, design=design)
    TRIALS[f"0 %, {design}"] = extreme(lambda c, b, d: 0.0, design=design, **PERCENT)
    TRIALS[f"100 %, {design}"] = extreme(lambda c, b, d: 100.0, design=design, **PERCENT)
for design in (Design.SPLIT_PLOT, Design.STRIP_PLOT):
    TRIALS[f"nothing, {design}"] = extreme(lambda c, b, d: 0.0, design=design, **SPLIT)
    TRIALS[f"equal, {design}"] = extreme(lambda c, b, d: 7.0, design=design, **SPLIT)
    TRIALS[f"one block left, {design}"] = extreme(
        lambda c, b, d: np.nan if b and d > 0 else spread(c, b, d), design=design, **SPLIT
    )
TRIALS["strips in two blocks"] = extreme(blocks=2, design=Design.STRIP_PLOT, **SPLIT)
TRIALS["one combination gone"] = extreme(
    lambda c, b, d: np.nan if c == 5 and d > 0 else spread(c, b, d),
    design=Design.SPLIT_PLOT,
    **SPLIT,
)
TRIALS["one main level gone"] = extreme(
    lambda c, b, d: np.nan if c > 3 and d > 0 else spread(c, b, d),
    design=Design.SPLIT_PLOT,
    **SPLIT,
)


@pytest.fixture(scope="module", params=list(TRIALS))
def told(request: pytest.FixtureRequest) -> tuple[str, Analysis, list[str]]:
    analysis = analyse(TRIALS[request.param])
    return request.param, analysis, [item.text for item in make_findings(analysis)]


def test_numbers_are_finite_or_missing_and_of_a_size_that_data_can_have(told) -> None:
    name, analysis, texts = told
    for table in analysis.tables().values():
        for column in table.select_dtypes("number"):
            values = table[column].to_numpy(dtype=float)
            assert not np.isinf(values).any(), (name, column)
            if column in {"F", "statistic", "studentized"}:
                # Where plots differ by rounding alone there is nothing to divide by.
                assert not (np.abs(values) > 1e8).any(), (name, column)
    assert not any(re.search(r"\b(nan|inf|None)\b", text) for text in texts)


def test_no_plot_stands_apart_by_rounding(told) -> None:
    name, analysis, _ = told
    apart = [item for item in analysis.problems if item.kind == "outlier"]
    alike = name.startswith(("alike", "nothing", "equal", "0 or", "0 of n", "same", "0 %", "100 %"))
    assert not (alike and apart)


def test_what_is_undefined_is_not_told_as_a_failure(told) -> None:
    _, analysis, texts = told
    story = " ".join(texts)
    if len(analysis.persistence) and not analysis.persistence["peak_percent"].notna().any():
        assert "reached" not in story
        assert "Percent control of " in story
        assert "could not be worked out" in story
    tested = analysis.comparisons[
        (analysis.comparisons["measure"] == "pest_days")
        & (analysis.comparisons["method"] == "dunnett")
    ]
    if len(tested) and not tested["p_adjusted"].notna().any():
        assert "no treatment differed" not in story


def test_what_is_said_of_plots_that_are_all_alike() -> None:
    def said(name: str) -> set[str]:
        found = analyse(TRIALS[name]).problems
        return {str(item.remedy) for item in found if item.kind == "no-variance"}

    (everywhere,) = said("equal, rcbd")
    assert "no error to test" in everywhere
    assert "the others" not in everywhere
    some = replace(TRIALS["0 and 100 % mixed"], settings=Settings())
    counts = some.counts.copy()
    counts.loc[counts["plot"].isin([p.id for p in some.plots if p.treatment == "2"]), "value"] = 0.0
    found = analyse(replace(some, counts=counts)).problems
    remedies = {str(item.remedy) for item in found if item.kind == "no-variance"}
    # Percentages have no count model from which an interval could come.
    assert remedies == {
        "The analysis of variance assumes that such a treatment varies like the others."
    }


@pytest.mark.parametrize("design", [Design.RCBD, Design.SPLIT_PLOT, Design.STRIP_PLOT])
def test_the_methods_tell_of_main_plots_where_there_are_some(design: Design) -> None:
    trial = extreme(design=design, treatments=6, split=design is not Design.RCBD)
    text = " ".join(str(block) for block in compose(analyse(trial)).blocks())
    assert "In simulated randomised blocks" in text
    assert ("In simulated split-plots and strip-plots" in text) == design.has_larger_units
