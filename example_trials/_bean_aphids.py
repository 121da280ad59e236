"""Aphids in field beans: a series of five trials, three sites in two seasons."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from _simulate import (
    FloatArray,
    IntArray,
    Plan,
    csv_text,
    draw_counts,
    effects,
    generator,
    latin_square,
    randomised_blocks,
    running_area,
)

SEED = 16
# True control of aphids at an average site, percent, on the days of TRUTH_DAYS; a straight line of
# the logarithm of what is left runs between them.
TRUTH_DAYS = (0, 3, 7, 14, 21, 28)
CONTROL = (
    (0, 0, 0, 0, 0, 0),
    (0, 82, 80, 65, 40, 25),
    (0, 85, 93, 92, 86, 78),
    (0, 80, 88, 80, 62, 45),
    (0, 95, 85, 60, 25, 0),
    (0, 25, 50, 58, 52, 40),
)
# True loss of lady beetles, percent, on the same days and everywhere.
LADY_BEETLE_LOSS = (
    (0, 0, 0, 0, 0, 0),
    (0, 30, 25, 15, 10, 0),
    (0, 15, 10, 10, 5, 0),
    (0, 10, 5, 5, 0, 0),
    (0, 85, 80, 70, 55, 40),
    (0, 0, 0, 0, 0, 0),
)
# A product leaves more or less at one site than at another: standard deviation of the logarithm.
SITE_SPREAD = (0.0, 0.3, 0.3, 0.3, 0.3, 0.15)
# Rain soon after it was put out washes the sixth off: logarithm of what is left, for 1 mm.
WASHED_OFF, USUAL_RAIN_MM = 0.02, 9.0
K_APHIDS, K_LADY_BEETLES = 4.0, 4.0
BLOCK_SPREAD, PLOT_SPREAD = 0.2, 0.2
LOSS_PER_100_APHID_DAYS = 0.018  # t/ha, of aphids on 10 stems
YIELD_SPREAD = 0.22
HARVESTED_M2 = 12.0
HARVESTED_FT2, POUNDS_A_TONNE, FT2_A_HECTARE = 130.0, 2204.62262185, 107639.104167

TREATMENT_COLUMNS = ("treatment", "name", "role", "rate", "rate_unit", "mode_of_action")
TREATMENTS = (
    ("1", "Untreated", "untreated", "", "", ""),
    ("2", "Larkmere", "reference", "0.20", "L/ha", "group 58"),
    ("3", "Thornwick, full rate", "test", "0.40", "L/ha", "group 92"),
    ("4", "Thornwick, half rate", "test", "0.20", "L/ha", "group 92"),
    ("5", "Gannaway", "test", "0.15", "L/ha", "group 66"),
    ("6", "Hazelbeck", "test", "3.0", "kg/ha", "group 90"),
)
SHORT, LETTERS = (1, 2, 3, 4, 5), "ABCDE"


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One trial of the series: where and when, and what the pest and the crop did there.

    ``aphids`` and ``lady_beetles`` are the untreated means on 10 stems on ``days``; ``rain`` is
    what fell on the three days after the spray, in mm.
    """

    folder: str
    site: str
    sprayed: date
    growth_stage: str
    carrier: str
    days: tuple[int, ...]
    aphids: tuple[float, ...]
    lady_beetles: tuple[float, ...]
    rain: tuple[float, ...]
    tonnes: float
    blocks: int = 4
    latin: bool = False
    treatments: tuple[int, ...] = (1, 2, 3, 4, 5, 6)
    us_units: bool = False
    note: str = ""


