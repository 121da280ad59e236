"""Files as offices keep them: each is read as it is meant, or refused with its real reason."""

from __future__ import annotations

import itertools
from datetime import date

import pytest

from trialkit.reading import read
from trialkit.trial import Design, Kind, VariableRole

TREATMENTS = ("Untreated", "Tarnock", "Wimbrel", "Ostrel")
BLOCKS = ("1", "2", "3", "4")
PLOTS = [
    (f"{b}0{k}", b, t) for b in BLOCKS for k, t in enumerate(TREATMENTS, 1)
]  # fmt: skip
TOML = 'untreated = "Untreated"\napplied = 2025-06-12\n'


def value(place: int, day: float) -> int:
    """A count that differs between plots and days."""
    return 7 + (place * 5 + int(day) * 3) % 41


def flat(headings="larvae {} DAT", days=(-1, 3, 7), plots=PLOTS, first="plot,block,treatment"):
    """A flat table with a column a day."""
    lines = [",".join([first, *(headings.format(day) for day in days)])]
    for place, ids in enumerate(plots):
        lines.append(",".join([*ids, *(str(value(place, day)) for day in days)]))
    return "\n".join(lines) + "\n"


def triples(reading):
    """Block, treatment, day and value of all counts."""
    assert reading.trial is not None, "\n".join(map(str, reading.problems))
    plots = {plot.id: plot for plot in reading.trial.plots}
    return {
        (plots[row.plot].block, plots[row.plot].treatment, row.day, row.value)
        for row in reading.trial.counts.itertuples()
    }


TRUTH = {
    (b, t, float(day), float(value(place, day)))
    for place, (_, b, t) in enumerate(PLOTS)
    for day in (-1, 3, 7)
}


def kinds(reading):
    """Kinds of the errors."""
    return {item.kind for item in reading.problems if item.severity == "error"}


@pytest.mark.parametrize("dash", "-\u2010\u2011\u2012\u2013\u2014\u2212")
def test_every_dash_before_a_number_is_a_minus(file, dash):
    text = flat().replace("larvae -1", f"larvae {dash}1")
    assert triples(read(file("a.csv", text))) == TRUTH


@pytest.mark.parametrize("written", ["larvae - 1 DAT", "larvae–1 DAT", "larvae – 1 DAT"])
def test_a_dash_that_may_be_a_joint_is_asked_about(file, written):
    assert kinds(read(file("a.csv", flat().replace("larvae -1 DAT", written)))) == {
        "day-unreadable"
    }


def test_dashes_as_joints_everywhere(file):
    reading = read(file("a.csv", flat("larvae -{} DAT", days=(3, 7, 14))))
    assert kinds(reading) == {"days-out-of-order"}


def test_blocks_in_several_spellings(file):
    text = flat(
        plots=[(p, {0: "Block 1", 1: "1"}.get(i, b), t) for i, (p, b, t) in enumerate(PLOTS)]
    )
    reading = read(file("a.csv", text))
    assert {plot.block for plot in reading.trial.plots} == set(BLOCKS)
    assert "spelling" in {item.kind for item in reading.problems}
    letters = {"1": "A", "2": "B", "3": "C", "4": "D"}
    mixed = [
        (p, letters[b].lower() if i % 3 else letters[b], t) for i, (p, b, t) in enumerate(PLOTS)
    ]
    reading = read(file("b.csv", flat(plots=mixed)))
    assert len({plot.block for plot in reading.trial.plots}) == 4


def test_a_block_in_the_first_row_only(file):
    plots = [(p, b if i % 4 == 0 else "", t) for i, (p, b, t) in enumerate(PLOTS)]
    assert triples(read(file("a.csv", flat(plots=plots)))) == TRUTH
    plots[5] = (plots[5][0], "2", plots[5][2])
    assert kinds(read(file("b.csv", flat(plots=plots)))) == {"no-block"}


