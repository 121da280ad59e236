"""One trial as offices and students write it down: read value by value, or refused and told."""

from __future__ import annotations

import math
from datetime import date, timedelta

import openpyxl
import pytest
from openpyxl.comments import Comment
from openpyxl.styles import Font

from trialkit.reading import read

APPLIED = date(2025, 6, 12)
TREATMENTS = ("Untreated", "Tarnock", "Wimbrel", "Ostrel")
DAYS = (-1, 3, 7)
PLOTS = [(100 * b + k + 1, b, TREATMENTS[(k + b) % 4]) for b in (1, 2, 3, 4) for k in range(4)]
TOML = 'untreated = "Untreated"\napplied = 2025-06-12\n'
FIRST = ["plot", "block", "treatment"]


def larvae(block: int, treatment: str, day: int) -> int:
    """A count that differs between plots and days."""
    return 7 + (block * 11 + TREATMENTS.index(treatment) * 5 + day * 3) % 41


def beetles(block: int, treatment: str, day: int) -> int:
    """Another count."""
    return 2 + (block * 7 + TREATMENTS.index(treatment) * 3 + day) % 13


TRUTH = {
    name: {(b, t, float(d), float(count(b, t, d))) for _, b, t in PLOTS for d in DAYS}
    for name, count in (("larvae", larvae), ("beetles", beetles))
}


def day_of(number: int) -> date:
    """Date of a day."""
    return APPLIED + timedelta(days=number)


def long(head=("plot", "block", "treatment", "date", "larvae"), when=day_of):
    """One row a plot and day."""
    return [list(head)] + [[p, b, t, when(d), larvae(b, t, d)] for p, b, t in PLOTS for d in DAYS]


def wide(heads, ids=lambda p, b, t: [p, b, t]):
    """One column a day."""
    return [[*FIRST, *heads]] + [
        [*ids(p, b, t), *(larvae(b, t, d) for d in DAYS)] for p, b, t in PLOTS
    ]


def grouped(top, low):
    """Two variables on each day, with a row over the headings."""
    body = [
        [p, b, t, *(v for d in DAYS for v in (larvae(b, t, d), beetles(b, t, d)))]
        for p, b, t in PLOTS
    ]
    return [*top, [*FIRST, *low], *body]


def text(rows, mark=","):
    """Rows as a table of text."""
    return "\n".join(mark.join("" if c is None else str(c) for c in row) for row in rows) + "\n"


@pytest.fixture
def table(tmp_path):
    """Read rows as a flat table with its settings."""

    def make(rows, toml=TOML, encoding="utf-8", mark=","):
        (tmp_path / "trial.toml").write_text(toml)
        path = tmp_path / "trial.csv"
        path.write_bytes((rows if isinstance(rows, str) else text(rows, mark)).encode(encoding))
        return read(path)

    return make


@pytest.fixture
def sheet(tmp_path):
    """Read rows as a workbook that something is done to."""

    def make(rows, change=lambda page: None):
        book = openpyxl.Workbook()
        page = book.active
        page.title = "Data"
        for row in rows:
            page.append(row)
        change(page)
        keys = book.create_sheet("Trial")
        keys.append(["untreated", "Untreated"])
        keys.append(["applied", APPLIED])
        book.save(tmp_path / "trial.xlsx")
        return read(tmp_path / "trial.xlsx")

    return make


def values(reading):
    """Block, treatment, day and value of each variable; blocks by their number."""
    assert reading.trial is not None, "\n".join(map(str, reading.problems))
    plots = {plot.id: plot for plot in reading.trial.plots}
    found: dict[str, set] = {}
    for row in reading.trial.counts.itertuples():
        plot = plots[row.plot]
        block = int((plot.block or "0").split()[-1])
        found.setdefault(row.variable, set()).add((block, plot.treatment, row.day, row.value))
    return found


