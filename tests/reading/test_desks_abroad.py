"""Files as desks abroad and other habits write them: the same trial, value by value."""

import pytest

from reading.desks import (
    BEETLES,
    BLOCKS,
    DAYS,
    LARVAE,
    ORDER,
    PLOTS,
    TREATMENTS,
    book,
    csv,
    held,
    wide,
)
from trialkit.reading import read


@pytest.mark.parametrize(
    ("heads", "form", "untreated"),
    [
        (("Parzelle", "Wdh.", "Variante"), "Larven {} T.n.A.", "Unbehandelt"),
        (("Parcela", "Repetición", "Tratamiento"), "larvas {} DDA", "Testigo"),
        (("Parcella", "Ripetizione", "Tesi"), "larve {} gg", "Non trattato"),
        (("Poletko", "Powtórzenie", "Obiekt"), "larwy {} dni po zabiegu", "Kontrola"),
        (("Parcelka", "Opakování", "Varianta"), "larvy {} dní po ošetření", "Neošetřeno"),
        (("Parcella", "Ismétlés", "Kezelés"), "lárva {} nap", "Kezeletlen"),
        (("Ruta", "Upprepning", "Försöksled"), "larver {} dagar efter behandling", "Obehandlat"),
        (("Parcel", "Gentagelse", "Forsøgsled"), "larver {} dage", "Ubehandlet"),
        (("Ruutu", "Kerranne", "Koejäsen"), "toukat {} pv", "Käsittelemätön"),
        (("Parcela", "Repetiție", "Variantă"), "larve {} zile după tratament", "Martor"),
        (("Parsel", "Tekerrür", "Muamele"), "larva {} gün", "Kontrol"),
        (("Plot", "Rep", "Trt"), "larvae {} DPT", "UTC"),
        (("Plot", "Rep", "Trt"), "larvae {} DAT (n=50)", "UTC"),
        (("Plot", "Rep", "Trt"), "Tag {} Larven", "UTC"),
    ],
)
def test_days_and_headings_in_other_languages(tmp_path, heads, form, untreated):
    held(read(csv(tmp_path, wide(heads, form, untreated), ";")))


def test_days_before_in_other_languages(tmp_path):
    rows = wide(form="Larven {} Tage nach Behandlung")
    rows[0][3] = "Larven 1 Tag vor Behandlung"
    truth = {(n, b, d if d else -1): value for (n, b, d), value in LARVAE.items()}
    held(read(csv(tmp_path, rows)), truth)


def test_a_date_above_may_hold_other_spaces_and_a_year_of_two_figures(tmp_path):
    space = "\N{NO-BREAK SPACE}"
    rows = wide(form="larvae {} DAT")
    rows[0][3:] = [f"larvae {18 + day}{space}June{space}2024" for day in DAYS]
    held(read(csv(tmp_path, [["applied", f"18{space}June{space}2024"], [], *rows])))
    rows = [["Date", "Plot", "Rep", "Trt", "larvae"]]
    for day in DAYS:
        rows += [[f"{18 + day}-Jun-24", p, b, n, LARVAE[n, b, day]] for p, b, n in PLOTS]
    (problem,) = [p for p in read(csv(tmp_path, rows)).problems if p.severity == "error"]
    assert problem.kind == "no-day-zero"
    rows[0].append("Applied")
    rows[1:] = [[*row, "2024-06-18"] for row in rows[1:]]
    held(read(csv(tmp_path, rows)))


def test_a_sheet_for_each_block(tmp_path):
    sheets = {
        f"Block {block}": [
            ["Plot", "Trt", *(f"larvae {day} DAT" for day in DAYS)],
            *(
                [p, n, *(LARVAE[n, b, day] for day in DAYS)]
                for p, b, n in PLOTS
                if b == block
            ),
        ]
        for block in BLOCKS
    }  # fmt: skip
    held(read(book(tmp_path, sheets)))
    sheets["Block 3"][2][3] = "about 20"
    (problem,) = [p for p in read(book(tmp_path, sheets)).problems if p.severity == "error"]
    assert (problem.place.sheet, problem.place.row) == ("Block 3", 3)