PLACES = (
    Place(
        folder="withy_bottom_2024",
        site="Withy Bottom farm",
        sprayed=date(2024, 6, 6),
        growth_stage="first flowers open",
        carrier="250",
        days=(-1, 3, 7, 14, 21),
        aphids=(80, 120, 190, 300, 260),
        lady_beetles=(4, 6, 9, 13, 12),
        rain=(0, 0, 2.5),
        tonnes=5.1,
    ),
    Place(
        folder="crane_moor_2024",
        site="Crane Moor station",
        sprayed=date(2024, 6, 11),
        growth_stage="full flower",
        carrier="200",
        days=(-1, 4, 7, 13, 20, 28),
        aphids=(150, 220, 290, 380, 300, 150),
        lady_beetles=(5, 7, 10, 14, 13, 9),
        rain=(8, 11.5, 3),
        tonnes=4.4,
        blocks=5,
    ),
    Place(
        folder="withy_bottom_2025",
        site="Withy Bottom farm",
        sprayed=date(2025, 6, 3),
        growth_stage="first flowers open",
        carrier="250",
        days=(-1, 2, 8, 15, 21),
        aphids=(60, 85, 150, 230, 240),
        lady_beetles=(3, 4, 8, 11, 12),
        rain=(0, 4, 1),
        tonnes=5.4,
        note="Plot 203 was run over by a deer fence gang after day 8 and given up.",
    ),
    Place(
        folder="crane_moor_2025",
        site="Crane Moor station",
        sprayed=date(2025, 6, 9),
        growth_stage="full flower",
        carrier="200",
        days=(-1, 3, 9, 16),
        aphids=(110, 170, 260, 340),
        lady_beetles=(4, 6, 11, 13),
        rain=(1.5, 0, 7.5),
        tonnes=4.8,
        latin=True,
        note="Latin square; rows run along the dyke, columns across it.",
    ),
    Place(
        folder="saltby_down_2025",
        site="Saltby Down",
        sprayed=date(2025, 6, 12),
        growth_stage="first pods visible",
        carrier="20",
        days=(-2, 1, 6, 12, 22),
        aphids=(200, 240, 330, 420, 280),
        lady_beetles=(6, 7, 10, 15, 14),
        rain=(0, 0, 0),
        tonnes=3.9,
        treatments=SHORT,
        us_units=True,
        note="Hazelbeck did not arrive in time. Treatments are lettered here.",
    ),
)
LOST_FOLDER, LOST_PLOT, LOST_FROM_DAY = "withy_bottom_2025", "203", 15