def kinds(reading):
    """Kinds of the errors."""
    assert reading.trial is None
    return {item.kind for item in reading.problems if item.severity == "error"}


def warned(reading):
    """Kinds of the warnings."""
    return {item.kind for item in reading.problems if item.severity == "warning"}


PAIRS = ["larvae", "beetles"] * 3
BARE = [v for d in DAYS for v in (d, d)]


@pytest.mark.parametrize(
    "top",
    [
        [["", "", "", "-1 DAT", "", "3 DAT", "", "7 DAT", ""]],
        [["", "", "", "11/06/2025", "", "15/06/2025", "", "19/06/2025", ""]],
        [["DAT", "", "", *BARE]],
        [["Assessor", "", "", *["AB"] * 6], ["BBCH", "", "", *[31] * 6], ["DAT", "", "", *BARE]],
        [
            ["Date", "", "", *(day_of(d) for d in DAYS for _ in "ab")],
            ["DAT", "", "", *BARE],
        ],
    ],
)
def test_days_over_variables(table, top):
    assert values(table(grouped(top, PAIRS))) == TRUTH


@pytest.mark.parametrize("over", ["larvae", "larvae (days after treatment)", "larvae DAT"])
def test_bare_days_under_a_variable(table, over):
    rows = [["", "", "", over, "", ""], *wide(DAYS)]
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


def test_numbers_that_count_up_are_asked_about(table):
    assert kinds(table(wide([1, 2, 3]))) == {"numbered-columns"}
    assert kinds(table([["", "", "", "larvae", "", ""], *wide([1, 2, 3])])) == {"numbered-columns"}


@pytest.mark.parametrize(
    "when",
    [
        lambda d: f"{day_of(d).day} juin 2025",
        lambda d: f"{day_of(d).day}. Juni 2025",
        lambda d: f"{day_of(d).day} de junio de 2025",
        lambda d: f"Tue {day_of(d).day} Jun 2025",
        lambda d: f"June {day_of(d).day}th 2025",
        lambda d: f"{day_of(d).day} Jun",
        lambda d: f"{day_of(d).day}-Jun",
        lambda d: f"{day_of(d)}T09:30:00",
    ],
)
def test_dates_as_people_write_them(table, when):
    assert values(table(long(when=when))) == {"larvae": TRUTH["larvae"]}


@pytest.mark.parametrize(
    "form", ["larvae {0.day}-Jun", "larvae {0.day} June", "June {0.day} larvae"]
)
def test_dates_without_a_year_in_headings(table, form):
    reading = table(wide([form.format(day_of(d)) for d in DAYS]))
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert "date-year" in warned(reading)
    unknown = table(wide([form.format(day_of(d)) for d in DAYS]), 'untreated = "Untreated"\n')
    assert kinds(unknown) == {"day-unreadable"}


@pytest.mark.parametrize(
    "heads",
    [
        ["larvae 6/11", "larvae 6/15", "larvae 6/19"],
        ["larvae BBCH 31", "larvae BBCH 39", "larvae BBCH 55"],
        ["larvae a", "larvae b", "larvae c"],
        ["-1", "3", "7"],
    ],
)
def test_headings_that_only_look_like_variables(table, heads):
    assert kinds(table(wide(heads))) == {"numbered-columns"}


def test_signs_before_days(table):
    heads = [f"larvae T{day:+d}" for day in DAYS]
    assert values(table(wide(heads))) == {"larvae": TRUTH["larvae"]}
    assert kinds(table(wide([head.replace("+", "") for head in heads]))) & {"day-unreadable"}


@pytest.mark.parametrize(
    "head",
    [
        ("Parzelle", "Wiederholung", "Behandlung", "Datum", "larvae"),
        ("parcelle", "bloc", "traitement", "date", "larvae"),
        ("parcela", "bloque", "tratamiento", "fecha", "larvae"),
    ],
)
def test_headings_in_other_languages(table, head):
    assert values(table(long(head))) == {"larvae": TRUTH["larvae"]}