def test_headings_over_two_rows_with_the_variables_below_the_days(tmp_path):
    rows = [
        ["Plot", "Rep", "Trt", *(c for day in DAYS for c in (f"{day} DAT", None))],
        [None, None, None, *["larvae", "beetles"] * 3],
    ]
    for plot, block, name in PLOTS:
        keys = [(name, block, day) for day in DAYS]
        rows.append([plot, block, name, *(t[key] for key in keys for t in (LARVAE, BEETLES))])
    merged = ("A1:A2", "B1:B2", "C1:C2", "D1:E1", "F1:G1", "H1:I1")
    reading = read(book(tmp_path, {"Sheet1": rows}, merged))
    held(reading)
    held(reading, BEETLES, variable=1)


def test_a_row_of_units_and_a_mean_under_each_treatment(tmp_path):
    rows = wide()
    rows.insert(1, ["#", "#", "", *["no./plant"] * 3])
    held(read(csv(tmp_path, rows)))
    rows = [["Treatment", "Rep", "Plot", *(f"larvae {day} DAT" for day in DAYS)]]
    for name in TREATMENTS:
        own = [(p, b) for p, b, n in PLOTS if n == name]
        rows += [[name, b, p, *(LARVAE[name, b, d] for d in DAYS)] for p, b in own]
        rows.append([f"{name} mean", "", "", *(0.25 * sum(LARVAE[name, b, d] for b in BLOCKS)
                                             for d in DAYS)])  # fmt: skip
    held(read(csv(tmp_path, rows)))


def test_a_long_table_of_pests_and_their_number(tmp_path):
    rows = [["", "plot", "block", "treat", "dat", "pest", "n"]]
    for plot, block, name in PLOTS:
        for day in DAYS:
            for pest, truth in (("larvae", LARVAE), ("beetles", BEETLES)):
                rows.append([len(rows), plot, block, name, day, pest, truth[name, block, day]])
    reading = read(csv(tmp_path, rows))
    held(reading)
    held(reading, BEETLES, variable=1)


def test_treatments_side_by_side_with_days_and_blocks_down(tmp_path):
    rows = [["DAT", "Rep", *TREATMENTS]]
    rows += [[d, b, *(LARVAE[n, b, d] for n in TREATMENTS)] for d in DAYS for b in BLOCKS]
    held(read(csv(tmp_path, rows)))
    # without a word for the untreated the headings may be variables
    rows[0][2] = "Vernal"
    assert read(csv(tmp_path, rows)).trial is None


def test_a_map_of_the_field(tmp_path):
    rows = [["Treatments"], *([None, *ORDER[b]] for b in BLOCKS), []]
    for day in DAYS:
        rows += [[f"larvae {day} DAT"], *([None, *(LARVAE[n, b, day] for n in ORDER[b])]
                                          for b in BLOCKS), []]  # fmt: skip
    reading = read(book(tmp_path, {"map": rows}))
    held(reading)
    assert {(plot.row, plot.column) for plot in reading.trial.plots} == {
        (row, column) for row in range(1, 5) for column in range(1, 5)
    }
    rows[8][2] = "many"
    assert read(book(tmp_path, {"map": rows})).trial is None


def test_samples_by_short_names_and_their_total(tmp_path):
    for heads in (["s1", "s2", "s3"], ["larvae pl.1", "larvae pl.2", "larvae pl.3"]):
        rows = [["Plot", "Rep", "Trt", "DAT", *heads, "total"]]
        for day in DAYS:
            for plot, block, name in PLOTS:
                value = LARVAE[name, block, day]
                rows.append([plot, block, name, day, value - 1, value, value + 1, 3 * value])
        reading = read(csv(tmp_path, rows))
        held(reading, samples=True)
        assert len(reading.trial.variables) == 1


