"""Keys of the trial, treatments, plots, roles and the design: what is taken, what is refused."""

from __future__ import annotations

from datetime import date

import pytest

from trialkit.reading import read_trial
from trialkit.trial import Comparison, ControlMethod, Design, Settings, Transform, TreatmentRole


def with_keys(base, extra):
    return {"trial.toml": base["trial.toml"] + extra}


def test_all_keys(folder):
    trial = read_trial(
        folder(
            {
                "trial.toml": """
title = "Aphids"
design = "Randomized complete block"
applied = "2025-06-12"
untreated = 1
crop = "pea"
crop_code = "PIBSX"
site = "Barrow"
season = 2025
plot_area_m2 = 18
notes = "two lines\\nof notes"
cultivar = "Early Ann"
[variables.aphids]
label = "Aphids per plant"
kind = "count"
role = "pest"
threshold = 15
code = "ACYRON"
unit = "per plant"
transform = "log"
[analysis]
alpha = 0.1
comparison = "Dunnett"
transform = "sqrt"
control = "henderson_tilton"
control_target = 70
seed = 7
standard_moisture_percent = 14
yield_unit = "T/HA"
bushel_lb = 60
crop_price = 200
currency = "EUR"
noninferiority_margin = 5
"""
            }
        )
    )
    assert trial.design is Design.RCBD
    assert trial.applied == date(2025, 6, 12)
    assert (trial.untreated, trial.season, trial.plot_area_m2) == ("1", "2025", 18.0)
    assert trial.notes == "two lines\nof notes"
    assert dict(trial.extra) == {"cultivar": "Early Ann"}
    assert trial.variables[0].transform is Transform.LOG
    assert trial.variables[0].threshold == 15
    assert trial.settings == Settings(
        alpha=0.1,
        comparison=Comparison.DUNNETT,
        transform=Transform.SQRT,
        control=ControlMethod.HENDERSON_TILTON,
        control_target=70,
        seed=7,
        standard_moisture_percent=14,
        yield_unit="t/ha",
        bushel_lb=60,
        crop_price=200,
        currency="EUR",
        noninferiority_margin=5,
    )
    assert trial.warnings == ()


@pytest.mark.parametrize(
    ("line", "remedy"),
    [
        ("design = rcbd", "Text needs quotation marks"),
        ("alpha = 0,05", "Write numbers with a point"),
        ("applied = 12.06.2025", "Write dates with year, month and day"),
        ("crop: pea", "Put an equals sign between key and value"),
        ('crop = "pea', "A quotation mark is missing"),
        ('title = "again"', "Each key may stand once"),
        ("crop pea", "Each line is key = value"),
    ],
)
def test_wrong_syntax(folder, base, check, line, remedy):
    text = base["trial.toml"].replace("[variables", f"{line}\n\n[variables")
    found = check(folder({"trial.toml": text}))
    place = "trial.toml, row 6" if "again" not in line else str(found.problems[0].place)
    said = found.error("settings-syntax", place)
    assert remedy in said
    # Nothing that hangs on the settings is said where they could not be read.
    assert found.kinds == ["settings-syntax"]


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("alpha", "0.7", "above 0 and below 0.5"),
        ("alpha", '"small"', "above 0 and below 0.5"),
        ("alpha", "true", "above 0 and below 0.5"),
        ("comparison", '"tukeys"', "Did you mean 'tukey'? Allowed are tukey, lsd, dunnett, snk"),
        ("transform", '"ln"', "Allowed are auto, none, sqrt, log and arcsine"),
        ("control", '"abbot"', "Did you mean 'abbott'?"),
        ("control_target", "0", "above 0 and not above 100"),
        ("seed", "1.5", "whole and not negative"),
        ("standard_moisture_percent", "100", "0 or more and below 100"),
        ("yield_unit", '"dt/ha"', "Allowed are kg/ha, t/ha, lb/acre and bu/acre"),
        ("bushel_lb", "0", "above 0"),
        ("crop_price", "-1", "0 or more"),
        ("noninferiority_margin", "100", "above 0 and below 100"),
    ],
)
def test_values_that_do_not_fit(folder, base, check, key, value, words):
    found = check(folder(with_keys(base, f"[analysis]\n{key} = {value}\n")))
    assert words in found.error("settings-value", f"trial.toml, row 11, column analysis.{key}")


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ('design = "rcdb"', "row 2, column design", "Did you mean 'rcbd'?"),
        ('design = "square"', "row 2, column design", "Allowed are crd, rcbd, latin, split-plot"),
    ],
)
def test_a_design_that_is_none(folder, base, check, text, place, words):
    toml = base["trial.toml"].replace('design = "rcbd"', text)
    found = check(folder({"trial.toml": toml}))
    assert words in found.error("settings-value", f"trial.toml, {place}")
    assert "design-assumed" not in found.kinds


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('kind = "number"', "Allowed are count, percent and measurement"),
        ('role = "enemy"', "Allowed are pest, natural-enemy, damage, crop-injury, crop and yield"),
        ("threshold = -1", "0 or more"),
    ],
)
def test_variables_that_do_not_fit(folder, base, check, line, words):
    key = line.split(" ")[0]
    toml = base["trial.toml"] + f"[variables.thrips]\n{line}\n"
    found = check(folder({"trial.toml": toml}))
    assert words in found.error(
        "settings-value", f"trial.toml, row 11, column variables.thrips.{key}"
    )