@pytest.mark.parametrize(
    "rows",
    [
        "Mean,,,20,20,20\n",
        ",Mean,Tarnock,20,20,20\n",
        ",,Mean,20,20,20\n,,LSD 5%,1,1,1\n,,CV %,3,3,3\n",
        "Mean 1,,Untreated,20,20,20\nMean 2,,Tarnock,2,2,2\n",
        "\nTreatment,Mean,,\nUntreated,20,20,20\nTarnock,2,2,2\n",
        "Grand mean,,,20,20,20\nP,,,0.01,0.02,0.03\n",
    ],
)
def test_summaries_are_left_out_and_said(file, rows):
    reading = read(file("a.csv", flat() + rows))
    assert triples(reading) == TRUTH
    assert "summary-row" in {item.kind for item in reading.problems}


def test_replicates_of_incomplete_blocks(file):
    lines = ["plot,rep,block,gen,yield"]
    for place, (r, b, k) in enumerate(itertools.product(range(1, 4), range(1, 5), range(3))):
        gen = f"G{(b * 3 + k + r * 4 * k) % 12 + 1:02}"
        lines.append(f"{place + 1},R{r},B{b},{gen},{50 + place % 7}")
    reading = read(file("a.csv", "\n".join(lines) + "\n"))
    trial = reading.trial
    assert trial is not None, reading.problems
    assert len({plot.block for plot in trial.plots}) == 12
    assert {plot.replicate for plot in trial.plots} == {"R1", "R2", "R3"}


def test_rows_that_may_be_samples_or_plots(file):
    lines = ["block,treatment,vine,shoot,mites"]
    for b, t, v, s in itertools.product((1, 2), "ABC", (1, 2), (1, 2, 3)):
        lines.append(f"{b},{t},{v},{s},{b + v * s}")
    assert kinds(read(file("a.csv", "\n".join(lines) + "\n"))) == {"samples-or-plots"}


@pytest.mark.parametrize("merge", [True, False])
def test_two_rows_of_headings(book, merge):
    rows = [
        ["", "", "", "larvae", None, "beetles", None],
        ["plot", "block", "treatment", "3 DAT", "7 DAT", "3 DAT", "7 DAT"],
    ]
    rows += [[p, b, t, i, i + 20, i + 40, i + 60] for i, (p, b, t) in enumerate(PLOTS)]

    def finish(made):
        if merge:
            made.worksheets[0].merge_cells("D1:E1")
            made.worksheets[0].merge_cells("F1:G1")

    counts = read(book({"Data": rows}, finish)).trial.counts
    assert set(counts["variable"]) == {"larvae", "beetles"}
    first = counts[(counts["plot"] == "101")]
    assert sorted(first["value"]) == [0, 20, 40, 60]


def test_days_over_variables(book):
    rows = [
        ["", "", "", "3 DAT", None, "7 DAT", None],
        ["plot", "block", "treatment", "larvae", "beetles", "larvae", "beetles"],
    ]
    rows += [[p, b, t, i, i + 20, i + 40, i + 60] for i, (p, b, t) in enumerate(PLOTS)]
    counts = read(book({"Data": rows})).trial.counts
    own = counts[(counts["plot"] == "101") & (counts["variable"] == "larvae")]
    assert list(zip(own["day"], own["value"], strict=True)) == [(3, 0), (7, 40)]


def plan_sheet():
    """The sheet of plots."""
    return [["plot", "block", "treatment"], *([p, b, t] for p, b, t in PLOTS)]


def test_sheets_named_by_variable(book):
    counts = {
        f"Counts {name}": [["plot", "3 DAT", "7 DAT"]]
        + [[p, i + add, i + add + 20] for i, (p, _, _) in enumerate(PLOTS)]
        for name, add in (("larvae", 0), ("beetles", 40))
    }
    trial = read(book({"Plots": plan_sheet(), **counts})).trial
    assert {item.name for item in trial.variables} == {"larvae", "beetles"}
    assert len(trial.counts) == 64


@pytest.mark.parametrize(
    "names", [("-1 DAT", "3 DAT", "7 DAT"), ("11.06.2025", "15.06.2025", "19.06.2025")]
)
def test_a_sheet_an_assessment(book, names):
    sheets = {
        name: [["plot", "block", "treatment", "larvae"]]
        + [[p, b, t, value(i, day)] for i, (p, b, t) in enumerate(PLOTS)]
        for name, day in zip(names, (-1, 3, 7), strict=True)
    }
    trial = [["title", "T"], ["applied", "2025-06-12"], ["untreated", "Untreated"]]
    assert triples(read(book({"Trial": trial, **sheets}))) == TRUTH


