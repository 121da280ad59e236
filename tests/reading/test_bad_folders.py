"""Each kind of bad input gets its message, with its place and its remedy, all in one pass."""

from __future__ import annotations

import pytest

from reading.folders import SOUND, changed, write_folder
from trialkit.problems import Severity, TrialError
from trialkit.reading import read, read_trial


def problems_of(folder):
    return read(folder).problems


def only(problems, kind):
    found = [item for item in problems if item.kind == kind]
    assert found, f"no {kind} among {[item.kind for item in problems]}"
    return found


def test_the_sound_trial_reads_without_a_word(tmp_path):
    reading = read(write_folder(tmp_path))
    assert reading.problems == ()
    assert reading.trial is not None


ERRORS = {
    "no-untreated": dict(
        trial_toml=changed("trial.toml", 'untreated = "1"\n', "")
        + '[analysis]\ncontrol = "abbott"\n',
        treatments_csv=SOUND["treatments.csv"].replace("Untreated,untreated", "Alba,test"),
    ),
    "plot-unknown": dict(counts_csv=SOUND["counts.csv"] + "99,7,3\n"),
    "different-values-twice": dict(counts_csv=SOUND["counts.csv"] + "11,7,31\n"),
    "treatment-without-plots": dict(treatments_csv=SOUND["treatments.csv"] + "4,Idle,test\n"),
    "text-in-number": dict(counts_csv=changed("counts.csv", "12,7,4", "12,7,about 4")),
    "negative-count": dict(counts_csv=changed("counts.csv", "12,7,4", "12,7,-4")),
    "percent-range": dict(
        trial_toml=changed("trial.toml", 'kind = "count"', 'kind = "percent"'),
        counts_csv=changed("counts.csv", "12,7,4", "12,7,104"),
    ),
    "day-unreadable": dict(counts_csv=changed("counts.csv", "12,7,4", "12,soon,4")),
    "treatment-unknown": dict(plots_csv=changed("plots.csv", "12,A,2", "12,A,8")),
    "plot-twice": dict(plots_csv=SOUND["plots.csv"] + "11,B,3\n"),
    "single-block": dict(plots_csv=SOUND["plots.csv"].replace(",B,", ",A,")),
    "not-latin": dict(
        trial_toml=changed("trial.toml", "rcbd", "latin"),
        plots_csv="plot,row,column,treatment\n11,1,1,1\n12,1,2,2\n13,1,3,3\n"
        "21,2,1,1\n22,2,2,3\n23,2,3,2\n31,3,1,3\n32,3,2,1\n33,3,3,2\n",
        counts_csv="plot,days_after,hoppers\n"
        + "".join(f"{p},7,{p}\n" for p in (11, 12, 13, 21, 22, 23, 31, 32, 33)),
    ),
    "settings-syntax": dict(trial_toml="title = 'open\n" + SOUND["trial.toml"]),
    "settings-value": dict(trial_toml=SOUND["trial.toml"] + '[analysis]\ncomparison = "tuky"\n'),
    "no-plan": dict(plots_csv=None),
}


@pytest.mark.parametrize("kind", ERRORS)
def test_an_error_stops_the_reading_and_says_where(kind, tmp_path):
    folder = write_folder(tmp_path, **ERRORS[kind])
    found = only(problems_of(folder), kind)
    assert all(item.severity is Severity.ERROR for item in found)
    assert all(item.what and item.remedy for item in found)
    assert any(item.place.file for item in found) or kind == "no-plan"
    with pytest.raises(TrialError) as caught:
        read_trial(folder)
    assert kind in [item.kind for item in caught.value.problems]


WARNINGS = {
    "missing-plots": dict(counts_csv=changed("counts.csv", "12,7,4\n", "")),
    "same-value-twice": dict(counts_csv=SOUND["counts.csv"] + "11,7,30\n"),
    "unknown-column": dict(
        plots_csv=changed("plots.csv", "plot,block", "plot,weather,block")
        .replace("11,A", "11,dry,A")
        .replace("12,A", "12,dry,A")
        .replace("13,A", "13,dry,A")
        .replace("21,B", "21,dry,B")
        .replace("22,B", "22,dry,B")
        .replace("23,B", "23,dry,B")
    ),
    "unknown-key": dict(trial_toml='desing = "rcbd"\n' + SOUND["trial.toml"]),
    "decimal-comma": dict(
        counts_csv=SOUND["counts.csv"].replace(",", ";").replace("12;7;4", "12;7;4,5")
    ),
    "unequal-samples": dict(
        counts_csv="plot,days_after,sample,hoppers\n"
        + "".join(
            f"{plot},7,{sample},{sample + i}\n"
            for i, plot in enumerate((11, 12, 13, 21, 22, 23))
            for sample in ((1, 2) if plot == 11 else (1, 2, 3))
        )
    ),
    "unknown-file": dict(countz_csv=SOUND["counts.csv"]),
}


@pytest.mark.parametrize("kind", WARNINGS)
def test_a_warning_does_not_stop_the_reading(kind, tmp_path):
    folder = write_folder(tmp_path, **WARNINGS[kind])
    found = only(problems_of(folder), kind)
    assert all(item.severity is Severity.WARNING for item in found)
    trial = read_trial(folder)
    assert kind in [item.kind for item in trial.warnings]