def test_applied_that_is_no_date(folder, base, check):
    toml = base["trial.toml"].replace("2025-06-12", '"June"')
    found = check(folder({"trial.toml": toml}))
    found.error("day-unreadable", "trial.toml, row 3, column applied")


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ("[analysis]\ncompare = 1\n", "Did you mean 'comparison'?"),
        ('[variables.aphids2]\nlable = "x"\n', "Did you mean 'label'?"),
    ],
)
def test_unknown_keys_below(folder, base, check, extra, words):
    found = check(folder(with_keys(base, extra)))
    assert words in str(found.one("unknown-key"))


def test_unknown_keys_are_kept(folder, base, check):
    toml = 'colour = "red"\nsites = "x"\n[other]\na = 1\n'
    found = check(
        folder(
            {
                "trial.toml": base["trial.toml"]
                .replace("[var", "[[x]]\n[var", 0)
                .split("[variables")[0]
                + toml
                + base["trial.toml"][base["trial.toml"].index("[variables") :]
            }
        )
    )
    assert dict(found.reading.trial.extra) == {"colour": "red", "sites": "x", "other.a": "1"}
    said = [str(problem) for problem in found.of("unknown-key")]
    assert len(said) == 3
    assert "Did you mean 'site'?" in said[1]


def test_without_settings(folder, check):
    found = check(folder({"trial.toml": None}))
    trial = found.reading.trial
    assert trial.title == "trial"
    assert trial.design is Design.RCBD
    assert trial.untreated == "1"
    assert found.kinds == ["variable-assumed", "design-assumed"]


# --- treatments --------------------------------------------------------------------------


def test_everything_about_treatments(folder):
    trial = read_trial(
        folder(
            {
                "treatments.csv": "Trt No;Treatment name;Type;Dose;Unit;MOA;Cost per ha;Parts;"
                "Applications;Formulation\n1;Untreated;Control;;;;;;;\n"
                "2;Ostrel + Velsin;test;0,5;L/ha;4A;52,50;1+1;A, B;EC\n"
            }
        )
    )
    second = trial.treatments[1]
    assert (second.id, second.name, second.rate, second.rate_unit) == (
        "2",
        "Ostrel + Velsin",
        0.5,
        "L/ha",
    )
    assert (second.mode_of_action, second.cost_per_ha, second.parts) == ("4A", 52.5, ("1", "1"))
    assert (second.applications, dict(second.extra)) == (("A", "B"), {"Formulation": "EC"})
    assert trial.treatments[0].role is TreatmentRole.UNTREATED


