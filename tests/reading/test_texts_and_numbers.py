"""Encodings, separators, decimal commas, titles and notes in text tables."""

from __future__ import annotations

import pytest

from trialkit.reading import read_trial


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(folder, base, check, encoding):
    text = base["treatments.csv"].replace("Ostrel", "Östrél – süß")
    found = check(folder({"treatments.csv": text.encode(encoding)}))
    assert found.reading.trial.treatments[1].name == "Östrél – süß"
    if encoding == "cp1252":
        said = found.warning("encoding", "treatments.csv, row 3")
        assert "read as Windows-1252" in said
    else:
        assert found.problems == ()


@pytest.mark.parametrize("data", [b"PK\x03\x04\0\0", "plot,treatment\n".encode("utf-16-le")])
def test_no_text(folder, check, data):
    said = check(folder({"plots.csv": data})).error("not-text", "plots.csv")
    assert "CSV UTF-8" in said


@pytest.mark.parametrize("sign", [";", "\t", ","])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_separators(folder, base, sign, end):
    plain = read_trial(folder())
    changed = {
        name: text.replace(",", sign).replace("\n", end)
        for name, text in base.items()
        if name.endswith(".csv")
    }
    assert read_trial(folder(changed)) == plain


def test_tsv_and_names_in_capitals(folder, base):
    plain = read_trial(folder())
    text = base["counts.csv"].replace(",", "\t")
    (folder() / "counts.csv").unlink()
    assert read_trial(folder({"counts.csv": None, "Counts.TSV": text})) == plain


def test_a_first_line_that_names_the_separator(folder, base, check):
    text = "sep=;\n" + base["counts.csv"].replace(",", ";").replace("202;7;24", "202;7;many")
    assert "'many'" in check(folder({"counts.csv": text})).error(
        "text-in-number", "counts.csv, row 10, column aphids"
    )


def test_decimal_commas_with_semicolons(folder, check):
    text = "plot;days_after;aphids\n101;7;12,5\n102;7;3\n201;7;0,125\n202;7;1,234\n"
    found = check(folder({"counts.csv": text}))
    assert found.reading.trial.counts["value"].tolist() == [12.5, 3.0, 0.125, 1.234]
    said = found.warning("decimal-comma", "counts.csv, row 2, column aphids")
    assert "'12,5' was read as 12.5" in said
    assert "3 values that are no whole numbers" in found.warning("broken-count")


def test_decimal_commas_in_quotes(folder, check):
    text = 'plot,days_after,aphids\n101,7,"12,5"\n102,7,3\n201,7,4\n202,7,"1,234"\n'
    found = check(folder({"counts.csv": text}))
    assert found.reading.trial.counts["value"].tolist() == [12.5, 3.0, 4.0, 1.234]
    found.warning("decimal-comma")


def test_a_comma_that_may_mark_thousands(folder, check):
    text = 'plot,days_after,aphids\n101,7,12\n102,7,3\n201,7,4\n202,7,"1,234"\n'
    said = check(folder({"counts.csv": text})).error(
        "text-in-number", "counts.csv, row 5, column aphids"
    )
    assert "Type 1234, or 1.234, whichever is meant." in said


@pytest.mark.parametrize(
    ("written", "offer"),
    [
        ("1.234,5", "thousands: 1234.5."),
        ("12 larvae", "Type the number alone: 12."),
        ("ca. 3,5", "says where a value lies and not what it is"),
        ("<1", "Type what was counted or judged"),
        (">100", "Type what was counted or judged"),
        ("#DIV/0!", "Mend the formula, type the value"),
        ("1.234", "Type 1234, or 1.234, whichever is meant."),
        ("1 234", "thousands: 1234."),
        ("12'345,5", "thousands: 12345.5."),
        ("nil", "Type 0 if nothing was found"),
        ("3 or 4", "Type a number; leave the cell empty"),
        ("1O", "Type a number; leave the cell empty"),
    ],
)
def test_text_in_a_number_cell_gets_an_offer(folder, check, written, offer):
    text = f"plot;days_after;aphids\n101;7;12,5\n102;7;3\n201;7;{written}\n202;7;4\n"
    kind = "error-cell" if written.startswith("#") else "text-in-number"
    said = check(folder({"counts.csv": text})).error(kind, "counts.csv, row 4, column aphids")
    assert offer in said
    assert "Type the number alone" not in said or written == "12 larvae"


def test_a_decimal_comma_that_split_a_number(folder, check):
    text = "plot,days_after,aphids\n101,7,12,5\n102,7,3,1\n201,7,4\n202,7,4\n"
    found = check(folder({"counts.csv": text}))
    assert [str(p.place) for p in found.of("too-many-cells")] == [
        "counts.csv, row 2",
        "counts.csv, row 3",
    ]
    assert "separate the columns with semicolons" in str(found.of("too-many-cells")[0])


