"""Doses, assessments, weather, events, applications of treatments and the user's own text."""

from __future__ import annotations

import math
from datetime import date

import pytest

from trialkit.programme import application_days, applications_of, since_latest
from trialkit.reading import read_trial, save_trial

APPLICATIONS = "no,date,gpa,method\nA,2025-06-12,15,spray\nB,2025-06-26,15,drench\nC,2025-07-03,,\n"
TREATMENTS = "treatment,name,role,applications\n1,Untreated,untreated,\n2,Ostrel,test,{}\n"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("A; C", ("A", "C")),
        ("C, A", ("A", "C")),
        ("A and B", ("A", "B")),
        ("A & C", ("A", "C")),
        ("1; 3", ("A", "C")),
        ("1-3", ("A", "B", "C")),
        ("1–2", ("A", "B")),
        ("A to C", ("A", "B", "C")),
        ("AC", ("A", "C")),
        ("all", ("A", "B", "C")),
        ("All applications", ("A", "B", "C")),
        ("application B", ("B",)),
        ("sprays 1 and 2", ("A", "B")),
        ("2025-06-26", ("B",)),
        ("none", ()),
        ("-", ()),
    ],
)
def test_applications_of_a_treatment(folder, check, text, expected):
    quoted = f'"{text}"' if "," in text else text
    target = folder({"applications.csv": APPLICATIONS, "treatments.csv": TREATMENTS.format(quoted)})
    found = check(target)
    assert found.problems == ()
    assert found.reading.trial.treatment("2").applications == expected


def test_an_application_that_is_not_listed(folder, check):
    target = folder({"applications.csv": APPLICATIONS, "treatments.csv": TREATMENTS.format("A; D")})
    found = check(target)
    said = found.warning("application-unknown", "treatments.csv, row 3, column applications")
    assert "'D' is not in the list of applications (A, B and C)." in said
    trial = found.reading.trial
    assert trial.treatment("2").applications == ("A", "D")
    assert [item.id for item in applications_of(trial, trial.treatment("2"))] == ["A"]


def test_days_of_a_treatment_are_its_own(folder):
    trial = read_trial(
        folder({"applications.csv": APPLICATIONS, "treatments.csv": TREATMENTS.format("A; B")})
    )
    own, untreated = trial.treatment("2"), trial.treatment("1")
    assert application_days(trial, own) == (0.0, 14.0)
    assert application_days(trial, untreated) == ()
    assert since_latest(trial, own, 28.0) == 14.0
    assert since_latest(trial, own, 0.0) is None
    assert since_latest(trial, untreated, 28.0) is None


def test_volumes_come_out_as_typed(folder, tmp_path):
    trial = read_trial(folder({"applications.csv": APPLICATIONS}))
    assert [item.carrier_gal_per_acre for item in trial.applications] == [15.0, 15.0, None]
    assert {item.carrier_l_per_ha for item in trial.applications} == {None}
    save_trial(trial, tmp_path / "again")
    text = (tmp_path / "again" / "applications.csv").read_text()
    assert text.splitlines()[0] == "application,date,carrier_gal_per_acre,method"
    assert read_trial(tmp_path / "again") == trial


def test_two_volumes_on_one_day_are_two_applications(folder, check):
    text = "date,carrier_l_per_ha\n2025-06-12,200\n2025-06-12,400\n"
    trial = check(folder({"applications.csv": text})).reading.trial
    assert [(item.id, item.carrier_l_per_ha) for item in trial.applications] == [
        ("1", 200.0),
        ("2", 400.0),
    ]
    twice = text.replace("date,", "no,date,").replace("2025", "A,2025")
    found = check(folder({"applications.csv": twice}))
    found.error("application-twice", "applications.csv, row 3, column no")


DOSES = (
    "treatment,application,rate,unit,actual,batch\n"
    "2,A,0.5,L/ha,0.48,x1\nOstrel,B and C,0.25,L/ha,,\n"
)


def test_doses(folder, check):
    found = check(folder({"applications.csv": APPLICATIONS, "doses.csv": DOSES}))
    assert found.problems == ()
    rows = found.reading.trial.doses.to_dict("records")
    assert [(r["treatment"], r["application"], r["rate"], r["rate_unit"]) for r in rows] == [
        ("2", "A", 0.5, "L/ha"),
        ("2", "B", 0.25, "L/ha"),
        ("2", "C", 0.25, "L/ha"),
    ]
    assert rows[0]["actual"] == 0.48
    assert math.isnan(rows[1]["actual"])
    assert [row["batch"] for row in rows] == ["x1", None, None]


@pytest.mark.parametrize(
    ("old", "new", "kind", "column"),
    [
        ("2,A", "9,A", "treatment-unknown", "treatment"),
        ("0.48", "-1", "negative-number", "actual"),
        ("0.5,", "half,", "text-in-number", "rate"),
        ("B and C", "B and D", "application-unknown", "application"),
        ("Ostrel,B and C", "2,A", "dose-twice", "treatment"),
    ],
)
def test_faults_of_doses(folder, check, old, new, kind, column):
    text = DOSES.replace(",batch", "").replace(",x1", "").replace("ha,,", "ha,")
    found = check(
        folder({"applications.csv": APPLICATIONS, "doses.csv": text.replace(old, new, 1)})
    )
    assert [problem.place.column for problem in found.of(kind)] == [column]


def test_assessments(folder, check):
    text = (
        "date,variable,BBCH,Observer,method,Sample size,notes\n"
        "2025-06-11,all,61,JK,beating,10 shoots,\n"
        "2025-06-19,Aphids per plant,65,JK,,,wet\n,,,,,,x\n"
    )
    found = check(folder({"assessments.csv": text}))
    assert found.problems == ()
    rows = found.reading.trial.assessments.to_dict("records")
    assert [(row["day"], row["variable"]) for row in rows[:2]] == [(-1, None), (7, "aphids")]
    assert rows[0]["sample_size"] == "10 shoots"
    assert [row["growth_stage"] for row in rows] == ["61", "65", None]
    assert math.isnan(rows[2]["day"])


