"""Counts in their three shapes give the same trial; samples, doubles and gaps are told."""

from __future__ import annotations

import math

import pytest

from trialkit.reading import read, read_trial
from trialkit.trial import Kind, VariableRole

BY_DAY = "plot,{},{}\n101,10,20\n102,12,2\n201,9,3\n202,11,24\n"
LONG = """plot,days_after,variable,value
101,-1,aphids,10
101,7,aphids,20
102,-1,aphids,12
102,7,aphids,2
201,-1,aphids,9
201,7,aphids,3
202,-1,aphids,11
202,7,aphids,24
"""


def test_a_column_a_variable(folder):
    trial = read_trial(folder())
    counts = trial.counts
    assert list(counts.columns) == ["plot", "variable", "day", "sample", "value"]
    assert counts["plot"].tolist() == ["101", "101", "102", "102", "201", "201", "202", "202"]
    assert counts["day"].tolist() == [-1.0, 7.0] * 4
    assert counts["value"].tolist() == [10, 20, 12, 2, 9, 3, 11, 24]
    assert set(counts["sample"]) == {None}
    assert trial.warnings == ()


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("aphids -1 DAT", "aphids 7 DAT"),
        ("aphids 1 DBT", "aphids 7 DAT"),
        ("Aphids -1 dat", "APHIDS 7DAT"),
        ("aphids (-1 DAA)", "aphids (7 DAA)"),
        ("aphids 2025-06-11", "aphids 2025-06-19"),
        ("aphids_2025-06-11", "aphids_2025-06-19"),
        ("aphids day -1", "aphids day 7"),
        ("-1 DAT aphids", "7 DAT aphids"),
        ("aphids 1 day before treatment", "aphids 7 days after treatment"),
        ("aphids 11.06.2025", "aphids 19.06.2025"),
        ("Aphids per plant 11 Jun 2025", "Aphids per plant 19 Jun 2025"),
        ("-1 DAT", "7 DAT"),
        ("2025-06-11", "2025-06-19"),
        ("aphids −1 DAT", "aphids +7 DAT"),
        ("aphids_-1_DAT", "aphids_7_DAT"),
    ],
)
def test_a_column_a_day(folder, before, after):
    spoilt = folder({"counts.csv": BY_DAY.format(before, after)})
    reading = read(spoilt)
    trial = read_trial(spoilt)
    folder({})  # writes the plain shape into the same folder
    assert trial == read_trial(spoilt)
    assert ("counts.csv", before, "variable aphids on day -1") in reading.understood


def test_long(folder):
    plain = read_trial(folder())
    assert read_trial(folder({"counts.csv": LONG})) == plain


@pytest.mark.parametrize(
    "header",
    ["Plot No.,Days after treatment,Aphids", "PLOT_ID;DAT;aphids", "plot\tDAA\tAPHIDS"],
)
def test_headings_are_forgiving(folder, base, header):
    sign = "\t" if "\t" in header else ";" if ";" in header else ","
    body = base["counts.csv"].split("\n", 1)[1].replace(",", sign)
    plain = read_trial(folder())
    assert read_trial(folder({"counts.csv": f"{header}\n{body}"})) == plain


def test_dates_for_days(folder, base):
    plain = read_trial(folder())
    text = base["counts.csv"].replace("days_after", "Date").replace(",-1,", ",2025-06-11,")
    assert read_trial(folder({"counts.csv": text.replace(",7,", ",2025-06-19,")})) == plain


def test_days_before(folder):
    text = "plot,days before,aphids\n101,1,10\n102,1,12\n201,1,9\n202,1,11\n"
    assert set(read_trial(folder({"counts.csv": text})).counts["day"]) == {-1.0}


def test_days_may_be_written_out(folder, base):
    plain = read_trial(folder())
    text = base["counts.csv"].replace(",-1,", ",1 DBT,").replace(",7,", ",7 DAT,")
    assert read_trial(folder({"counts.csv": text})) == plain


