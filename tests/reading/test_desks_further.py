"""Further habits of desks: words of days, samples and sizes below headings, sheets and maps."""

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
from trialkit.reading.cells import Cell
from trialkit.reading.headings import day_header


@pytest.mark.parametrize(
    ("heads", "form", "untreated"),
    [
        (("Parz.", "Wdh", "PG"), "Larven {} T. n. Beh.", "Unbehandelt"),
        (("Parcela", "Opakovanie", "Variant"), "larvy {} dní po aplikácii", "Kontrola"),
        (("Parcella", "Ismétlés", "Kezelés"), "lárva {} nappal kezelés után", "Kezeletlen"),
        (("Ruutu", "Kerranne", "Käsittely"), "toukat {} pv käsittelystä", "Käsittelemätön"),
        (("Parcela", "Repetiția", "Varianta"), "larve {} zile după tratament", "Netratat"),
        (("Parsel", "Tekerrür", "Uygulama"), "larva uygulamadan {} gün sonra", "Kontrol"),
        (("Parcelle", "Bloc", "Modalité"), "T+{}j larves", "Témoin"),
        (("Plot", "Rep", "Trt"), "larvae {} d.p.a.", "Untreated"),
        (("Plot", "Rep", "Trt"), "larvae {} DAT, n=50 plants", "Untreated"),
    ],
)
def test_days_in_more_words(tmp_path, heads, form, untreated):
    held(read(csv(tmp_path, wide(heads, form, untreated), ";")))


@pytest.mark.parametrize(
    ("heading", "variable", "day"),
    [
        ("lárva kezelés előtt 3 nappal", "lárva", -3),
        ("larva uygulamadan 3 gün önce", "larva", -3),
        ("toukat 3 pv ennen käsittelyä", "toukat", -3),
        ("Larven 2 Tage vor Applikation", "Larven", -2),
        ("lárva 7 nappal kezelés után", "lárva", 7),
    ],
)
def test_days_before_treatment_in_more_words(heading, variable, day):
    found = day_header(Cell(heading, 1, 1))
    assert (found.variable, found.day) == (variable, day)


def test_sizes_of_samples_that_differ_by_day(tmp_path):
    rows = wide()
    rows[0][3:] = [f"larvae {day} DAT (n={20 + day})" for day in DAYS]
    reading = read(csv(tmp_path, rows))
    held(reading)
    assert "sizes-differ" in {item.kind for item in reading.problems}
    rows[0][3:] = [f"damaged {day} DAT (n={60 + day})" for day in DAYS]
    assert read(csv(tmp_path, rows)).trial is None


def test_samples_by_short_names_below_their_variable(tmp_path):
    rows = [["", "", "", *(c for day in DAYS for c in (f"larvae {day} DAT", "", "", ""))]]
    rows.append(["Plot", "Rep", "Trt", *["s1", "s2", "s3", "mean"] * 3])
    for plot, block, name in PLOTS:
        own = [LARVAE[name, block, day] for day in DAYS]
        rows.append([plot, block, name, *(c for v in own for c in (v - 1, v, v + 1, v))])
    reading = read(csv(tmp_path, rows))
    held(reading, samples=True)
    assert [item.name for item in reading.trial.variables] == ["larvae"]


def test_replicates_by_number_below_their_day(tmp_path):
    rows = [[None, *(c for day in DAYS for c in (f"{day} DAT", None, None, None))]]
    rows.append(["Treatment", *[1, 2, 3, 4] * 3])
    rows += [[n, *(LARVAE[n, b, d] for d in DAYS for b in BLOCKS)] for n in TREATMENTS]
    held(read(book(tmp_path, {"larvae": rows}, ("B1:E1", "F1:I1", "J1:M1"))))


def test_days_by_number_below_a_merged_heading(tmp_path):
    rows = [
        ["Plot", "Rep", "Trt", "larvae, days after treatment", None, None],
        [None, None, None, *DAYS],
    ]
    rows += [[p, b, n, *(LARVAE[n, b, d] for d in DAYS)] for p, b, n in PLOTS]
    held(read(book(tmp_path, {"Data": rows}, ("A1:A2", "B1:B2", "C1:C2", "D1:F1"))))


