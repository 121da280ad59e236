"""Workbooks as field offices keep them, and workbooks that cannot be read."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, time

import openpyxl
import pytest

from trialkit.reading import read_trial, workbooks
from trialkit.trial import Design


def changed_entry(data: bytes, name: str, change) -> bytes:
    """Change one part of an archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for item in old.infolist():
            content = old.read(item.filename)
            new.writestr(item, change(content) if item.filename == name else content)
    return out.getvalue()


def test_the_same_as_the_folder(folder, book, sheets, check):
    plain = read_trial(folder())
    found = check(book(sheets))
    assert found.problems == ()
    assert found.reading.trial == plain


@pytest.mark.parametrize(
    "names",
    [
        ("Trial info", "Treatment list", "Field plan", "Assessments"),
        ("TRIAL", "TREATMENTS ", "plots", "count data"),
        ("Settings", "trt", "Layout", "Data"),
    ],
)
def test_sheet_names_and_order_do_not_matter(folder, book, sheets, names):
    plain = read_trial(folder())
    renamed = dict(zip(names, sheets.values(), strict=True))
    backwards = dict(reversed(renamed.items()))
    assert read_trial(book(backwards)) == plain


def test_a_macro_workbook_and_one_in_capitals(folder, book, sheets):
    plain = read_trial(folder())
    assert read_trial(book(sheets, name="trial.xlsm")) == plain
    assert read_trial(book(sheets, name="TRIAL.XLSX")) == plain


def test_numbers_as_text_and_ids_as_numbers(folder, book, sheets):
    plain = read_trial(folder())
    sheets["Plots"] = [
        [float(c) if isinstance(c, int) else c for c in row] for row in sheets["Plots"]
    ]
    sheets["Counts"] = [[str(cell) for cell in row] for row in sheets["Counts"]]
    sheets["Treatments"] = [[str(cell) for cell in row] for row in sheets["Treatments"]]
    assert read_trial(book(sheets)) == plain


def test_real_dates(folder, book, sheets, check):
    plain = read_trial(folder())
    dates = {-1: date(2025, 6, 11), 7: datetime(2025, 6, 19)}
    sheets["Counts"] = [["plot", "Date of count", "aphids"]] + [
        [plot, dates[day], value] for plot, day, value in sheets["Counts"][1:]
    ]
    sheets["Trial"][2] = ["applied", date(2025, 6, 12)]
    found = check(book(sheets))
    assert found.problems == ()
    assert found.reading.trial == plain


def test_real_dates_as_headings(folder, book, sheets):
    plain = read_trial(folder())
    rows = sheets["Counts"][1:]
    sheets["Counts"] = [["plot", date(2025, 6, 11), date(2025, 6, 19)]] + [
        [before[0], before[2], after[2]] for before, after in zip(rows[:4], rows[4:], strict=True)
    ]
    assert read_trial(book(sheets)) == plain


def test_a_merged_variable_above_its_days(folder, book, sheets, check):
    rows = sheets["Counts"][1:]
    sheets["Counts"] = [
        ["Peas at Barrow", None, None, None, None],
        [None, "Aphids", None, "Ladybirds", None],
        ["plot", "-1 DAT", "7 DAT", "-1 DAT", "7 DAT"],
    ] + [
        [before[0], before[2], after[2], 1, 2]
        for before, after in zip(rows[:4], rows[4:], strict=True)
    ]

    def merge(made):
        made["Counts"].merge_cells("A1:E1")
        made["Counts"].merge_cells("B2:C2")
        made["Counts"].merge_cells("D2:E2")

    found = check(book(sheets, merge))
    counts = found.reading.trial.counts
    assert counts.groupby("variable", sort=False)["value"].sum().to_dict() == {
        "aphids": 91.0,
        "Ladybirds": 12.0,
    }