@pytest.mark.parametrize("token", ["", ".", "-", "NA", "n/a", "*", "N/A"])
def test_missing_values(folder, base, check, token):
    text = base["counts.csv"].replace("102,7,2\n", f"102,7,{token}\n")
    found = check(folder({"counts.csv": text}))
    counts = found.reading.trial.counts
    assert math.isnan(counts.loc[(counts["plot"] == "102") & (counts["day"] == 7), "value"].item())
    said = found.warning("missing-plots", "counts.csv, row 1, column aphids")
    assert "Plot 102 has no value of 'aphids' on day 7." in said


@pytest.mark.parametrize("token", ["nan", "none", "null", "--", "x", "inf", "1e999", "O", "<1"])
def test_other_words_are_no_missing_values(folder, base, check, token):
    text = base["counts.csv"].replace("102,7,2\n", f"102,7,{token}\n")
    said = check(folder({"counts.csv": text})).error(
        "text-in-number", "counts.csv, row 7, column aphids"
    )
    assert f"'{token}' is no number." in said


def test_a_missing_row_is_told_like_an_empty_cell(folder, base, check):
    text = base["counts.csv"].replace("102,7,2\n", "").replace("201,7,3\n", "")
    said = check(folder({"counts.csv": text})).warning("missing-plots")
    assert "Plots 102 and 201 have no value of 'aphids' on day 7." in said


def test_the_same_gap_in_several_variables_and_days_is_told_once(folder, check):
    text = (
        "plot,days_after,aphids,ladybirds\n101,1,5,1\n102,1,5,1\n201,1,5,1\n202,1,,\n"
        "101,7,5,1\n102,7,5,1\n201,7,5,1\n202,7,,\n"
    )
    said = check(folder({"counts.csv": text})).warning("missing-plots", "counts.csv, row 1")
    assert "Plot 202 has no value of 'aphids' and 'ladybirds' on days 1 and 7." in said


def test_a_day_on_which_a_variable_was_not_looked_at_is_no_gap(folder, check):
    text = (
        "plot,days_after,aphids,damage %\n101,1,5,\n102,1,5,\n201,1,5,\n202,1,4,\n"
        "101,7,5,10\n102,7,5,10\n201,7,5,10\n202,7,4,20\n"
    )
    found = check(folder({"counts.csv": text}))
    assert "missing-plots" not in found.kinds
    counts = found.reading.trial.counts
    assert set(counts.loc[counts["variable"] == "damage %", "day"]) == {7.0}


def test_samples_stay_as_listed(folder):
    text = "plot,DAT,Sub-sample,aphids\n" + "".join(
        f"{plot},7,{sample},{value}\n"
        for plot in ("202", "101", "102", "201")
        for sample, value in (("b", 4), ("a", 3))
    )
    counts = read_trial(folder({"counts.csv": text})).counts
    assert counts["plot"].tolist() == ["101", "101", "102", "102", "201", "201", "202", "202"]
    assert counts["sample"].tolist() == ["b", "a"] * 4


def test_unequal_samples(folder, check):
    text = "plot,days_after,sample,aphids\n" + "".join(
        f"{plot},7,{sample},4\n"
        for plot in ("101", "102", "201", "202")
        for sample in (1, 2, 3)
        if (plot, sample) != ("201", 3)
    )
    said = check(folder({"counts.csv": text})).warning("unequal-samples")
    assert "most plots have 3; others are 201 (2)" in said


def test_a_value_given_twice(folder, base, check):
    found = check(folder({"counts.csv": base["counts.csv"] + "102,7,2\n"}))
    said = found.warning("same-value-twice", "counts.csv, row 10, column aphids")
    assert "Plot '102' has 'aphids' twice on day 7" in said
    assert "row 7" in said
    assert len(found.reading.trial.counts) == 8


def test_two_values_of_one_plot(folder, base, check):
    found = check(folder({"counts.csv": base["counts.csv"] + "102,7,3\n"}))
    said = found.error("different-values-twice", "counts.csv, row 10, column aphids")
    assert "2 in row 7 and 3 here" in said
    assert "column sample" in said


def test_two_values_of_one_sample(folder, check):
    text = "plot,days_after,sample,aphids\n101,7,1,2\n102,7,1,3\n201,7,1,3\n202,7,1,3\n101,7,1,9\n"
    said = check(folder({"counts.csv": text})).error("different-values-twice")
    assert "sample '1': 2 in row 2 and 9 here" in said