@pytest.mark.parametrize(
    ("changed", "kind", "place", "words"),
    [
        ("1,Untreated,untreated\n2,Ostrel,test\n2,Velsin,test\n", "treatment-twice",
         "row 4, column treatment", "listed twice; first in row 3"),
        ("1,Untreated,untreated\n2,Ostrel,testing\n", "unknown-role", "row 3, column role",
         "Did you mean 'test'? Roles are untreated, carrier, reference and test."),
        ("1,Untreated,untreated\n2,Ostrel,test\n3,Velsin,test\n", "treatment-without-plots",
         "row 4, column treatment", "The treatment '3' (Velsin) has no plot."),
        ("1,Untreated,untreated\n2,Ostrel,test\n,Velsin,test\n", "no-id",
         "row 4, column treatment", "This treatment has no id."),
        ("1,Untreated,untreated\n3,Ostrel,test\n", "treatment-unknown", None,
         "(and 1 more plot) has the treatment '2', which is not in the list"),
    ],
)  # fmt: skip
def test_faults_of_treatments(folder, check, changed, kind, place, words):
    found = check(folder({"treatments.csv": "treatment,name,role\n" + changed}))
    said = str(found.one(kind))
    assert words in said
    assert place is None or f"treatments.csv, {place}: " in said
    assert found.reading.trial is None


def test_faults_of_rates_costs_and_parts(folder, check):
    found = check(
        folder(
            {
                "treatments.csv": "treatment,name,role,rate,cost_per_ha,parts\n"
                "1,Untreated,untreated,,,\n2,Ostrel,test,half,-3,1+4\n"
            }
        )
    )
    assert [problem.kind for problem in found.problems] == [
        "text-in-number",
        "negative-number",
        "part-unknown",
    ]
    assert "The part '4' of the mixture is no treatment of the list." in str(found.problems[2])


def test_names_for_ids_in_the_plan(folder, base, check):
    text = base["plots.csv"].replace(",2\n", ",OSTREL\n")
    found = check(folder({"plots.csv": text}))
    assert [plot.treatment for plot in found.reading.trial.plots] == ["1", "2", "2", "1"]
    assert "'OSTREL' was taken for the treatment '2'" in found.warning("treatment-by-name")


def test_no_list_of_treatments(folder, check):
    trial = check(folder({"treatments.csv": None})).reading.trial
    assert [item.id for item in trial.treatments] == ["1", "2"]
    assert trial.treatments[0].role is TreatmentRole.UNTREATED


# --- the untreated -----------------------------------------------------------------------


def plain(base, toml_untreated, treatments):
    toml = base["trial.toml"].replace('untreated = "1"\n', toml_untreated)
    return {"trial.toml": toml, "treatments.csv": treatments}


def test_the_role_says_which_is_the_untreated(folder, base, check):
    found = check(folder(plain(base, "", base["treatments.csv"])))
    assert found.problems == ()
    assert found.reading.trial.untreated == "1"


def test_the_name_says_which_is_the_untreated(folder, base, check):
    found = check(folder(plain(base, "", "treatment,name\n1,Untreated check\n2,Ostrel\n")))
    assert found.reading.trial.untreated == "1"
    assert "by its name" in found.warning(
        "untreated-assumed", "treatments.csv, row 2, column treatment"
    )


def test_no_untreated_where_control_is_asked_for(folder, base, check):
    treatments = "treatment,name,role\n1,Velsin,test\n2,Ostrel,test\n"
    changed = plain(base, "", treatments)
    check(folder(changed)).warning("no-untreated", "treatments.csv")
    none = {**changed, "trial.toml": 'untreated = "none"\n' + changed["trial.toml"]}
    assert check(folder(none)).problems == ()
    changed["trial.toml"] += '[analysis]\ncontrol = "abbott"\n'
    found = check(folder(changed))
    assert "percent control needs one" in found.error("no-untreated", "treatments.csv")


def test_no_untreated_is_needed_without_a_pest(folder, base, check):
    changed = plain(base, "", "treatment,name,role\n1,Velsin,test\n2,Ostrel,test\n")
    changed["trial.toml"] = changed["trial.toml"].replace('"pest"', '"damage"')
    found = check(folder(changed))
    assert found.problems == ()
    assert found.reading.trial.untreated is None


def test_an_untreated_that_is_not_listed(folder, base, check):
    found = check(folder(plain(base, 'untreated = "10"\n', base["treatments.csv"])))
    said = found.error("untreated-unknown", "trial.toml, row 4, column untreated")
    assert "The treatments are 1 and 2." in said
    assert "no-untreated" not in found.kinds


def test_several_untreated_in_the_settings(folder, base, check):
    found = check(folder(plain(base, 'untreated = ["1", "2"]\n', base["treatments.csv"])))
    said = found.error("untreated-unknown", "trial.toml, row 4, column untreated")
    assert "Give one treatment, with which all others are compared." in said
    assert "Did you mean" not in said