def test_merged_blocks_and_days(folder, book, sheets, check):
    plain = read_trial(folder())
    for row in (2, 4):
        sheets["Plots"][row][1] = None
    for row in (2, 3, 4, 6, 7, 8):
        sheets["Counts"][row][1] = None

    def merge(made):
        made["Plots"].merge_cells("B2:B3")
        made["Plots"].merge_cells("B4:B5")
        made["Counts"].merge_cells("B2:B5")
        made["Counts"].merge_cells("B6:B9")

    found = check(book(sheets, merge))
    assert found.problems == ()
    assert found.reading.trial == plain
    without = check(book(sheets))
    assert without.reading.trial == plain
    assert without.kinds == ["filled-down", "filled-down"]
    sheets["Plots"][3][1] = None
    uneven = check(book(sheets))
    assert "These plots have no block: 102, 201 and 202." in str(uneven.one("no-block"))


def test_merged_values_are_not_repeated(book, sheets, check):
    sheets["Counts"][2][2] = None
    found = check(book(sheets, lambda made: made["Counts"].merge_cells("C2:C3")))
    assert "Plot 102 has no value of 'aphids' on day -1." in found.warning("missing-plots")


def test_titles_notes_and_empty_columns(folder, book, sheets, check):
    plain = read_trial(folder())
    sheets["Counts"] = [
        ["Aphids in peas"],
        [],
        *([None, *row] for row in sheets["Counts"]),
        [],
        [None, "plot 102 wet"],
        ["counted by J. Kettle"],
    ]
    found = check(book(sheets))
    assert found.reading.trial == plain
    assert [str(p.place) for p in found.of("note")] == [
        "trial.xlsx, sheet Counts, row 13",
        "trial.xlsx, sheet Counts, row 14",
    ]


def test_percent_format(book, sheets, check):
    sheets["Counts"][0].append("damage %")
    for row in sheets["Counts"][1:]:
        row.append(0.45)

    def show(made):
        for row in range(2, 10):
            made["Counts"].cell(row, 4).number_format = "0%"

    found = check(book(sheets, show))
    counts = found.reading.trial.counts
    assert set(counts.loc[counts["variable"] == "damage %", "value"]) == {45.0}
    assert "0.45 was read as 45 percent" in str(found.one("percent-format"))


def test_ids_shown_with_zeros(book, sheets):
    def show(made):
        for name, column, rows in (("Treatments", 1, 3), ("Plots", 3, 5)):
            for row in range(2, rows + 1):
                made[name].cell(row, column).number_format = "000"

    sheets["Trial"][3] = ["untreated", "001"]
    trial = read_trial(book(sheets, show))
    assert [item.id for item in trial.treatments] == ["001", "002"]


def test_hidden_and_empty_sheets(folder, book, sheets, check):
    plain = read_trial(folder())
    sheets["Sheet4"] = []
    sheets["Soil"] = [["depth", "clay"], ["x", 1]]
    found = check(book(sheets))
    assert found.reading.trial == plain
    assert found.kinds == ["unknown-sheet"]
    assert "Soil" in found.warning("unknown-sheet", "trial.xlsx, sheet Soil")


def test_a_sheet_known_by_its_headings(folder, book, sheets, check):
    plain = read_trial(folder())
    sheets["Sheet1"] = sheets.pop("Counts")
    found = check(book(sheets))
    assert found.reading.trial == plain
    assert (
        "Sheet1",
        "sheet Sheet1",
        "table of counts, by its headings",
    ) in found.reading.understood


def test_a_flat_sheet_beside_the_keys(folder, book, sheets):
    plain = read_trial(folder())
    plan = {row[0]: row[1:] for row in sheets.pop("Plots")[1:]}
    rows = sheets.pop("Counts")[1:]
    sheets["Plot data"] = [["plot", "block", "treatment", "DAT", "aphids"]] + [
        [plot, *plan[plot], day, value] for plot, day, value in rows
    ]
    assert read_trial(book(sheets)) == plain


