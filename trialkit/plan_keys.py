"""The keys by which a trial says how it is to be laid out and sprayed: what each means and takes.

They stand in the sections ``[plan]`` and ``[sprayer]`` of the settings. Reading checks them and
keeps them as text, ``trialkit.planning`` lays the trial out by them, and the blanks explain them
with the sentences that stand here.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from types import MappingProxyType
from typing import Final

SECTIONS: Final = ("plan", "sprayer")
#: Units that a quantity may have, by what it measures. `trialkit.measures.units` converts them.
UNITS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "length": ("m", "cm", "ft", "in"),
        "speed": ("km/h", "m/s", "mph"),
        "flow": ("L/min", "mL/min", "gal/min", "fl oz/min"),
        "volume": ("L", "mL", "gal", "fl oz"),
        "carrier": ("L/ha", "gal/acre"),
        "drench": ("mL", "L", "fl oz"),
        "pressure": ("bar", "kPa", "psi"),
        "mass": ("g", "mg", "kg", "oz", "lb"),
        "time": ("min", "s", "h"),
    }
)
_NUMBER = r"[-+]?\d+(?:\.\d+)?"
_QUANTITY = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z][A-Za-z ]*(?:/\s*[A-Za-z]+)?)\s*")


@dataclass(frozen=True, slots=True)
class PlanKey:
    """One key of the plan.

    Attributes
    ----------
    name : str
        With its section: ``plan.blocks``.
    kind : str
        ``whole`` (a whole number), ``days`` (whole numbers, some below 0), ``text``, ``yes``
        (yes or no), ``choice``, ``quantity`` (a number with a unit of ``measures``) or
        ``quantities`` (several numbers with one unit).
    meaning : str
        A sentence for the person who fills it in.
    example : str
        As it is typed; never taken where the key is left out.
    low, high : int
        Bounds of a whole number.
    choices : tuple of str
    measures : str
        What a quantity measures, a key of `UNITS`.
    """

    name: str
    kind: str
    meaning: str
    example: str
    low: int = 0
    high: int = 2**53
    choices: tuple[str, ...] = ()
    measures: str = ""

    def takes(self) -> str:
        """Say in words what may stand there, after "must be"."""
        if self.kind == "whole":
            top = f" to {self.high}" if self.high < 10**6 else " or more"
            return f"a whole number of {self.low}{top}"
        if self.kind == "days":
            return "days with commas between them, such as -1, 3, 7, 14"
        if self.kind == "yes":
            return "yes or no"
        if self.kind == "choice":
            return " or ".join(self.choices)
        if self.kind == "quantity":
            return f"a number with its unit ({', '.join(UNITS[self.measures])})"
        if self.kind == "quantities":
            units = ", ".join(UNITS[self.measures])
            return f"numbers with semicolons between them and one unit at the end ({units})"
        return "text"


PLAN_KEYS: Final[tuple[PlanKey, ...]] = (
    PlanKey(
        "plan.blocks",
        "whole",
        "Blocks; in a completely randomised trial plots of each treatment; of incomplete "
        "blocks the replicates.",
        "4",
        2,
        200,
    ),
    PlanKey(
        "plan.block_size",
        "whole",
        "Plots in an incomplete block, where a replicate is too long for one block. Leave "
        "empty for complete blocks.",
        "5",
        2,
        200,
    ),
    PlanKey(
        "plan.untreated_plots",
        "whole",
        "Plots of the untreated in every block.",
        "1",
        1,
        20,
    ),
    PlanKey(
        "plan.block_rows",
        "whole",
        "Rows of the field that one block takes.",
        "1",
        1,
        100,
    ),
    PlanKey(
        "plan.columns",
        "whole",
        "Plots in one row of the field, in a completely randomised trial.",
        "8",
        1,
        1000,
    ),
    PlanKey(
        "plan.numbering",
        "choice",
        "How plots are numbered: serpentine follows the walk (every second row "
        "backwards), straight begins each row at the same side.",
        "serpentine",
        choices=("serpentine", "straight"),
    ),
    PlanKey(
        "plan.apart",
        "yes",
        "Whether no treatment may stand in the same column of the field in two "
        "neighbouring blocks.",
        "no",
    ),
    PlanKey(
        "plan.main_factor",
        "text",
        "Column of Treatments that holds the main-plot factor of a split-plot or strip- plot.",
        "cultivar",
    ),
    PlanKey(
        "plan.sub_factor",
        "text",
        "Column of Treatments that holds the subplot factor.",
        "product",
    ),
    PlanKey(
        "plan.seed",
        "whole",
        "Number from which the layout was drawn; the same number gives the same layout. "
        "Filled in by the tool.",
        "20250612",
    ),
    PlanKey(
        "plan.days",
        "days",
        "Days on which counts are planned, after the first application; negative before it.",
        "-1, 3, 7, 14",
    ),
    PlanKey(
        "plan.samples",
        "whole",
        "Samples counted in each plot, each with a line of its own. Leave empty for one "
        "value a plot.",
        "10",
        1,
        500,
    ),
    PlanKey(
        "plan.plot_length",
        "quantity",
        "Length of a plot, along the way of the sprayer.",
        "9 m",
        measures="length",
    ),
    PlanKey(
        "plan.plot_width",
        "quantity",
        "Width of a plot.",
        "2 m",
        measures="length",
    ),
    PlanKey(
        "sprayer.carrier",
        "quantity",
        "Spray volume wanted.",
        "300 L/ha",
        measures="carrier",
    ),
    PlanKey(
        "sprayer.nozzles",
        "whole",
        "Nozzles on the boom.",
        "4",
        1,
        200,
    ),
    PlanKey(
        "sprayer.spacing",
        "quantity",
        "Distance between nozzles, or the width of the band of one.",
        "50 cm",
        measures="length",
    ),
    PlanKey(
        "sprayer.flow",
        "quantity",
        "Output of one nozzle at the working pressure, as caught.",
        "0.8 L/min",
        measures="flow",
    ),
    PlanKey(
        "sprayer.speed",
        "quantity",
        "Speed over the ground.",
        "4 km/h",
        measures="speed",
    ),
    PlanKey(
        "sprayer.course",
        "quantity",
        "Length of a course that was driven to time the speed, where the speed is not given.",
        "100 m",
        measures="length",
    ),
    PlanKey(
        "sprayer.course_time",
        "quantity",
        "Time that the course took.",
        "45 s",
        measures="time",
    ),
    PlanKey(
        "sprayer.pressure",
        "quantity",
        "Pressure at which the output was measured.",
        "3 bar",
        measures="pressure",
    ),
    PlanKey(
        "sprayer.catch",
        "quantities",
        "What each nozzle gave in a catch test of one minute, from left to right.",
        "790; 805; 800; 640 mL/min",
        measures="flow",
    ),
    PlanKey(
        "sprayer.overspray",
        "quantity",
        "How far the spray runs on beyond each end of a plot.",
        "0.5 m",
        measures="length",
    ),
    PlanKey(
        "sprayer.dead_volume",
        "quantity",
        "What stays in tank, pump and hoses and does not reach the nozzles.",
        "0.4 L",
        measures="volume",
    ),
    PlanKey(
        "sprayer.pipette_step",
        "quantity",
        "Smallest step of the pipette or cylinder.",
        "0.1 mL",
        measures="volume",
    ),
    PlanKey(
        "sprayer.balance_step",
        "quantity",
        "Smallest step of the balance.",
        "0.01 g",
        measures="mass",
    ),
    PlanKey(
        "sprayer.drench_volume",
        "quantity",
        "Liquid for one plant, where plants are drenched.",
        "100 mL",
        measures="drench",
    ),
    PlanKey(
        "sprayer.plants",
        "whole",
        "Plants in a plot, where plants are drenched.",
        "20",
        1,
        100_000,
    ),
    PlanKey(
        "sprayer.seed_mass",
        "quantity",
        "Seed treated for each plot, where seed is treated.",
        "250 g",
        measures="mass",
    ),
    PlanKey(
        "sprayer.injection_time",
        "quantity",
        "How long the product is injected, where it goes with the irrigation water.",
        "30 min",
        measures="time",
    ),
)
_BY_NAME: Final = {key.name: key for key in PLAN_KEYS}


def plan_key(name: str) -> PlanKey | None:
    """Find a key by its name with its section; None where there is none."""
    return _BY_NAME.get(name)


def keys_of(section: str) -> tuple[str, ...]:
    """Names of the keys of a section, without it."""
    return tuple(
        item.name.partition(".")[2] for item in PLAN_KEYS if item.name.startswith(f"{section}.")
    )


def quantity(text: str) -> tuple[float, str] | None:
    """Take a number and its unit apart; None where the text is no such thing.

    Examples
    --------
    >>> quantity("0.8 L/min")
    (0.8, 'L/min')
    """
    match = _QUANTITY.fullmatch(text.replace(",", ".") if text.count(",") == 1 else text)
    if match is None:
        return None
    unit = re.sub(r"\s*/\s*", "/", " ".join(match.group(2).split()))
    return float(match.group(1)), unit


def quantities(text: str) -> tuple[tuple[float, ...], str] | None:
    """Take several numbers with one unit at the end apart; None where it cannot be done.

    Examples
    --------
    >>> quantities("16; 15.5; 17 fl oz/min")
    ((16.0, 15.5, 17.0), 'fl oz/min')
    """
    *before, last = text.split(";")
    end = quantity(last)
    if end is None:
        return None
    try:
        numbers = [float(part.strip().replace(",", ".")) for part in before]
    except ValueError:
        return None
    return (*numbers, end[0]), end[1]


def fault_of(key: PlanKey, text: str) -> bool:
    """Whether a text does not fit its key."""
    if key.kind == "whole":
        return not (re.fullmatch(r"\d+", text) and key.low <= int(text) <= key.high)
    if key.kind == "days":
        return days_of(text) is None
    if key.kind == "yes":
        return yes_of(text) is None
    if key.kind == "choice":
        return text.casefold() not in key.choices
    if key.kind in {"quantity", "quantities"}:
        found = quantities(text) if key.kind == "quantities" else quantity(text)
        if found is None or found[1] not in UNITS[key.measures]:
            return True
        numbers = found[0] if isinstance(found[0], tuple) else (found[0],)
        zero_fits = key.name in {"sprayer.overspray", "sprayer.dead_volume"}
        return not all(isfinite(n) and (n > 0 or (zero_fits and n == 0)) for n in numbers)
    return not text


def days_of(text: str) -> tuple[int, ...] | None:
    """Days of a list, in order and each once; None where it is none."""
    parts = [part for part in re.split(r"[;,\s]+", text.replace("\N{MINUS SIGN}", "-")) if part]
    if not parts or not all(re.fullmatch(r"[-+]?\d{1,3}", part) for part in parts):
        return None
    return tuple(sorted({int(part) for part in parts}))


def yes_of(text: str) -> bool | None:
    """Read yes or no; None where it is neither."""
    word = text.casefold()
    if word in {"yes", "true", "1"}:
        return True
    return False if word in {"no", "false", "0"} else None