def test_a_file_an_assessment(tmp_path):
    plans = "plot,block,treatment\n" + "".join(f"{p},{b},{t}\n" for p, b, t in PLOTS)
    (tmp_path / "plots.csv").write_text(plans)
    for day in (-1, 3, 7):
        lines = (f"{p},{value(place, day)}\n" for place, (p, _, _) in enumerate(PLOTS))
        (tmp_path / f"{day} DAT.csv").write_text("plot,larvae\n" + "".join(lines))
    assert triples(read(tmp_path)) == TRUTH


@pytest.mark.parametrize(
    ("heading", "days"),
    [
        ("Day", (162, 165, 169)),
        ("Day", (45819, 45822, 45826)),
        ("DAT", (20250612, 20250615, 20250619)),
        ("days after treatment", (364, 371, 379)),
    ],
)
def test_days_that_cannot_be(file, heading, days):
    lines = [f"plot,block,treatment,{heading},larvae"]
    for place, (p, b, t) in enumerate(PLOTS):
        lines += [f"{p},{b},{t},{day},{value(place, k)}" for k, day in enumerate(days)]
    assert kinds(read(file("a.csv", "\n".join(lines) + "\n"))) == {"days-out-of-order"}


def test_an_application_a_year_early(file, tmp_path):
    lines = ["plot,block,treatment,date,larvae"]
    for place, (p, b, t) in enumerate(PLOTS):
        lines += [f"{p},{b},{t},2025-06-{day},{value(place, day)}" for day in (11, 15, 19)]
    (tmp_path / "trial.toml").write_text(TOML.replace("2025-06-12", "2024-06-12"))
    reading = read(file("a.csv", "\n".join(lines) + "\n"))
    assert kinds(reading) == {"days-out-of-order"}


def test_real_dates_beside_texts_of_another_order(book):
    rows = [["plot", "block", "treatment", "date", "larvae"]]
    for place, (p, b, t) in enumerate(PLOTS):
        rows.append([p, b, t, date(2025, 12, 6), value(place, -1)])
        rows.append([p, b, t, "15/06/2025", value(place, 3)])
    trial = [["title", "T"], ["applied", "2025-06-12"], ["untreated", "Untreated"]]
    assert kinds(read(book({"Trial": trial, "Data": rows}))) == {"dates-mixed"}


def test_percentages_as_fractions_are_asked_about(file):
    text = flat("severity % {} DAT", days=(7,)).replace(",", ";")
    lines = text.splitlines()
    made = [
        lines[0],
        *(f"{line.rsplit(';', 1)[0]};0,{i:02}" for i, line in enumerate(lines[1:], 10)),
    ]
    reading = read(file("a.csv", "\n".join(made)))
    assert "percent-fraction" in {item.kind for item in reading.problems}


@pytest.mark.parametrize(
    ("form", "stored", "shown"),
    [("0 %", 0.2, 20.0), ("0%", 0.07, 7.0), ('0.0"%"', 20.0, 20.0), ("0.0\\%", 20.0, 20.0)],
)
def test_percent_formats(book, form, stored, shown):
    rows = [
        ["plot", "block", "treatment", "damage % 7 DAT"],
        *([p, b, t, stored] for p, b, t in PLOTS),
    ]

    def finish(made):
        for row in made.worksheets[0].iter_rows(min_row=2, min_col=4, max_col=4):
            row[0].number_format = form

    trial = read(book({"Data": rows}, finish)).trial
    assert set(trial.counts["value"]) == {shown}
    assert trial.variables[0].kind is Kind.PERCENT


def test_decimal_marks_that_disagree(file):
    lines = ["plot;block;treatment;larvae 7 DAT;yield kg"]
    lines += [f"{p};{b};{t};{i},5;4.666" for i, (p, b, t) in enumerate(PLOTS)]
    assert kinds(read(file("a.csv", "\n".join(lines)))) == {"text-in-number"}
    lines = ["plot;block;treatment;larvae 7 DAT"]
    lines += [f"{p};{b};{t};4,66{i % 10}" for i, (p, b, t) in enumerate(PLOTS)]
    assert kinds(read(file("b.csv", "\n".join(lines)))) == {"text-in-number"}