def test_trailing_commas_and_empty_rows(folder, base, check):
    text = base["counts.csv"].replace("\n", ",,\n").replace("101,7", ",,,\n\n101,7")
    found = check(folder({"counts.csv": text + ",,,,\n\n"}))
    assert found.problems == ()
    assert len(found.reading.trial.counts) == 8


def test_titles_above_and_notes_below(folder, base, check):
    text = (
        "Aphids in peas 2025,,\nCounted by J. Kettle,,\n\n"
        + base["counts.csv"]
        + "\nPlot 102: rain during the count,,\n"
        + "Note: seed of plot 201 was late, and thin\n"
        + "Mean,,11.4\n"
    )
    found = check(folder({"counts.csv": text}))
    assert len(found.reading.trial.counts) == 8
    notes = [str(problem) for problem in found.of("note")]
    assert "counts.csv, row 14: " in notes[0]
    assert "'Plot 102: rain during the count'" in notes[0]
    assert "Note: seed of plot 201 was late | and thin" in notes[1]
    assert "'Mean | 11.4'" in found.warning("summary-row", "counts.csv, row 16")
    assert ("counts.csv", "Aphids in peas 2025", "text above the table, in row 1") in (
        found.reading.understood
    )


def test_a_note_below_the_lists_of_the_plan(folder, base, check):
    found = check(
        folder(
            {
                "treatments.csv": base["treatments.csv"] + "\nAll with 0.2 % wetting agent\n",
                "plots.csv": base["plots.csv"] + "\nNote: plot 1 is next to the road\n",
            }
        )
    )
    assert len(found.of("note")) == 2
    assert len(found.reading.trial.treatments) == 2
    assert len(found.reading.trial.plots) == 4


def test_a_plot_that_is_not_in_the_plan_is_no_note(folder, base, check):
    found = check(folder({"counts.csv": base["counts.csv"] + "\n203,7,5\n20l,7,5\n"}))
    assert [str(p.place) for p in found.of("plot-unknown")] == [
        "counts.csv, row 11, column plot",
        "counts.csv, row 12, column plot",
    ]
    assert "Did you mean '20" in str(found.of("plot-unknown")[1])


def test_repeated_headings_are_left_out(folder, base, check):
    lines = base["counts.csv"].splitlines()
    text = "\n".join([*lines[:5], lines[0], *lines[5:]]) + "\n"
    found = check(folder({"counts.csv": text}))
    assert found.problems == ()
    assert len(found.reading.trial.counts) == 8


def test_a_quotation_mark_that_is_not_closed(folder, base, check):
    text = base["counts.csv"].replace("102,-1,12", '102,-1,"12')
    said = check(folder({"counts.csv": text})).error("quotes", "counts.csv, row 3")
    assert "is not closed" in said


def test_inches_are_no_quotation_mark(folder, base, check):
    found = check(folder({"treatments.csv": base["treatments.csv"].replace("Ostrel", 'Ostrel 5"')}))
    assert found.problems == ()
    assert found.reading.trial.treatments[1].name == 'Ostrel 5"'


def test_ids_stay_as_written(folder):
    rows = [("None", "007"), ("NA", "1e3"), ("n/a", "1.0"), ("nan", "-")]
    rows += [(t, f"{p}b") for t, p in rows]
    trial = read_trial(
        folder(
            {
                "trial.toml": 'design = "crd"\nuntreated = "None"\ntitle = "x"\n',
                "treatments.csv": "treatment,name,role\n"
                + "".join(
                    f"{t},{t},{'untreated' if t == 'None' else 'test'}\n" for t, _ in rows[:4]
                ),
                "plots.csv": "plot,treatment\n" + "".join(f"{p},{t}\n" for t, p in rows),
                "counts.csv": "plot,days_after,aphids\n" + "".join(f"{p},1,2\n" for _, p in rows),
            }
        )
    )
    assert [item.id for item in trial.treatments] == [t for t, _ in rows[:4]]
    assert [item.id for item in trial.plots] == [p for _, p in rows]
    assert trial.counts["plot"].tolist() == [p for _, p in rows]
    assert trial.untreated == "None"


@pytest.mark.parametrize("written", ["5", "5.0", "+5", "5e0", "05", "5.", " 5 "])
def test_numbers_in_any_dress(folder, base, written):
    text = base["counts.csv"].replace("102,7,2\n", f"102,7,{written}\n")
    counts = read_trial(folder({"counts.csv": text})).counts
    assert counts.loc[(counts["plot"] == "102") & (counts["day"] == 7), "value"].item() == 5
