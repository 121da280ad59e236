"""Published and recomputed figures of diagnostics.

Figures marked "recomputed" were worked out in R 4.2 and scipy from the published data; those of
a printed source say so.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.checks.additivity import tukey_additivity
from trialkit.inference.checks.equal_variances import levene
from trialkit.inference.checks.normality import shapiro_wilk
from trialkit.inference.checks.residual_space import basis, residual


def numbers(text: str) -> np.ndarray:
    return np.array(text.split(), dtype=float)


# Beall G 1942, Biometrika 32:243-262 [volume from memory]; shipped with R as InsectSprays.
SPRAYS = numbers(
    "10 7 20 14 14 12 10 23 17 20 14 13  11 17 21 11 16 14 17 17 19 21 7 13"
    " 0 1 7 2 3 1 2 1 3 0 1 4  3 5 12 6 4 3 5 5 5 5 2 4"
    " 3 5 3 5 3 6 1 1 3 2 6 4  11 9 15 22 15 16 13 10 26 26 24 13"
)
SPRAY = np.repeat(np.arange(6), 12)
BOTH_SCALES = np.column_stack([SPRAYS, np.sqrt(SPRAYS)])

# NIST/SEMATECH e-Handbook, sections 1.3.5.7 and 1.3.5.10: gear diameters [data from memory; that
# the handbook's statistics come out supports them].
GEARS = numbers(
    "1.006 .996 .998 1.000 .992 .993 1.002 .999 .994 1.000"
    " .998 1.006 1.000 1.002 .997 .998 .996 1.000 1.006 .988"
    " .991 .987 .997 .999 .995 .994 1.000 .999 .996 .996"
    " 1.005 1.002 .994 1.000 .995 .994 .998 .996 1.002 .996"
    " .998 .998 .982 .990 1.002 .984 .996 .993 .980 .996"
    " 1.009 1.013 1.009 .997 .988 1.002 .995 .998 .981 .996"
    " .990 1.004 .996 1.001 .998 1.000 1.018 1.010 .996 1.002"
    " .998 1.000 1.006 1.000 1.002 .996 .998 .996 1.002 1.006"
    " 1.002 .998 .996 .995 .996 1.004 1.004 .998 .999 .991"
    " .991 .995 .984 .994 .997 .997 .991 .998 1.004 .997"
)
BATCH = np.repeat(np.arange(10), 10)

# Gomez KA and Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., Wiley:
# rice yields of six seeding rates in four blocks (Table 2.5).
RICE = numbers(
    "5113 5398 5307 4678  5346 5952 4719 4264  5272 5713 5483 4749"
    " 5164 4831 4986 4410  4804 4848 4432 4748  5254 4542 4919 4098"
)
# The same book, p. 300: larvae in nine insecticide treatments and four replications.
LARVAE = numbers(
    "9 12 0 1  4 8 5 1  6 15 6 2  9 6 4 5  27 17 10 10  35 28 2 15  1 0 0 0  10 0 2 1  4 10 15 5"
)


def blocks_fit(y: np.ndarray, t: int, b: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    space = basis(t * b, [np.tile(np.arange(b), t), np.repeat(np.arange(t), b)])
    rest = residual(space, y)
    return y - rest, rest, space


def test_tukey_additivity_of_rice_yields() -> None:
    # Tukey JW 1949, Biometrics 5:232-242; figures recomputed by two algorithms.
    test = tukey_additivity(*blocks_fit(RICE[:, None], 6, 4))
    assert test.sum_sq[0] == pytest.approx(132308.40103, rel=1e-8)
    assert test.remainder[0] == pytest.approx(1526067.76564, rel=1e-8)
    assert test.df == 14
    assert test.F[0] == pytest.approx(1.21378464058, rel=1e-8)
    assert test.p[0] == pytest.approx(0.289164672, rel=1e-6)


def test_tukey_additivity_of_larvae_and_their_logarithm() -> None:
    # Recomputed: the raw counts are far from additive, the logarithm mends it.
    y = np.column_stack([LARVAE, np.log10(LARVAE + 1)])
    test = tukey_additivity(*blocks_fit(y, 9, 4))
    assert test.df == 23
    assert test.sum_sq == pytest.approx([307.10362881, 0.00543122948919], rel=1e-8)
    assert test.remainder[0] == pytest.approx(514.507482301, rel=1e-8)
    assert pytest.approx([13.728436817, 0.0597490827462], rel=1e-8) == test.F
    assert test.p == pytest.approx([0.00116630553, 0.809060426], rel=1e-6)
    assert test.coefficient[0] == pytest.approx(0.151110608532, rel=1e-8)
    assert test.power[0] == pytest.approx(-0.196292317548, rel=1e-8)


def test_levene_and_brown_forsythe_of_sprays() -> None:
    # Levene 1960; Brown & Forsythe 1974, JASA 69:364-367; figures recomputed.
    mean = levene(SPRAYS, SPRAY, center="mean")
    assert (mean.df1, mean.df2) == (5, 66)
    assert mean.statistic[0] == pytest.approx(6.45535, abs=5e-6)
    assert mean.p[0] == pytest.approx(6.1036e-05, rel=1e-4)
    median = levene(SPRAYS, SPRAY)
    assert median.statistic[0] == pytest.approx(3.82136, abs=5e-6)
    assert median.p[0] == pytest.approx(0.0042228, rel=1e-4)


def test_gear_diameters() -> None:
    # The handbook prints 1.705910 [from memory], in single precision.
    median = levene(GEARS, BATCH)
    assert (median.df1, median.df2) == (9, 90)
    assert median.statistic[0] == pytest.approx(1.705910, rel=1e-4)
    assert median.statistic[0] == pytest.approx(1.7059176930, rel=1e-8)
    assert levene(GEARS, BATCH, center="mean").statistic[0] == pytest.approx(2.15946, abs=5e-6)


def test_shapiro_wilk_of_eleven_men() -> None:
    # Shapiro SS & Wilk MB 1965, Biometrika 52:591-611: W 0.79 [from memory]; digits recomputed.
    test = shapiro_wilk(numbers("148 154 158 160 161 162 166 170 182 195 236"))
    assert test.statistic[0] == pytest.approx(0.79, abs=0.005)
    assert test.statistic[0] == pytest.approx(0.788814694835, abs=1e-6)
    assert test.p[0] == pytest.approx(0.00670381406, rel=1e-6)


def test_shapiro_wilk_of_spray_residuals() -> None:
    rest = residual(basis(72, [SPRAY]), BOTH_SCALES)
    test = shapiro_wilk(rest)
    assert test.statistic == pytest.approx([0.9600585428, 0.987212328], abs=1e-6)
    assert test.p == pytest.approx([0.0222598868, 0.681377253], rel=1e-5)


# Beall G 1940, Ecology 21:460-474: webworms on 25 units of each of 52 plots; sum and sum of squares
# of every plot, worked from the data set beall.webworms of agridat.
WEBWORMS = (
    (47, 153), (9, 15), (38, 94), (16, 22), (50, 162), (18, 36), (27, 55), (12, 16), (28, 62),
    (12, 24), (20, 38), (11, 21), (22, 46), (17, 27), (14, 22), (10, 18), (18, 38), (8, 8),
    (9, 11), (1, 1), (34, 102), (15, 23), (10, 14), (9, 13), (22, 54), (13, 17), (20, 44),
    (18, 32), (32, 80), (13, 21), (13, 31), (13, 21), (14, 26), (10, 12), (15, 31), (3, 3),
    (52, 192), (12, 26), (27, 71), (13, 21), (63, 283), (20, 44), (41, 117), (10, 16), (33, 81),
    (12, 14), (29, 53), (16, 38), (40, 112), (5, 5), (14, 24), (2, 2),
)  # fmt: skip
