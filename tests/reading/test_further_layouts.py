"""Layouts that a colleague reads without a question: turned tables, keys, bare days."""

from __future__ import annotations

import pytest

from reading.test_field_dialects import (
    DAYS,
    PLOTS,
    TREATMENTS,
    TRUTH,
    beetles,
    larvae,
    values,
    wide,
)
from reading.test_field_dialects import table as table
from trialkit.reading import Reading

IDS = {name: str(place) for place, name in enumerate(TREATMENTS, 1)}
NUMBERED = [["plot", "block", "trt", "day", "larvae"]] + [
    [p, b, IDS[t], d, larvae(b, t, d)] for p, b, t in PLOTS for d in DAYS
]


def by_name(reading: Reading) -> set[tuple[int, str, float, float]]:
    """Counts by block, name of the treatment and day."""
    assert reading.trial is not None, reading.problems
    trial = reading.trial
    names = {item.id: item.name for item in trial.treatments}
    plots = {plot.id: (int(plot.block or 0), names[plot.treatment]) for plot in trial.plots}
    rows = trial.counts[["plot", "day", "value"]].itertuples(index=False)
    return {(*plots[plot], day, value) for plot, day, value in rows}


def kinds(reading: Reading) -> set[str]:
    return {item.kind for item in reading.problems}


def test_a_table_on_its_side_is_turned_round(table):
    rows = [list(column) for column in zip(*wide([f"larvae {d} DAT" for d in DAYS]), strict=True)]
    reading = table([["Larvae in 2025"], *rows])
    assert by_name(reading) == TRUTH["larvae"]
    assert "on-its-side" in kinds(reading)


def test_a_problem_in_a_turned_table_names_the_place_in_the_file(table):
    rows = [list(column) for column in zip(*wide([f"larvae {d} DAT" for d in DAYS]), strict=True)]
    rows[3][2] = "many"
    problem = next(item for item in table(rows).problems if "many" in item.what)
    assert problem.place.row is None
    assert problem.place.column == "C, row larvae -1 DAT"


LIST = [[IDS[t], t] for t in TREATMENTS]


@pytest.mark.parametrize(
    "rows",
    [
        [["Treatments"], *LIST, [], *NUMBERED],
        [["trt", "name"], *LIST, [], *NUMBERED],
        [*NUMBERED, [], ["Trt", "Product", "Rate"], *([*row, None] for row in LIST)],
        [*NUMBERED, [], *([f"{a} = {b}"] for a, b in LIST)],
        [*NUMBERED, [], *([f"T{a}"] for a, b in LIST)],
        [
            [*row, None, *extra]
            for row, extra in zip(
                NUMBERED, [["trt", "name"], *LIST, *[[None, None]] * len(NUMBERED)], strict=False
            )
        ],
    ],
    ids=["pairs above", "list above", "list below", "lines below", "notes", "list beside"],
)
def test_a_list_of_treatments_beside_the_data(table, rows, request):
    reading = table(rows)
    if "notes" in request.node.name:
        assert "treatment-key" not in kinds(reading)
        return
    assert by_name(reading) == TRUTH["larvae"]
    assert reading.trial is not None
    assert reading.trial.untreated == "1"


def test_bare_numbers_that_can_only_be_days(table):
    reading = table(wide(["Lar -1", "Lar 3", "Lar 7"]))
    assert by_name(reading) == TRUTH["larvae"]
    assert "bare-days" in kinds(reading)


@pytest.mark.parametrize("numbers", [(10, 20, 30), (1, 2, 3), (30, 7, 3), (3, 7, 400)])
def test_bare_numbers_that_may_be_anything_are_asked_about(table, numbers):
    assert "numbered-columns" in kinds(table(wide([f"larvae {n}" for n in numbers])))


def test_numbered_assessments_below_their_dates(table):
    reading = table(
        [
            ["", "", "Sprayed on 12 June 2025"],
            ["", "", "", "11-Jun-25", "15-Jun-25", "19-Jun-25"],
            *wide(["A1", "A2", "A3"]),
        ]
    )
    assert by_name(reading) == TRUTH["larvae"]
    assert reading.trial is not None
    assert len(reading.trial.variables) == 1