def test_variables_that_nobody_described(folder, check):
    text = (
        "plot,days_after,aphids,thrips,damage (%),leaf severity,predators\n"
        "101,7,5,1,10,3,0\n102,7,5,1,10,2,1\n201,7,5,1,10,2,1\n202,7,4,2,20,3,1\n"
    )
    found = check(folder({"counts.csv": text}))
    assert len(found.of("variable-assumed")) == 4
    variables = {item.name: item for item in found.reading.trial.variables}
    assert list(variables) == ["aphids", "thrips", "damage (%)", "leaf severity", "predators"]
    assert variables["thrips"].kind is Kind.COUNT
    assert variables["thrips"].role is VariableRole.PEST
    assert variables["damage (%)"].kind is Kind.PERCENT
    assert variables["damage (%)"].role is VariableRole.DAMAGE
    assert variables["leaf severity"].kind is Kind.PERCENT
    assert variables["predators"].role is VariableRole.NATURAL_ENEMY
    said = str(found.of("variable-assumed")[0])
    assert "'thrips' is not described; it was taken for a count with the role pest." in said


def test_remarks_beside_the_counts_are_named(folder, check):
    text = (
        "plot,days_after,aphids,Remarks,BBCH,Obs.\n"
        "101,7,5,wet,65,JK\n102,7,5,,65,JK\n201,7,5,,65,JK\n202,7,4,,65,JK\n"
    )
    found = check(folder({"counts.csv": text}))
    assert [p.place.column for p in found.of("unknown-column")] == ["Obs."]
    kept = found.reading.trial.assessments.to_dict("records")
    assert [(row["day"], row["growth_stage"], row["notes"]) for row in kept] == [
        (7.0, "65", "101: wet")
    ]
    assert [v.name for v in found.reading.trial.variables] == ["aphids"]


def test_a_misspelt_variable_is_told_with_the_nearest(folder, base, check):
    found = check(folder({"counts.csv": base["counts.csv"].replace("aphids", "aphid")}))
    assert "Did you mean 'aphids'?" in found.warning("variable-assumed")
    assert "no table has values of it" in found.warning(
        "variable-without-data", "trial.toml, row 6, column variables.aphids"
    )


def test_plan_columns_repeated_beside_counts(folder, check):
    text = "plot,trt,rep,DAT,aphids\n101,1,1,7,5\n102,2,1,7,5\n201,2,2,7,5\n202,1,2,7,5\n"
    assert check(folder({"counts.csv": text})).problems == ()
    spoilt = text.replace("201,2,2", "201,1,2").replace("202,1,2", "202,1,1")
    found = check(folder({"counts.csv": spoilt}))
    assert [str(p.place) for p in found.of("plan-conflict")] == [
        "counts.csv, row 4, column trt",
        "counts.csv, row 5, column rep",
    ]
    assert "has treatment '1' here and '2' in the plan" in str(found.of("plan-conflict")[0])


def test_names_of_treatments_beside_counts(folder, check):
    text = "plot,trt,treatment,DAT,aphids\n" + "".join(
        f"{plot},{trt},{name},7,5\n"
        for plot, trt, name in (
            (101, 1, "untreated"), (102, 2, "OSTREL"), (201, 2, "Ostrel"), (202, 1, "Untreated"),
        )
    )  # fmt: skip
    found = check(folder({"counts.csv": text}))
    assert "plan-conflict" not in found.kinds
    assert found.reading.trial is not None
    found = check(folder({"counts.csv": text.replace("102,2,OSTREL", "102,2,Ostrel EC")}))
    said = found.warning("not-compared", "counts.csv, row 3, column treatment")
    assert "'Ostrel EC' is no treatment of the plan" in said
    found = check(folder({"counts.csv": text.replace("102,2,OSTREL", "102,2,Untreated")}))
    found.error("plan-conflict", "counts.csv, row 3, column treatment")