def test_copies_put_aside_are_not_read(folder, base):
    plain = read(folder())
    again = read(folder({"counts_old.csv": base["counts.csv"].replace("10", "99")}))
    assert again.trial == plain.trial
    assert "unknown-file" in {item.kind for item in again.problems}


def test_hidden_sheets_are_said(book, sheets):
    plain = read(book(sheets)).trial
    sheets["Counts_2024"] = [["plot", "days_after", "aphids"], [101, 7, 99]]

    def hide(made):
        made["Counts_2024"].sheet_state = "hidden"

    reading = read(book(sheets, hide))
    assert reading.trial == plain
    assert "hidden-sheet" in {item.kind for item in reading.problems}


def test_names_that_are_nearly_the_same(file):
    plots = list(PLOTS)
    plots[5] = (plots[5][0], plots[5][1], "Tarnok")
    assert kinds(read(file("a.csv", flat(plots=plots)))) == {"near-double"}
    plots[5] = (plots[5][0], plots[5][1], "TARNOCK ")
    assert triples(read(file("b.csv", flat(plots=plots)))) == TRUTH


@pytest.mark.parametrize("written", ["3–4 DAT", "3/4 DAT", "3 - 4 DAT", "3 to 4 DAT"])
def test_ranges_of_days(file, written):
    assert kinds(read(file("a.csv", flat().replace("3 DAT", written)))) == {"day-range"}


def test_days_after_a_later_application(folder):
    applications = "date\n2025-06-12\n2025-06-26\n"
    counts = "plot,aphids -1 DAT,aphids 7 DAT2\n101,1,2\n102,3,4\n201,5,6\n202,7,8\n"
    reading = read(folder({"counts.csv": counts, "applications.csv": applications}))
    assert set(reading.trial.counts["day"]) == {-1.0, 21.0}
    reading = read(folder({"counts.csv": counts, "applications.csv": None}))
    assert "application-unknown" in kinds(reading) or reading.trial is not None


def test_two_tables_side_by_side(file):
    lines = ["plot,block,treatment,larvae 7 DAT,,plot,block,treatment,larvae 7 DAT"]
    half = len(PLOTS) // 2
    for i in range(half):
        (p, b, t), (q, c, u) = PLOTS[i], PLOTS[i + half]
        lines.append(f"{p},{b},{t},{i},,{q},{c},{u},{i + 9}")
    assert kinds(read(file("a.csv", "\n".join(lines)))) == {"two-tables"}


def test_plot_numbers_again_are_no_variable(file):
    lines = ["plot,block,treatment,larvae 7 DAT,No"]
    lines += [f"{p},{b},{t},{i},{p}" for i, (p, b, t) in enumerate(PLOTS)]
    reading = read(file("a.csv", "\n".join(lines)))
    assert [item.name for item in reading.trial.variables] == ["larvae"]


@pytest.mark.parametrize(
    ("hit", "of"),
    [("diseased", "total"), ("damaged", "n"), ("infested plants", "plants"),
     ("dead", "number of larvae"), ("damaged", "inspected"), ("infected", "plants examined")],
)  # fmt: skip
def test_k_of_n(file, hit, of):
    lines = [f"plot,block,treatment,{hit} 7 DAT,{of} 7 DAT"]
    lines += [f"{p},{b},{t},{i},{20 + i}" for i, (p, b, t) in enumerate(PLOTS)]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert [item.kind for item in trial.variables] == [Kind.PERCENT]
    assert trial.counts["value"].tolist()[3] == pytest.approx(100 * 3 / 23)


def test_totals_beside_what_they_sum(file):
    lines = ["plot,block,treatment,larvae 7 DAT,beetles 7 DAT,Total 7 DAT"]
    lines += [f"{p},{b},{t},{i},{2 * i},{3 * i}" for i, (p, b, t) in enumerate(PLOTS)]
    reading = read(file("a.csv", "\n".join(lines)))
    assert [item.name for item in reading.trial.variables] == ["larvae", "beetles"]