@pytest.mark.parametrize(
    "line",
    ["Applikation: 12.06.2025", "Traitement le 12/06/2025", "Date of application = 12 Jun 2025"],
)
def test_the_application_in_a_line_above(table, line):
    rows = [["Parz.", "Wdh.", "Prüfglied", "Datum", "Larven"]] + [
        [p, b, t, f"{12 + d:02}.06.2025", larvae(b, t, d)] for p, b, t in PLOTS for d in DAYS
    ]
    if "/" in line:
        line = line.replace("12/06", "12.06")
    assert by_name(table([[line], [], *rows])) == TRUTH["larvae"]


def test_a_number_of_plots_under_another_heading_is_no_count(table):
    rows = [["Feld-ID", "block", "treatment", "day", "larvae"]] + [
        [p, b, t, d, larvae(b, t, d)] for p, b, t in PLOTS for d in DAYS
    ]
    reading = table(rows)
    assert values(reading) == {"larvae": TRUTH["larvae"]}
    assert "plot-heading" in kinds(reading)


def test_days_with_their_variable_on_lines_above_their_tables(table):
    rows: list = []
    for d in DAYS:
        when = f"{d} days after application" if d > 0 else f"before application (day {d})"
        rows += [[f"Larvae per plant: {when}"], ["treatment", "1", "2", "3", "4", "Mean"]]
        for t in TREATMENTS:
            own = [larvae(b, t, d) for b in (1, 2, 3, 4)]
            rows.append([t, *own, sum(own) / 4])
        rows.append([])
    rows = [
        ["treatment", *(f"rep {b}" for b in (1, 2, 3, 4)), "Mean"] if r[:1] == ["treatment"] else r
        for r in rows
    ]
    reading = table(rows)
    assert by_name(reading) == TRUTH["larvae"]
    assert reading.trial is not None
    assert reading.trial.variables[0].name == "Larvae per plant"


def test_percentages_that_may_be_parts_of_one_are_asked_about(table):
    rows = [["plot", "block", "treatment", "day", "% infested"]] + [
        [p, b, t, d, larvae(b, t, d) / 100] for p, b, t in PLOTS for d in DAYS
    ]
    assert kinds(table(rows)) >= {"percent-fraction"}
    some = [rows[0]] + [[*row[:4], row[4] if row[3] == 7 else 100 * row[4]] for row in rows[1:]]
    assert "percent-fraction" not in kinds(table(some))


def test_beetles_stay_beetles(table):
    rows = [["Plot", "Rep", "Trt", "DAT", "larvae", "beetles"]] + [
        [p, b, t, d, larvae(b, t, d), beetles(b, t, d)] for p, b, t in PLOTS for d in DAYS
    ]
    assert values(table(rows)) == TRUTH


def test_main_plots_and_subplots_by_name(table):
    rows = [["Block", "Main plot (tillage)", "Subplot (variety)", "larvae 7 DAT"]] + [
        [b, main, sub, 3 * b + len(main) + len(sub)]
        for b in (1, 2, 3)
        for main in ("ploughed", "none")
        for sub in ("Alma", "Brenta", "Corada")
    ]
    trial = table(rows, toml="").trial
    assert trial is not None
    assert trial.design == "split-plot"
    assert {(plot.main_factor, plot.sub_factor) for plot in trial.plots} == {
        (main, sub) for _, main, sub, _ in rows[1:]
    }


@pytest.mark.parametrize("words", ["(of 50)", "out of 50", "(n = 50)", "/50"])
def test_a_number_examined_in_the_heading(table, words):
    reading = table(wide([f"dead {words} {d} DAT" for d in DAYS]))
    assert reading.trial is not None, reading.problems
    (variable,) = reading.trial.variables
    assert variable.examined == 50
    assert by_name(reading) == {(b, t, d, 2.0 * value) for b, t, d, value in TRUTH["larvae"]}


def test_more_than_the_number_in_the_heading_is_no_share(table):
    reading = table(wide([f"dead of 20 {d} DAT" for d in DAYS]))
    assert reading.trial is not None
    assert reading.trial.variables[0].examined is None


