"""Printed tables: honest ones pass, planted faults are found, what is not said is not decided."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

import trialkit
from desk.printed_tables import FAULTS, honest_table, plant
from trialkit.cli import app
from trialkit.desk.audit import Verdict, audit_table
from trialkit.desk.audit.granularity import possible_total
from trialkit.desk.audit.letters import letters_of
from trialkit.desk.audit.rounding import read_printed
from trialkit.desk.audit.spread import least_deviation
from trialkit.printed_layout import blank
from trialkit.resources import data_folder

RUN = CliRunner()
TABLE = """treatment,role,day 0,day 7,control day 7,pest-days,all
Untreated,untreated,20.25 a,30.50 a,,177.6,
Wimbrel,,19.50 a,5.25 b,83,86.6,
Tarnock,,21.00 a,12.25 b,60,116.4,
Water,,20.00 a,31.75 a,-4,181.1,
statistics,,,,,,
n,,,,,,4
kind,,count,count,,,
transform,,none,none,,,
procedure,,,lsd,,,
LSD,,,7.9,,,
df,,,9,,,
mean square,,,24.4,,,
F,,,28.8,,,
P,,,<0.001,,,
formula,,,abbott,,,
"""


def audited(folder: Path, text: str) -> trialkit.Audit:
    path = folder / "printed.csv"
    path.write_text(text, encoding="utf-8")
    return trialkit.audit_table(path)


@pytest.mark.parametrize("plain", [True, False])
def test_honest_tables_hold_no_inconsistency(plain: bool) -> None:
    for seed in range(100):
        table = honest_table(np.random.default_rng([seed, plain]), plain=plain)
        odd = audit_table(table).of(Verdict.INCONSISTENT)
        assert not odd, (seed, odd)


@pytest.mark.parametrize("fault", FAULTS)
def test_planted_faults_are_found_where_everything_is_printed(fault: str) -> None:
    planted = found = 0
    # A standard error after each mean is printed in some tables only, those as people print.
    plain = fault != "typed standard error"
    for seed in range(25 if plain else 120):
        rng = np.random.default_rng([seed, 3])
        made = plant(rng, honest_table(rng, plain=plain), fault)
        if made is not None:
            planted += 1
            found += bool(audit_table(made).of(Verdict.INCONSISTENT))
    assert planted >= 10
    assert found >= 0.9 * planted


def test_a_table_that_fits_has_nothing_to_ask(tmp_path: Path) -> None:
    found = audited(tmp_path, TABLE)
    assert not found.of(Verdict.INCONSISTENT)
    assert {check.kind for check in found.checks} == {
        "granularity",
        "letters",
        "precision",
        "f and p",
        "control",
        "sums",
    }


@pytest.mark.parametrize(
    ("old", "new", "kind", "words"),
    [
        ("12.25 b", "12.30 b", "granularity", "12.250 or 12.500, not 12.30"),
        ("-4,181", "4,181", "control", "minus lost"),
        ("24.4", "34.4", "precision", "LSD / t"),
        ("<0.001", "0.03", "f and p", "F = 28.8 with 3 and 9"),
        ("31.75 a", "31.75 b", "letters", "Untreated and Water share no letter"),
        ("df,,,9", "df,,,19", "precision", "leave 12 for error at most"),
        ("116.4", "161.4", "sums", "161.4 printed"),
    ],
)
def test_each_kind_shows_its_arithmetic(
    tmp_path: Path, old: str, new: str, kind: str, words: str
) -> None:
    text = TABLE.replace(old, new)
    assert text != TABLE
    odd = list(audited(tmp_path, text).of(Verdict.INCONSISTENT))
    assert any(
        check.kind == kind and words in check.arithmetic + check.question for check in odd
    ), odd


def test_another_scale_cannot_be_told(tmp_path: Path) -> None:
    text = TABLE.replace("31.75 a", "31.75 b").replace("transform,,none,none", "transform,,,sqrt")
    found = audited(tmp_path, text)
    assert not [check for check in found.of(Verdict.INCONSISTENT) if check.kind == "letters"]
    assert [check for check in found.of(Verdict.CANNOT_TELL) if check.kind == "letters"]


def kinds(found: trialkit.Audit, verdict: Verdict) -> set[str]:
    return {check.kind for check in found.of(verdict)}


def test_missing_plots_with_their_own_n(tmp_path: Path) -> None:
    head = "treatment,day 7,n day 7,all\nA,12.33,3,\nB,4.25,4,\nC,20.50,4,\nstatistics,,,\n"
    text = (
        head + "kind,count,,\nmean square,30,,\nse of difference,4.0,,\ndf,8,,\ntransform,none,,\n"
    )
    found = audited(tmp_path, text)
    # Mean square and n of 3 to 4 give 3.87 to 4.47; 11 plots less 3 treatments leave 8.
    assert not found.of(Verdict.INCONSISTENT)
    assert any("3 to 4" in check.arithmetic for check in found.checks)
    odd = audited(tmp_path, text.replace("12.33,3", "12.33,4"))
    assert "granularity" in kinds(odd, Verdict.INCONSISTENT)
    odd = audited(tmp_path, text.replace("df,8", "df,9"))
    assert any("leave 8" in check.arithmetic for check in odd.of(Verdict.INCONSISTENT))


def test_percentages_may_be_cut_off_and_not_rounded(tmp_path: Path) -> None:
    cut = TABLE.replace(",83,", ",82,").replace(",60,", ",59,")
    found = audited(tmp_path, cut)
    assert not found.of(Verdict.INCONSISTENT)
    said = [check.arithmetic for check in found.checks if check.kind == "control"]
    assert said == [
        "Abbott from the printed means gives all 3 values, with digits cut off and not rounded."
    ]
    mixed = audited(tmp_path, TABLE.replace(",83,", ",84,").replace(",60,", ",59,"))
    assert [check.kind for check in mixed.of(Verdict.INCONSISTENT)] == ["control"]


@given(st.floats(-200, 200), st.integers(0, 3))
def test_a_number_that_was_cut_lies_in_its_range(value: float, decimals: int) -> None:
    factor = 10.0**decimals
    text = f"{math.trunc(value * factor) / factor:.{decimals}f}"
    printed = read_printed(text)
    assert printed is not None
    found = printed.range_if_cut
    assert found.low - 1e-9 <= value <= found.high + 1e-9


def test_a_number_of_plots_that_is_a_range(tmp_path: Path) -> None:
    text = "treatment,day 7,all\nA,12.33,\nB,4.50,\nstatistics,,\nn,,2-3\nkind,,count\n"
    assert not audited(tmp_path, text).of(Verdict.INCONSISTENT)
    odd = audited(tmp_path, text.replace("4.50", "4.40"))
    assert [check.where for check in odd.of(Verdict.INCONSISTENT)] == ["day 7, B"]


@pytest.mark.parametrize("number", ["0", "1-999999999", "2.5", "<3", "-4"])
def test_what_is_no_number_of_plots(number: str, tmp_path: Path) -> None:
    for text in (
        f"treatment,day 7,n day 7\nA,3.0,{number}\nB,4.0,3\n",
        f"treatment,day 7,all\nA,3.0,\nB,4.0,\nstatistics,,\nn,,{number}\nkind,,count\n",
    ):
        with pytest.raises(trialkit.TrialError, match="no number of plots"):
            audited(tmp_path, text)


def test_standard_errors_after_the_means(tmp_path: Path) -> None:
    text = "treatment,day 7,all\nA,12.25 ± 3.2 a,\nB,4.50±1.1 b,\nstatistics,,\nn,,4\nkind,,count\n"
    text += "spread,,se\n"
    found = audited(tmp_path, text)
    assert "spread" in kinds(found, Verdict.CONSISTENT)
    # Not more than the mean (all in one plot), nor less than plots of 4, 4, 5 and 5 have.
    for old, new in (("1.1", "4.9"), ("1.1", "0.2")):
        odd = audited(tmp_path, text.replace(old, new))
        assert [check.kind for check in odd.of(Verdict.INCONSISTENT)] == ["spread"], new
    # A standard deviation can be twice as large.
    unsaid = audited(tmp_path, text.replace("1.1", "4.9").replace("spread,,se\n", ""))
    assert not unsaid.of(Verdict.INCONSISTENT)


@given(counts=st.lists(st.integers(0, 60), min_size=2, max_size=6), decimals=st.integers(0, 3))
def test_the_deviation_of_whole_counts_is_never_too_small(counts: list[int], decimals: int) -> None:
    printed = read_printed(f"{np.mean(counts):.{decimals}f}")
    assert printed is not None
    least = least_deviation(printed, len(counts), 1.0)
    assert least <= np.std(counts, ddof=1) + 1e-9


def test_letters_that_f_forbids(tmp_path: Path) -> None:
    text = "treatment,day 7,all\nA,12.2 a,\nB,4.5 a,\nC,20.1 a,\nstatistics,,\nn,,4\ndf,6,\nf,{},\n"
    text += "procedure,,lsd\n"
    # sqrt(20) = 4.47 standard errors of a difference; 2.45 are enough with 6 df (t table).
    odd = audited(tmp_path, text.format("20.0")).of(Verdict.INCONSISTENT)
    assert [check.where for check in odd] == ["day 7, letters and F"]
    assert not audited(tmp_path, text.format("5.0")).of(Verdict.INCONSISTENT)


def test_capitals_beside_small_letters_cannot_be_told(tmp_path: Path) -> None:
    found = audited(tmp_path, TABLE.replace("31.75 a", "31.75 A"))
    assert any("Capitals" in check.arithmetic for check in found.of(Verdict.CANNOT_TELL))


def test_shares_of_those_examined(tmp_path: Path) -> None:
    text = "treatment,day 7,all\nA,12.5,\nB,13.1,\nstatistics,,\nn,,4\nsamples,,10\nkind,share,\n"
    odd = audited(tmp_path, text).of(Verdict.INCONSISTENT)
    assert [check.where for check in odd] == ["day 7, B"]


def test_series_that_stand_twice_are_only_asked_about(tmp_path: Path) -> None:
    text = "treatment,day 1,day 3,day 7\nA,12.5,14.2,9.7\nB,12.5,14.2,9.7\nC,1.5,8.1,9.9\n"
    found = audited(tmp_path, text)
    repeated = [check for check in found.checks if check.kind == "repeated"]
    assert [check.verdict for check in repeated] == [Verdict.CANNOT_TELL]
    assert repeated[0].question


@given(
    counts=st.lists(st.integers(0, 400), min_size=2, max_size=8),
    decimals=st.integers(0, 4),
)
def test_the_mean_of_whole_counts_is_always_possible(counts: list[int], decimals: int) -> None:
    printed = read_printed(f"{sum(counts) / len(counts):.{decimals}f}")
    assert printed is not None
    assert possible_total(printed, len(counts), 1.0) is not None


def test_means_of_brown_and_heathers() -> None:
    # 5.19 of 28 whole numbers, the example of Brown & Heathers 2017 (from memory; the steps of
    # 1/28 recomputed: 145/28 = 5.179, 146/28 = 5.214).
    printed = read_printed("5.19")
    assert printed is not None
    assert possible_total(printed, 28, 1.0) is None


def test_ranges_of_letters() -> None:
    assert letters_of("a-c") == letters_of("abc") == letters_of("a, b, c")
    with pytest.raises(ValueError, match=r"1\*"):
        letters_of("1*")


def test_the_blank_is_as_it_is_made() -> None:
    shipped = (data_folder("templates") / "printed_table.csv").read_text(encoding="utf-8")
    assert shipped == blank()


def test_every_problem_of_a_table_has_its_place(tmp_path: Path) -> None:
    text = "treatment,day 7,colour\nA,many,\nB,3,\nLSD,4,\nstatistics,,\nlds,4,\nkind,cuont,\n"
    with pytest.raises(trialkit.TrialError) as caught:
        audited(tmp_path, text)
    told = "\n".join(str(problem) for problem in caught.value.problems)
    for words in ("colour", "'many'", "'LSD' stands among", "Did you mean 'lsd'?", "'cuont'"):
        assert words in told


def test_command_and_page(tmp_path: Path) -> None:
    path, page = tmp_path / "printed.csv", tmp_path / "page.html"
    path.write_text(TABLE.replace("Tarnock", "<b>Tarnock"), encoding="utf-8")
    done = RUN.invoke(app, ["audit", str(path), "--page", str(page)])
    assert done.exit_code == 0, done.output
    assert "What fits together" in done.output
    path.write_text(TABLE.replace("12.25 b", "12.30 b").replace("Tarnock", "<b>T"), "utf-8")
    done = RUN.invoke(app, ["audit", str(path), "--page", str(page)])
    assert done.exit_code == 1
    assert "questions to the author" in done.output
    assert "<b>T" not in page.read_text(encoding="utf-8")
    assert "&lt;b&gt;T" in page.read_text(encoding="utf-8")