def test_keys_on_the_sheet_trial(book, sheets, check):
    sheets["Trial"] = [
        ["Trial of peas", None],
        [],
        ["Key", "Value", "Remark"],
        ["Title", "Aphids in peas"],
        ["Design", "RCB", "four blocks planned"],
        ["Applied", "12/06/2025"],
        ["untreated", 1.0],
        ["Plot area m2", "18,5"],
        ["site", None],
        ["Analysis.Alpha", "0,1"],
        ["analysis.comparison", "LSD"],
        ["Variables.aphids.Kind", "Count"],
        ["variables.aphids.role", "pest"],
        ["Cultivar", "Early Ann"],
        ["sponser", "none"],
    ]
    found = check(book(sheets))
    assert [p.place.column for p in found.of("date-unclear")] == ["Applied"]
    sheets["Trial"][5] = ["Applied", "2025-06-12"]
    found = check(book(sheets))
    trial = found.reading.trial
    assert trial.design is Design.RCBD
    assert trial.plot_area_m2 == 18.5
    assert trial.settings.alpha == 0.1
    assert trial.settings.comparison.value == "lsd"
    assert dict(trial.extra) == {"Cultivar": "Early Ann", "sponser": "none"}
    found.warning("unknown-key", "trial.xlsx, sheet Trial, row 15, column sponser")
    assert ("Trial", "four blocks planned", "a remark beside Design") in found.reading.understood


# --- faults of cells ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "kind", "words"),
    [
        ("=1+1", "formula-without-value", "let it calculate, and save it"),
        ("#N/A", "error-cell", "shows the error #N/A"),
        ("#DIV/0!", "error-cell", "shows the error #DIV/0!"),
        (True, "text-in-number", "'TRUE' is no number."),
        (date(2025, 3, 7), "date-in-number", "the number format 'General'"),
        (time(12, 30), "date-in-number", "12:30"),
        ("about 5", "text-in-number", "says where a value lies and not what it is"),
    ],
)
def test_faulty_value_cells(book, sheets, check, value, kind, words):
    sheets["Counts"][6][2] = value
    found = check(book(sheets))
    assert words in found.error(kind, "trial.xlsx, sheet Counts, row 7, column aphids")
    assert "missing-plots" not in [p.kind for p in found.problems if p.severity == "error"]


def test_a_formula_with_a_stored_value(book, sheets, folder, tmp_path):
    plain = read_trial(folder())
    path = book(sheets)
    data = changed_entry(
        path.read_bytes(),
        "xl/worksheets/sheet4.xml",
        lambda xml: xml.replace(b"<v>24</v>", b"<f>20+4</f><v>24</v>"),
    )
    path.write_bytes(data)
    assert b"20+4" in zipfile.ZipFile(path).read("xl/worksheets/sheet4.xml")
    assert read_trial(path) == plain


def test_a_formula_beside_the_tables_does_no_harm(book, sheets, folder, check):
    plain = read_trial(folder())
    sheets["Other"] = [["=1+1"]]
    found = check(book(sheets))
    assert found.reading.trial == plain


@pytest.mark.parametrize("value", ["=A1", "#REF!"])
def test_faulty_ids(book, sheets, check, value):
    sheets["Plots"][2][0] = value
    found = check(book(sheets))
    kind = "formula-without-value" if value == "=A1" else "error-cell"
    assert str(found.one(kind).place) == "trial.xlsx, sheet Plots, row 3, column plot"


def test_an_id_that_became_a_date(book, sheets, check):
    sheets["Treatments"][2][0] = date(2025, 2, 1)
    for row in (2, 3):
        sheets["Plots"][row][2] = date(2025, 2, 1)
    found = check(book(sheets))
    assert [item.id for item in found.reading.trial.treatments] == ["1", "2025-02-01"]
    found.warning("date-as-id", "trial.xlsx, sheet Treatments, row 3, column treatment")


def test_text_that_could_do_harm_stays_text(book, sheets, check):
    evil = ["<script>alert(1)</script>", "=1+1", "../../x", "🐛", "+cmd|' /C calc'!A0"]
    sheets["Treatments"] = [["treatment", "name", "role"], [1, "Untreated", "untreated"]] + [
        [f"T{n}", text, "test"] for n, text in enumerate(evil)
    ]
    sheets["Plots"] = [["plot", "block", "treatment"]] + [
        [f"{b}{t}", b, t] for b in (1, 2) for t in (1, "T0", "T1", "T2", "T3", "T4")
    ]
    sheets["Counts"] = [["plot", "days_after", "aphids"]] + [
        [row[0], 7, 3] for row in sheets["Plots"][1:]
    ]

    def as_text(made):
        made["Treatments"]["B4"].data_type = "s"

    trial = check(book(sheets, as_text)).reading.trial
    assert [item.name for item in trial.treatments[1:]] == evil