def test_sheets_called_by_number_are_blocks_where_each_has_every_treatment(tmp_path):
    sheets = {
        str(block): [
            ["Plot", "Treatment", *(f"larvae {day} DAT" for day in DAYS)],
            *([p, n, *(LARVAE[n, b, d] for d in DAYS)] for p, b, n in PLOTS if b == block),
        ]
        for block in BLOCKS
    }
    held(read(book(tmp_path, sheets)))
    bare = {name: [row[1:] for row in rows] for name, rows in sheets.items()}
    assert read(book(tmp_path, bare)).trial is None  # without plots they may be anything
    sheets["2"][2][1] = sheets["2"][1][1]  # one treatment twice: no block
    assert read(book(tmp_path, sheets)).trial is None


@pytest.mark.parametrize("label", [None, "Rep {}"])
@pytest.mark.parametrize("listed", [False, True])
def test_a_map_on_a_sheet_of_any_name(tmp_path, label, listed):
    left = {b: label and label.format(b) for b in BLOCKS}
    ids = {name: str(number) if listed else name for number, name in enumerate(TREATMENTS, 1)}
    rows = [["Treatments"], *([left[b], *(ids[n] for n in ORDER[b])] for b in BLOCKS), []]
    for day in DAYS:
        rows += [[f"larvae {day} DAT"], *([left[b], *(LARVAE[n, b, day] for n in ORDER[b])]
                                          for b in BLOCKS), []]  # fmt: skip
    if listed:
        rows += [["Key"], *([number, name] for name, number in ids.items())]
    held(read(book(tmp_path, {"Data": rows})))


@pytest.mark.parametrize("form", ["{name}", "{plot}\n{name}"])
def test_a_map_that_cannot_be_read_is_named(tmp_path, form):
    rows = [
        [form.format(name=n, plot=10 * b + place) for place, n in enumerate(ORDER[b])]
        for b in BLOCKS
    ]
    (problem,) = read(book(tmp_path, {"Sheet1": rows})).problems
    assert problem.kind == "map-unclear"


def test_shoots_that_are_not_as_many_on_each_vine(tmp_path):
    rows = [["Plot", "Rep", "Trt", "DAT", "vine", "shoot", "larvae"]]
    for plot, block, name in PLOTS:
        rows += [[plot, block, name, 4, f"V{v}", f"S{s}", v + s] for v in (1, 2) for s in (1, 2)]
    (said,) = [p for p in read(csv(tmp_path, rows)).problems if p.kind == "samples-nested"]
    assert "weighs" not in said.what
    del rows[4]
    (said,) = [p for p in read(csv(tmp_path, rows)).problems if p.kind == "samples-nested"]
    assert "weighs" in said.what


def test_rates_with_their_units_beside_an_empty_column_of_units(tmp_path):
    rows = wide()
    rates = dict(zip(TREATMENTS, ("", "200 g ai/ha", "12 fl oz/acre", "1.5 L/ha"), strict=True))
    table = [[*rows[0][:3], "Rate", "Unit", *rows[0][3:]]]
    table += [[*row[:3], rates[row[2]], "", *row[3:]] for row in rows[1:]]
    reading = read(csv(tmp_path, table))
    held(reading)
    made = {item.name: (item.rate, item.rate_unit) for item in reading.trial.treatments}
    assert made[TREATMENTS[1]] == (200.0, "g ai/ha")


def test_the_application_by_a_year_of_two_figures(tmp_path):
    rows = [["Spray date:", "18-Jun-24"], [], *wide()]
    rows[2][3:] = ["larvae 18-Jun-24", "larvae 22-Jun-24", "larvae 29-Jun-24"]
    held(read(csv(tmp_path, rows)))