@pytest.mark.parametrize("head", ["rep {}", "R{}", "Block {}", "rep {} 7 DAT", "7 DAT R{}"])
def test_treatments_by_replicates(file, head):
    lines = [",".join(["treatment", *(head.format(b) for b in BLOCKS), "Mean"])]
    for k, t in enumerate(TREATMENTS):
        values = [str(value(4 * (int(b) - 1) + k, 7)) for b in BLOCKS]
        lines.append(",".join([t, *values, "12.5"]))
    reading = read(file("a.csv", "\n".join(lines) + "\nMean,1,2,3,4,5\nLSD,1,1,1,1,1\n"))
    found = {(b.strip("R"), t, v) for b, t, _, v in triples(reading)}
    assert found == {(b, t, v) for b, t, day, v in TRUTH if day == 7}


def test_samples_across(file):
    lines = ["plot,block,treatment,DAT,plant 1,plant 2,plant 3"]
    lines += [f"{p},{b},{t},7,{i},{i + 1},{i + 2}" for i, (p, b, t) in enumerate(PLOTS)]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert set(trial.counts["sample"]) == {"1", "2", "3"}
    assert len(trial.variables) == 1
    numbered = "\n".join(lines).replace("plant", "larvae")
    assert kinds(read(file("b.csv", numbered))) == {"numbered-columns"}


def test_percent_signs_and_censored_values(file):
    lines = ["plot,block,treatment,damage 7 DAT"]
    signed = [f"{p},{b},{t},{i + 10}%" for i, (p, b, t) in enumerate(PLOTS)]
    trial = read(file("a.csv", "\n".join(lines + signed))).trial
    assert trial.variables[0].kind is Kind.PERCENT
    assert trial.counts["value"].tolist()[0] == 10
    below = [f"{p},{b},{t},<1" for p, b, t in PLOTS]
    assert kinds(read(file("b.csv", "\n".join(lines + below)))) == {"text-in-number"}


@pytest.mark.parametrize("sort", ["link", "folder"])
def test_a_table_that_is_no_file(folder, sort):
    path = folder({"yield.csv": None})
    if sort == "link":
        (path / "yield.csv").symlink_to(path / "nowhere.csv")
    else:
        (path / "yield.csv").mkdir()
    assert "file-unreadable" in kinds(read(path))


def test_a_single_replicate(file, tmp_path):
    (tmp_path / "trial.toml").write_text(TOML + 'design = "crd"\n')
    text = flat(plots=[(p, t) for p, _, t in PLOTS[:4]], first="plot,treatment")
    assert kinds(read(file("a.csv", text))) == {"single-replicate"}


def test_hours_stay_parts_of_a_day(file):
    counts = read(file("a.csv", flat("larvae {} HAT", days=(6, 12)))).trial.counts
    assert set(counts["day"]) == {0.25, 0.5}


# --- users who were turned away ------------------------------------------------------------


def test_properties_of_treatments_beside_counts(file):
    lines = ["plot,block,treatment,Rate,rate unit,mode of action,N,cultivar,larvae 7 DAT"]
    rates = dict(zip(TREATMENTS, ("", "0.5", "1", "2"), strict=True))
    lines += [
        f"{p},{b},{t},{rates[t]},L/ha,{ord(t[0]) % 9}A,{ord(t[1]) % 3 * 40},Brackmoor,{i}"
        for i, (p, b, t) in enumerate(PLOTS)
    ]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert [item.name for item in trial.variables] == ["larvae"]
    assert trial.treatment("Ostrel").rate == 2
    assert trial.treatment("Ostrel").rate_unit == "L/ha"


@pytest.mark.parametrize(
    "word", ["variety", "gen", "genotype", "hybrid", "line", "cultivar", "entry", "product"]
)
def test_varieties_are_treatments(file, word):
    lines = [f"{word},rep,yield"] + [f"V{k},{b},{k + b}" for b in (1, 2, 3) for k in range(5)]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert len(trial.treatments) == 5
    assert trial.untreated is None
    assert trial.design is Design.RCBD