TRIAL = """\
# Invented data: products, people and places do not exist.
title = "Aphids in field beans, {site}, {year}"
design = "{design}"
applied = {sprayed}
untreated = "{untreated}"
crop = "field bean"
cultivar = "{cultivar}"
site = "{site}"
season = "{year}"
responsible = "J. Marchbanks"
plot_area_m2 = 24.0
notes = "Invented example, one of a series of five.{note}"

[variables.aphids]
label = "Aphids on 10 stems"
kind = "count"
role = "pest"
threshold = 50.0

[variables.lady_beetles]
label = "Lady beetles on 10 stems"
kind = "count"
role = "natural-enemy"

[variables.beans]
label = "Dry beans"
kind = "measurement"
role = "yield"

[analysis]
comparison = "tukey"
control = "auto"
control_target = 80.0
seed = 1
yield_unit = "{unit}"
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """What was seen in the plots of one trial: counts (days, plots), beans (plots,) in t/ha."""

    place: Place
    plan: Plan
    aphids: IntArray
    lady_beetles: IntArray
    beans: FloatArray


def log_left(control: Sequence[float], days: Sequence[int]) -> FloatArray:
    """Logarithm of what a treatment leaves of the untreated on ``days``."""
    left = np.log(1.0 - np.asarray(control, dtype=np.float64) / 100.0)
    course: FloatArray = np.interp(np.asarray(days, dtype=np.float64), TRUTH_DAYS, left)
    return course


def washed(place: Place) -> FloatArray:
    """What the rain adds to the logarithm of what each treatment leaves (treatments,)."""
    added = np.zeros(len(CONTROL))
    added[5] = WASHED_OFF * (sum(place.rain) - USUAL_RAIN_MM)
    return added


def simulate(place: Place, rng: np.random.RandomState) -> Season:
    """Let one trial happen."""
    codes = np.array(place.treatments) - 1
    plan = (
        latin_square(rng, len(codes))
        if place.latin
        else randomised_blocks(rng, len(codes), place.blocks)
    )
    here = rng.normal(0.0, 1.0, size=len(CONTROL)) * np.array(SITE_SPREAD) + washed(place)
    after = np.array(place.days) > 0
    course = np.array([log_left(row, place.days) for row in CONTROL]) + here[:, None] * after
    ground = plan.row - 1 if place.latin else plan.block
    spots = effects(rng, int(ground.max()) + 1, BLOCK_SPREAD)[ground]
    spots = spots * effects(rng, len(plan.plot), PLOT_SPREAD)
    kind = codes[plan.treatment]
    aphids = np.array(place.aphids)[:, None] * spots * np.exp(course[kind].T)
    loss = np.array([log_left(row, place.days) for row in LADY_BEETLE_LOSS])
    beetles = np.array(place.lady_beetles)[:, None] * np.exp(loss[kind].T)
    beans = place.tonnes + rng.normal(0.0, 0.2, size=int(ground.max()) + 1)[ground]
    beans = beans - LOSS_PER_100_APHID_DAYS * running_area(place.days, aphids)[-1] / 100.0
    return Season(
        place=place,
        plan=plan,
        aphids=draw_counts(rng, aphids, K_APHIDS),
        lady_beetles=draw_counts(rng, beetles, K_LADY_BEETLES),
        beans=beans + rng.normal(0.0, YIELD_SPREAD, size=len(plan.plot)),
    )


def _lost(place: Place, plot: str, day: int = 99) -> bool:
    return place.folder == LOST_FOLDER and plot == LOST_PLOT and day >= LOST_FROM_DAY


def _ids(place: Place) -> list[str]:
    codes = [str(code) for code in place.treatments]
    return list(LETTERS) if place.us_units else codes


def _counts(season: Season) -> Iterator[tuple[object, ...]]:
    for d, day in enumerate(season.place.days):
        for i, plot in enumerate(season.plan.plot):
            if _lost(season.place, plot, day):
                yield plot, day, "", ""
            else:
                yield plot, day, season.aphids[d, i], season.lady_beetles[d, i]


def _harvest(season: Season) -> bytes:
    place = season.place
    if place.us_units:
        pounds = np.round(season.beans * POUNDS_A_TONNE * HARVESTED_FT2 / FT2_A_HECTARE, 2)
        rows = [(plot, pounds[i], HARVESTED_FT2) for i, plot in enumerate(season.plan.plot)]
        return csv_text(("plot", "harvested_lb", "harvested_area_ft2"), rows)
    kilos = np.round(season.beans * HARVESTED_M2 / 10.0, 2)
    rows = [
        (plot, kilos[i], HARVESTED_M2)
        for i, plot in enumerate(season.plan.plot)
        if not _lost(place, plot)
    ]
    return csv_text(("plot", "harvested_kg", "harvested_area_m2"), rows)


def _weather(place: Place, rng: np.random.RandomState) -> bytes:
    """From five days before the spray to the last count; rain soon after it is as stated."""
    rows = []
    for day in range(-5, place.days[-1] + 1):
        drawn = round(float(rng.gamma(0.6, 6.0)) if rng.uniform() < 0.3 else 0.0, 1)
        rain = place.rain[day] if 0 <= day < len(place.rain) else drawn
        rows.append(
            (place.sprayed + timedelta(days=day), rain, round(15.0 + 2.5 * rng.normal(), 1))
        )
    return csv_text(("date", "rain_mm", "mean_temperature_c"), rows)


def _plots(season: Season) -> bytes:
    plan, ids = season.plan, _ids(season.place)
    treatments = [ids[code] for code in plan.treatment]
    if season.place.latin:
        rows = zip(plan.plot, treatments, plan.row, plan.column, strict=True)
        return csv_text(("plot", "treatment", "row", "column"), rows)
    blocks = zip(plan.plot, plan.block + 1, treatments, plan.row, plan.column, strict=True)
    return csv_text(("plot", "block", "treatment", "row", "column"), blocks)


def _trial(place: Place) -> bytes:
    text = TRIAL.format(
        site=place.site,
        year=place.sprayed.year,
        design="latin" if place.latin else "rcbd",
        sprayed=place.sprayed.isoformat(),
        untreated=_ids(place)[0],
        cultivar="Old Drum" if place.us_units else "Fen Belle",
        note=" " + place.note if place.note else "",
        unit="lb/acre" if place.us_units else "t/ha",
    )
    return text.encode()


def _files(season: Season, rng: np.random.RandomState) -> dict[str, bytes]:
    place = season.place
    treatments = [
        (name, *TREATMENTS[code - 1][1:])
        for name, code in zip(_ids(place), place.treatments, strict=True)
    ]
    volume = "gal_per_acre" if place.us_units else "carrier_l_per_ha"
    application = (place.sprayed.isoformat(), place.carrier, "flat fan", place.growth_stage)
    return {
        "trial.toml": _trial(place),
        "treatments.csv": csv_text(TREATMENT_COLUMNS, treatments),
        "plots.csv": _plots(season),
        "counts.csv": csv_text(("plot", "days_after", "aphids", "lady_beetles"), _counts(season)),
        "yield.csv": _harvest(season),
        "applications.csv": csv_text(("date", volume, "nozzle", "growth_stage"), [application]),
        "weather.csv": _weather(place, rng),
    }


def folders(seed: int = SEED) -> dict[str, dict[str, bytes]]:
    """Make the series: a folder a trial, with its file names and contents."""
    rng = generator(seed)
    made = {}
    for place in PLACES:
        season = simulate(place, rng)
        made[place.folder] = _files(season, rng)
    return made
