"""One table with plan and values together."""

from __future__ import annotations

import pytest

from trialkit.reading import read_trial
from trialkit.trial import Design, TreatmentRole, VariableRole

FLAT = """Plot,Rep,Trt,Treatment,DAT,Aphids
101,1,1,Untreated,-1,10
102,1,2,Ostrel,-1,12
201,2,2,Ostrel,-1,9
202,2,1,Untreated,-1,11
101,1,1,Untreated,7,20
102,1,2,Ostrel,7,2
201,2,2,Ostrel,7,3
202,2,1,Untreated,7,24
"""
BY_DAY = """plot,block,treatment,aphids -1 DAT,aphids 7 DAT,yield kg
101,1,UTC,10,20,5.5
102,1,Ostrel,12,2,6.5
201,2,Ostrel,9,3,6.0
202,2,UTC,11,24,5.0
"""


def test_a_column_a_variable(file, check):
    found = check(file("peas.csv", FLAT))
    trial = found.reading.trial
    assert trial.title == "peas"
    assert trial.design is Design.RCBD
    assert [(item.id, item.name, item.role) for item in trial.treatments] == [
        ("1", "Untreated", TreatmentRole.UNTREATED),
        ("2", "Ostrel", TreatmentRole.TEST),
    ]
    assert trial.untreated == "1"
    assert [(item.id, item.block, item.treatment) for item in trial.plots] == [
        ("101", "1", "1"),
        ("102", "1", "2"),
        ("201", "2", "2"),
        ("202", "2", "1"),
    ]
    assert trial.counts["value"].tolist() == [10, 20, 12, 2, 9, 3, 11, 24]
    assert found.kinds == ["untreated-assumed", "variable-assumed", "design-assumed"]
    assert "taken as rcbd: there is a column of blocks" in found.warning("design-assumed")
    assert "by its name" in found.warning("untreated-assumed", "peas.csv, row 2, column Plot")


def test_a_column_a_day_with_a_yield(file, check):
    trial = check(file("peas.csv", BY_DAY)).reading.trial
    assert [item.id for item in trial.treatments] == ["UTC", "Ostrel"]
    assert trial.counts["day"].tolist() == [-1, 7] * 4
    assert trial.yields["value"].tolist() == [5.5, 6.5, 6.0, 5.0]
    assert trial.variable("yield kg").role is VariableRole.YIELD
    assert trial.untreated == "UTC"


def test_long(file):
    lines = ["plot,block,treatment,days_after,variable,value"]
    for line in BY_DAY.splitlines()[1:]:
        plot, block, treatment, before, after, _ = line.split(",")
        lines += [f"{plot},{block},{treatment},-1,aphids,{before}"]
        lines += [f"{plot},{block},{treatment},7,aphids,{after}"]
    long = read_trial(file("peas.csv", "\n".join(lines)))
    wide = read_trial(
        file(
            "peas.csv",
            BY_DAY.replace(",yield kg", "")
            .replace(",5.5", "")
            .replace(",6.5", "")
            .replace(",6.0", "")
            .replace(",5.0", ""),
        )
    )
    assert long == wide


def test_the_same_as_workbook_and_text(file, book):
    plain = read_trial(file("peas.csv", BY_DAY))
    rows = [[_typed(cell) for cell in line.split(",")] for line in BY_DAY.splitlines()]
    assert read_trial(book({"Sheet1": rows}, name="peas.xlsx")) == plain
    assert read_trial(file("peas.tsv", BY_DAY.replace(",", "\t"))) == plain


def _typed(text: str) -> object:
    try:
        return float(text)
    except ValueError:
        return text


def test_the_same_as_the_folder(folder, file, base):
    plain = read_trial(folder())
    flat = read_trial(file("trial_flat.csv", FLAT))
    assert flat.plots == plain.plots
    assert flat.treatments == plain.treatments
    assert flat.counts.replace("Aphids", "aphids").equals(plain.counts)
    # With the settings beside it the flat table is the same trial.
    toml = base["trial.toml"]
    file("trial_flat.toml", toml)
    assert read_trial(file("trial_flat.csv", FLAT)) == plain


def test_a_folder_with_one_table(folder, base, check):
    plain = read_trial(folder())
    target = folder({"counts.csv": FLAT})
    (target / "plots.csv").unlink()
    (target / "treatments.csv").unlink()
    found = check(target)
    assert found.reading.trial == plain
    assert any("flat table" in meaning for _, _, meaning in found.reading.understood)


def test_a_latin_square_is_seen(file, check):
    rows = "".join(
        f"{r}{c},{r},{c},{'ABC'[(r + c) % 3]},7,{r * c}\n" for r in (1, 2, 3) for c in (1, 2, 3)
    )
    text = "plot,row,column,treatment,days_after,mites\n" + rows.replace(",A,", ",Untreated,")
    found = check(file("square.csv", text))
    assert found.reading.trial.design is Design.LATIN
    assert "each treatment stands once in each row and each column" in found.warning(
        "design-assumed"
    )