def test_a_table_called_assessments_may_hold_the_counts(folder, base):
    plain = read_trial(folder())
    assert read_trial(folder({"assessments.csv": base["counts.csv"], "counts.csv": None})) == plain


def test_what_stands_beside_the_counts_is_kept(folder, base, check):
    lines = base["counts.csv"].splitlines()
    stages = ["growth stage", *["BBCH 61"] * 4, *["BBCH 65"] * 4]
    seen_by = ["Counted by", *["JK", "JK", "LM", "LM"] * 2]
    notes = ["Remarks", *[""] * 5, "lodged", "", ""]
    text = "".join(
        ",".join(cells) + "\n" for cells in zip(lines, stages, seen_by, notes, strict=True)
    )
    listed = "day,growth_stage,method\n-1,BBCH 60,beating\n"
    found = check(folder({"counts.csv": text, "assessments.csv": listed}))
    rows = found.reading.trial.assessments.to_dict("records")
    assert [
        (r["day"], r["growth_stage"], r["assessor"], r["method"], r["notes"]) for r in rows
    ] == [
        (-1.0, "BBCH 60", "JK; LM", "beating", None),
        (7.0, "BBCH 65", "JK; LM", None, "102: lodged"),
    ]
    assert found.kinds == ["assessment-conflict"]


def test_weather(folder, check, tmp_path):
    text = "Date,Rain (mm),Max °F,Sky\n2025-06-12,0,77.5,clear\n2025-06-13,12.2,,\n"
    found = check(folder({"weather.csv": text}))
    assert found.problems == ()
    weather = found.reading.trial.weather
    assert list(weather.columns) == ["date", "Rain (mm)", "Max °F", "Sky"]
    assert weather["date"].tolist() == [date(2025, 6, 12), date(2025, 6, 13)]
    assert weather["Rain (mm)"].tolist() == [0.0, 12.2]
    assert weather["Sky"].tolist() == ["clear", None]
    by_day = text.replace("Date", "DAT").replace("2025-06-12", "0").replace("2025-06-13", "1")
    assert read_trial(folder({"weather.csv": by_day})) == found.reading.trial
    save_trial(found.reading.trial, tmp_path / "again")
    assert "Max °F" in (tmp_path / "again" / "weather.csv").read_text(encoding="utf-8-sig")


def test_events(folder, check):
    text = (
        "date,what,kind,plots\n2025-06-20,Plot 101 missed,deviation,101\n"
        '2025-06-25,20 mm,irrigation,all\n,Hail,damage,"102, 201"\n2025-06-26,Bees seen,wonder,\n'
    )
    found = check(folder({"events.csv": text}))
    rows = found.reading.trial.events.to_dict("records")
    assert [(row["date"], row["what"], row["kind"], row["plots"]) for row in rows] == [
        (date(2025, 6, 20), "Plot 101 missed", "deviation", "101"),
        (date(2025, 6, 25), "irrigation: 20 mm", "maintenance", None),
        (None, "Hail", "damage", "102; 201"),
        (date(2025, 6, 26), "wonder: Bees seen", "other", None),
    ]
    assert found.kinds == ["event-kind"]


def test_text_of_the_report(folder, base, book, sheets, check):
    toml = base["trial.toml"] + '\n[report]\nobjective = "To compare."\napproved-by = "M. Ost"\n'
    trial = read_trial(folder({"trial.toml": toml}))
    assert dict(trial.report) == {"objective": "To compare.", "approved_by": "M. Ost"}
    own = {"Report": [["Objective", "To compare."], ["Approved by", "M. Ost"]]}
    assert read_trial(book({**sheets, **own})) == trial
    sheets["Trial"] += [["report.objective", "To compare."], ["report.approved_by", "M. Ost"]]
    assert read_trial(book(sheets)) == trial
    found = check(folder({"trial.toml": toml.replace("objective", "objectiv")}))
    said = found.warning("unknown-key", "trial.toml, row 12, column report.objectiv")
    assert "Did you mean 'objective'?" in said


def test_whether_more_of_the_crop_is_better_is_kept(tmp_path):
    import trialkit

    rows = ["plot,block,treatment,height 40 DAT,larvae 7 DAT"]
    rows += [
        f"{b}{t},{b},{t},{90 + (b * 7 + t * 5) % 4 - 30 * (t == 2)},{10 + b + 3 * t}"
        for b in (1, 2, 3, 4)
        for t in (1, 2, 3)
    ]
    (tmp_path / "trial.csv").write_text("\n".join(rows))
    toml = (
        'untreated = "1"\n[variables.height]\nkind = "measurement"\nrole = "crop"\nbetter = "{}"\n'
    )
    (tmp_path / "trial.toml").write_text(toml.format("more"))
    trial = trialkit.read_trial(tmp_path / "trial.csv")
    assert trial.variables[0].better is trialkit.Better.MORE
    trialkit.save_trial(trial, tmp_path / "saved")
    assert trialkit.read_trial(tmp_path / "saved").variables == trial.variables
    told = [item.text for item in trialkit.make_findings(trialkit.analyse(trial))]
    (sentence,) = [text for text in told if text.startswith("Height: ")]
    assert "which is for the worse" in sentence
    (tmp_path / "trial.toml").write_text(toml.format("yes"))
    with pytest.raises(trialkit.TrialError, match="more"):
        trialkit.read_trial(tmp_path / "trial.csv")
