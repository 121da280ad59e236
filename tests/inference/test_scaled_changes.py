"""A share times a relative change, against many draws of both."""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.laws.log_laws import LogLaw, frequencies_up_to
from trialkit.inference.laws.scaled_changes import change_limits

SPREAD, CENTRE = 0.4, -1.0


def _share() -> LogLaw:
    frequencies = frequencies_up_to(6.0 / SPREAD)
    transform = np.exp(-0.5 * (SPREAD * frequencies.at) ** 2).astype(complex)
    return LogLaw(frequencies=frequencies, transform=transform, centre=np.array(CENTRE))


@pytest.mark.parametrize(
    ("slope", "se", "df"), [(0.3, 0.4, 10.0), (0.8, 0.2, 6.0), (-0.6, 0.25, 8.0), (0.0, 1.0, 3.0)]
)
def test_limits_are_those_of_many_draws(slope: float, se: float, df: float) -> None:
    rng = np.random.default_rng(5)
    share = np.exp(rng.normal(CENTRE, SPREAD, 400_000))
    drawn = share * np.expm1(np.clip(slope + se * rng.standard_t(df, share.size), -16.0, 16.0))
    low, high = change_limits(_share(), (slope, se, df), 0.05, most=16.0)
    assert (drawn < low).mean() == pytest.approx(0.025, abs=0.0015)
    assert (drawn > high).mean() == pytest.approx(0.025, abs=0.0015)


def test_no_law_no_limits() -> None:
    share = _share()
    nothing = LogLaw(
        frequencies=share.frequencies, transform=share.transform, centre=np.array(np.nan)
    )
    assert np.isnan(change_limits(nothing, (0.1, 0.1, 5.0), 0.05, most=16.0)).all()
