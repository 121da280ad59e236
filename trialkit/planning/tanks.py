"""Tanks: what is put out together, how, over what, and in which order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from trialkit.measures.tank import tank_mix
from trialkit.planning.doses import Portion, place_of, portions
from trialkit.planning.options import Plan
from trialkit.planning.sprayer import Sprayer, question_volume
from trialkit.problems import Place, Problem, error
from trialkit.trial import Application, Design, Treatment, TreatmentRole, Trial

_INJECTED = ("inject", "irrigation", "chemigation", "drip", "fertigation")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """What is mixed and put out together.

    Attributes
    ----------
    method : str
        ``spray``, ``drench``, ``injection`` or ``seed treatment``.
    plots : int
    portions : tuple of Portion
        Empty for the carrier alone.
    sprayed_m2, carrier, needed_l, mix_l : float or None
        Area of all plots, L/ha, litres through the nozzles, litres with what stays in the tank.
    strength_m2 : float or None
        Area that the product is taken for.
    seed_kg, plants : float or None
        Seed, and plants that the product is taken for.
    """

    treatment: Treatment
    application: Application | None
    method: str
    plots: int
    portions: tuple[Portion, ...]
    sprayed_m2: float | None = None
    carrier: float | None = None
    needed_l: float | None = None
    mix_l: float | None = None
    strength_m2: float | None = None
    seed_kg: float | None = None
    plants: float | None = None


def plots_of(trial: Trial, plan: Plan, treatment: Treatment) -> int:
    """Plots of a treatment; as planned where there are none yet."""
    if trial.plots:
        return sum(plot.treatment == treatment.id for plot in trial.plots)
    if trial.design is Design.LATIN:
        return len(trial.treatments)
    return plan.whole("plan.blocks") or 0


def make_tank(
    trial: Trial,
    plan: Plan,
    sprayer: Sprayer,
    treatment: Treatment,
    application: Application | None,
    problems: list[Problem],
) -> Tank | None:
    """Make the tank of a treatment on an application; None where there is none, or it cannot be."""
    found = portions(trial, treatment, application, problems)
    if not found and treatment.role is not TreatmentRole.CARRIER:
        return None
    plots = plots_of(trial, plan, treatment)
    if not plots:
        problems.append(
            error(
                "no-blocks-planned",
                "Neither plots nor the number of blocks are given.",
                "Lay the trial out, or give blocks under [plan].",
                Place(column="plan.blocks"),
            )
        )
        return None
    method = _method(plan, treatment, application, found)
    made = Tank(
        treatment=treatment,
        application=application,
        method=method,
        plots=plots,
        portions=tuple(found),
    )
    if method == "spray":
        return _spray(made, plan, sprayer, problems)
    if method == "drench":
        return _drench(trial, made, plan, problems)
    if method == "injection":
        return _injection(trial, made, sprayer, problems)
    return _seed(trial, made, plan, problems)


def _method(
    plan: Plan, treatment: Treatment, application: Application | None, found: Sequence[Portion]
) -> str:
    """How a tank is put out: by the units of its rates, else as it is said."""
    bases = {item.unit.basis for item in found}
    if "seed" in bases:
        return "seed treatment"
    said = " ".join(
        filter(
            None,
            (
                treatment.extra.get("method", ""),
                application.method if application is not None else None,
            ),
        )
    ).casefold()
    if "plant" in bases or "drench" in said:
        return "drench"
    if any(word in said for word in _INJECTED):
        return "injection"
    drenched = plan.text("sprayer.drench_volume") is not None and "area" not in bases
    return "drench" if drenched else "spray"


def _spray(tank: Tank, plan: Plan, sprayer: Sprayer, problems: list[Problem]) -> Tank | None:
    carrier = sprayer.carrier(tank.application)
    if carrier is None:
        problems.append(_lacks("carrier", "the spray volume", 'carrier = "300 L/ha"', "sprayer"))
    if sprayer.sprayed_m2 is None:
        problems.append(
            _lacks("area", "the area of a plot", 'plot_length = "9 m" and plot_width', "plan")
        )
    if carrier is None or sprayer.sprayed_m2 is None:
        return None
    problems += question_volume(carrier, tank.application)
    area = sprayer.sprayed_m2 * tank.plots
    dead = plan.quantity("sprayer.dead_volume", "L") or 0.0
    mix, strength = tank_mix(carrier, area, dead_volume_l=dead)
    return replace(
        tank,
        sprayed_m2=area,
        carrier=carrier,
        needed_l=mix - dead,
        mix_l=mix,
        strength_m2=strength,
    )


def _drench(trial: Trial, tank: Tank, plan: Plan, problems: list[Problem]) -> Tank | None:
    plants, each = plan.whole("sprayer.plants"), plan.quantity("sprayer.drench_volume", "L")
    if plants is None:
        problems.append(
            _lacks("plants", "the number of plants in a plot", "plants = 20", "sprayer")
        )
    if each is None:
        text = 'drench_volume = "100 mL"'
        problems.append(_lacks("drench", "the liquid for one plant", text, "sprayer"))
    if any(item.unit.basis == "area" for item in tank.portions):
        problems.append(_misfit(trial, tank, "a drench", "of an area"))
        return None
    if plants is None or each is None:
        return None
    dead = plan.quantity("sprayer.dead_volume", "L") or 0.0
    needed = plants * each * tank.plots
    many = plants * tank.plots * (needed + dead) / needed
    return replace(tank, needed_l=needed, mix_l=needed + dead, plants=many)


def _seed(trial: Trial, tank: Tank, plan: Plan, problems: list[Problem]) -> Tank | None:
    seed = plan.quantity("sprayer.seed_mass", "kg")
    if any(item.unit.basis != "seed" for item in tank.portions):
        problems.append(_misfit(trial, tank, "a seed treatment", "not of seed"))
        return None
    if seed is None:
        text = 'seed_mass = "250 g"'
        problems.append(_lacks("seed", "the seed treated for a plot", text, "sprayer"))
        return None
    return replace(tank, seed_kg=seed * tank.plots)


def _injection(trial: Trial, tank: Tank, sprayer: Sprayer, problems: list[Problem]) -> Tank | None:
    if sprayer.plot_m2 is None:
        problems.append(
            _lacks("area", "the area of a plot", 'plot_length = "9 m" and plot_width', "plan")
        )
        return None
    if any(item.unit.basis != "area" for item in tank.portions):
        problems.append(_misfit(trial, tank, "an injection into the irrigation", "not of an area"))
        return None
    area = sprayer.plot_m2 * tank.plots
    return replace(tank, sprayed_m2=area, strength_m2=area)


def _lacks(kind: str, what: str, text: str, section: str) -> Problem:
    return error(
        f"no-{kind}",
        f"The amounts need {what}, which is not given.",
        f"Give it under [{section}]: {text}.",
        Place(column=section),
    )


def _misfit(trial: Trial, tank: Tank, way: str, of: str) -> Problem:
    item = tank.treatment
    return error(
        "units-differ",
        f"Treatment {item.id} ({item.name}) is {way}, and a rate of it is {of}.",
        "Correct the unit of its rate or adjuvant.",
        place_of(trial, item, "rate_unit"),
    )


# --- order ---------------------------------------------------------------------------------


def in_order(tanks: list[Tank]) -> list[Tank]:
    """Carrier alone first, then product by product from the lowest rate to the highest."""
    first: dict[str, int] = {}
    for place, tank in enumerate(tanks):
        first.setdefault(_series(tank), place)

    def key(tank: Tank) -> tuple[int, int, float]:
        rate = tank.portions[0].rate if tank.portions else 0.0
        return (int(bool(tank.portions)), first[_series(tank)], rate)

    return sorted(tanks, key=key)


def _series(tank: Tank) -> str:
    """What products are in a tank, whatever their rates: what stands before the comma of a name."""
    series = tank.treatment.extra.get("rate_series")
    names = [series] if series else [item.product.partition(",")[0] for item in tank.portions]
    return " + ".join(sorted(name.casefold() for name in names if name))


def before(tank: Tank, earlier: Tank | None) -> str:
    """Say what is done before a tank is filled (three rinses: common practice, no source)."""
    if tank.method == "seed treatment":
        return "clean the vessel" if earlier is not None else ""
    if earlier is None or not earlier.portions:
        return "begin with a clean tank" if earlier is None else "empty the tank"
    if _series(tank) == _series(earlier):
        return "empty the tank (same product, not less of it)"
    return "empty and rinse three times, nozzles and hoses too"