def test_mass_beside_its_area_and_moisture_by_its_sign(table):
    rows = [["plot", "block", "treatment", "Grain kg", "area m2", "% moisture"]]
    rows += [[p, b, t, 10 + b, 12, 14.5] for p, b, t in PLOTS]
    trial = table(rows).trial
    assert trial is not None
    assert trial.harvest["harvested_kg"].tolist() == [10.0 + b for _, b, _ in PLOTS]
    assert set(trial.harvest["moisture_percent"]) == {14.5}


def test_masses_without_an_area_are_one_problem(table):
    from trialkit import analyse

    rows = [["plot", "block", "treatment", "Plot wt (lb)", "larvae 7 DAT"]]
    rows += [[p, b, t, 10 + b, larvae(b, t, 7)] for p, b, t in PLOTS]
    trial = table(rows).trial
    assert trial is not None
    told = [item for item in analyse(trial).problems if item.kind == "no-yield"]
    assert [item.what for item in told] == [
        "The yield of all plots could not be calculated: the harvested area is not known."
    ]


@pytest.mark.parametrize("words", ["F test", "SE(m)", "S.Em ±", "CD (5%)", "C.D. at 5%", "Mittel",
                                   "LSD (P=0.05)", "CV %", "Moyenne", "Promedio"])  # fmt: skip
def test_statistics_below_treatments_by_replicates(table, words):
    rows = [["treatment", "r1", "r2", "r3", "r4"]]
    rows += [[t, *(larvae(b, t, 7) for b in (1, 2, 3, 4))] for t in TREATMENTS]
    reading = table([*rows, [words, "2.4", "", "", ""]])
    assert reading.trial is not None, reading.problems
    assert {item.id for item in reading.trial.treatments} == set(TREATMENTS)


@pytest.mark.parametrize("name", ["Testigo", "Témoin", "Unbehandelt", "Kontrolle", "Testemunha"])
def test_the_untreated_in_other_languages(table, name):
    rows = [NUMBERED[0]] + [
        [p, b, name if t == "Untreated" else t, d, larvae(b, t, d)]
        for p, b, t in PLOTS
        for d in DAYS
    ]
    trial = table(rows, toml="").trial
    assert trial is not None
    assert trial.untreated == name


def test_an_application_whose_order_of_day_and_month_the_other_dates_tell(table):
    rows = [["plot", "block", "treatment", "Fecha", "larvae"]] + [
        [p, b, t, f"{12 + d:02}/06/2025", larvae(b, t, d)] for p, b, t in PLOTS for d in (3, 7)
    ]
    reading = table([["Fecha de aplicación", "12/06/2025"], [], *rows], toml="")
    assert by_name(reading) == {row for row in TRUTH["larvae"] if row[2] > 0}


def test_plants_of_a_plot_without_plots(table):
    rows = [["block", "treatment", "Plant", "larvae 7 DAT"]] + [
        [b, t, plant, larvae(b, t, 7) + plant] for _, b, t in PLOTS for plant in (1, 2, 3)
    ]
    reading = table(rows)
    assert reading.trial is not None, reading.problems
    assert set(reading.trial.counts["sample"]) == {"1", "2", "3"}


def test_days_after_spraying_beside_days_before_it(table):
    assert (
        by_name(table(wide(["larvae (1 DBS)", "larvae (3 DAS)", "larvae (7 DAS)"])))
        == (TRUTH["larvae"])
    )


def test_days_after_sowing_are_said(table):
    reading = table(wide([f"larvae {d} DAS" for d in (20, 30, 40)]), toml="")
    assert "days-sown" in kinds(reading)


@pytest.mark.parametrize("word", ["{} spray {{}} DAT", "larvae {{}} days after the {} spray",
                                  "larvae {} application {{}} DAT"])  # fmt: skip
def test_which_spray_is_no_variable(table, word):
    rows = [[*row[:3], *row[4:]] for row in wide(["x", "y", "z"])]

    def read(which):
        heads = [word.format(which).format(d) for d in (3, 7)]
        return table([["plot", "block", "treatment", *heads], *rows[1:]])

    assert by_name(read("first")) == {row for row in TRUTH["larvae"] if row[2] > 0}
    assert "application-unknown" in kinds(read("second"))


