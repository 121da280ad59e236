"""Analysis of covariance and efficiency of blocking against published data.

Eelworm cysts: Cochran WG & Cox GM 1950, Experimental Designs, table 3.1 (Rothamsted 1935). Sugar
beet: Snedecor GW 1946, Statistical Methods, 4th ed., table 12.13. Rice and maize: Gomez KA &
Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., tables 2.5 and 2.7
(maize recalled). Data seen in an open collection; results recomputed in two languages.
"""

from __future__ import annotations

import numpy as np
import pytest

from trialkit.inference.comparisons.relative_efficiency import relative_efficiency
from trialkit.inference.design.layout import latin_square, randomised_blocks
from trialkit.inference.normal.covariate import fit_covariate
from trialkit.inference.normal.linear import fit_layout

EELWORM = """
Con0 269,466; See2 283,280; Chl1 252,398; Cym1 212,386; Car1 138,194; Con0 100,219;
Con0 197,421; Cym2 263,379; Car2 282,372; See1 230,256; Con0 216,708; Chl2 145,304;
See1 124,268; Con0 211,505; Car1 194,433; See2 222,408; Con0 102,363; Chl2 193,561;
Car2 128,311; Chl1 42,222; Cym2 162,365; Con0 191,563; Cym1 107,415; Con0 67,338;
See2 193,292; Con0 209,352; See1 109,132; Cym1 153,454; Con0 29,254; Chl2 9,92;
Car2 17,28; Con0 19,106; Car1 23,80; Chl1 19,114; Con0 44,268; Cym2 48,298;
Cym2 95,199; Car2 127,166; See2 80,142; Con0 134,590; See1 107,236; Chl1 89,332;
Cym1 41,176; Con0 74,137; Con0 88,356; Con0 25,212; Chl2 42,308; Car1 62,221
"""
BEET = """
None 2.45,183; P 6.71,356; K 3.22,224; PK 6.34,329; PN 6.48,371; KN 3.7,230; PKN 6.1,322;
None 2.25,176; P 5.44,300; K 4.14,258; PK 5.44,283; PN 7.11,354; KN 3.24,221; PKN 7.68,367;
None 4.38,291; P 4.92,301; K 2.32,244; PK 5.22,308; PN 5.88,352; KN 2.82,237; PKN 7.37,400;
None 4.35,254; P 5.23,271; K 4.42,217; PK 8.0,326; PN 7.54,331; KN 2.15,193; PKN 7.83,333;
None 3.42,225; P 6.74,288; K 3.28,192; PK 6.96,318; PN 6.61,290; KN 5.19,247; PKN 7.75,314;
None 3.27,249; P 4.74,258; K 4.0,236; PK 6.96,318; PN 8.86,410; KN 4.13,250; PKN 7.39,385
"""


def read(text, per_block):
    """Names in order, layout, and the two numbers of each plot."""
    plots = [p.split() for p in text.replace("\n", " ").split(";")]
    names = sorted({name for name, _ in plots})
    values = np.array([pair.split(",") for _, pair in plots], dtype=float)
    treatment = [names.index(name) for name, _ in plots]
    block = np.arange(len(plots)) // per_block
    return names, randomised_blocks(treatment, block, len(names)), values.T


def term(fit, source):
    return next(t for t in fit.terms if t.source == source)


def test_eelworm():
    names, layout, (initial, final) = read(EELWORM, 12)
    fit = fit_covariate(layout, final, initial)[0]
    treatment, covariate, error = (term(fit, s) for s in ("treatment", "covariate", "error"))
    assert (treatment.df, covariate.df, error.df) == (8, 1, 35)
    assert treatment.sum_sq[0] == pytest.approx(237190.469475, rel=1e-11)
    assert treatment.F[0] == pytest.approx(4.15740880949, rel=1e-10)
    assert treatment.p[0] == pytest.approx(0.00142225, rel=1e-5)
    assert covariate.sum_sq[0] == pytest.approx(295085.664186, rel=1e-11)
    assert covariate.F[0] == pytest.approx(41.3774378898, rel=1e-10)
    assert error.sum_sq[0] == pytest.approx(249604.585814, rel=1e-11)
    assert fit.ms_error[0] == pytest.approx(7131.55959468, rel=1e-11)
    assert fit.slope[0] == pytest.approx(1.55901044354, rel=1e-11)
    assert fit.unadjusted.treatment.sum_sq[0] == pytest.approx(157447.916667, rel=1e-11)
    assert fit.unadjusted.treatment.F[0] == pytest.approx(1.3007679594, rel=1e-10)
    expected = {
        "Car1": 269.741044,
        "Car2": 203.594937,
        "Chl1": 310.087334,
        "Chl2": 364.904118,
        "Con0": 373.952532,
        "Cym1": 358.074794,
        "Cym2": 289.138400,
        "See1": 201.108895,
        "See2": 177.540352,
    }
    assert names == list(expected)
    assert fit.at == pytest.approx(128.458333333, rel=1e-11)
    np.testing.assert_allclose(fit.means[:, 0], list(expected.values()), atol=6e-7)
    assert fit.se[4, 0] == pytest.approx(21.1471804, rel=1e-8)
    assert fit.se[8, 0] == pytest.approx(45.1562267, rel=1e-8)