def test_without_blocks_it_is_completely_randomised(file, check):
    text = "plot,treatment,DAT,mites\n" + "".join(
        f"{n},{t},7,{n}\n" for n, t in enumerate(["check", "B", "B", "check", "B"], 1)
    )
    found = check(file("crd.csv", text))
    assert found.reading.trial.design is Design.CRD
    assert found.reading.trial.untreated == "check"


def test_a_single_block_is_no_block(file, check):
    found = check(file("peas.csv", BY_DAY.replace(",2,", ",1,")))
    assert found.reading.trial.design is Design.CRD


def test_plots_told_by_block_and_treatment(file, check):
    text = "block,treatment,DAT,mites\n" + "".join(
        f"{b},{t},{d},3\n" for d in (1, 7) for b in (1, 2) for t in ("untreated", "B")
    )
    found = check(file("mites.csv", text))
    assert [item.id for item in found.reading.trial.plots] == [
        "1-untreated",
        "1-B",
        "2-untreated",
        "2-B",
    ]
    assert "block and treatment together were taken for it" in found.warning("plots-made")


def test_plots_that_cannot_be_told(file, check):
    text = "treatment,DAT,mites\n" + "".join(
        f"{t},{d},3\n" for d in (1, 7) for t in ("untreated", "B", "B")
    )
    found = check(file("mites.csv", text))
    assert "the rows can't be told apart" in found.error("no-column", "mites.csv, row 1")


def test_a_plot_with_two_treatments(file, check):
    found = check(file("peas.csv", FLAT.replace("102,1,2,Ostrel,7", "102,1,1,Untreated,7")))
    said = found.error("plan-conflict", "peas.csv, row 7, column Trt")
    assert "The plot '102' has treatment '1' here and '2' in row 3." in said


def test_no_untreated(file, check):
    found = check(file("peas.csv", BY_DAY.replace("UTC", "Velsin")))
    said = found.warning("no-untreated", "peas.csv, row 1")
    assert 'untreated = "..."' in said
    assert 'untreated = "none"' in said
    assert found.reading.trial.untreated is None


def test_two_that_may_be_the_untreated(file, check):
    text = BY_DAY.replace("101,1,UTC", "101,1,Untreated")
    found = check(file("peas.csv", text))
    assert "More than one treatment may be the untreated" in str(found.one("several-untreated"))
    found.error("no-untreated")


def test_a_role_column(file, check):
    text = "plot,block,treatment,role,DAT,mites\n" + "".join(
        f"{b}{i},{b},{t},{r},7,3\n"
        for b in (1, 2)
        for i, (t, r) in enumerate((("K", "check"), ("W", "carrier"), ("S", "standard")))
    )
    trial = check(file("mites.csv", text)).reading.trial
    assert [item.role.value for item in trial.treatments] == ["untreated", "carrier", "reference"]


def test_treatments_in_order_of_their_numbers(file):
    text = "plot,block,treatment,DAT,mites\n" + "".join(
        f"{b}{i:02},{b},{t},7,3\n" for b in (1, 2) for i, t in enumerate(("T10", "T2", "T1", "T9"))
    )
    trial = read_trial(file("mites.csv", text.replace("mites", "yield")))
    assert [item.id for item in trial.treatments] == ["T1", "T2", "T9", "T10"]


def test_counts_of_a_folder_given_alone(folder, check):
    found = check(folder() / "counts.csv")
    said = found.error("no-column", "counts.csv, row 1")
    assert "give the folder" in said


@pytest.mark.parametrize("title", ["Aphids in peas 2025,,,,,\n\n"])
def test_titles_above(file, title):
    trial = read_trial(file("peas.csv", title + BY_DAY + "\nMean,,,10.5,12.3,5.75\nall dry\n"))
    assert len(trial.plots) == 4
    assert len(trial.counts) == 8


def test_harvest_in_a_flat_table(file):
    text = (
        "plot,block,treatment,harvested_kg,harvested_area_m2,moisture %\n"
        "1,1,UTC,5,10,14\n2,1,B,6,10,15\n3,2,B,6.5,10,15\n4,2,UTC,5.5,10,\n"
    )
    trial = read_trial(file("wheat.csv", text))
    assert trial.harvest["harvested_kg"].tolist() == [5, 6, 6.5, 5.5]
    assert trial.harvest["moisture_percent"].isna().tolist() == [False, False, False, True]


def test_a_yield_repeated_on_every_row(file, check):
    lines = [
        line + "," + {"1": "5", "2": "6"}[line.split(",")[2]] for line in FLAT.splitlines()[1:]
    ]
    text = "Plot,Rep,Trt,Treatment,DAT,Aphids,Yield t/ha\n" + "\n".join(lines)
    found = check(file("peas.csv", text))
    assert found.reading.trial.yields["value"].tolist() == [5, 6, 6, 5]
    assert "same-value-twice" not in found.kinds
    found = check(file("peas.csv", text.replace("7,20,5", "7,20,7")))
    said = found.error("different-values-twice", "peas.csv, row 6, column Yield t/ha")
    assert "5 in row 2 and 7 here" in said
    assert "on day 0" not in said