def test_a_column_of_dates_is_no_factor(table):
    rows = long(("plot", "block", "treatment", "quando", "larvae"))
    assert "treatments-made" not in {item.kind for item in table(rows).problems}


@pytest.mark.parametrize("mark", ['""""', "''", "do.", "ditto", "\u3003"])
def test_ditto_marks(table, mark):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    for place, row in enumerate(rows[1:]):
        row[1] = row[1] if place % 4 == 0 else mark
    reading = table(rows)
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert "ditto" in warned(reading)
    assert kinds(table(text(rows).replace(mark, '"""'))) == {"quotes"} or mark != '""""'


def test_names_with_signs_that_nobody_sees(table):
    rows = wide(
        [f"larvae {d} DAT" for d in DAYS],
        lambda p, b, t: [p, b, t + "\u200b" if p % 3 == 0 else t],
    )
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


@pytest.mark.parametrize("stand_in", ["999", "9999", "-999"])
def test_numbers_that_stand_for_missing(table, stand_in):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    rows[3][4] = stand_in
    assert "stand-in" in kinds(table(rows))


@pytest.mark.parametrize("form", ["{} a", "{}*", "{} larvae", "({})", "{}/50", "{}+2"])
def test_a_column_of_spoilt_numbers_is_not_dropped(table, form):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    for row in rows[1:]:
        row[5] = form.format(row[5])
    assert kinds(table(rows)) == {"text-in-number"}


@pytest.mark.parametrize("form", ["\uff10", "\u0660"])
def test_digits_of_other_scripts(table, form):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    shift = ord(form) - ord("0")
    for row in rows[1:]:
        row[4] = "".join(chr(ord(sign) + shift) for sign in str(row[4]))
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


def test_stages_beside_counts_are_no_variable(table):
    heads = [word for d in DAYS for word in (f"BBCH {d} DAT", f"larvae {d} DAT")]
    rows = [[*FIRST, *heads]]
    rows += [[p, b, t, *(v for d in DAYS for v in (30 + d, larvae(b, t, d)))] for p, b, t in PLOTS]
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


@pytest.mark.parametrize("word", ["Sum", "Avg", "mean larvae", "Total larvae"])
def test_sums_over_days(table, word):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    rows[0].append(word)
    for row in rows[1:]:
        total = sum(row[3:])
        row.append(total if word.casefold().startswith(("sum", "total")) else round(total / 3, 2))
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


def test_blocks_and_treatments_on_lines_of_their_own(table):
    heads = [f"larvae {d} DAT" for d in DAYS]
    by_block: list = [["plot", "treatment", *heads]]
    for block in (1, 2, 3, 4):
        by_block.append([f"Block {block}"])
        by_block += [[p, t, *(larvae(b, t, d) for d in DAYS)] for p, b, t in PLOTS if b == block]
    by_treatment: list = [["rep", "plot", *heads]]
    for name in TREATMENTS:
        by_treatment.append([name])
        by_treatment += [[b, p, *(larvae(b, t, d) for d in DAYS)] for p, b, t in PLOTS if t == name]
    for rows in (by_block, by_treatment):
        reading = table(rows)
        assert values(reading) == {"larvae": TRUTH["larvae"]}
        assert "lines" in warned(reading)


def test_a_table_below_another_for_each_day(table):
    rows: list = []
    for d in DAYS:
        rows += [[f"{d} DAT"], ["treatment", "I", "II", "III", "IV"]]
        rows += [[t, *(larvae(b, t, d) for b in (1, 2, 3, 4))] for t in TREATMENTS]
        rows.append([])
    found = table(rows)
    assert found.trial is not None
    assert {v for *_, v in TRUTH["larvae"]} == set(found.trial.counts["value"])
    assert len(found.trial.counts) == 48


