"""Mix sheets against worked examples: the figures of the arithmetic, through a whole trial.

Where nothing else is said the value was recomputed for this project from exact constants; no
printed result was seen. The formulas 5940 and 600 as in university extension texts (Univ. of
Florida IFAS; Clemson), seen.
"""

from dataclasses import replace
from types import MappingProxyType

import pytest

from trialkit.measures.tank import catch_course_m
from trialkit.measures.units import convert
from trialkit.planning import mix_sheet
from trialkit.planning.mix_pages import mix_page
from trialkit.planning.options import Plan
from trialkit.planning.sprayer import speed_of
from trialkit.trial import Design, Treatment, TreatmentRole, Trial


def trial(plan: dict[str, str], *treatments: Treatment) -> Trial:
    untreated = Treatment(id="1", name="Untreated", role=TreatmentRole.UNTREATED)
    return Trial(
        title="Mix",
        design=Design.RCBD,
        treatments=(untreated, *treatments),
        plots=(),
        variables=(),
        plan=MappingProxyType({"plan.blocks": "4", **plan}),
    )


METRIC = {"plan.plot_length": "10 m", "plan.plot_width": "3 m", "sprayer.carrier": "200 L/ha"}


def amounts(given: Trial) -> list[tuple[str, float, str]]:
    table = mix_sheet(given).amounts
    return list(zip(table["product"], table["amount"], table["unit"], strict=True))


def test_metric_spray() -> None:
    # 1.5 L/ha on four plots of 3 x 10 m at 200 L/ha with 25 % over: 3.0 L mix, 22.5 mL product.
    given = trial(
        {**METRIC, "sprayer.dead_volume": "0.6 L"},
        Treatment(id="2", name="Ostrel", rate=1.5, rate_unit="L/ha"),
    )
    sheet = mix_sheet(given)
    assert sheet.tanks["mix_l"].tolist() == [pytest.approx(3.0)]
    assert sheet.tanks["needed_l"].tolist() == [pytest.approx(2.4)]
    assert amounts(given) == [("Ostrel", pytest.approx(22.5), "mL")]
    # Without what stays in the tank 4.5 mL a plot.
    bare = replace(given, plan=MappingProxyType({"plan.blocks": "4", **METRIC}))
    assert amounts(bare) == [("Ostrel", pytest.approx(4 * 4.5), "mL")]


def test_us_spray() -> None:
    # 12 fl oz/acre on plots of 6.67 x 30 ft: 1.63021 mL a plot; of 2 lb/gal 0.1875 lb a.i./acre.
    given = trial(
        {
            "plan.plot_length": "30 ft",
            "plan.plot_width": "6.67 ft",
            "sprayer.carrier": "20 gal/acre",
        },
        Treatment(
            id="2",
            name="Tarnock",
            rate=12,
            rate_unit="fl oz/acre",
            extra={"content": "2", "content_unit": "lb/gal"},
        ),
    )
    table = mix_sheet(given).amounts
    assert table["amount"].tolist() == [pytest.approx(4 * 1.63021, abs=4e-5)]
    acres = 4 * 6.67 * 30 / 43560
    assert table["active_g"].tolist() == [pytest.approx(0.1875 * acres * 453.59237)]
    assert table["amount_us"].tolist() == [f"{12 * acres:.3g} fl oz"]


@pytest.mark.parametrize(
    ("spacing", "exact", "printed"),
    [("10 in", 408.375, None), ("20 in", 204.1875, 204), ("30 in", 136.125, 136),
     ("38 in", 107.467105, 107), ("40 in", 102.09375, 102)],
)  # fmt: skip
def test_course_of_the_catch(spacing: str, exact: float, printed: float | None) -> None:
    # 4083.75 ft / spacing; printed lengths on a Clemson extension page (seen), rounded.
    inches = float(spacing.split()[0])
    feet = float(convert(catch_course_m(float(convert(inches, "in", "m"))), "m", "ft"))
    assert feet == pytest.approx(exact, rel=1e-7)
    assert printed is None or abs(feet - printed) < 1
    given = trial(
        {
            "plan.plot_length": "30 ft",
            "plan.plot_width": "10 ft",
            "sprayer.carrier": "20 gal/acre",
            "sprayer.spacing": spacing,
        },
        Treatment(id="2", name="Tarnock", rate=12, rate_unit="fl oz/acre"),
    )
    assert f"{feet:.3g} ft" in mix_page(given, mix_sheet(given))


