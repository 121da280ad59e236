"""The sprayer of a trial: what it puts out, how long a plot takes, which nozzles are uneven."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from trialkit.measures.sprayer import flow_l_per_min, volume_l_per_ha
from trialkit.measures.tank import (
    Nozzles,
    catch_test,
    pass_seconds,
    pressure_for_flow,
    timed_speed,
)
from trialkit.measures.units import L_PER_GAL, M2_PER_ACRE, M2_PER_HA
from trialkit.planning.options import Plan
from trialkit.problems import Place, Problem, warning
from trialkit.trial import Application, Trial

#: Difference between what is wanted and what the sprayer puts out that is still the same: common
#: practice, no source.
_SAME_PERCENT = 5.0
#: Spray volumes below these, for pests of the canopy, are asked about; above the last they look
#: like a slip. Common practice, no source.
_LEAST_GROUND_GAL, _LEAST_AIR_GAL, _MOST_L = 15.0, 5.0, 3000.0
_GAL_PER_ACRE = L_PER_GAL / M2_PER_ACRE * M2_PER_HA
_AIR = ("air", "aerial", "plane", "helicopter", "drone")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sprayer:
    """What is known of the sprayer and the plots, in metric units; None where it is not.

    Attributes
    ----------
    output : float or None
        L/ha from flow, speed and spacing.
    wanted : float or None
        L/ha as the plan asks for.
    flow : float or None
        L/min of one nozzle.
    sprayed_m2 : float or None
        Area that is sprayed for one plot, overspray and whole passes included.
    plot_m2 : float or None
        Area of one plot.
    passes : int
    seconds : float or None
        For one plot, all passes.
    nozzles : Nozzles or None
        Of a catch test.
    """

    output: float | None = None
    wanted: float | None = None
    flow: float | None = None
    sprayed_m2: float | None = None
    plot_m2: float | None = None
    passes: int = 1
    seconds: float | None = None
    nozzles: Nozzles | None = None

    def carrier(self, application: Application | None) -> float | None:
        """Spray volume of an application, L/ha: its own, else the output, else what is wanted."""
        if application is not None:
            if application.carrier_l_per_ha is not None:
                return application.carrier_l_per_ha
            if application.carrier_gal_per_acre is not None:
                return application.carrier_gal_per_acre * _GAL_PER_ACRE
        return self.output if self.output is not None else self.wanted


def speed_of(plan: Plan) -> float | None:
    """Speed over the ground, km/h: as given, else of the timed course."""
    given = plan.quantity("sprayer.speed", "km/h")
    course, seconds = (
        plan.quantity("sprayer.course", "m"),
        plan.quantity("sprayer.course_time", "s"),
    )
    if given is None and course is not None and seconds is not None:
        return timed_speed(course, seconds)
    return given


def sprayer_of(trial: Trial, plan: Plan, problems: list[Problem]) -> Sprayer:
    """Work out what the plan says of the sprayer, and ask about what does not fit."""
    spacing = plan.quantity("sprayer.spacing", "m")
    speed = speed_of(plan)
    caught = plan.quantities("sprayer.catch", "L/min")
    nozzles = catch_test(caught) if caught else None
    flow = plan.quantity("sprayer.flow", "L/min")
    if flow is None and nozzles is not None:
        flow = nozzles.median
    output = None
    if flow is not None and speed is not None and spacing is not None:
        output = volume_l_per_ha(flow, speed, spacing)
    passes, sprayed, plot, seconds = _plot(trial, plan, problems)
    found = Sprayer(
        output=output,
        wanted=plan.quantity("sprayer.carrier", "L/ha"),
        flow=flow,
        sprayed_m2=sprayed,
        plot_m2=plot,
        passes=passes,
        seconds=seconds,
        nozzles=nozzles,
    )
    problems += _uneven(nozzles)
    problems += _off(found, plan)
    return found


def _plot(
    trial: Trial, plan: Plan, problems: list[Problem]
) -> tuple[int, float | None, float | None, float | None]:
    """Passes, sprayed area, plot area and time of a plot."""
    length = plan.quantity("plan.plot_length", "m")
    width = plan.quantity("plan.plot_width", "m")
    over = plan.quantity("sprayer.overspray", "m") or 0.0
    speed = speed_of(plan)
    if length is None or width is None:
        if over:
            problems.append(
                warning(
                    "overspray-unused",
                    "The overspray needs plot_length and plot_width, and one is not given; no "
                    "overspray was counted.",
                    "Give both under [plan].",
                    Place(column="sprayer.overspray"),
                )
            )
        return 1, trial.plot_area_m2, trial.plot_area_m2, None
    spacing = plan.quantity("sprayer.spacing", "m")
    nozzles = plan.whole("sprayer.nozzles") or len(plan.quantities("sprayer.catch", "L/min"))
    passes, across = 1, width
    if spacing is not None and nozzles:
        swath = nozzles * spacing
        passes = max(1, ceil(width / swath - _SAME_PERCENT / 100))
        across = passes * swath

        def wide(metres: float) -> str:
            return plan.in_unit_of("plan.plot_width", metres, "m")

        if abs(across - width) > _SAME_PERCENT / 100 * width:
            problems.append(
                warning(
                    "swath",
                    f"The boom covers {wide(swath)} and a plot is {wide(width)} wide: "
                    f"{passes} {'pass' if passes == 1 else 'passes'}, {wide(across)} sprayed.",
                    "Nothing needs to be done if that is meant; the amounts allow for it.",
                    Place(column="sprayer.nozzles"),
                )
            )
    ran = length + 2 * over
    seconds = None if speed is None else passes * pass_seconds(ran, speed)
    return passes, ran * across, length * width, seconds


def _uneven(nozzles: Nozzles | None) -> list[Problem]:
    if nozzles is None or not nozzles.uneven:
        return []
    listed = ", ".join(
        f"{number} ({nozzles.deviation_percent[number - 1]:+.0f} %)" for number in nozzles.uneven
    ).replace("-", "\N{MINUS SIGN}")
    word = "Nozzle" if len(nozzles.uneven) == 1 else "Nozzles"
    return [
        warning(
            "uneven-nozzles",
            f"{word} {listed} from the left {'gives' if word == 'Nozzle' else 'give'} more than "
            "10 % more or less than the middle of all.",
            "Clean or replace them and catch again.",
            Place(column="sprayer.catch"),
        )
    ]


def _off(sprayer: Sprayer, plan: Plan) -> list[Problem]:
    """Say how to bring the output to what is wanted."""
    output, wanted, flow = sprayer.output, sprayer.wanted, sprayer.flow
    speed = speed_of(plan)
    spacing = plan.quantity("sprayer.spacing", "m")
    if output is None or wanted is None or not output or speed is None or spacing is None:
        return []
    if abs(output - wanted) <= _SAME_PERCENT / 100 * wanted or flow is None:
        return []
    better = [f"drive at {plan.in_unit_of('sprayer.speed', speed * output / wanted, 'km/h')}"]
    needed = flow_l_per_min(wanted, speed, spacing)
    pressure = plan.quantity("sprayer.pressure", "bar")
    if pressure is not None:
        bar = pressure_for_flow(flow, pressure, needed)
        text = plan.in_unit_of("sprayer.pressure", bar, "bar")
        better.append(f"work at {text}, if the nozzles are made for that")
    key = "sprayer.flow" if plan.text("sprayer.flow") else "sprayer.catch"
    better.append(f"take nozzles that give {plan.in_unit_of(key, needed, 'L/min')}")
    out, asked = (plan.in_unit_of("sprayer.carrier", x, "L/ha") for x in (output, wanted))
    return [
        warning(
            "carrier-differs",
            f"The sprayer puts out {out}, and {asked} is wanted. The amounts are for what it puts "
            "out.",
            f"To reach what is wanted: {', or '.join(better)}. Then catch again.",
            Place(column="sprayer.carrier"),
        )
    ]


def question_volume(carrier: float, application: Application | None) -> list[Problem]:
    """Ask about a spray volume far from common practice."""
    words = (
        "" if application is None else f"{application.equipment or ''} {application.method or ''}"
    )
    by_air = any(mark in words.casefold().split() for mark in _AIR)
    least = _LEAST_AIR_GAL if by_air else _LEAST_GROUND_GAL
    gal = carrier / _GAL_PER_ACRE
    if carrier > _MOST_L:
        return [
            warning(
                "carrier-high",
                f"{carrier:.4g} L/ha ({gal:.3g} gal/acre) is far more than is common.",
                "Check number and unit.",
                Place(column="sprayer.carrier"),
            )
        ]
    if gal >= least * (1 - 1e-9):
        return []
    way = "by air" if by_air else "by ground"
    return [
        warning(
            "carrier-low",
            f"{carrier:.3g} L/ha is {gal:.3g} gal/acre; against pests of the canopy at least "
            f"{least:g} gal/acre {way} is common practice (no source).",
            "Check number and unit. Denser canopies need more volume, more pressure or slower "
            "travel. The label decides.",
            Place(column="sprayer.carrier"),
        )
    ]
