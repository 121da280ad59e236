"""Repeated modes of action and days after own applications."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from trialkit.analysis import analyse
from trialkit.trial import (
    Application,
    Design,
    Kind,
    Plot,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)

DATES = (date(2025, 6, 12), date(2025, 6, 22), date(2025, 7, 2))


def build(ids: tuple[str, ...], **own: dict[str, object]) -> Trial:
    treatments = (
        Treatment(id="1", name="Untreated", role=TreatmentRole.UNTREATED),
        *(Treatment(id=key, name=f"Ostrel {key}", **kind) for key, kind in own.items()),
    )
    plots = [
        Plot(id=f"{block}{item.id}", treatment=item.id, block=block)
        for block in ("a", "b", "c")
        for item in treatments
    ]
    counts = pd.DataFrame(
        [
            (plot.id, "aphids", day, None, 20.0 + 3.0 * i + day)
            for i, plot in enumerate(plots)
            for day in (-1.0, 7.0, 14.0, 28.0)
        ],
        columns=["plot", "variable", "day", "sample", "value"],
    ).sort_values(["plot", "day"])
    return Trial(
        title="Aphids",
        design=Design.RCBD,
        treatments=treatments,
        plots=tuple(plots),
        variables=(
            Variable(name="aphids", label="Aphids", kind=Kind.COUNT, role=VariableRole.PEST),
        ),
        counts=counts,
        applications=tuple(
            Application(id=name, date=day) for name, day in zip(ids, DATES, strict=True)
        ),
        applied=DATES[0],
        untreated="1",
    )


@pytest.mark.parametrize("ids", [("1", "2", "3"), ("A", "B", "C")])
def test_days_after_the_latest_application_are_those_of_each_treatment(ids):
    trial = build(ids, x={"applications": ids[:1]}, y={"applications": ids[1:2]}, z={})
    timing = analyse(trial).timing.pivot_table(
        index="days_after", columns="treatment", values="since_latest", dropna=False
    )
    assert timing["x"].tolist()[1:] == [7, 14, 28]
    assert timing["y"].fillna(-9).tolist() == [-9, -9, 4, 18]
    assert timing["z"].fillna(-9).tolist() == [-9, 7, 4, 8]
    assert timing["1"].isna().all()


@pytest.mark.parametrize("ids", [("1", "2", "3"), ("A", "B", "C")])
def test_every_treatment_is_looked_at_for_repeats(ids):
    trial = build(
        ids,
        x={"mode_of_action": "41", "applications": (ids[0], ids[2])},
        y={"mode_of_action": "41; 52", "applications": ids[1:]},
        z={"mode_of_action": "52"},
        m={"parts": ("x", "z"), "applications": ids[:2]},
    )
    found = analyse(trial).programmes
    assert [tuple(row) for row in found.itertuples(index=False)] == [
        ("x", "41", ids[0], ids[2]),
        ("z", "52", ids[0], ids[1]),
        ("z", "52", ids[1], ids[2]),
        ("m", "41", ids[0], ids[1]),
        ("m", "52", ids[0], ids[1]),
    ]