def test_a_table_of_means_below_under_a_title(tmp_path):
    means = [[name, *(30 + place for _ in DAYS)] for place, name in enumerate(TREATMENTS)]
    held(read(csv(tmp_path, [*wide(), [], ["Treatment means"], *means])))
    (problem,) = read(csv(tmp_path, [*wide(), [], *means])).problems[:1]
    assert problem.kind == "row-shifted"
    rows = wide()
    held(read(csv(tmp_path, [*rows[:9], [], ["Mean"], *rows[9:]])))  # data go on below the title


def test_the_application_below_the_table(tmp_path):
    rows = wide()
    rows[0][3:] = ["larvae 18.06.2024", "larvae 22.06.2024", "larvae 29.06.2024"]
    held(read(csv(tmp_path, [*rows, [], ["Applied:", "18 June 2024"]])))


def test_weekdays_before_dates_and_dates_in_figures_alone(tmp_path):
    rows = wide()
    rows[0][3:] = [
        "larvae Tuesday 18 June 2024", "larvae Saturday 22 June 2024", "larvae Sa. 29 June 2024",
    ]  # fmt: skip
    reading = read(csv(tmp_path, [["Applied", "06/18/24"], *rows]))
    held(reading)
    assert [item.name for item in reading.trial.variables] == ["larvae"]
    rows = [["Applied", "2024-06-18"], ["Datum", "Parzelle", "Block", "Variante", "Larven"]]
    for day in DAYS:
        rows += [[f"{18 + day}.06.", p, b, n, LARVAE[n, b, day]] for p, b, n in PLOTS]
    held(read(csv(tmp_path, rows)))


@pytest.mark.parametrize("heads", [["1", "2", "3", "4"], ["RI", "RII", "RIII", "RIV"],
                                   ["Bl1", "Bl2", "Bl3", "Bl4"]])  # fmt: skip
def test_replicates_side_by_side_and_days_down(tmp_path, heads):
    rows = [["Treatment", "DAT", *heads]]
    rows += [[n, d, *(LARVAE[n, b, d] for b in BLOCKS)] for d in DAYS for n in TREATMENTS]
    held(read(csv(tmp_path, rows)))


@pytest.mark.parametrize(("heading", "after"), [("larvae 7 DA-A", 1), ("larvae 7 DA-B", 2)])
def test_days_after_an_application_by_its_letter(heading, after):
    found = day_header(Cell(heading, 1, 1))
    assert (found.variable, found.day, found.application) == ("larvae", 7, after)


def test_rows_above_that_tell_of_the_table_name_no_variable(tmp_path):
    rows = wide(("Plot", "Rep", "Trt"), "{} DAT")
    top = [["", "", "", "Pest:", "larvae", ""], ["", "", "", "Unit:", "no./plant", ""]]
    reading = read(csv(tmp_path, [*top, *rows], ";"))
    held(reading)
    assert len(reading.trial.variables) == 1


@pytest.mark.parametrize("name", ["Plan", "Sheet2", "Data"])
def test_a_map_beside_the_data_is_for_people(tmp_path, name):
    held(read(book(tmp_path, {name: [list(ORDER[b]) for b in BLOCKS], "Counts": wide()})))


@pytest.mark.parametrize("title", ["", "Treatments: "])
def test_names_of_treatments_in_one_line(tmp_path, title):
    ids = {name: str(number) for number, name in enumerate(TREATMENTS, 1)}
    rows = [[*row[:2], ids.get(row[2], row[2]), *row[3:]] for row in wide()]
    line = title + ", ".join(f"{number} = {name}" for name, number in ids.items())
    held(read(csv(tmp_path, [*rows, [], [line]], ";")))
    held(read(csv(tmp_path, [[line], [], *rows], ";")))


@pytest.mark.parametrize("label", ["Rep", "Block:", "Wdh."])
def test_blocks_on_lines_of_a_label_and_a_value(tmp_path, label):
    heads = ["Plot", "Treatment", *(f"larvae {day} DAT" for day in DAYS)]
    rows = []
    for block in BLOCKS:
        own = [[p, n, *(LARVAE[n, b, d] for d in DAYS)] for p, b, n in PLOTS if b == block]
        rows += [[label, block], heads, *own, []]
    held(read(csv(tmp_path, rows)))