@pytest.mark.parametrize(
    ("course", "time", "unit", "speed"),
    [("100 m", "45 s", "km/h", 8.0), ("200 ft", "27.3 s", "mi/h", 4.995004995)],
)
def test_speed_of_a_timed_course(course: str, time: str, unit: str, speed: float) -> None:
    given = trial({"sprayer.course": course, "sprayer.course_time": time})
    found = speed_of(Plan.of(given))
    assert found is not None
    assert float(convert(found, "km/h", unit)) == pytest.approx(speed, rel=1e-9)


def test_active_ingredient_of_a_rate() -> None:
    # 0.75 L/ha of 200 g/L is 150 g a.i./ha; 0.05 % v/v in 3.0 L is 1.5 mL.
    given = trial(
        {**METRIC, "sprayer.dead_volume": "0.6 L"},
        Treatment(
            id="2",
            name="Ostrel",
            rate=0.75,
            rate_unit="L/ha",
            extra={"content": "200", "content_unit": "g/L", "adjuvant": "Wettol 0.05 % v/v"},
        ),
    )
    table = mix_sheet(given).amounts
    assert table["active_g"].tolist()[0] == pytest.approx(150 * 150 / 1e4)
    assert table["amount"].tolist() == [pytest.approx(0.75 * 150 / 10), pytest.approx(1.5)]


def test_what_is_not_sprayed() -> None:
    # Worked by hand, common field arithmetic. Seed: 400 mL/100 kg on 250 g for each of 4 plots is
    # 4 mL. Drench: 0.05 mL a plant, 20 plants of 100 mL in 4 plots: 8 L hold 4 mL. Injection: 2
    # kg/ha over 4 plots of 30 m2 is 24 g, in 12 minutes 2 g/min.
    seed = trial(
        {"sprayer.seed_mass": "250 g"},
        Treatment(id="2", name="Ostrel", rate=400, rate_unit="mL/100 kg seed"),
    )
    assert amounts(seed) == [("Ostrel", pytest.approx(4.0), "mL")]
    drench = trial(
        {"sprayer.plants": "20", "sprayer.drench_volume": "100 mL"},
        Treatment(id="2", name="Ostrel", rate=0.05, rate_unit="mL/plant"),
    )
    assert amounts(drench) == [("Ostrel", pytest.approx(4.0), "mL")]
    assert mix_sheet(drench).tanks["mix_l"].tolist() == [pytest.approx(8.0)]
    irrigated = trial(
        {**METRIC, "sprayer.injection_time": "12 min"},
        Treatment(
            id="2", name="Ostrel", rate=2, rate_unit="kg/ha", extra={"method": "drip irrigation"}
        ),
    )
    assert amounts(irrigated) == [("Ostrel", pytest.approx(24.0), "g")]
    tanks = mix_sheet(irrigated).tanks
    assert tanks["inject_g_per_min"].tolist() == [pytest.approx(2.0)]
    assert tanks["inject_ml_per_min"].tolist() == [None]


def test_active_ingredient_and_adjuvant() -> None:
    # 100 g a.i./ha of a 25 % granule is 400 g/ha, 1.2 g for 30 m2; 0.05 % v/v in 2.4 L is 1.2 mL.
    given = trial(
        METRIC,
        Treatment(
            id="2",
            name="Wimbrel",
            rate=100,
            rate_unit="g ai/ha",
            extra={"content": "25", "content_unit": "% w/w", "adjuvant": "Wettol 0.05 % v/v"},
        ),
    )
    assert amounts(given) == [
        ("Wimbrel", pytest.approx(4 * 1.2), "g"),
        ("Wettol", pytest.approx(1.2), "mL"),
    ]


@pytest.mark.parametrize(
    ("flow", "speed", "spacing", "output"),
    [
        ("0.4 gal/min", "5 mph", "20 in", 23.76 * 9.35395622896),
        ("16 fl oz/min", "5 mph", "20 in", 7.425 * 9.35395622896),
        ("1.5 L/min", "8 km/h", "50 cm", 225.0),
    ],
)
def test_output_of_the_sprayer(flow: str, speed: str, spacing: str, output: float) -> None:
    given = trial(
        {
            "plan.plot_length": "10 m",
            "plan.plot_width": "3 m",
            "sprayer.flow": flow,
            "sprayer.speed": speed,
            "sprayer.spacing": spacing,
        },
        Treatment(id="2", name="Ostrel", rate=1.5, rate_unit="L/ha"),
    )
    sheet = mix_sheet(given)
    assert sheet.sprayer.output == pytest.approx(output, rel=1e-9)
    assert sheet.tanks["mix_l"].tolist() == [pytest.approx(output * 120 / 1e4)]