def test_eelworm_trap_of_the_sequential_table():
    """Treatments entered before the covariate give F 2.76, which tests something else."""
    _, layout, (initial, final) = read(EELWORM, 12)
    fit = fit_covariate(layout, final, initial)[0]
    sequential = fit.unadjusted.treatment.mean_sq[0] / fit.ms_error[0]
    assert sequential == pytest.approx(2.75970345, rel=1e-8)
    assert fit.treatment.F[0] > 4.0


def test_eelworm_logarithms():
    _, layout, (initial, final) = read(EELWORM, 12)
    fit = fit_covariate(layout, np.log(final), np.log(initial))[0]
    assert fit.treatment.sum_sq[0] == pytest.approx(3.61252013176, rel=1e-10)
    assert fit.treatment.F[0] == pytest.approx(4.70669704614, rel=1e-10)
    assert fit.treatment.p[0] == pytest.approx(0.000562675035, rel=1e-7)
    assert term(fit, "covariate").sum_sq[0] == pytest.approx(5.21083545679, rel=1e-10)
    assert term(fit, "covariate").F[0] == pytest.approx(54.312940458, rel=1e-10)
    assert fit.ms_error[0] == pytest.approx(0.0959409564802, rel=1e-10)
    assert fit.slope[0] == pytest.approx(0.585398039988, rel=1e-10)


def test_sugar_beet():
    """Plants are affected by treatment: arithmetic only."""
    names, layout, (yields, plants) = read(BEET, 7)
    fit = fit_covariate(layout, yields, plants)[0]
    assert fit.slope[0] == pytest.approx(0.023798912565, rel=1e-10)
    error = term(fit, "error")
    assert (error.df, error.sum_sq[0]) == (29, pytest.approx(6.99710813182, rel=1e-10))
    assert fit.ms_error[0] == pytest.approx(0.241279590752, rel=1e-10)
    assert fit.treatment.sum_sq[0] == pytest.approx(2.46837990921, rel=1e-10)
    assert fit.treatment.F[0] == pytest.approx(1.70506195842, rel=1e-10)
    assert fit.treatment.p[0] == pytest.approx(0.155411067, rel=1e-7)
    assert fit.unadjusted.treatment.F[0] == pytest.approx(24.2882317048, rel=1e-10)
    assert fit.at == pytest.approx(286, rel=1e-12)
    expected = {
        "K": 4.931770806,
        "KN": 4.879005408,
        "None": 4.694005408,
        "P": 5.399943845,
        "PK": 5.828230086,
        "PKN": 5.746906735,
        "PN": 5.525137712,
    }
    assert names == list(expected)
    np.testing.assert_allclose(fit.means[:, 0], list(expected.values()), atol=6e-10)
    raw = [3.563333, 3.538333, 3.353333, 5.63, 6.486667, 7.353333, 7.08]
    np.testing.assert_allclose(fit.raw_means[:, 0], raw, atol=6e-7)


RICE = """
5113 5398 5307 4678 5346 5952 4719 4264 5272 5713 5483 4749
5164 4831 4986 4410 4804 4848 4432 4748 5254 4542 4919 4098
"""
MAIZE = """
B 1.640 D 1.210 C 1.425 A 1.345 C 1.475 A 1.185 D 1.400 B 1.290
A 1.670 C 0.710 B 1.665 D 1.180 D 1.565 B 1.290 A 1.655 C 0.660
"""


def test_efficiency_of_blocks():
    y = np.array(RICE.split(), dtype=float)
    rate, block = (i.ravel() for i in np.indices((6, 4)))
    (result,) = relative_efficiency(fit_layout(randomised_blocks(rate, block, 6), y)[0])
    assert result.without == ("block",)
    assert result.relative[0] == pytest.approx(1.63420561595, rel=1e-11)
    assert result.adjusted[0] == pytest.approx(1.60553534199, rel=1e-11)
    assert (result.df_error, result.df_error_without) == (15, 18)
    assert not result.approximate


def test_efficiency_of_a_latin_square():
    words = MAIZE.split()
    treatment = ["ABCD".index(w) for w in words[::2]]
    y = np.array(words[1::2], dtype=float)
    row, column = (i.ravel() for i in np.indices((4, 4)))
    fit = fit_layout(latin_square(treatment, row, column, 4), y)[0]
    results = {e.without: e for e in relative_efficiency(fit)}
    assert results["row", "column"].relative[0] == pytest.approx(3.24691441387, rel=1e-10)
    assert results[("column",)].relative[0] == pytest.approx(3.94229146068, rel=1e-10)
    assert results[("row",)].relative[0] == pytest.approx(0.866351556660, rel=1e-10)
    assert results[("column",)].adjusted[0] == pytest.approx(3.67947202997, rel=1e-10)
    assert results[("row",)].adjusted[0] == pytest.approx(0.808594786216, rel=1e-10)