def test_what_tells_two_rows_apart_is_named(table):
    rows = [[*FIRST, "DAT", "stage", "number"]]
    rows += [
        [p, b, t, d, word, count(b, t, d)]
        for p, b, t in PLOTS
        for d in DAYS
        for word, count in (("small", larvae), ("large", beetles))
    ]
    reading = table(rows)
    assert kinds(reading) == {"different-values-twice"}
    assert "The column 'stage' tells the two apart" in reading.problems[0].remedy


@pytest.mark.parametrize("coding", ["cp1252", "mac-roman", "utf-16", "utf-8-sig"])
def test_old_codings(table, coding):
    rows = wide([f"larvae {d} DAT" for d in DAYS], lambda p, b, t: [p, b, t.replace("O", "Ö")])
    reading = table(rows, encoding=coding, mark=";")
    assert {item.id for item in reading.trial.treatments} >= {"Östrel"}


def test_what_a_workbook_hides_is_said(sheet):
    rows = wide([f"larvae {d} DAT" for d in DAYS])

    def change(page):
        page.column_dimensions["E"].hidden = True
        page["F5"].font = Font(strike=True)
        page["F6"].comment = Comment("half the plot was lost", "x")

    reading = sheet(rows, change)
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert {"hidden-columns", "struck-through", "comment"} <= warned(reading)
    said = next(item for item in reading.problems if item.kind == "comment")
    assert "half the plot was lost" in said.what
    assert str(said.place.row) == "6"


def test_a_sheet_of_means_is_left_alone(sheet):
    def change(page):
        means = page.parent.create_sheet("Summary")
        means.append(["Treatment", "Mean 7 DAT", "Control %"])
        for name in TREATMENTS:
            means.append([name, 12.5, 40])

    reading = sheet(wide([f"larvae {d} DAT" for d in DAYS]), change)
    assert values(reading) == {"larvae": TRUTH["larvae"]}


def test_the_application_above_the_table(table):
    rows = [["Date of application", "2025-06-12"], [], *long()]
    reading = table(rows, 'untreated = "Untreated"\n')
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert math.isfinite(reading.trial.counts["day"].sum())


def test_what_only_follows_is_not_told(table):
    rows = [["treatment", 1, 2, 3, 4]] + [[t, 3, 4, 5, 6] for t in TREATMENTS]
    assert kinds(table(rows)) == {"numbered-columns"}


@pytest.mark.parametrize(
    "heads",
    [
        ["1st count", "2nd count", "3rd count"],
        ["larvae June", "larvae July", "larvae August"],
        ["Pre", "Mid", "Post"],
        ["larvae before", "larvae after", "larvae late"],
        ["larvas 1 DXQ", "larvas 3 DXQ", "larvas 7 DXQ"],
    ],
)
def test_headings_that_differ_in_a_word_of_time_are_asked_about(table, heads):
    assert kinds(table(wide(heads))) == {"numbered-columns"}


def test_a_day_that_cannot_be_read_is_no_name_of_a_variable(table):
    rows = [[*FIRST, "larvae DAT 7b"]] + [[p, b, t, larvae(b, t, 7)] for p, b, t in PLOTS]
    assert kinds(table(rows)) == {"day-unreadable"}
    sizes = ["tubers 35-45 mm", "tubers 45-55 mm", "tubers over 55 mm"]
    assert len(values(table(wide(sizes)))) == 3


@pytest.mark.parametrize(
    "form",
    [
        "larvae.{}.DAT", "larvae {} Tage nach Behandlung", "larvae {} jours après traitement",
        "larvae {} días después", "larvae J+{}", "larvae {} giorni dopo il trattamento",
    ],
)  # fmt: skip
def test_days_in_other_languages_and_with_points(table, form):
    rows = [[*FIRST, *(form.format(d) for d in (3, 7))]]
    rows += [[p, b, t, *(larvae(b, t, d) for d in (3, 7))] for p, b, t in PLOTS]
    later = {entry for entry in TRUTH["larvae"] if entry[2] > 0}
    assert values(table(rows)) == {"larvae": later}
    # A minus that became a point is asked about.
    rows[0][3] = "larvae..3.DAT"
    assert "day-unreadable" in kinds(table(rows))