def test_settings_and_role_that_differ(folder, base, check):
    found = check(folder(plain(base, 'untreated = "2"\n', base["treatments.csv"])))
    assert found.reading.trial.untreated == "2"
    assert "its role in the list is test" in found.warning("role-differs")


def test_several_untreated(folder, base, check):
    treatments = "treatment,name,role\n1,Untreated,untreated\n2,Untreated too,check\n"
    found = check(folder(plain(base, "", treatments)))
    assert "the others are compared with '1'" in found.warning("several-untreated")


# --- plots and design --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "kind", "place", "words"),
    [
        ("201,2,2\n", "101,2,2\n", "plot-twice", "row 4, column plot", "first in row 2"),
        ("201,2,2\n", ",2,2\n", "no-id", "row 4, column plot", "This plot has no id."),
        ("201,2,2\n", "201,2,\n", "plot-without-treatment", "row 4, column plot",
         "The plot '201' has no treatment."),
        ("201,2,2\n", "201,,2\n", "no-block", None, "These plots have no block: 201."),
        (",2,", ",1,", "single-block", None, "All plots stand in one block ('1')."),
        ("plot,block", "plot,field", "no-block", None, "the plan has no column block"),
    ],
)  # fmt: skip
def test_faults_of_plots(folder, base, check, old, new, kind, place, words):
    found = check(folder({"plots.csv": base["plots.csv"].replace(old, new)}))
    said = str(found.one(kind))
    assert words in said
    assert said.startswith("plots.csv, " + place if place else "plots.csv")
    assert found.reading.trial is None


def test_no_plan(folder, check):
    found = check(folder({"plots.csv": None}))
    assert "There is no table of plots" in found.error("no-plan", "trial")
    assert found.kinds == ["no-plan"]


def test_places_on_the_map(folder, check):
    text = "plot,block,treatment,row,col\n101,1,1,1,1\n102,1,2,R1,C2\n201,2,2,2.0,1\n202,2,1,2,2\n"
    trial = check(folder({"plots.csv": text})).reading.trial
    assert [(plot.row, plot.column) for plot in trial.plots] == [(1, 1), (1, 2), (2, 1), (2, 2)]
    found = check(folder({"plots.csv": text.replace("R1", "first").replace("C2", "0")}))
    assert [str(p.place) for p in found.of("position")] == [
        "plots.csv, row 3, column row",
        "plots.csv, row 3, column col",
    ]
    found = check(folder({"plots.csv": text.replace("R1,C2", "1,1")}))
    assert "The plots 101 and 102 stand on the same place" in found.warning("shared-place")


SQUARE = "plot,row,column,treatment\n" + "".join(
    f"{r}{c},{r},{c},{(r + c) % 2 + 1}\n" for r in (1, 2) for c in (1, 2)
)


def square(base, text):
    counts = "plot,days_after,aphids\n" + "".join(f"{p},7,5\n" for p in (11, 12, 21, 22))
    toml = base["trial.toml"].replace("rcbd", "latin square")
    return {"trial.toml": toml, "plots.csv": text, "counts.csv": counts}


def test_a_latin_square(folder, base, check):
    found = check(folder(square(base, SQUARE)))
    assert found.reading.trial.design is Design.LATIN


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("22,2,2,1", "22,2,2,2", "treatment '1' is missing in row 2"),
        ("22,2,2,1", "22,2,1,1", "several plots share row 2, column 1"),
        ("22,2,2,1", "22,2,,1", "row or column is missing for plot 22"),
        ("22,2,2,1\n", "", "treatment '1' is missing in row 2"),
        ("22,2,2,1\n", "22,2,2,1\n23,2,3,1\n", "2 rows, 3 columns and 2 treatments"),
    ],
)
def test_a_latin_square_that_is_none(folder, base, check, old, new, words):
    found = check(folder(square(base, SQUARE.replace(old, new))))
    said = str(found.one("not-latin", "plots.csv"))
    assert words in said
    assert found.reading.trial is None