# --- files that are no workbooks ----------------------------------------------------------


def saved(sheets) -> bytes:
    made = openpyxl.Workbook()
    for title, rows in sheets.items():
        page = made.create_sheet(title)
        for row in rows:
            page.append(row)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("make", "kind", "words"),
    [
        (lambda data: b"", "not-a-workbook", "The file is empty."),
        (lambda data: data[: len(data) // 2], "workbook-truncated", "damaged or cut off"),
        (
            lambda data: b"plot,treatment\n",
            "not-a-workbook",
            "This is a text file, whatever its name ends in.",
        ),
        (lambda data: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500), "old-workbook", ".xls"),
        (
            lambda data: (
                b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
                + bytes(500)
                + "EncryptedPackage".encode("utf-16-le")
            ),
            "workbook-encrypted",
            "take the password off",
        ),
        (
            lambda data: changed_entry(data, "xl/workbook.xml", lambda xml: b"<broken"),
            "not-a-workbook",
            "save it as an Excel workbook (.xlsx)",
        ),
        (
            lambda data: changed_entry(data, "xl/worksheets/sheet2.xml", lambda xml: xml[:200]),
            "not-a-workbook",
            "could not be read",
        ),
        (
            lambda data: changed_entry(
                data,
                "xl/worksheets/sheet2.xml",
                lambda xml: b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;">]>' + xml,
            ),
            "not-a-workbook",
            "could not be read",
        ),
    ],
)
def test_files_that_are_no_workbook(file, sheets, check, make, kind, words):
    found = check(file("trial.xlsx", make(saved(sheets))))
    assert words in found.error(kind, "trial.xlsx")
    assert len(found.problems) == 1


def archive(entries) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in entries:
            made.writestr(name, content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("entries", "kind", "words"),
    [
        ([("hello.txt", "x")], "not-a-workbook", "an archive, but no Excel workbook"),
        ([("mimetype", "x"), ("content.xml", "x")], "old-workbook", "OpenDocument"),
        ([("[Content_Types].xml", "x"), ("xl/x", "x")], "not-a-workbook", "could not be read"),
        (
            [("xl/big.xml", bytes(2_100_000))],
            "workbook-too-large",
            "unpacks to 2 MB; more than 1 MB",
        ),
        ([(f"xl/{n}", "") for n in range(2001)], "workbook-too-large", "holds 2,001 parts"),
    ],
)
def test_archives_that_are_no_workbook(file, check, monkeypatch, entries, kind, words):
    monkeypatch.setattr(workbooks, "MAX_UNPACKED", 1_000_000)
    found = check(file("trial.xlsx", archive(entries)))
    assert words in found.error(kind, "trial.xlsx")


def test_a_stray_cell_far_out(folder, book, sheets, check):
    plain = read_trial(folder())

    def stray(made):
        made["Counts"]["XFD1048576"] = "x"

    found = check(book(sheets, stray))
    assert found.reading.trial == plain
    assert "1,048,576 rows and 16,384 columns" in found.warning(
        "sheet-too-long", "trial.xlsx, sheet Counts"
    )


def test_no_sheet_that_is_known(book, check):
    found = check(book({"Tabelle1": [["a", "b"], [1, 2]]}))
    assert "Name the sheets Trial, Treatments, Plots, Counts and Yield." in found.error(
        "no-tables", "trial.xlsx"
    )


def test_a_second_sheet_of_plots(book, sheets, check):
    sheets["Layout"] = [list(row) for row in sheets["Plots"]]
    found = check(book(sheets))
    assert "A second sheet for plots is not read; 'Plots' was taken." in found.warning(
        "unknown-sheet", "trial.xlsx, sheet Layout"
    )