def test_plots_numbered_anew_in_each_block(table):
    rows = wide([f"larvae {d} DAT" for d in DAYS], lambda p, b, t: [p % 100, b, t])
    reading = table(rows)
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert "plots-within-blocks" in warned(reading)


def test_samples_of_days_across(table):
    heads = [f"larvae {d} DAT plant {k}" for d in DAYS for k in (1, 2)]
    rows = [[*FIRST, *heads]]
    rows += [
        [p, b, t, *(v for d in DAYS for v in (larvae(b, t, d), larvae(b, t, d) + 2))]
        for p, b, t in PLOTS
    ]
    found = table(rows).trial.counts
    assert set(found["sample"]) == {"1", "2"}
    assert set(found["day"]) == {-1.0, 3.0, 7.0}
    assert set(found["variable"]) == {"larvae"}


def test_variables_that_may_be_one_are_said(table):
    assert "near-variables" in warned(table(wide(["larvae 1 DBT", "lavae 3 DAT", "larvae 7 DAT"])))


def test_headings_of_single_letters(table):
    rows = [["B", "V", "N", "Y"]]
    rows += [
        [b, v, n, 60 + 7 * place % 31]
        for place, (b, v, n) in enumerate(
            (b, v, n) for b in ("I", "II", "III") for v in ("Victor", "Golden") for n in (0, 20, 40)
        )
    ]
    reading = table(rows, 'untreated = "none"\n')
    assert reading.trial.settings.factors == ("variety", "N")
    assert [item.role for item in reading.trial.variables] == ["yield"]
    assert {"headings-assumed", "treatments-made"} <= warned(reading)


def test_a_measured_y_is_a_variable_and_a_place_is_none(table):
    alone = [["rep", "trt", "y"]] + [[b, t, larvae(b, t, 3)] for _, b, t in PLOTS]
    assert list(values(table(alone))) == ["y"]
    both = [["rep", "trt", "x", "y", "larvae 3 DAT"]]
    both += [[b, t, p % 100, b, larvae(b, t, 3)] for p, b, t in PLOTS]
    assert list(values(table(both))) == ["larvae"]


@pytest.mark.parametrize("word", ["feed", "group", "id"])
def test_the_one_column_that_can_be_the_treatment(table, word):
    rows = [["block", word, "weight"]] + [[b, t, larvae(b, t, 3) / 4] for _, b, t in PLOTS]
    reading = table(rows)
    assert {item.id for item in reading.trial.treatments} == set(TREATMENTS)
    assert "treatment-assumed" in warned(reading)


def test_a_block_or_treatment_with_one_plot_is_said(table):
    for place, word in ((1, "-5"), (2, "1,5")):
        rows = wide([f"larvae {d} DAT" for d in DAYS])
        rows[6][place] = f'"{word}"'
        found = "few-plots-of-block" if place == 1 else "few-plots-of-treatment"
        assert found in warned(table(rows))
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    rows[0][1] = "0"
    rows[0][4] = "#REF!"
    assert {"numbered-columns", "error-cell"} <= kinds(table(rows))