@pytest.mark.parametrize("label", ["Assessment {}", "DAT", "Date:"])
def test_days_on_lines_of_a_label_and_a_value(tmp_path, label):
    rows = []
    for place, day in enumerate(DAYS, 1):
        told = {"DAT": day, "Date:": f"{18 + day} June 2024"}.get(label, f"{day} DAT")
        own = [[p, b, n, LARVAE[n, b, day]] for p, b, n in PLOTS]
        rows += [[label.format(place), told], ["Plot", "Rep", "Trt", "larvae"], *own, []]
    held(read(csv(tmp_path, [["Applied", "2024-06-18"], [], *rows])))


def test_a_sheet_for_each_treatment(tmp_path):
    sheets = {
        name: [
            ["Plot", "Rep", *(f"larvae {day} DAT" for day in DAYS)],
            *([p, b, *(LARVAE[n, b, d] for d in DAYS)] for p, b, n in PLOTS if n == name),
        ]
        for name in TREATMENTS
    }
    reading = read(book(tmp_path, sheets))
    held(reading)
    assert "treatment-a-sheet" in {item.kind for item in reading.problems}
    # without a word for the untreated the sheets may be sites
    renamed = {name.replace("Untreated", "Hollow Farm"): rows for name, rows in sheets.items()}
    assert read(book(tmp_path, renamed)).trial is None


def test_a_sheet_for_each_block_and_day(tmp_path):
    sheets = {
        f"Rep {block} {day} DAT": [
            ["Plot", "Treatment", "larvae"],
            *([p, n, LARVAE[n, b, day]] for p, b, n in PLOTS if b == block),
        ]
        for block in BLOCKS
        for day in DAYS
    }
    held(read(book(tmp_path, sheets)))


def test_the_same_names_below_two_headings(tmp_path):
    rows = [["", "", "", "", "larvae", "", "beetles", ""]]
    rows.append(["Plot", "Rep", "Trt", "DAT", *["small", "large"] * 2])
    for day in DAYS:
        for p, b, n in PLOTS:
            values = (LARVAE[n, b, day], b + day, BEETLES[n, b, day], b + day)
            rows.append([p, b, n, day, *values])
    reading = read(csv(tmp_path, rows))
    held(reading)
    held(reading, BEETLES, variable=2)
    assert [item.name for item in reading.trial.variables] == [
        "larvae small", "larvae large", "beetles small", "beetles large",
    ]  # fmt: skip


def test_plots_that_look_like_blocks_are_said(tmp_path):
    reading = read(csv(tmp_path, [[row[0], *row[2:]] for row in wide()]))
    (said,) = [item for item in reading.problems if item.kind == "design-assumed"]
    assert "101-104, 201-204 and so on hold every treatment once" in said.what


def test_hybrids_beside_entries_by_number_name_them(tmp_path):
    rows = [["Entry", "Hybrid", "Rep", "Plot", "Yield (bu/acre)"]]
    for p, b, n in PLOTS:
        number = TREATMENTS.index(n) + 1
        rows.append([number, f"HX-{number}05", b, p, 150 + LARVAE[n, b, 0]])
    trial = read(csv(tmp_path, rows)).trial
    assert {item.id: item.name for item in trial.treatments} == {
        str(number): f"HX-{number}05" for number in range(1, 5)
    }


@pytest.mark.parametrize("head", ["Treatment name", "Entry name", "Product", "Name"])
def test_sheets_a_day_may_name_treatments_without_numbers(tmp_path, head):
    sheets = {
        f"{day} DAT": [
            ["Plot", "Rep", head, "larvae"],
            *([p, b, n, LARVAE[n, b, day]] for p, b, n in PLOTS),
        ]
        for day in DAYS
    }
    held(read(book(tmp_path, sheets)))
