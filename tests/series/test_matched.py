"""What trials give to a series is checked where it enters."""

import numpy as np
import pandas as pd
import pytest

from trialkit.series.matched import (
    CONTROL_ROWS,
    Cell,
    LogRatios,
    SeriesSettings,
    SeriesTrial,
    TrialEffects,
    matched,
)

NO_ROWS = pd.DataFrame(columns=list(CONTROL_ROWS))


def _ratios(*names: str) -> LogRatios:
    size = len(names)
    return LogRatios(
        treatments=names,
        estimates=np.zeros(size),
        covariance=np.eye(size),
        df=9.0,
        counted=np.zeros(size),
    )


def _matched(*keys: str, cells: tuple[Cell, ...] = ()):
    effects = tuple(
        TrialEffects(
            rows=NO_ROWS, ratios={cell: _ratios("A", "B") for cell in cells if cell.trial == key}
        )
        for key in keys
    )
    return matched(
        tuple(SeriesTrial(key=key, title=key) for key in keys),
        effects,
        treatments=(("A", "A"), ("B", "B")),
        variables=(),
        settings=SeriesSettings(),
    )


def test_cells_of_a_question_come_in_the_order_of_the_trials():
    cells = tuple(Cell(key, "larvae", "control", "5-10") for key in ("east", "north"))
    found = _matched("north", "west", "east", cells=cells).cells("larvae", "control", "5-10")
    assert list(found) == ["north", "east"]


def test_two_trials_of_one_key_are_refused():
    with pytest.raises(ValueError, match="key of its own"):
        _matched("north", "north")


def test_a_treatment_twice_in_a_trial_is_refused():
    with pytest.raises(ValueError, match="stands twice"):
        _ratios("A", "A")


def test_log_ratios_are_finite():
    with pytest.raises(ValueError, match="finite"):
        LogRatios(
            treatments=("A",),
            estimates=np.array([-np.inf]),
            covariance=np.eye(1),
            df=9.0,
            counted=np.zeros(1),
        )