def test_a_treatment_that_a_block_lacks(folder, base, check):
    rows = "".join(f"{b}{t:02},{b},{t}\n" for b in (1, 2, 3, 4) for t in (1, 2, 3, 4))
    treatments = base["treatments.csv"] + "3,Velsin,test\n4,Orrice,test\n"
    plots = ("plot,block,treatment\n" + rows).replace("304,3,4\n", "")
    counts = "plot,days_after,aphids\n" + "".join(
        f"{b}{t:02},7,5\n" for b in (1, 2, 3, 4) for t in (1, 2, 3, 4) if (b, t) != (3, 4)
    )
    found = check(folder({"treatments.csv": treatments, "plots.csv": plots, "counts.csv": counts}))
    assert "The plan has no plot of treatment '4' in block '3'." in found.warning(
        "incomplete-block", "plots.csv"
    )


def test_split_plots_name_their_treatments(folder, base, check):
    plots = "plot,block,main_plot,main_factor,sub_factor\n" + "".join(
        f"{b}{m}{s},{b},{b}{m},{m},{s}\n"
        for b in (1, 2)
        for m in ("wet", "dry")
        for s in ("U", "P")
    )
    counts = "plot,days_after,aphids\n" + "".join(
        f"{b}{m}{s},7,5\n" for b in (1, 2) for m in ("wet", "dry") for s in ("U", "P")
    )
    toml = base["trial.toml"].replace("rcbd", "split-plot").replace('"1"', '"wet:U"')
    files = {"trial.toml": toml, "plots.csv": plots, "counts.csv": counts}
    target = folder(files)
    (target / "treatments.csv").unlink()
    found = check(target)
    trial = found.reading.trial
    assert trial.design is Design.SPLIT_PLOT
    assert [item.id for item in trial.treatments] == ["wet:U", "wet:P", "dry:U", "dry:P"]
    assert trial.plots[0].main_plot == "1wet"
    assert trial.untreated == "wet:U"
    (target / "plots.csv").write_text(plots.replace(",wet,U", ",,U"))
    found = check(target)
    assert "missing for 1wetU and 2wetU" in str(found.one("no-factors"))


# --- the folder itself -------------------------------------------------------------------


def test_no_such_path(tmp_path, check):
    assert "There is no such file or folder." in check(tmp_path / "none").error("no-such-path")


def test_an_empty_folder(tmp_path, check):
    (tmp_path / "empty").mkdir()
    said = check(tmp_path / "empty").error("no-tables", "empty")
    assert "trial.toml, treatments.csv, plots.csv and counts.csv" in said


@pytest.mark.parametrize("name", ["trial.doc", "trial.xls", "trial.ods", "trial.pdf", "trial"])
def test_other_files(file, check, name):
    found = check(file(name, "x"))
    assert found.problems[0].place.file == name
    assert found.reading.trial is None


def test_the_settings_stand_for_their_folder(folder):
    target = folder()
    assert read_trial(target / "trial.toml") == read_trial(target)


def test_a_table_with_an_unknown_name(folder, base, check):
    found = check(
        folder({"soil.csv": "depth,clay\n1,3\n", "contents.txt": "x", "yeild.csv": "a,b\n"})
    )
    said = [str(problem) for problem in found.of("unknown-file")]
    assert len(said) == 2
    assert any("did you mean 'yield'?" in text.casefold() for text in said)


def test_several_tables_of_counts(folder, base, check):
    second = "plot,days_after,aphids\n101,14,3\n102,14,3\n201,14,3\n202,14,30\n"
    found = check(folder({"counts_day14.csv": second}))
    assert found.problems == ()
    assert set(found.reading.trial.counts["day"]) == {-1.0, 7.0, 14.0}
    found = check(folder({"counts_day14.csv": second.replace("102,14,3", "102,7,9")}))
    assert "2 in counts.csv, row 7, column aphids and 9 here" in found.error(
        "different-values-twice", "counts_day14.csv, row 3, column aphids"
    )


def test_nothing_counted_yet(folder, check):
    found = check(folder({"counts.csv": None}))
    assert "There are no counts and no yields yet." in found.warning("no-values")


def test_inputs_are_named_with_their_digest(folder):
    inputs = read_trial(folder()).inputs
    assert [name for name, _ in inputs] == [
        "trial.toml",
        "counts.csv",
        "plots.csv",
        "treatments.csv",
    ]
    assert all(len(digest) == 64 for _, digest in inputs)
