"""Repeated modes of action and days after own applications."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest

from trialkit import trial_from_tables
from trialkit.analysis import analyse
from trialkit.trial import (
    Trial,
)

DATES = (date(2025, 6, 12), date(2025, 6, 22), date(2025, 7, 2))


def build(ids: tuple[str, ...], **own: dict[str, str | tuple[str, ...]]) -> Trial:
    listed = [{"treatment": "1", "name": "Untreated"}]
    for key, kind in own.items():
        cells = {
            head: cell if isinstance(cell, str) else "; ".join(cell) for head, cell in kind.items()
        }
        listed.append({"treatment": key, "name": f"Ostrel {key}", **cells})
    plots = pd.DataFrame(
        [(block + key, key, block) for block in "abc" for key in ("1", *own)],
        columns=["plot", "treatment", "block"],
    )
    counts = pd.DataFrame(
        [
            (plot, day, 20.0 + 3.0 * i + day)
            for i, plot in enumerate(plots["plot"])
            for day in (-1.0, 7.0, 14.0, 28.0)
        ],
        columns=["plot", "days_after", "aphids"],
    )
    return trial_from_tables(
        {
            "title": "Aphids",
            "design": "rcbd",
            "untreated": "1",
            "variables": {"aphids": {"label": "Aphids", "kind": "count", "role": "pest"}},
        },
        treatments=pd.DataFrame(listed),
        plots=plots,
        counts=counts,
        applications=pd.DataFrame({"application": ids, "date": DATES}),
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