def test_crop_variables(file):
    lines = ["variety,rep,stand 20 DAP,vigour 20 DAP,height 60 DAP,NDVI 60 DAP,yield"]
    lines += [
        f"V{k},{b},{20 + k},{k + b},{60 + k},0.{40 + k + b},{k + b}"
        for b in (1, 2, 3)
        for k in range(5)
    ]
    reading = read(file("a.csv", "\n".join(lines)))
    roles = {item.name: item.role for item in reading.trial.variables}
    assert {roles[name] for name in ("stand", "vigour", "height", "NDVI")} == {VariableRole.CROP}
    assert set(reading.trial.counts["day"]) == {20, 60}


def test_factors_make_the_treatments(file):
    lines = ["block,N,P,K,yield"]
    lines += [
        f"{b},{n},{p},{k},{b + n + p * 1.5 + k}"
        for b in (1, 2, 3)
        for n, p, k in itertools.product((0, 1), repeat=3)
    ]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert len(trial.treatments) == 8
    assert trial.settings.factors == ("N", "P", "K")


@pytest.mark.parametrize("word", ["site", "year", "location"])
def test_several_trials_in_one_file(file, word):
    lines = [f"{word},block,variety,yield"]
    lines += [f"{s},{b},V{k},{k + b}" for s in (2024, 2025) for b in (1, 2) for k in range(3)]
    assert kinds(read(file("a.csv", "\n".join(lines)))) == {"several-trials"}


@pytest.mark.parametrize("word", ["alpha", "alpha lattice", "incomplete blocks", "lattice"])
def test_words_for_incomplete_blocks(file, tmp_path, word):
    (tmp_path / "trial.toml").write_text(f'design = "{word}"\nuntreated = "none"\n')
    lines = ["rep,block,variety,yield"]
    lines += [f"{r},{k // 2},V{(k * r) % 5},{k + r}" for r in (1, 2, 3) for k in range(4)]
    assert "settings-value" not in {p.kind for p in read(file("a.csv", "\n".join(lines))).problems}


def test_one_cause_is_one_problem(file):
    text = flat(days=(-1, 3, 7))
    lines = text.splitlines()
    spoilt = [lines[0], *(f"{line.rsplit(',', 1)[0]},n.d." for line in lines[1:])]
    reading = read(file("a.csv", "\n".join(spoilt).replace("larvae 7 DAT,", "") + "\n"))
    errors = [item for item in reading.problems if item.severity == "error"]
    assert len(errors) <= 1


def test_factors_that_blocks_confound_are_all_taken(file):
    """Half of the combinations in each block, as in a factorial confounded with blocks."""
    lines = ["block,N,P,K,yield"]
    for b in range(1, 7):
        half = [f for f in itertools.product((0, 1), repeat=3) if sum(f) % 2 == b % 2]
        lines += [f"{b},{n},{p},{k},{40.5 + b + 3 * n + p + k / 2}" for n, p, k in half]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert len(trial.treatments) == 8
    assert [item.name for item in trial.variables] == ["yield"]


def test_a_factor_beside_the_treatment_is_no_variable(file):
    lines = ["treatment,poison,survival"]
    lines += [f"{t},{p},{r + p * 1.5}" for t in "ABCD" for p in (1, 2, 3) for r in range(4)]
    assert kinds(read(file("a.csv", "\n".join(lines)))) == {"crossed-factor"}
    doses = ["herbicide,dose,dry matter"]
    doses += [
        f"{h},{d},{r + d * 1.5 + len(h)}"
        for h in ("Alba", "Velsin")
        for d in (0, 5, 9)
        for r in (1, 2)
    ]
    trial = read(file("b.csv", "\n".join(doses))).trial
    assert len(trial.treatments) == 6
    assert [item.name for item in trial.variables] == ["dry matter"]


def test_positions_and_row_numbers_are_no_variables(file):
    lines = ["obs,variety,rep,yield,latitude,longitude,serial"]
    lines += [
        f"{5 * b + k},V{k},{b},{k + b},{k / 7},{b / 7},{5 * b + k}"
        for b in range(3)
        for k in range(5)
    ]
    trial = read(file("a.csv", "\n".join(lines))).trial
    assert [item.name for item in trial.variables] == ["yield"]
