"""Mix sheets: methods, order, what is asked about and what is refused with its place."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from types import MappingProxyType

import html5lib
import pandas as pd
import pytest

from published.test_mix_sheets import METRIC, trial
from trialkit.planning import actual_doses, mix_sheet, start_trial
from trialkit.planning.mix_pages import mix_lines, mix_page, number
from trialkit.problems import TrialError
from trialkit.reading import read_protocol
from trialkit.trial import Application, Treatment, TreatmentRole, Trial

OSTREL = Treatment(id="2", name="Ostrel", rate=1.5, rate_unit="L/ha")


def planned(trial_: Trial, **keys: str) -> Trial:
    """The trial with more keys; ``sprayer_speed`` is sprayer.speed."""
    more = {name.replace("_", ".", 1): text for name, text in keys.items()}
    return replace(trial_, plan=MappingProxyType({**trial_.plan, **more}))


def kinds(sheet_trial: Trial) -> set[str]:
    return {problem.kind for problem in mix_sheet(sheet_trial).problems}


def refused(sheet_trial: Trial) -> dict[str, str]:
    with pytest.raises(TrialError) as caught:
        mix_sheet(sheet_trial)
    return {problem.kind: str(problem.place) for problem in caught.value.problems}


def test_overspray_and_whole_passes_are_sprayed_too() -> None:
    given = planned(
        trial(METRIC, OSTREL),
        sprayer_overspray="0.5 m",
        sprayer_nozzles="4",
        sprayer_spacing="50 cm",
        sprayer_speed="3.6 km/h",
    )
    sheet = mix_sheet(given)
    # 10 m and twice 0.5 m, two passes of 2 m on plots 3 m wide.
    assert sheet.sprayer.sprayed_m2 == pytest.approx(11 * 4)
    assert sheet.sprayer.passes == 2
    assert sheet.sprayer.seconds == pytest.approx(2 * 11)
    assert kinds(given) == {"swath"}


def test_uneven_nozzles_are_named_and_the_output_taken_from_the_middle() -> None:
    given = planned(
        trial({"plan.plot_length": "10 m", "plan.plot_width": "2 m"}, OSTREL),
        sprayer_catch="790; 805; 800; 640 mL/min",
        sprayer_spacing="50 cm",
        sprayer_speed="4 km/h",
    )
    sheet = mix_sheet(given)
    said = next(item for item in sheet.problems if item.kind == "uneven-nozzles")
    assert "Nozzle 4 (\N{MINUS SIGN}19 %)" in said.what
    assert sheet.sprayer.output == pytest.approx(600 * 0.795 / (4 * 0.5))


def test_what_the_sprayer_does_goes_before_what_is_wanted_and_is_said() -> None:
    given = planned(
        trial(METRIC, OSTREL),
        sprayer_flow="1.5 L/min",
        sprayer_spacing="50 cm",
        sprayer_speed="8 km/h",
        sprayer_pressure="2 bar",
    )
    sheet = mix_sheet(given)
    said = next(item for item in sheet.problems if item.kind == "carrier-differs")
    assert "225 L/ha" in said.what
    assert "drive at 9 km/h" in said.remedy
    assert "1.58 bar" in said.remedy
    assert sheet.tanks["carrier_l_per_ha"].tolist() == [225]


@pytest.mark.parametrize(
    ("carrier", "method", "kind"),
    [
        ("140.4 L/ha", None, None),
        ("14 gal/acre", None, "carrier-low"),
        ("6 gal/acre", "by air", None),
        ("4 gal/acre", "by air", "carrier-low"),
        ("30000 L/ha", None, "carrier-high"),
    ],
)
def test_volumes_far_from_common_practice_are_asked_about(
    carrier: str, method: str | None, kind: str | None
) -> None:
    given = planned(trial(METRIC, OSTREL), sprayer_carrier=carrier)
    one = Application(id="1", date=date(2025, 6, 12), method=method)
    assert kinds(replace(given, applications=(one,))) == ({kind} if kind else set())


def test_an_application_has_its_own_volume_and_treatments() -> None:
    later = replace(OSTREL, id="3", name="Tarnock", applications=("2",))
    given = replace(
        trial(METRIC, OSTREL, later),
        applications=(
            Application(id="1", date=date(2025, 6, 12), carrier_l_per_ha=300),
            Application(id="2", date=date(2025, 6, 26), carrier_gal_per_acre=40),
        ),
    )
    tanks = mix_sheet(given).tanks
    assert tanks[["application", "treatment"]].to_numpy().tolist() == [
        ["1", "2"], ["2", "2"], ["2", "3"],
    ]  # fmt: skip
    assert tanks["carrier_l_per_ha"].tolist() == pytest.approx([300] + [40 * 9.35395622896] * 2)


def test_doses_of_an_application_go_before_the_list() -> None:
    given = replace(
        trial(METRIC, OSTREL),
        applications=(Application(id="1", date=date(2025, 6, 12)),),
        doses=pd.DataFrame(
            [["2", "1", 2.0, "L/ha", None]],
            columns=["treatment", "application", "rate", "rate_unit", "actual"],
        ),
    )
    assert mix_sheet(given).amounts["rate"].tolist() == [2.0]


def test_carrier_first_then_low_rates_before_high_ones() -> None:
    def of(number: str, name: str, rate: float, series: str) -> Treatment:
        return Treatment(
            id=number, name=name, rate=rate, rate_unit="L/ha", extra={"rate_series": series}
        )

    water = Treatment(id="9", name="Water", role=TreatmentRole.CARRIER)
    given = trial(
        METRIC,
        of("2", "Ostrel high", 2, "Ostrel"),
        of("3", "Tarnock", 1, "Tarnock"),
        of("4", "Ostrel low", 1, "Ostrel"),
        water,
    )
    tanks = mix_sheet(given).tanks
    assert tanks["treatment"].tolist() == ["9", "4", "2", "3"]
    named = [replace(OSTREL, id=i, name=f"Ostrel, {i}", rate=r) for i, r in (("2", 2), ("3", 1))]
    assert mix_sheet(trial(METRIC, *named)).tanks["treatment"].tolist() == ["3", "2"]
    assert ["rinse" in text for text in tanks["before"]] == [False, False, False, True]


def test_mixtures_are_their_parts() -> None:
    given = trial(
        METRIC,
        OSTREL,
        Treatment(id="3", name="Tarnock", rate=100, rate_unit="g/ha"),
        Treatment(id="4", name="Both", parts=("2", "3")),
    )
    table = mix_sheet(given).amounts.query("treatment == '4'")
    assert table["product"].tolist() == ["Ostrel", "Tarnock"]
    assert table["amount"].tolist() == pytest.approx([18.0, 1.2])


def test_seed_drench_and_injection() -> None:
    seed = Treatment(id="2", name="Ostrel", rate=250, rate_unit="mL/100 kg")
    given = planned(trial({}, seed), sprayer_seed_mass="500 g")
    assert mix_sheet(given).amounts["amount"].tolist() == pytest.approx([250 * 2 / 100])
    drench = Treatment(id="2", name="Ostrel", rate=0.3, rate_unit="mL/plant")
    given = planned(
        trial({}, drench),
        sprayer_drench_volume="100 mL",
        sprayer_plants="20",
        sprayer_dead_volume="2 L",
    )
    sheet = mix_sheet(given)
    assert sheet.tanks["mix_l"].tolist() == pytest.approx([8 + 2])
    assert sheet.amounts["amount"].tolist() == pytest.approx([0.3 * 80 * 10 / 8])
    injected = replace(OSTREL, extra={"method": "injected into the drip irrigation"})
    given = planned(trial(METRIC, injected), sprayer_injection_time="30 min")
    sheet = mix_sheet(given)
    assert sheet.amounts["amount"].tolist() == pytest.approx([18.0])
    assert sheet.tanks["inject_ml_per_min"].tolist() == pytest.approx([0.6])


def test_coarse_instruments_are_told() -> None:
    given = planned(trial(METRIC, replace(OSTREL, rate=0.02)), sprayer_pipette_step="0.1 mL")
    sheet = mix_sheet(given)  # 0.24 mL
    assert sheet.amounts["measure"].tolist() == [0.2]
    assert sheet.amounts["error_percent"].tolist() == pytest.approx([-100 * 0.04 / 0.24])
    assert kinds(given) == {"coarse-measure"}


@pytest.mark.parametrize(
    ("treatment", "kind", "place"),
    [
        (replace(OSTREL, rate_unit="litres"), "rate-unit", "treatments, column rate_unit"),
        (replace(OSTREL, rate_unit=None), "rate-unit", "treatments, column rate_unit"),
        (replace(OSTREL, rate_unit="g ai/ha"), "no-content", "treatments, column content"),
        (
            replace(OSTREL, extra={"content": "much", "content_unit": "g/L"}),
            "content-unit",
            "treatments, column content_unit",
        ),
        (
            replace(OSTREL, rate_unit="oz/acre", extra={"content": "2", "content_unit": "lb/gal"}),
            "units-differ",
            "treatments, column rate_unit",
        ),
        (
            replace(OSTREL, extra={"adjuvant": "some Wettol"}),
            "adjuvant",
            "treatments, column adjuvant",
        ),
    ],
)
def test_units_that_do_not_fit_are_a_problem_with_its_place(
    treatment: Treatment, kind: str, place: str
) -> None:
    assert refused(trial(METRIC, treatment)) == {kind: place}


def test_a_unit_that_does_not_fit_names_its_row(tmp_path: Path) -> None:
    (tmp_path / "trial.toml").write_text(
        'title = "Peas"\ndesign = "rcbd"\nplot_area_m2 = 30\n[plan]\nblocks = 4\n'
        '[sprayer]\ncarrier = "200 L/ha"\n'
    )
    (tmp_path / "treatments.csv").write_text(
        "treatment,name,role,rate,rate_unit\n1,None,untreated,,\n2,Ostrel,test,1,L/ha\n"
        "3,Tarnock,test,2,buckets\n"
    )
    assert refused(read_protocol(tmp_path)) == {
        "rate-unit": "treatments.csv, row 4, column rate_unit"
    }
    start_trial(tmp_path / "next.xlsx", source=tmp_path)
    assert "row 4" in refused(read_protocol(tmp_path / "next.xlsx"))["rate-unit"]


def test_what_is_missing_is_asked_for() -> None:
    assert set(refused(trial({}, OSTREL))) == {"no-area", "no-carrier"}
    seed = replace(OSTREL, rate_unit="g/kg seed")
    assert set(refused(trial(METRIC, seed))) == {"no-seed"}
    plants = replace(OSTREL, rate_unit="mL/plant")
    assert set(refused(trial(METRIC, plants))) == {"no-plants", "no-drench"}
    assert kinds(trial(METRIC, OSTREL, Treatment(id="3", name="Tarnock"))) == {"no-rate"}


def test_what_was_left_says_what_was_put_out() -> None:
    given = planned(trial(METRIC, OSTREL), sprayer_dead_volume="0.6 L")
    # 3.0 L mixed, 2.4 L for the plots: with 0.84 L left 2.16 L went out, 90 % of the rate.
    doses = actual_doses(given, {"2": 0.84})
    assert doses["actual"].tolist() == pytest.approx([1.35])
    assert doses["rate"].tolist() == [1.5]
    assert actual_doses(given, {"2": 0.6})["actual"].tolist() == pytest.approx([1.5])
    for left, kind in (({"2": 4.0}, "left-over"), ({"1": 0.1}, "no-tank")):
        with pytest.raises(TrialError) as caught:
            actual_doses(given, left)
        assert caught.value.problems[0].kind == kind


def test_the_page_holds_cautions_amounts_and_text_as_text() -> None:
    odd = replace(OSTREL, name="<b>Ostrel</b>")
    given = planned(trial(METRIC, odd), sprayer_balance_step="0.01 g")
    sheet = mix_sheet(given)
    page = mix_page(given, sheet)
    html5lib.HTMLParser(strict=True).parse(page)
    assert "<b>" not in page
    assert "authorises nothing" in page
    assert "protective equipment" in page
    assert "18 mL" in page
    assert "18 mL (0.609 fl oz) of" in mix_lines(sheet, us=True)[0]
    assert mix_lines(sheet) == ["2 <b>Ostrel</b>: 18 mL of <b>Ostrel</b> in 2.4 L for 4 plots"]


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.000012345, "0.000012"), (123456.0, "123000"), (-4.5, "\N{MINUS SIGN}4.5"), (None, "")],
)
def test_numbers_have_no_exponent(value: float | None, text: str) -> None:
    assert number(value).startswith(text)