@pytest.mark.parametrize("word", ["larvae pre", "pre-count larvae", "larvae (before treatment)",
                                  "larvae_pre"])  # fmt: skip
def test_a_count_before_without_its_day(table, word):
    reading = table(wide([word, "larvae 3 DAT", "larvae 7 DAT"]))
    assert by_name(reading) == {(b, t, max(d, 0.0), value) for b, t, d, value in TRUTH["larvae"]}
    assert "count-before" in kinds(reading)
    assert reading.trial is not None
    assert len(reading.trial.variables) == 1


def test_a_count_before_beside_another_one_is_asked_about(table):
    assert table(wide(["larvae pre", "larvae -1 DAT", "larvae 7 DAT"])).trial is None


def test_weights_of_seeds_need_no_day(table):
    rows = [["plot", "block", "treatment", "larvae 7 DAT", "1000 seed weight (g)", "yield t/ha"]]
    rows += [[p, b, t, larvae(b, t, 7), 40 + b, 3.5] for p, b, t in PLOTS]
    trial = table(rows).trial
    assert trial is not None
    roles = {item.name: item.role.value for item in trial.variables}
    assert roles["1000 seed weight (g)"] == "yield"


@pytest.mark.parametrize("head", ["infested/total", "plants attacked", "k out of n"])
def test_cells_that_say_how_many_of_how_many(table, head):
    rows = [["plot", "block", "treatment", "day", head]] + [
        [p, b, t, d, f"{larvae(b, t, d)}/60"] for p, b, t in PLOTS for d in DAYS
    ]
    reading = table(rows)
    assert reading.trial is not None, reading.problems
    assert set(reading.trial.counts["examined"]) == {60}
    share = {(b, t, d, round(value / 0.6, 9)) for b, t, d, value in TRUTH["larvae"]}
    assert {(*rest, round(value, 9)) for *rest, value in by_name(reading)} == share


def test_days_and_months_are_no_shares(table):
    rows = [["plot", "block", "treatment", "larvae 7 DAT", "ripe on"]]
    rows += [[p, b, t, larvae(b, t, 7), f"{b}/12"] for p, b, t in PLOTS]
    reading = table(rows)
    assert "fractions" not in kinds(reading)


def test_more_than_all_is_no_share(table):
    rows = [["plot", "block", "treatment", "day", "infested/total"]]
    rows += [[p, b, t, d, f"{larvae(b, t, d)}/20"] for p, b, t in PLOTS for d in DAYS]
    assert table(rows).trial is None


@pytest.mark.parametrize("heads", [("I", "II", "III", "IV"), ("R1", "R2", "R3", "R4")])
def test_days_over_replicates_below_the_name_of_the_treatments(table, heads):
    top, low = ["Treatments"], [""]
    for d in DAYS:
        top += [f"{d} DAT" if d > 0 else f"{-d} DBT", "", "", ""]
        low += heads
    rows = [[t, *(larvae(b, t, d) for d in DAYS for b in (1, 2, 3, 4))] for t in TREATMENTS]
    reading = table([top, low, *rows])
    assert reading.trial is not None, reading.problems
    found = {(d, v) for _, _, d, v in TRUTH["larvae"]}
    assert (
        set(zip(reading.trial.counts["day"], reading.trial.counts["value"], strict=True)) == found
    )
    assert len(reading.trial.plots) == 16


@pytest.mark.parametrize("name", ["Key", "Varianten", "Treatment codes"])
def test_a_list_of_treatments_on_a_sheet_called_otherwise(tmp_path, name):
    import openpyxl

    from trialkit.reading import read

    book = openpyxl.Workbook()
    page = book.active
    page.title = "Data"
    for row in NUMBERED:
        page.append(row)
    key = book.create_sheet(name)
    for row in [["trt", "name"], *LIST]:
        key.append(row)
    book.save(tmp_path / "trial.xlsx")
    assert by_name(read(tmp_path / "trial.xlsx")) == TRUTH["larvae"]