def test_no_day_at_all(folder, check):
    text = "plot,aphids\n101,5\n102,5\n201,5\n202,5\n"
    found = check(folder({"counts.csv": text}))
    said = found.warning("undated", "counts.csv, row 1, column aphids")
    assert "'aphids 7 DAT'" in said
    assert found.reading.trial.undated
    twice = text.replace("aphids", "aphids 7 DAT,mines").replace(",5\n", ",5,6\n")
    found = check(folder({"counts.csv": twice}))
    found.error("no-day", "counts.csv, row 1, column mines")


def test_a_heading_that_may_be_before_or_after(folder, check):
    said = check(folder({"counts.csv": BY_DAY.format("aphids-1 DAT", "aphids 7 DAT")})).error(
        "day-unreadable", "counts.csv, row 1, column aphids-1 DAT"
    )
    assert "'aphids 1 DAT' for days after treatment, 'aphids 1 DBT' for days before it" in said


def test_a_day_without_variable_where_there_are_two(folder, base, check):
    toml = base["trial.toml"] + '\n[variables.thrips]\nkind = "count"\nrole = "pest"\n'
    found = check(
        folder({"trial.toml": toml, "counts.csv": BY_DAY.format("thrips -1 DAT", "7 DAT")})
    )
    assert "holds a day and no variable" in found.error(
        "no-variable", "counts.csv, row 1, column 7 DAT"
    )


@pytest.mark.parametrize(
    "heading",
    [
        "plot,Aphids,\n,-1 DAT,7 DAT\n",
        ",Aphids,\nplot,-1 DAT,7 DAT\n",
        "plot,Aphids,Aphids\n,2025-06-11,2025-06-19\n",
        "Peas 2025,,\nplot,,\n,-1 DAT,7 DAT\n",
    ],
)
def test_a_heading_of_two_rows(folder, heading):
    plain = read_trial(folder())
    text = heading + BY_DAY.split("\n", 1)[1]
    assert read_trial(folder({"counts.csv": text})) == plain


def test_a_day_in_a_column_and_in_a_heading(folder, check):
    text = "plot,date,aphids 7 DAT\n" + "".join(
        f"{plot},2025-06-19,5\n" for plot in (101, 102, 201, 202)
    )
    found = check(folder({"counts.csv": text}))
    said = found.error("day-twice", "counts.csv, row 1, column aphids 7 DAT")
    assert "Both the column 'date' and the heading 'aphids 7 DAT' hold a day." in said


def test_a_day_on_which_nothing_was_counted(folder, check):
    text = "plot,aphids 7 DAT,aphids 14 DAT\n101,5,\n102,5,\n201,5,\n202,5,-\n"
    found = check(folder({"counts.csv": text}))
    assert set(found.reading.trial.counts["day"]) == {7.0}
    found.warning("empty-column", "counts.csv, row 1, column aphids 14 DAT")


def test_remarks_of_a_day(folder, check):
    text = (
        "plot,aphids 7 DAT,remarks 7 DAT,weeds 7 DAT\n101,5,wet,low\n102,5,,low\n201,5,,\n202,5,,\n"
    )
    found = check(folder({"counts.csv": text}))
    assert [p.place.column for p in found.of("unknown-column")] == ["remarks 7 DAT", "weeds 7 DAT"]
    assert [v.name for v in found.reading.trial.variables] == ["aphids"]


def test_a_described_variable_without_any_value(folder, base, check):
    toml = base["trial.toml"] + '[variables.mines]\nkind = "count"\nrole = "damage"\n'
    text = base["counts.csv"].replace("\n", ",\n").replace("aphids,", "aphids,mines")
    found = check(folder({"trial.toml": toml, "counts.csv": text}))
    said = found.warning("not-counted", "counts.csv, row 1, column mines")
    assert "'mines' on days -1 and 7" in said


def test_a_column_twice(folder, check):
    text = (
        "plot,plot no,days_after,DAT,aphids\n101,1,7,7,5\n102,2,7,7,5\n201,3,7,7,5\n202,4,7,7,6\n"
    )
    found = check(folder({"counts.csv": text}))
    # The exact headings win over their synonyms, which are then unknown columns.
    assert "column-twice" not in found.kinds
    text = text.replace("days_after", "day").replace("DAT", "days").replace("7,7,", "7,8,")
    said = check(folder({"counts.csv": text})).error("column-twice")
    assert "'day' (column C) and 'days' (column D)" in said
