"""The efficacy story in the report: every part, with and without its rows."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from trialkit.analysis import Analysis, analyse
from trialkit.analysis.result import empty_table, make_table
from trialkit.report.compose import compose
from trialkit.report.document import Document, FieldMap, Kind, Missing, Notes, Paragraph, Table
from trialkit.report.html import render_html
from trialkit.report.numbers import percent_text
from trialkit.report.parts.across import span_text
from trialkit.report.parts.neighbours import residual_colour
from trialkit.report.parts.persistence import span_of_days
from trialkit.report.parts.products import group_words
from trialkit.trial import Settings, TreatmentRole, Trial, empty_harvest, empty_yields

HOSTILE = '<script>alert("x")</script>'


def tables(document: Document) -> dict[str, Table]:
    return {item.key: item for item in document.tables()}


def said(document: Document) -> str:
    parts: list[str] = []
    for block in document.blocks():
        if isinstance(block, Paragraph):
            parts.append(block.text)
        elif isinstance(block, Notes):
            parts += block.items
        elif isinstance(block, Table):
            parts += block.notes
    return "\n".join(parts)


def column(table: Table, title: str) -> int:
    return next(i for i, item in enumerate(table.columns) if item.title.startswith(title))


def cell(table: Table, row: str, title: str) -> object:
    return next(line for line in table.rows if line[0] == row)[column(table, title)]


@pytest.fixture(scope="module")
def story(trial: Trial) -> Analysis:
    """A trial with everything: a carrier, a mixture, two rates, prices, repeated groups."""
    treatments = tuple(
        replace(item, **changes)
        for item, changes in zip(
            trial.treatments,
            (
                {},
                {"name": "Fernway, full rate", "rate": 2.0, "rate_unit": "kg/ha"},
                {"name": "Fernway, half rate", "rate": 1.0, "rate_unit": "kg/ha"},
                {"name": "Both", "parts": ("2", "3"), "cost_per_ha": 90.0},
            ),
            strict=True,
        )
    )
    treatments = tuple(
        replace(
            item,
            cost_per_ha=item.cost_per_ha or 40.0,
            mode_of_action="7" if item.rate else None,
            applications=("1", "2") if item.id == "2" else (),
        )
        for item in treatments
    )
    settings = Settings(crop_price=0.2, currency="EUR")
    weighed = trial.yields.rename(columns={"value": "harvested_kg"})[["plot", "harvested_kg"]]
    harvest = (
        empty_harvest()
        .reindex(range(len(weighed)))
        .assign(
            plot=weighed["plot"],
            harvested_kg=weighed["harvested_kg"] / 1000.0,
            harvested_area_m2=10.0,
        )
    )
    return analyse(
        replace(
            trial,
            treatments=treatments,
            settings=settings,
            harvest=harvest,
            yields=empty_yields(),
        )
    )


@pytest.fixture(scope="module")
def told(story: Analysis) -> Document:
    return compose(story)


@pytest.fixture(scope="module")
def page(told: Document) -> str:
    return render_html(told, {})


def test_percentages_never_look_whole_where_they_are_not() -> None:
    assert percent_text(99.6) == "99.6"
    assert percent_text(99.99) == "99.9"
    assert percent_text(100.0) == "100"
    assert percent_text(-0.13) == "\u22120.1"
    assert percent_text(0.0) == "0"
    assert percent_text(-1031.5) == "\u22121,032"


def test_spans_are_written_in_words() -> None:
    assert span_text(55.2, 93.7) == "55 to 94"
    assert span_text(55.2, np.nan) == "at least 55"
    assert span_text(np.nan, 94) == "at most 94"
    assert span_text(None, np.nan) == ""
    assert span_text(-0.543, -0.4, 2) == "\u22120.54 to \u22120.40"


@pytest.mark.parametrize(
    ("lower", "upper", "wanted"),
    [
        (6.2, 24.7, "6 to 25"),
        (0.0, 0.0, "never"),
        (0.0, 14.3, "never to 14"),
        (0.0, np.nan, "never to beyond 28"),
        (9.1, np.nan, "9 to beyond 28"),
        (28.0, np.nan, "beyond 28"),
        (np.nan, np.nan, ""),
    ],
)
def test_persistence_is_written_with_its_limits(lower: float, upper: float, wanted: str) -> None:
    assert span_of_days({"lower": lower, "upper": upper, "last_day": 28.0}) == wanted


def test_control_has_its_interval_and_signs(story: Analysis) -> None:
    control = story.control.copy()
    mine = control["chosen"].eq(True) & (control["variable"] == "larvae")
    hit = mine & (control["treatment"] == "3") & (control["days_after"] == 7)
    control.loc[mine, ["p_target", "p_reference"]] = 0.6
    control.loc[hit, ["p_target", "p_reference"]] = (0.001, 0.02)
    control.loc[hit, "note"] = "plots differ so much"
    made = tables(compose(replace(story, control=control)))["control-1"]
    signs = [i for i, item in enumerate(made.columns) if item.kind is Kind.SIGN]
    assert len(signs) == 1
    assert cell(made, "3 Fernway, half rate", "Day 7, sign") == "\u25b2\u2260"
    notes = "\n".join(made.notes)
    assert "control above the target of 80%" in notes
    assert "Plots differ so much." in made.notes
    row = control[hit].iloc[0]
    span = cell(made, "3 Fernway, half rate", "Day 7, 95% interval")
    assert span == span_text(row["lower"], row["upper"])


def test_signs_that_do_not_stand_are_not_explained(story: Analysis) -> None:
    control = story.control.assign(p_target=0.5, p_reference=np.nan)
    made = tables(compose(replace(story, control=control)))["control-1"]
    assert all(item.kind is not Kind.SIGN for item in made.columns)
    assert "target" not in "\n".join(made.notes)


def test_control_without_any_value_has_no_table(story: Analysis) -> None:
    control = story.control.assign(percent=np.nan, lower=np.nan, upper=np.nan)
    assert not any(
        key.startswith("control-") for key in tables(compose(replace(story, control=control)))
    )


def test_persistence_does_not_write_nearly_all_as_all(story: Analysis) -> None:
    rows = story.persistence.copy()
    rows.loc[rows["treatment"] == "2", ["knockdown_percent", "peak_percent"]] = (99.6, 99.97)
    made = tables(compose(replace(story, persistence=rows)))["persistence-1"]
    digits = {column.title: column.digits for column in made.columns}
    assert (digits["First assessment, %"], digits["Highest control, %"]) == (1, 2)


def test_persistence_shows_day_interval_and_what_held(story: Analysis) -> None:
    rows = story.persistence.copy()
    mine = (rows["variable"] == "larvae") & (rows["treatment"] == "2")
    rows.loc[mine, ["holds_until_day", "lower", "upper"]] = (21.0, 9.2, np.nan)
    rows.loc[mine, "censored"] = True
    other = (rows["variable"] == "larvae") & (rows["treatment"] == "3")
    rows.loc[other, ["holds_until_day", "lower", "upper"]] = (np.nan, 0.0, 0.0)
    rows.loc[other, "peak_percent"] = 70.0
    made = tables(compose(replace(story, persistence=rows)))["persistence-1"]
    first, second = "2 Fernway, full rate", "3 Fernway, half rate"
    assert cell(made, first, "At target until day") == 21.0
    assert cell(made, first, "To the end") == "+"
    span = next(item.title for item in made.columns if item.title.startswith("At target, "))
    assert cell(made, first, span) == "9 to beyond 21"
    assert cell(made, second, "At target until day") == "never"
    rows.loc[other, "peak_percent"] = 81.0  # at the target once, its course below it
    made = tables(compose(replace(story, persistence=rows)))["persistence-1"]
    assert cell(made, second, "At target until day") == "not held"
    assert any("control may have lasted past" in note for note in made.notes)


def test_a_target_that_nobody_reached_is_a_sentence(story: Analysis) -> None:
    rows = story.persistence.assign(holds_until_day=np.nan, censored=None, lower=0.0, upper=0.0)
    rows.loc[rows["treatment"] == "2", "upper"] = 12.0
    document = compose(replace(story, persistence=rows))
    assert not any(key.startswith("persistence-") for key in tables(document))
    text = said(document)
    assert "with no treatment did the fitted course of control reach 80%." in text
    assert "By its interval, 2 Fernway, full rate may have reached 80%." in text
    assert "no treatment reached" not in text  # an estimate of a single day did
    low = rows.assign(peak_percent=rows["peak_percent"].clip(upper=70.0))
    text = said(compose(replace(story, persistence=low)))
    assert "no treatment reached 80% estimated control at any assessment" in text


def test_the_whole_period_shows_reductions_not_intervals_of_means(
    story: Analysis, told: Document, page: str
) -> None:
    made = tables(told)["pest-days-1"]
    assert not any("interval from" in item.title for item in made.columns)
    rows = story.reductions
    row = rows[
        (rows["variable"] == "larvae")
        & (rows["measure"] == "pest_days")
        & (rows["treatment"] == "2")
    ].iloc[0]
    assert cell(made, "2 Fernway, full rate", "Reduction, %") == pytest.approx(row["percent"])
    span = span_text(row["lower"], row["upper"])
    assert cell(made, "2 Fernway, full rate", "Reduction, %, 95% interval") == span
    assert f'<span class="span">{span}</span>' in page
    assert cell(made, "1 Untreated", "Reduction, %") == Missing("")
    assert "Days above 15" in [item.title for item in made.columns]


def test_without_a_threshold_nothing_stands_above_it(story: Analysis) -> None:
    rows = story.reductions[story.reductions["measure"] == "pest_days"]
    without = replace(story, reductions=rows, days_above=empty_table("days_above"))
    made = tables(compose(without))["pest-days-1"]
    assert not any("above" in item.title for item in made.columns)


def test_enemies_carry_class_interval_and_sign(story: Analysis) -> None:
    rows = story.natural_enemies.copy()
    hit = (rows["treatment"] == "2") & (rows["days_after"] == 7)
    rows.loc[hit, ["percent", "lower", "upper", "p"]] = (80.0, 40.0, 95.0, 0.001)
    rows.loc[hit, "harm_class"] = "harmful"
    made = tables(compose(replace(story, natural_enemies=rows)))["enemies-2"]
    place = column(made, "Day 7")
    index = [row[0] for row in made.rows].index("2 Fernway, full rate")
    assert made.rows[index][place] == 80.0
    assert made.rows[index][place + 1] == "*"
    assert made.rows[index][place + 2] == "40 to 95"
    assert made.shades[index][place] == "harm-4"
    assert ("harm-4", "harmful: over 75") in made.shade_key
    assert "1 Untreated" not in [row[0] for row in made.rows]
    unsure = rows.assign(p=0.4)
    bare = tables(compose(replace(story, natural_enemies=unsure)))["enemies-2"]
    assert not bare.shades
    assert not bare.shade_key


def test_pests_for_each_enemy_include_the_untreated(story: Analysis, told: Document) -> None:
    made = tables(told)["pest-per-enemy-2"]
    rows = story.natural_enemies
    wanted = rows[(rows["treatment"] == "1") & (rows["days_after"] == 7)]["pest_per_enemy"]
    assert cell(made, "1 Untreated", "Day 7") == pytest.approx(float(wanted.iloc[0]))
    none = compose(replace(story, natural_enemies=rows.assign(pest_per_enemy=np.nan)))
    assert "pest-per-enemy-2" not in tables(none)


def test_resurgence_is_told_without_a_cause(story: Analysis) -> None:
    row = {
        "variable": ["larvae"],
        "enemy": ["beetles"],
        "treatment": ["2"],
        "enemy_day": [7.0],
        "enemy_percent": [88.0],
        "pest_day": [21.0],
        "pest_percent": [96.3],
    }
    text = said(compose(replace(story, resurgence=make_table("resurgence", row))))
    assert "were 88% below the untreated on day 7" in text
    assert "On day 21 larvae were 96% above it" in text
    assert "does not show that the first led to the second" in text


def test_rates_stand_side_by_side(story: Analysis, told: Document) -> None:
    made = tables(told)["rates-1"]
    rows = story.rates[(story.rates["variable"] == "larvae") & (story.rates["days_after"] == 7)]
    assert cell(made, "2 Fernway, full rate", "Day 7") == pytest.approx(
        float(rows["control_full"].iloc[0])
    )
    assert cell(made, "3 Fernway, half rate", "Day 21") == pytest.approx(
        float(story.rates[story.rates["days_after"] == 21]["control"].iloc[0])
    )
    verdicts = next(row for row in made.rows if str(row[0]).startswith("Within 10 points"))
    assert set(verdicts[1:]) <= {"yes", "not shown", "lower", "yes, but lower", ""}
    assert any("\u221210 points" in note for note in made.notes)


def test_mixtures_stand_beside_their_expectation(story: Analysis, told: Document) -> None:
    made = tables(told)["mixtures-1"]
    row = story.mixtures[story.mixtures["days_after"] == 7].iloc[0]
    assert cell(made, "NA Both", "Day 7") == pytest.approx(row["observed"])
    assert cell(made, "Expected from 2 and 3", "Day 7") == pytest.approx(row["expected"])
    assert "Colby SR (1967)" in said(told)
    without = compose(replace(story, mixtures=empty_table("mixtures")))
    assert "mixtures-1" not in tables(without)
    assert "Colby" not in said(without)


def test_the_carrier_is_set_apart(trial: Trial) -> None:
    treatments = tuple(
        replace(item, role=TreatmentRole.CARRIER) if item.id == "3" else item
        for item in trial.treatments
    )
    analysis = analyse(replace(trial, treatments=treatments))
    document = compose(analysis)
    made = tables(document)["carrier-1"]
    row = analysis.carrier[
        (analysis.carrier["treatment"] == "2") & (analysis.carrier["days_after"] == 7)
    ].iloc[0]
    assert cell(made, "2 Brambletox", "Day 7") == pytest.approx(row["added_percent"])
    assert "beyond the carrier (3 Fernway)" in made.question
    assert "carrier-1" not in tables(compose(replace(analysis, carrier=empty_table("carrier"))))


def test_repeated_groups_are_pointed_out(told: Document, story: Analysis) -> None:
    assert "2 Fernway, full rate: group 7 in applications 1, 2." in said(told)
    none = compose(replace(story, programmes=empty_table("programmes")))
    assert "mode of action in successive" not in said(none)
    assert group_words("Group 7") == "Group 7"


def test_loss_and_returns_show_their_numbers(story: Analysis, told: Document, page: str) -> None:
    made = tables(told)["loss-4"]
    assert made.rows[0][2] == pytest.approx(float(story.loss["slope"].iloc[0]))
    assert made.rows[1][5] is None
    money = tables(told)["money"]
    row = story.money[story.money["treatment"] == "NA"].iloc[0]
    assert cell(money, "NA Both", "Gain over the untreated") == pytest.approx(row["gain"])
    assert cell(money, "1 Untreated", "Gain over the untreated") == Missing("")
    assert "EUR per ha" in money.about
    assert "Returns of each treatment, EUR per ha" in page


def test_nothing_is_said_of_money_without_a_price(document: Document) -> None:
    assert "money" not in tables(document)
    assert "returns" not in {section.key for section in document.sections}


def test_neighbours_are_asked_about_on_late_days(story: Analysis, told: Document) -> None:
    made = tables(told)["neighbours-1"]
    assert [row[0] for row in made.rows] == ["Day 7", "Day 14", "Day 21"]
    found = story.neighbours.assign(p=0.001)
    assert "shorter than it may be in a field" in said(compose(replace(story, neighbours=found)))
    none = compose(replace(story, neighbours=story.neighbours.assign(p=0.4)))
    assert "no influence of neighbouring plots or the trial's edge" in said(none)
    none = compose(replace(story, neighbours=empty_table("neighbours")))
    assert "neighbours" not in {section.key for section in none.sections}


def test_residuals_lie_on_the_map(trial: Trial, story: Analysis) -> None:
    size = len(trial.plots)
    residuals = make_table(
        "residuals",
        {
            "variable": ["larvae"] * size,
            "measure": ["pest_days"] * size,
            "plot": [plot.id for plot in trial.plots],
            "studentized": np.linspace(-3, 3, size),
        },
    )
    document = compose(replace(story, residuals=residuals))
    field = next(b for b in document.blocks() if isinstance(b, FieldMap) and b.key != "field-map")
    assert field.at(1, 1)[0].value == "\u22123.0"
    assert field.at(4, 4)[0].value == "+3.0"
    page = render_html(document, {})
    assert re.search(r'<span class="block">\+3\.0</span>', page)
    assert residual_colour(0.0) == "#ffffff"
    assert residual_colour(9.0) == residual_colour(2.5)
    none = compose(replace(story, residuals=empty_table("residuals")))
    assert [b.key for b in none.blocks() if isinstance(b, FieldMap)] == ["field-map"]


def test_how_intervals_arise_is_told(told: Document, story: Analysis) -> None:
    assert "confidence distribution of all treatment means" in said(told)
    unknown = story.control.assign(lower=np.nan, upper=np.nan)
    assert "confidence distribution of all treatment means" not in said(
        compose(replace(story, control=unknown))
    )


def test_hostile_names_stay_text_in_every_part(renamed: Callable[[str], Analysis]) -> None:
    analysis = renamed(HOSTILE)
    row = {
        "variable": ["larvae"],
        "enemy": ["beetles"],
        "treatment": ["2"],
        "enemy_day": [7.0],
        "enemy_percent": [88.0],
        "pest_day": [21.0],
        "pest_percent": [96.3],
    }
    programme = {"treatment": ["2"], "group": [HOSTILE], "first": [HOSTILE], "second": ["2"]}
    analysis = replace(
        analysis,
        resurgence=make_table("resurgence", row),
        programmes=make_table("programmes", programme),
    )
    page = render_html(compose(analysis), {})
    assert HOSTILE not in page
    assert "&lt;script&gt;" in page


def test_shades_must_have_the_shape_of_the_rows(told: Document) -> None:
    made = replace(tables(told)["enemies-2"], shades=())
    made = replace(made, shades=tuple(("",) * len(row) for row in made.rows))
    with pytest.raises(ValueError, match="shades"):
        replace(made, shades=made.shades[:-1])


def test_frames_without_rows_make_no_part(trial: Trial) -> None:
    document = compose(Analysis(trial=trial))
    assert not set(tables(document)) & {"money", "rates-1", "mixtures-1", "enemies-2", "loss-4"}


def test_persistence_is_compared_pair_by_pair(told: Document, story: Analysis) -> None:
    made = tables(told)["compared-persistence-1"]
    rows = story.persistence_differences
    days = rows[(rows["question"] == "days held") & (rows["variable"] == "larvae")]
    shown = [cell for row in made.rows for cell in row if isinstance(cell, float)]
    assert sorted(abs(value) for value in shown) == pytest.approx(
        sorted(abs(days["difference"].dropna()))
    )
    none = compose(replace(story, persistence_differences=empty_table("persistence_differences")))
    assert not any(key.startswith("compared-") for key in tables(none))