def test_us_office_workbook(tmp_path):
    """Variables over dates, Trt beside Treatment, one date that others settle, feet and pounds."""
    book = openpyxl.Workbook()
    page = book.active
    page.title = "Counts"
    page.append(["", "", "", "", "Larvae", "", "", "Injury %", ""])
    dates = [f"{day_of(d).month}/{day_of(d).day}/2025" for d in DAYS]
    page.append(["Plot", "Rep", "Trt", "Treatment", *dates, dates[1], dates[2]])
    for p, b, t in PLOTS:
        ids = [p, b, TREATMENTS.index(t) + 1, t]
        page.append([*ids, *(larvae(b, t, d) for d in DAYS), b, b + 1])
    sprays = book.create_sheet("Applications")
    sprays.append(["Date", "GPA", "Speed (mph)"])
    sprays.append(["6/12/2025", 15, 3])
    treatments = book.create_sheet("Treatments")
    treatments.append(["Trt", "Product", "Rate", "Rate Unit", "Cost/A"])
    for place, name in enumerate(TREATMENTS, 1):
        treatments.append([place, name, place, "fl oz/A", 10 * place])
    harvest = book.create_sheet("Yield")
    harvest.append(["Plot", "Plot wt lb", "Moisture %"])
    for p, *_ in PLOTS:
        harvest.append([p, 30 + p % 7, 16])
    keys = book.create_sheet("Trial")
    for row in (["untreated", "1"], ["plot_area_ft2", "150"], ["crop", "field corn"]):
        keys.append(row)
    book.save(tmp_path / "trial.xlsx")
    trial = read(tmp_path / "trial.xlsx").trial
    assert trial.applied == APPLIED
    assert set(trial.counts["day"]) == {-1.0, 3.0, 7.0}
    assert set(trial.harvest["harvested_area_ft2"]) == {150.0}
    assert [item.cost_per_acre for item in trial.treatments] == [10, 20, 30, 40]
    assert trial.applications[0].details["Speed (mph)"] == "3"


def test_rows_above_the_headings_are_not_lost(table):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    for place in (1, 2, 6):
        sorted_in = [*rows[1 : place + 1], rows[0], *rows[place + 1 :]]
        assert "rows-above" in kinds(table(sorted_in))


def test_a_day_alone_beside_named_variables_is_asked_about(table):
    assert "no-variable" in kinds(table(wide(["larvae 1 DBT", "3 DAT", "larvae 7 DAT"])))


def test_pounds_come_out_per_acre(table):
    rows = [[*FIRST, "plot weight lb", "area ft2"]] + [[p, b, t, 30, 150] for p, b, t in PLOTS]
    assert table(rows).trial.settings.yield_unit == "lb/acre"
    assert table(rows, f'{TOML}crop = "corn"\n').trial.settings.yield_unit == "bu/acre"
    chosen = f'{TOML}[analysis]\nyield_unit = "t/ha"\n'
    assert table(rows, chosen).trial.settings.yield_unit == "t/ha"


@pytest.mark.parametrize(
    "second",
    [["", "", "", "no.", "no.", "no."], ["no", "no", "name", "#", "#", "#"]],
)
def test_a_row_of_units_below_the_headings(table, second):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    reading = table([rows[0], second, *rows[1:]])
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert "note" in warned(reading)


def test_headings_on_two_lines(table):
    rows = wide([])
    low = ["no.", "no.", "name", "-1 DAT", "3 DAT", "7 DAT"]
    rows = [["Plot", "Rep", "Trt", *["larvae"] * 3], low]
    rows += [[p, b, t, *(larvae(b, t, d) for d in DAYS)] for p, b, t in PLOTS]
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


def test_an_analysis_below_the_data(table):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    rows += [[], ["Source", "df", "SS", "MS", "F", "P"], ["Block", 3, 10, 3.3, 1.1, 0.4]]
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}


def test_years_of_two_figures_beside_a_month(table):
    rows = long(when=lambda d: f"{day_of(d).day}-Jun-25")
    assert values(table(rows)) == {"larvae": TRUTH["larvae"]}
    rows = long(when=lambda d: f"{day_of(d).day}/6")
    assert kinds(table(rows)) == {"day-unreadable"}


def test_values_that_an_export_wrapped_are_not_dropped(table):
    rows = wide([f"larvae {d} DAT" for d in DAYS])
    for row in rows[1:]:
        row[4] = f'="{row[4]}"'
    assert kinds(table(rows)) == {"text-in-number"}
