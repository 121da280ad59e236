"""One-way analysis of variance against the certified values of NIST (public domain).

NIST/ITL Statistical Reference Datasets, analysis of variance. Files ship with the test data of
scipy; the certified F and R-squared are in the files and, as a second copy, typed here.

Digits of F that the doubles of these sets can give at most (exact rational arithmetic on the
doubles, compared with the certified value) and digits reached here, measured:

    set      at most  reached        set      at most  reached
    SiRstv    13.1     13.1          SmLs05    10.2     10.2
    AtmWtAg   10.2     10.2          SmLs06    10.2     10.2
    SmLs01    16.0     15.4          SmLs07     4.4      4.4
    SmLs02    15.7     14.1          SmLs08     4.2      4.2
    SmLs03    15.7     13.7          SmLs09     4.2      4.2
    SmLs04    10.4     10.4

The last three have values near 10^12 in steps of 0.1, where doubles are 0.00012 apart: the digits
are lost when the decimals are read, before anything is computed. Against the exact F of the
doubles as read, all eleven reach 13 digits.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy

from trialkit.inference.design.layout import FloatArray, IntArray, completely_randomised
from trialkit.inference.normal.linear import LinearFit, fit_layout

FOLDER = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"

pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="this build of scipy was packed without the NIST test data"
)

# Set, groups, plots, certified F, certified R-squared, digits of F to be reached.
CERTIFIED = [
    ("SiRstv", 5, 25, 1.18046237440255, 0.190999039051129, 12.9),
    ("AtmWtAg", 2, 48, 15.9467335677930, 0.257426544538321, 10.0),
    ("SmLs01", 9, 189, 21.0, 0.482758620689655, 14.0),
    ("SmLs02", 9, 1809, 201.0, 0.471830985915493, 13.0),
    ("SmLs03", 9, 18009, 2001.0, 0.470712773465067, 13.0),
    ("SmLs04", 9, 189, 21.0, 0.482758620689655, 10.0),
    ("SmLs05", 9, 1809, 201.0, 0.471830985915493, 10.0),
    ("SmLs06", 9, 18009, 2001.0, 0.470712773465067, 10.0),
    ("SmLs07", 9, 189, 21.0, 0.482758620689655, 4.0),
    ("SmLs08", 9, 1809, 201.0, 0.471830985915493, 4.0),
    ("SmLs09", 9, 18009, 2001.0, 0.470712773465067, 4.0),
]


def _read(name: str) -> tuple[IntArray, FloatArray]:
    lines = (FOLDER / f"{name}.dat").read_text().splitlines()[60:]
    rows = [line.split() for line in lines if line.split()]
    group = np.array([int(float(row[0])) - 1 for row in rows])
    return group, np.array([float(row[1]) for row in rows])


def _fit(group: IntArray, y: FloatArray) -> LinearFit:
    return fit_layout(completely_randomised(group, int(group.max()) + 1), y)[0]


def _digits(value: float, truth: float) -> float:
    """Digits that agree: minus log10 of the relative error, 16 at most."""
    return 16.0 if value == truth else min(16.0, float(-np.log10(abs(value / truth - 1.0))))


@pytest.mark.parametrize(("name", "groups", "plots", "f", "r_squared", "digits"), CERTIFIED)
def test_certified_values(
    name: str, groups: int, plots: int, f: float, r_squared: float, digits: float
) -> None:
    group, y = _read(name)
    assert y.size == plots
    fit = _fit(group, y)
    treatment, error = fit.terms
    assert (treatment.df, error.df) == (groups - 1, plots - groups)
    assert _digits(treatment.F[0], f) >= digits
    explained = treatment.sum_sq[0] / (treatment.sum_sq[0] + error.sum_sq[0])
    assert _digits(explained, r_squared) >= digits - 0.6


@pytest.mark.parametrize("name", [row[0] for row in CERTIFIED])
def test_exact_f_of_the_doubles(name: str) -> None:
    group, y = _read(name)
    values = [Fraction(value) for value in y]
    by_group = [
        [v for v, code in zip(values, group, strict=True) if code == g]
        for g in range(int(group.max()) + 1)
    ]
    grand = sum(values) / len(values)
    between = sum(len(part) * (sum(part) / len(part) - grand) ** 2 for part in by_group)
    within = sum(
        sum(v * v for v in part) - len(part) * (sum(part) / len(part)) ** 2 for part in by_group
    )
    df = len(by_group) - 1, len(values) - len(by_group)
    exact = float(between / df[0] / (within / df[1]))
    assert _digits(float(_fit(group, y).treatment.F[0]), exact) >= 13.0


def test_subtracting_the_offset_of_the_hardest_sets_first_restores_their_digits() -> None:
    # Read as decimals less 10^12, so that nothing is lost in the reading.
    for name, f in (("SmLs07", 21.0), ("SmLs08", 201.0)):
        lines = (FOLDER / f"{name}.dat").read_text().splitlines()[60:]
        rows = [line.split() for line in lines if line.split()]
        group = np.array([int(float(row[0])) - 1 for row in rows])
        y = np.array([float(Fraction(row[1]) - 10**12) for row in rows])
        assert _digits(float(_fit(group, y).treatment.F[0]), f) >= 13.0