def test_places_are_those_of_the_file(tmp_path):
    folder = write_folder(tmp_path, counts_csv=changed("counts.csv", "12,7,4", "12,7,about 4"))
    (problem,) = only(problems_of(folder), "text-in-number")
    assert (problem.place.file, problem.place.row, problem.place.column) == (
        "counts.csv",
        9,
        "hoppers",
    )
    assert "about 4" in problem.what


def test_the_nearest_known_name_is_offered(tmp_path):
    folder = write_folder(tmp_path, trial_toml='desing = "rcbd"\n' + SOUND["trial.toml"])
    (problem,) = only(problems_of(folder), "unknown-key")
    assert "design" in problem.what + problem.remedy


def test_all_problems_come_at_once(tmp_path):
    folder = write_folder(
        tmp_path,
        counts_csv=changed("counts.csv", "12,7,4", "12,7,about 4") + "99,7,3\n11,7,31\n12,x,1\n",
        treatments_csv=SOUND["treatments.csv"] + "4,Idle,test\n",
    )
    kinds = {item.kind for item in problems_of(folder)}
    assert {
        "text-in-number",
        "plot-unknown",
        "different-values-twice",
        "day-unreadable",
        "treatment-without-plots",
    } <= kinds


@pytest.mark.parametrize("token", ["", ".", "-", "NA", "n/a", "*"])
def test_missing_tokens(token, tmp_path):
    folder = write_folder(tmp_path, counts_csv=changed("counts.csv", "12,7,4", f"12,7,{token}"))
    counts = read_trial(folder).counts
    row = counts[(counts["plot"] == "12") & (counts["day"] == 7)]
    assert row["value"].isna().all()


@pytest.mark.parametrize("name", ["None", "NA", "007", "1e3", "n/a", "<script>", "=1+1", "../x"])
def test_treatment_ids_stay_text(name, tmp_path):
    folder = write_folder(
        tmp_path,
        treatments_csv=changed("treatments.csv", "2,Velsin", f"{name},Velsin"),
        plots_csv=SOUND["plots.csv"].replace("A,2", f"A,{name}").replace("B,2", f"B,{name}"),
    )
    trial = read_trial(folder)
    assert [item.id for item in trial.treatments] == ["1", name, "3"]


@pytest.mark.parametrize(
    "content",
    [
        SOUND["counts.csv"].encode("utf-8-sig"),
        SOUND["counts.csv"].replace(",", ";").encode(),
        SOUND["counts.csv"].replace(",", "\t").encode(),
        SOUND["counts.csv"].replace("\n", "\r\n").encode(),
        SOUND["counts.csv"].encode("utf-16"),
        ("Hopper counts;;\n;;\n" + SOUND["counts.csv"].replace(",", ";")).encode(),
        (SOUND["counts.csv"] + "\nCounted by two people in light rain\n").encode(),
        SOUND["counts.csv"].replace("plot,days_after", "Plot No.,Days after treatment").encode(),
        SOUND["counts.csv"].replace("plot,days_after", "PLOT,DAT").encode(),
    ],
)
def test_counts_in_other_dress_are_the_same(content, tmp_path):
    plain = read_trial(write_folder(tmp_path / "plain"))
    other = read_trial(write_folder(tmp_path / "other", counts_csv=content))
    assert other.counts.equals(plain.counts)


SHAPES = {
    "a column a day": "plot,hoppers 0 DAT,hoppers 7 DAT\n11,20,30\n12,22,4\n13,18,9\n21,25,6\n"
    "22,24,12\n23,21,33\n",
    "a column a date": "plot,hoppers 2025-05-01,hoppers 2025-05-08\n11,20,30\n12,22,4\n13,18,9\n"
    "21,25,6\n22,24,12\n23,21,33\n",
    "long": "plot,days_after,variable,value\n"
    + "".join(
        f"{plot},{day},hoppers,{value}\n"
        for plot, day, value in (line.split(",") for line in SOUND["counts.csv"].splitlines()[1:])
    ),
    "dates": SOUND["counts.csv"]
    .replace("days_after", "date")
    .replace(",0,", ",2025-05-01,")
    .replace(",7,", ",2025-05-08,"),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_of_counts_give_the_same_trial(shape, tmp_path):
    plain = read_trial(write_folder(tmp_path / "plain"))
    other = read_trial(write_folder(tmp_path / "other", counts_csv=SHAPES[shape]))
    assert other == plain


def test_a_flat_table_gives_the_same_numbers(tmp_path):
    plan = {line.split(",")[0]: line.split(",")[1:] for line in SOUND["plots.csv"].splitlines()[1:]}
    rows = [line.split(",") for line in SOUND["counts.csv"].splitlines()[1:]]
    lines = [f"{p},{plan[p][0]},{plan[p][1]},{day},{value}" for p, day, value in rows]
    path = tmp_path / "flat.csv"
    path.write_text("plot,block,treatment,days_after,hoppers\n" + "\n".join(lines) + "\n")
    reading = read(path)
    plain = read_trial(write_folder(tmp_path / "plain"))
    # Nothing in the table says which treatment is the untreated.
    assert "no-untreated" in {item.kind for item in reading.problems}
    assert reading.trial is not None
    assert sorted(reading.trial.counts["value"]) == sorted(plain.counts["value"])
    assert len(reading.trial.plots) == 6


def test_a_folder_of_trials(tmp_path):
    for name in ("north", "south"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "plots.csv").write_text("plot,block,treatment\n")
    (problem,) = read(tmp_path).problems
    assert "north and south" in problem.remedy
