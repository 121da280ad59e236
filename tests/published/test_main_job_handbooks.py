"""The whole job, from files to tables, on handbook examples.

Each example names its source; "recomputed" marks figures that were worked out for this project
with R 4.2 and Python, where no printed figure was seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import pytest

import trialkit

TOML = """title = "Example"
design = "{design}"
untreated = "{untreated}"
[variables.{variable}]
kind = "{kind}"
role = "{role}"
[analysis]
comparison = "{comparison}"
transform = "{transform}"
"""


def trial_of(
    folder: Path,
    plots: Sequence[Mapping[str, object]],
    *,
    design: str = "crd",
    untreated: str = "C",
    kind: str = "count",
    role: str = "pest",
    comparison: str = "tukey",
    transform: str = "none",
) -> trialkit.Trial:
    """Write plots (treatment, blocking, and the value, or values by day) as files and read them."""
    blocking = [name for name in ("block", "row", "column") if name in plots[0]]
    variable = "grain" if role == "yield" else "bugs"
    (folder / "trial.toml").write_text(
        TOML.format(
            design=design,
            untreated=untreated,
            variable=variable,
            kind=kind,
            role=role,
            comparison=comparison,
            transform=transform,
        )
    )
    names = dict.fromkeys(str(plot["treatment"]) for plot in plots)
    lines(folder / "treatments.csv", ["treatment,name", *(f"{n},{n} as named" for n in names)])
    lines(
        folder / "plots.csv",
        [
            ",".join(["plot", "treatment", *blocking]),
            *(
                ",".join([str(i), str(p["treatment"]), *(str(p[b]) for b in blocking)])
                for i, p in enumerate(plots, start=1)
            ),
        ],
    )
    if role == "yield":
        rows = [f"{i},{p['value']}" for i, p in enumerate(plots, start=1)]
        lines(folder / "yield.csv", [f"plot,{variable}", *rows])
    else:
        rows = [
            f"{i},{day},{value}"
            for i, p in enumerate(plots, start=1)
            for day, value in by_day(p).items()
        ]
        lines(folder / "counts.csv", [f"plot,days_after,{variable}", *rows])
    return trialkit.read_trial(folder)


def by_day(plot: Mapping[str, object]) -> Mapping[object, object]:
    days = plot.get("days")
    return days if isinstance(days, Mapping) else {1: plot["value"]}


def lines(path: Path, text: Iterable[str]) -> None:
    path.write_text("\n".join(text) + "\n", encoding="utf-8")


def one_way(text: str) -> list[dict[str, object]]:
    return [
        {"treatment": name, "value": value}
        for line in text.strip().splitlines()
        for name, _, values in [line.partition(":")]
        for value in values.split()
    ]


# Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., Wiley, table
# 2.1: rice yield, kg/ha, seven treatments (T7 the control) on four plots each. Data and printed
# analysis from memory; the data give every printed figure.
RICE = """
T1: 2537 2069 2104 1797
T2: 3366 2591 2211 2544
T3: 2536 2459 2827 2385
T4: 2387 2453 1556 2116
T5: 1997 1679 1649 1859
T6: 1796 1704 1904 1320
T7: 1401 1516 1270 1077
"""
# Letters at 5 % by the definitions of the procedures (recomputed), T1 to T7.
RICE_LETTERS = {
    "lsd": "bc a ab bc c cd d",
    "duncan": "bc a ab bc c cd d",
    "snk": "ab a a ab bc bc c",
    "tukey": "ab a a ab bc bc c",
    "bonferroni": "ab a a ab bc bc c",
    "sidak": "ab a a ab bc bc c",
    "scheffe": "abc a ab abc bc c c",
}


def test_rice_analysis_of_variance(tmp_path):
    trial = trial_of(tmp_path, one_way(RICE), untreated="T7", kind="measurement", role="yield")
    analysis = trialkit.analyse(trial)
    table = analysis.anova.set_index("source")
    assert set(analysis.anova["measure"]) == {"yield"}
    assert analysis.anova["days_after"].isna().all()
    # Printed: treatment 5,587,174 (cut off, not rounded), error 1,990,238, F 9.83, cv 15.1 %.
    assert table.loc["treatment", "sum_sq"] == pytest.approx(5587174.92857143, rel=1e-12)
    assert table.loc["error", "sum_sq"] == pytest.approx(1990237.5, rel=1e-12)
    assert table.loc["treatment", "F"] == pytest.approx(9.82551692951, rel=1e-11)
    assert table.loc["treatment", "p"] == pytest.approx(3.32872547e-05, rel=1e-8)
    assert analysis.responses["cv_percent"].iloc[0] == pytest.approx(15.0934554173, rel=1e-10)


@pytest.mark.parametrize("comparison", RICE_LETTERS)
def test_rice_letters(comparison, tmp_path):
    trial = trial_of(
        tmp_path,
        one_way(RICE),
        untreated="T7",
        kind="measurement",
        role="yield",
        comparison=comparison,
    )
    letters = trialkit.analyse(trial).means["letters"]
    assert " ".join(letters) == RICE_LETTERS[comparison]


def test_rice_p_values(tmp_path):
    # Recomputed; difference and standard error by hand: 4 plots, mean square 94773.2142857.
    plots, columns = one_way(RICE), {}
    for comparison in ("tukey", "lsd", "holm", "sidak", "fdr", "scheffe"):
        trial = trial_of(
            tmp_path,
            plots,
            untreated="T7",
            kind="measurement",
            role="yield",
            comparison=comparison,
        )
        table = trialkit.analyse(trial).comparisons
        columns[comparison] = table[table["method"] == comparison].set_index(["a", "b"])
    pair = columns["tukey"].loc[("T2", "T7")]
    assert pair["difference"] == pytest.approx(1362.0, rel=1e-12)
    assert pair["se"] == pytest.approx(217.684650683, rel=1e-11)
    for (a, b), p in {
        ("T2", "T7"): "5.95e-05 3.32e-06 6.97e-05 6.97e-05 6.97e-05 0.000531",
        ("T3", "T5"): "0.0314 0.0023 0.0319 0.0468 0.00598 0.1098",
        ("T1", "T7"): "0.0181 0.0013 0.0198 0.0260 0.00376 0.0717",
        ("T1", "T2"): "0.198 0.0194 0.252 0.337 0.0412 0.412",
        ("T5", "T7"): "0.334 0.0387 0.426 0.564 0.0740 0.574",
    }.items():
        for comparison, text in zip(columns, p.split(), strict=True):
            found = columns[comparison].loc[(a, b), "p_adjusted"]
            assert to_digits_of(text, found) == to_digits_of(text, float(text)), comparison


def to_digits_of(text: str, number: float) -> str:
    """Write a number with as many significant digits as a printed one has."""
    digits = text.partition("e")[0].replace(".", "").lstrip("0")
    return f"{number:.{len(digits) - 1}e}"


def test_rice_dunnett(tmp_path):
    trial = trial_of(tmp_path, one_way(RICE), untreated="T7", kind="measurement", role="yield")
    table = trialkit.analyse(trial).comparisons
    table = table[table["method"] == "dunnett"].set_index("a")
    # By quadrature (recomputed), t entered to six digits.
    for name, p in {
        "T1": 0.00632102,
        "T2": 1.8435e-05,
        "T3": 6.7901e-05,
        "T4": 0.00623798,
        "T5": 0.15811826,
        "T6": 0.38050690,
    }.items():
        assert table.loc[name, "p_adjusted"] == pytest.approx(p, abs=2e-6)


# The same book, table 2.5: rice yield by seeding rate in four blocks across. Data seen in an open
# collection; printed (from memory): 1,944,361; 1,198,331; 1,658,376; F 2.17; cv 6.7 %.
RATES = """
25: 5113 5398 5307 4678
50: 5346 5952 4719 4264
75: 5272 5713 5483 4749
100: 5164 4831 4986 4410
125: 4804 4848 4432 4748
150: 5254 4542 4919 4098
"""


def test_seeding_rates_in_blocks(tmp_path):
    plots = one_way(RATES)
    for index, plot in enumerate(plots):
        plot["block"] = index % 4 + 1
    trial = trial_of(
        tmp_path,
        plots,
        design="rcbd",
        untreated="25",
        kind="measurement",
        role="yield",
        comparison="lsd",
    )
    analysis = trialkit.analyse(trial)
    assert list(analysis.anova["source"]) == ["block", "treatment", "error"]
    assert list(analysis.anova["df"]) == [3, 5, 15]
    assert list(analysis.anova["sum_sq"]) == pytest.approx(
        [1944360.83333333, 1198330.83333333, 1658376.16666667], rel=1e-11
    )
    assert analysis.anova["F"].iloc[0] == pytest.approx(5.86224305563, rel=1e-11)
    assert analysis.anova["p"].iloc[1] == pytest.approx(0.112809413, rel=1e-8)
    # F is not significant: no letters, yet the unadjusted comparisons stand there.
    assert not [text for text in analysis.means["letters"] if isinstance(text, str) and text]
    lsd = analysis.comparisons[analysis.comparisons["method"] == "lsd"]
    assert not lsd["different"].any()
    # 5 % least significant difference 501.136405057 (recomputed): t times the standard error.
    assert 2.13144955 * lsd["se"].iloc[0] == pytest.approx(501.136405057, rel=1e-8)


# Goulden CH 1952, Methods of Statistical Analysis, 2nd ed., Wiley, p. 216: dusting against stem
# rust of wheat, yield (data seen in an open collection, results recomputed).
RUST = """A9.3 E6.3 D11.8 C15.9 B7.6
E5.3 B7.6 C13.2 D8.6 A4.9
D7.6 C15.4 A6.5 B6.0 E4.6
C9.3 A4.0 B6.2 E5.1 D5.4
B4.9 D6.4 E3.3 A9.5 C11.8"""
# Cochran WG 1938, Empire J. Exp. Agric. 6:157-175: wireworms after soil fumigation (data seen in an
# open collection, results on the counts recomputed).
WIREWORMS = """P3 O2 N5 K1 M4
M6 K0 O6 N4 P4
O4 M9 K1 P6 N5
N17 P8 M8 O9 K0
K4 N4 P2 M4 O8"""


@pytest.mark.parametrize(
    ("text", "untreated", "role", "sum_sq", "f"),
    [
        (RUST, "E", "yield", [46.668, 14.020, 196.608, 28.044], 21.0320924262),
        (WIREWORMS, "O", "pest", [84.56, 22.16, 103.36, 106.88], 2.90119760479),
    ],
)
def test_latin_squares(text, untreated, role, sum_sq, f, tmp_path):
    plots = [
        {"treatment": cell[0], "row": row, "column": column, "value": cell[1:]}
        for row, line in enumerate(text.splitlines(), start=1)
        for column, cell in enumerate(line.split(), start=1)
    ]
    kind = "measurement" if role == "yield" else "count"
    trial = trial_of(tmp_path, plots, design="latin", untreated=untreated, kind=kind, role=role)
    table = trialkit.analyse(trial).anova
    assert list(table["source"]) == ["row", "column", "treatment", "error"]
    assert list(table["df"]) == [4, 4, 4, 12]
    assert list(table["sum_sq"]) == pytest.approx(sum_sq, rel=1e-9)
    assert table["F"].iloc[2] == pytest.approx(f, rel=1e-10)


# Cochran WG & Cox GM 1957, Experimental Designs, 2nd ed., Wiley: potato scab, completely
# randomised, eight untreated plots (O) and four of each sulphur dressing (data seen in an open
# collection, results recomputed).
SCAB = """
O: 12 10 24 29 30 18 32 26
F3: 9 9 16 4
S3: 30 7 21 9
F6: 16 10 18 18
S6: 18 24 12 19
F12: 10 4 4 5
S12: 17 7 16 17
"""


def test_potato_scab_with_unequal_numbers_of_plots(tmp_path):
    analysis = trialkit.analyse(trial_of(tmp_path, one_way(SCAB), untreated="O"))
    table = analysis.anova.set_index("source")
    assert table.loc["treatment", "sum_sq"] == pytest.approx(972.34375, rel=1e-12)
    assert table.loc["error", "sum_sq"] == pytest.approx(1122.875, rel=1e-12)
    assert table.loc["treatment", "F"] == pytest.approx(3.60808842629, rel=1e-11)
    assert list(analysis.means["n"]) == [8, 4, 4, 4, 4, 4, 4]
    rows = analysis.comparisons.set_index(["method", "a", "b"])
    # Dunnett with correlation 1/3; t was entered to six digits.
    for name, (difference, p) in {
        "F12": (-16.875, 0.0021109),
        "F3": (-13.125, 0.0201551),
        "F6": (-7.125, 0.3872949),
        "S12": (-8.375, 0.2340446),
        "S3": (-5.875, 0.5852107),
        "S6": (-4.375, 0.8254980),
    }.items():
        row = rows.loc[("dunnett", name, "O")]
        assert row["difference"] == pytest.approx(difference, rel=1e-12)
        assert row["se"] == pytest.approx(4.10403764603, rel=1e-11)
        assert row["p_adjusted"] == pytest.approx(p, abs=5e-6)
    # Tukey and Kramer: F3 is just not told apart from the untreated, though Dunnett does.
    for (a, b), p in {
        ("O", "F12"): 0.005964954507,
        ("O", "F3"): 0.050233044237,
        ("F6", "F12"): 0.406380062356,
        ("F3", "F12"): 0.983730874638,
    }.items():
        assert rows.loc[("tukey", a, b), "p_adjusted"] == pytest.approx(p, abs=1e-8)
    assert not rows.loc[("tukey", "O", "F3"), "different"]
    assert rows.loc[("dunnett", "F3", "O"), "different"]
    low, high = rows.loc[("tukey", "O", "F12"), ["lower", "upper"]]
    # R's quantile of the range stops at a step of some 1e-7.
    assert (low, high) == pytest.approx((3.7412457981, 30.0087542019), rel=1e-6)
    letters = analysis.means.set_index("treatment")["letters"]
    assert set(letters["O"]) & set(letters["F3"])
    assert not set(letters["O"]) & set(letters["F12"])


# Dunnett CW 1955, J. Am. Stat. Assoc. 50:1096-1121: blood counts (data recalled; they stand in the
# documentation of scipy, whose printed p are 0.620 and 0.006).
BLOOD = """
Control: 7.40 8.50 7.20 8.24 9.84 8.32
A: 9.76 8.80 7.68 9.36
B: 12.80 9.68 12.16 9.20 10.55
"""


def test_blood_counts_of_dunnett(tmp_path):
    trial = trial_of(
        tmp_path,
        one_way(BLOOD),
        untreated="Control",
        kind="measurement",
        role="yield",
        comparison="dunnett",
    )
    table = trialkit.analyse(trial).comparisons.set_index("a")
    assert list(table.index) == ["A", "B"]
    assert table.loc["A", "p_adjusted"] == pytest.approx(0.620101980, abs=1e-7)
    assert table.loc["B", "p_adjusted"] == pytest.approx(0.005825361, abs=1e-8)
    limits = table[["lower", "upper"]].to_numpy().ravel()
    assert limits == pytest.approx([-1.256304137, 2.556304137, 0.839728206, 4.416271794], abs=1e-7)


# Area under the curve, worked by hand: a row of days and counts, and the area.
CURVES = {
    "a": ({0: 1, 7: 5, 14: 20, 21: 45, 28: 60}, 703.5),
    "b": ({0: 10, 3: 25, 7: 40, 14: 30, 21: 12}, 574.5),
    "c": ({0: 10, 3: 2, 7: 4, 14: 8, 21: 12}, 142.0),
    "d": ({0: 1, 2: 2, 5: 7, 6: 7.5}, 23.75),
    "e": ({7: 5, 14: 10, 21: 30, 28: 60}, 507.5),
}


@pytest.mark.parametrize("name", CURVES)
def test_pest_days(name, tmp_path):
    course, area = CURVES[name]
    double = {day: 2 * value for day, value in course.items()}
    plots = [
        {"treatment": treatment, "days": days}
        for treatment, days in (("C", course), ("T", double))
        for _ in range(3)
    ]
    analysis = trialkit.analyse(trial_of(tmp_path, plots))
    assert list(analysis.pest_days["pest_days"]) == pytest.approx([area] * 3 + [2 * area] * 3)
    span = max(course) - min(course)
    assert set(analysis.pest_days["days"]) == {span}
    assert list(analysis.pest_days["per_day"]) == pytest.approx(
        [area / span] * 3 + [2 * area / span] * 3
    )
    means = analysis.means[analysis.means["measure"] == "pest_days"]
    assert list(means["mean"]) == pytest.approx([area, 2 * area])


# Percent control, worked by hand: before and after in the treated, before and after in the
# untreated.
WORKED = {
    "untreated rises": ((500, 50, 480, 600), 92.0, 100 * (600 - 50) / 600),
    "untreated falls": ((500, 50, 480, 360), 100 * (1 - 24000 / 180000), 100 * (360 - 50) / 360),
    "more than the untreated": ((20, 26, 20, 20), -30.0, -30.0),
}


@pytest.mark.parametrize("name", WORKED)
def test_percent_control(name, tmp_path):
    (before_t, after_t, before_c, after_c), corrected, plain = WORKED[name]
    plots = [
        {"treatment": treatment, "days": {-1: before * share, 7: after * share}}
        for treatment, before, after in (("C", before_c, after_c), ("T", before_t, after_t))
        for share in (0.5, 1.0, 1.5)
    ]
    table = trialkit.analyse(trial_of(tmp_path, plots)).control.set_index("method")
    assert set(table["treatment"]) == {"T"}
    for method in ("henderson-tilton", "sun-shepard", "schneider-orelli"):
        assert table.loc[method, "percent"] == pytest.approx(corrected, rel=1e-12)
    assert table.loc["abbott", "percent"] == pytest.approx(plain, rel=1e-12)
    assert list(table.index[table["chosen"].astype(bool)]) == ["henderson-tilton"]


def test_percent_control_comes_from_means_and_not_from_blocks(tmp_path):
    # Four blocks; the mean of the four percentages would be 89.6626223925 (recomputed).
    blocks = zip((50, 40, 60, 45), (5, 6, 9, 4), (48, 52, 44, 56), (60, 58, 55, 63), strict=True)
    plots: list[dict[str, object]] = []
    for block, (before_t, after_t, before_c, after_c) in enumerate(blocks, start=1):
        plots.append({"treatment": "C", "block": block, "days": {-1: before_c, 7: after_c}})
        plots.append({"treatment": "T", "block": block, "days": {-1: before_t, 7: after_t}})
    table = trialkit.analyse(trial_of(tmp_path, plots, design="rcbd")).control.set_index("method")
    assert table.loc["henderson-tilton", "percent"] == pytest.approx(89.5697522816, rel=1e-11)
    assert table.loc["abbott", "percent"] == pytest.approx(89.8305084746, rel=1e-11)
