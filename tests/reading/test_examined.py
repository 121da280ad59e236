"""Shares k of n: every shape of table, and everything that can be wrong with them."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from trialkit.reading import read_trial, save_trial
from trialkit.trial import Kind, VariableRole

HEAD = """\
title = "Fruit moth in plums"
design = "rcbd"
applied = 2025-06-12
untreated = "1"
[variables.damage]
label = "Damaged fruits"
role = "damage"
"""
TOML = HEAD + 'examined = "fruits examined"\n'
WIDE = """\
plot,days_after,damage,Fruits Examined
101,30,12,50
102,30,0,40
201,30,3,60
202,30,15,50
"""
PERCENTS = [24.0, 0.0, 5.0, 30.0]
NUMBERS = [50.0, 40.0, 60.0, 50.0]


def _is_sound(trial, days=(30.0,)):
    counts = trial.counts
    assert list(counts.columns) == ["plot", "variable", "day", "sample", "value", "examined"]
    assert set(counts["variable"]) == {"damage"}
    assert sorted(set(counts["day"])) == list(days)
    for day in days:
        own = counts[counts["day"] == day]
        assert own["plot"].tolist() == ["101", "102", "201", "202"]
        assert own["value"].tolist() == PERCENTS
        assert own["examined"].tolist() == NUMBERS
    variable = trial.variable("damage")
    assert (variable.kind, variable.examined) == (Kind.PERCENT, "fruits examined")
    assert len(trial.variables) == 1


def test_a_column_a_variable(folder, check):
    found = check(folder({"trial.toml": TOML, "counts.csv": WIDE}))
    assert found.problems == ()
    _is_sound(found.reading.trial)
    meaning = ("counts.csv", "Fruits Examined", "number examined of damage")
    assert meaning in found.reading.understood


def test_a_column_a_day(folder, check):
    text = (
        "plot,damage 30 DAT,fruits examined 30 DAT,damage 60 DAT,fruits examined 60 DAT\n"
        "101,12,50,12,50\n102,0,40,0,40\n201,3,60,3,60\n202,15,50,15,50\n"
    )
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    assert found.problems == ()
    _is_sound(found.reading.trial, (30.0, 60.0))


def test_a_number_without_a_day_holds_on_every_day(folder, check):
    text = (
        "plot,fruits examined,damage 30 DAT,damage 60 DAT\n"
        "101,50,12,12\n102,40,0,0\n201,60,3,3\n202,50,15,15\n"
    )
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    assert found.problems == ()
    _is_sound(found.reading.trial, (30.0, 60.0))


def _long(rows):
    return "".join(f"{','.join(map(str, row))}\n" for row in rows)


def test_long_with_the_number_as_a_variable(folder, check):
    rows = [("plot", "days_after", "variable", "value")]
    for line in WIDE.splitlines()[1:]:
        plot, day, k, n = line.split(",")
        rows += [(plot, day, "damage", k), (plot, day, "Fruits examined", n)]
    found = check(folder({"trial.toml": TOML, "counts.csv": _long(rows)}))
    assert found.problems == ()
    _is_sound(found.reading.trial)


def test_long_with_the_number_beside_the_value(folder, tmp_path):
    """Two variables of one plot and day may then be of different numbers."""
    toml = TOML + '[variables.rot]\nkind = "percent"\nrole = "damage"\nexamined = "of"\n'
    toml = toml.replace('"fruits examined"', '"of"')
    rows = [("plot", "days_after", "variable", "value", "of")]
    for line in WIDE.splitlines()[1:]:
        plot, day, k, n = line.split(",")
        rows += [(plot, day, "damage", k, n), (plot, day, "rot", 1, 20)]
    trial = read_trial(folder({"trial.toml": toml, "counts.csv": _long(rows)}))
    assert trial.counts["value"].tolist() == [24, 5, 0, 5, 5, 5, 30, 5]
    assert trial.counts["examined"].tolist() == [50, 20, 40, 20, 60, 20, 50, 20]
    save_trial(trial, tmp_path / "again")
    head = (tmp_path / "again" / "counts.csv").read_text().splitlines()[0]
    assert head == "plot,days_after,variable,value,of"
    assert read_trial(tmp_path / "again") == trial


def test_one_number_for_all_plots(folder, tmp_path):
    text = "plot,days_after,damage\n101,30,12\n102,30,0\n201,30,3\n202,30,\n"
    trial = read_trial(folder({"trial.toml": HEAD + "examined = 50\n", "counts.csv": text}))
    assert trial.counts["value"].tolist()[:3] == [24, 0, 6]
    assert trial.counts["examined"].tolist()[:3] == [50, 50, 50]
    assert trial.counts.iloc[3][["value", "examined"]].isna().all()
    for name in ("again", "again.xlsx"):
        save_trial(trial, tmp_path / name)
        assert read_trial(tmp_path / name) == trial
    assert "fruits" not in (tmp_path / "again" / "counts.csv").read_text()


@pytest.mark.parametrize("word", ["examined", "tested", "sown", "inspected", "out of"])
def test_plain_words_for_the_key(folder, word):
    text = WIDE.replace("Fruits Examined", "n")
    toml = HEAD + f'"{word}" = "n"\n'
    trial = read_trial(folder({"trial.toml": toml, "counts.csv": text}))
    assert trial.counts["examined"].tolist() == NUMBERS


def test_a_workbook(book, sheets, check):
    keys = [row for row in sheets["Trial"] if not str(row[0]).startswith("variables")]
    keys += [["variables.damage.role", "damage"], ["variables.damage.examined", "fruits examined"]]
    rows = [line.split(",") for line in WIDE.splitlines()]
    counts = [rows[0], *([int(cell) for cell in row] for row in rows[1:])]
    found = check(book({**sheets, "Trial": keys, "Counts": counts}))
    assert found.problems == ()
    _is_sound(found.reading.trial)
    keys[-1][1] = 100
    trial = read_trial(book({**sheets, "Trial": keys, "Counts": [row[:3] for row in counts]}))
    assert trial.counts["value"].tolist() == [12, 0, 3, 15]
    assert trial.variable("damage").examined == 100


def test_a_merged_heading_over_two_days(book, sheets, check):
    """Variable above, day below: also for the numbers examined."""
    keys = [row for row in sheets["Trial"] if not str(row[0]).startswith("variables")]
    keys += [["variables.damage.role", "damage"], ["variables.damage.examined", "fruits examined"]]
    counts = [
        ["plot", "damage", None, "fruits examined", None],
        [None, "30 DAT", "60 DAT", "30 DAT", "60 DAT"],
        [101, 12, 12, 50, 50],
        [102, 0, 0, 40, 40],
        [201, 3, 3, 60, 60],
        [202, 15, 15, 50, 50],
    ]

    def finish(made):
        made["Counts"].merge_cells("B1:C1")
        made["Counts"].merge_cells("D1:E1")

    trial = read_trial(book({**sheets, "Trial": keys, "Counts": counts}, finish))
    _is_sound(trial, (30.0, 60.0))


def test_a_flat_table_beside_settings(folder):
    text = "plot,block,treatment," + ",".join(WIDE.splitlines()[0].split(",")[1:]) + "\n"
    plan = {"101": "1,1", "102": "1,2", "201": "2,2", "202": "2,1"}
    for line in WIDE.splitlines()[1:]:
        plot, rest = line.split(",", 1)
        text += f"{plot},{plan[plot]},{rest}\n"
    spoilt = {"plots.csv": None, "treatments.csv": None, "counts.csv": None}
    _is_sound(read_trial(folder({**spoilt, "trial.toml": TOML, "flat.csv": text})))


FLAT = """\
Plot,Rep,Treatment,Damaged fruits 30 DAT,Rotten fruits 30 DAT,Fruits examined 30 DAT
101,1,Untreated,12,1,50
102,1,Ostrel,2,0,50
201,2,Ostrel,3,0,40
202,2,Untreated,11,2,60
"""


def test_a_flat_table_alone_is_understood_from_its_headings(file, check):
    found = check(file("plums.csv", FLAT))
    text = found.warning("examined-assumed", "plums.csv, row 1")
    assert "number examined of 'Damaged fruits' and 'Rotten fruits'" in text
    trial = found.reading.trial
    assert [(v.name, v.kind, v.role) for v in trial.variables] == [
        ("Damaged fruits", Kind.PERCENT, VariableRole.DAMAGE),
        ("Rotten fruits", Kind.PERCENT, VariableRole.PEST),
    ]
    assert trial.counts["value"].tolist()[:4] == [24, 2, 4, 0]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("Damaged fruits", "Larvae on fruits"),  # a count per fruit is no share
        ("Damaged fruits", "Damaged fruits, %"),
        ("Damaged fruits", "Damage"),
        ("101,1,Untreated,12", "101,1,Untreated,51"),  # more than were examined
        ("101,1,Untreated,12", "101,1,Untreated,1.5"),
    ],
)
def test_what_is_not_taken_for_a_share(file, check, old, new):
    text = FLAT.replace(old, new).replace("Rotten fruits", "Thrips")
    found = check(file("plums.csv", text))
    assert not found.of("examined-assumed")
    hints = [str(p) for p in found.of("variable-assumed") if "'Fruits examined'" in str(p)]
    assert 'examined = "Fruits examined"' in hints[0]


def test_samples_keep_their_own_numbers(folder, tmp_path):
    text = (
        "plot,days_after,sample,damage,fruits examined\n"
        "101,30,a,1,10\n101,30,b,9,30\n102,30,a,0,20\n102,30,b,2,20\n"
        "201,30,a,1,20\n201,30,b,1,20\n202,30,a,5,20\n202,30,b,5,20\n"
    )
    trial = read_trial(folder({"trial.toml": TOML, "counts.csv": text}))
    assert trial.counts["value"].tolist() == [10, 30, 0, 10, 5, 5, 25, 25]
    assert trial.counts["examined"].tolist() == [10, 30, 20, 20, 20, 20, 20, 20]
    save_trial(trial, tmp_path / "again")
    assert read_trial(tmp_path / "again") == trial


def test_unequal_samples_say_that_they_are_summed(folder, check):
    text = (
        "plot,days_after,sample,damage,fruits examined\n"
        "101,30,a,1,10\n101,30,b,9,30\n102,30,a,0,20\n201,30,a,1,20\n202,30,a,5,20\n"
    )
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    assert "the share of all units of its samples together" in found.warning("unequal-samples")


def test_a_number_that_is_a_variable_too(folder, tmp_path):
    """Parasitised larvae of the larvae found, which are the pest itself."""
    toml = HEAD + 'examined = "Larvae found"\n'
    toml += '[variables.larvae]\nlabel = "Larvae found"\nkind = "count"\nrole = "pest"\n'
    text = WIDE.replace("Fruits Examined", "larvae")
    trial = read_trial(folder({"trial.toml": toml, "counts.csv": text}))
    assert trial.variable("damage").examined == "larvae"
    of = trial.counts[trial.counts["variable"] == "larvae"]
    assert of["value"].tolist() == NUMBERS
    assert of["examined"].isna().all()
    assert trial.counts["examined"].dropna().tolist() == NUMBERS
    for name in ("again", "again.xlsx"):
        save_trial(trial, tmp_path / name)
        assert read_trial(tmp_path / name) == trial


def test_a_variable_of_zero_plots_is_missing_and_said(folder, check):
    text = WIDE.replace("102,30,0,40", "102,30,0,0").replace("201,30,3,60", "201,30,0,0")
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    said = found.warning("none-examined", "counts.csv, row 3, column damage")
    assert (
        "In plots 102 and 201 nothing was examined for 'damage' on day 30; they were taken as "
        "missing." in said
    )
    counts = found.reading.trial.counts
    assert counts["value"].isna().tolist() == [False, True, True, False]
    assert counts["examined"].isna().tolist() == [False, True, True, False]
    assert "missing-plots" not in found.kinds


def test_plots_without_a_value_are_told_apart_from_those_of_none(folder, check):
    text = WIDE.replace("102,30,0,40", "102,30,0,0").replace("201,30,3,60", "201,30,,60")
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    assert "In plot 102 nothing was examined" in found.warning("none-examined")
    assert "it was taken as missing" in found.warning("none-examined")
    assert "Plot 201 has no value" in found.warning("missing-plots")


@pytest.mark.parametrize(
    ("old", "new", "kind", "place", "words"),
    [
        ("12,50", "51,50", "more-than-examined", "row 2, column damage", "51 of 50"),
        ("12,50", "3,0", "more-than-examined", "row 2, column damage", "3 of 0"),
        ("12,50", "12,", "examined-missing", "row 2, column damage", "Plot '101' has 12"),
        ("12,50", "12.5,50", "share-not-whole", "row 2, column damage", "'12.5'"),
        ("12,50", "-1,50", "share-not-whole", "row 2, column damage", "'-1'"),
        ("12,50", "12,50.5", "examined-not-whole", "row 2, column Fruits Examined", "'50.5'"),
        ("12,50", "12,-50", "examined-not-whole", "row 2, column Fruits Examined", "'-50'"),
        ("12,50", "12,many", "text-in-number", "row 2, column Fruits Examined", "'many'"),
        ("12,50", "few,50", "text-in-number", "row 2, column damage", "'few'"),
    ],
)
def test_one_wrong_cell(folder, check, old, new, kind, place, words):
    found = check(folder({"trial.toml": TOML, "counts.csv": WIDE.replace(old, new, 1)}))
    assert words in found.error(kind, f"counts.csv, {place}")
    assert [p.kind for p in found.problems if p.severity == "error"] == [kind]


def test_missing_numbers_are_told_once(folder, check):
    text = WIDE.replace(",50", ",").replace(",40", ",")
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    assert "so have 2 more values" in found.error("examined-missing")


def test_a_missing_value_needs_no_number(folder):
    trial = read_trial(
        folder(
            {"trial.toml": TOML, "counts.csv": WIDE.replace("12,50", ",").replace("0,40", ",40")}
        )
    )
    assert trial.counts["examined"].isna().tolist() == [True, True, False, False]


def test_an_unknown_column_names_the_nearest(folder, check):
    text = WIDE.replace("Fruits Examined", "fruits exmined")
    found = check(folder({"trial.toml": TOML, "counts.csv": text}))
    said = found.error("examined-unknown", "trial.toml, row 8, column variables.damage.examined")
    assert "'fruits examined', the number examined of 'damage'" in said
    assert "Did you mean 'fruits exmined'?" in said
    assert not found.of("examined-missing")


def test_numbers_that_differ_on_two_rows(folder, check):
    rows = [("plot", "days_after", "variable", "value")]
    for line in WIDE.splitlines()[1:]:
        plot, day, k, n = line.split(",")
        rows += [(plot, day, "damage", k), (plot, day, "fruits examined", n)]
    rows.append(("101", "30", "fruits examined", "51"))
    found = check(folder({"trial.toml": TOML, "counts.csv": _long(rows)}))
    assert found.of("different-values-twice")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("examined = 0", "'0' does not fit examined"),
        ("examined = 12.5", "'12.5' does not fit examined"),
        ("examined = true", "does not fit examined"),
        ('examined = "damage"', "names itself"),
        ('examined = "Damaged fruits"', "names itself"),
        ('examined = "n"\n[variables.n]\nkind = "measurement"', "'n' is no count"),
        ('examined = "n"\n[variables.n]\nkind = "count"\nrole = "yield"', "'n' is no count"),
        ('examined = "n"\n[variables.n]\nexamined = "m"', "'n' is no count"),
    ],
)
def test_settings_that_cannot_be(folder, check, line, words):
    text = WIDE.replace("Fruits Examined", "n,m").replace(",50", ",50,60").replace(",40", ",40,60")
    found = check(folder({"trial.toml": f"{HEAD}{line}\n", "counts.csv": text}))
    assert any(words in str(problem) for problem in found.of("settings-value")), found


def test_a_yield_is_no_share(folder, check):
    toml = TOML.replace('role = "damage"', 'role = "yield"')
    found = check(folder({"trial.toml": toml, "counts.csv": WIDE}))
    assert "is a yield" in found.error("settings-value")
    text = "plot,damage,fruits examined\n101,1,50\n102,1,50\n201,1,50\n202,1,50\n"
    found = check(folder({"trial.toml": TOML, "counts.csv": None, "yield.csv": text}))
    assert "among the counts" in found.error("share-in-yield", "yield.csv, row 1, column damage")


def test_a_count_is_taken_for_a_percent_and_said(folder, check):
    found = check(folder({"trial.toml": TOML + 'kind = "count"\n', "counts.csv": WIDE}))
    assert "taken as a percent, not as a count" in found.warning("share-kind")
    _is_sound(found.reading.trial)


def test_other_variables_stay_as_they_are(folder):
    """Beside a share they have no number examined; without any there is no such column."""
    toml = TOML + '[variables.aphids]\nkind = "count"\nrole = "pest"\n'
    text = WIDE.replace("damage,", "damage,aphids,").replace(",30,", ",30,7,")
    text = text.replace("damage,aphids", "aphids,damage")
    trial = read_trial(folder({"trial.toml": toml, "counts.csv": text}))
    aphids = trial.counts[trial.counts["variable"] == "aphids"]
    assert aphids["value"].tolist() == [7] * 4
    assert aphids["examined"].isna().all()
    assert "examined" not in read_trial(folder({"trial.toml": HEAD, "counts.csv": WIDE})).counts


def test_what_cannot_be_saved(folder, tmp_path):
    trial = read_trial(folder({"trial.toml": TOML, "counts.csv": WIDE}))
    for name, value in (("value", 23.0), ("examined", math.nan)):
        trial.counts.loc[0, name] = value
        with pytest.raises(ValueError, match="whole number"):
            save_trial(trial, tmp_path / "again")
        trial.counts.loc[0, ["value", "examined"]] = [24.0, 50.0]
    save_trial(trial, tmp_path / "again")
    again = read_trial(tmp_path / "again")
    pd.testing.assert_frame_equal(again.counts, trial.counts)