def test_a_rate_with_its_unit_in_one_cell(tmp_path):
    listed = [["Treatment", "Rate"], ["Untreated", ""], ["Tarnock 50", "200 g ai/ha"],
              ["Wimbrel", "0,5 L/ha"], ["Ostrel", "12 fl oz/acre"]]  # fmt: skip
    reading = read(book(tmp_path, {"Treatments": listed, "Counts": wide()}))
    held(reading)
    rates = {item.name: (item.rate, item.rate_unit) for item in reading.trial.treatments}
    assert rates["Tarnock 50"] == (200.0, "g ai/ha")
    assert rates["Wimbrel"] == (0.5, "L/ha") and rates["Ostrel"] == (12.0, "fl oz/acre")


@pytest.mark.parametrize(
    ("start", "word"),
    [(b"%PDF-1.4\n", "PDF"), (b"\x89PNG\r\n", "picture"), (b"PK\x03\x04", ".xlsx")],
)
def test_another_file_under_the_name_of_a_table_is_named(tmp_path, start, word):
    path = tmp_path / "trial.csv"
    path.write_bytes(start + b"1 2 3")
    (problem,) = read(path).problems
    assert problem.kind == "not-text" and word in problem.what


def test_blocks_on_lines_of_their_own_above_repeated_headings(tmp_path):
    heads = ["Plot", "Treatment", *(f"larvae {day} DAT" for day in DAYS)]
    rows = []
    for block in BLOCKS:
        own = [[p, n, *(LARVAE[n, b, d] for d in DAYS)] for p, b, n in PLOTS if b == block]
        rows += [[f"Block {block}"], heads, *own, []]
    held(read(csv(tmp_path, rows)))
    # the first block without its line: the others must not be lost as notes
    (problem,) = [p for p in read(csv(tmp_path, rows[1:])).problems if p.severity == "error"]
    assert problem.kind == "block-lines"


def test_shoots_of_vines_are_samples_and_no_counts(tmp_path):
    for heads, pairs in (
        (["vine", "shoot"], [(1, 1), (1, 2), (2, 1), (2, 2)]),
        (["tree", "branch"], [(1, 1), (1, 2), (2, 3), (2, 4)]),
    ):
        rows = [["Plot", "Rep", "Trt", "DAT", *heads, "larvae"]]
        for plot, block, name in PLOTS:
            for day in DAYS:
                value = LARVAE[name, block, day]
                for (one, two), more in zip(pairs, (-1, 1, -2, 2), strict=True):
                    rows.append([plot, block, name, day, one, two, value + more])
        reading = read(csv(tmp_path, rows))
        held(reading, samples=True)
        assert [item.name for item in reading.trial.variables] == ["larvae"]
        assert "samples-nested" in {item.kind for item in reading.problems}


def test_treatments_side_by_side_on_a_sheet_a_day_or_by_number(tmp_path):
    sheets = {
        f"larvae {day} DAT": [
            ["Rep", *TREATMENTS],
            *([block, *(LARVAE[n, block, day] for n in TREATMENTS)] for block in BLOCKS),
        ]
        for day in DAYS
    }
    held(read(book(tmp_path, sheets)))
    listed = [["No", "Name"], *([place, n] for place, n in enumerate(TREATMENTS, 1))]
    counts = [["DAT", "Rep", 1, 2, 3, 4, "Mean"]]
    for day in DAYS:
        for block in BLOCKS:
            own = [LARVAE[n, block, day] for n in TREATMENTS]
            counts.append([day, block, *own, sum(own) / 4])
    held(read(book(tmp_path, {"Treatments": listed, "Counts": counts})))


def test_control_judged_in_the_plots_is_no_pest(tmp_path):
    rows = wide(form="weed control % {} DAT")
    trial = read(csv(tmp_path, rows)).trial
    (variable,) = trial.variables
    assert (variable.role, variable.kind, variable.better) == ("crop", "percent", "more")
