"""What goes into a tank: products with their rates, as a trial names them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from trialkit.measures.dose_units import (
    ContentUnit,
    RateUnit,
    product_of_active,
    read_content_unit,
    read_rate_unit,
)
from trialkit.measures.units import convert
from trialkit.planning.layouts import is_untreated
from trialkit.problems import Place, Problem, error, warning
from trialkit.trial import Application, Treatment, TreatmentRole, Trial

_ADJUVANT = re.compile(r"(.*?\S)[\s,:]+(\d+(?:[.,]\d+)?)\s*(\D.*)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Portion:
    """One product of a tank.

    Attributes
    ----------
    product : str
    rate : float
    written : str
        Unit of the rate as the trial has it.
    unit : RateUnit
    content : (float, ContentUnit) or None
        Active ingredient in the product.
    """

    product: str
    rate: float
    written: str
    unit: RateUnit
    content: tuple[float, ContentUnit] | None = None

    def product_amount(self, amount: float) -> tuple[float, str]:
        """Product that an amount in the unit of the rate stands for, in mL or g."""
        if not self.unit.active:
            target = "mL" if self.unit.liquid else "g"
            return float(convert(amount, self.unit.amount, target)), target
        if self.content is None:  # refused before
            raise ValueError("an amount of active ingredient needs the content of the product")
        return product_of_active(amount, self.unit, *self.content)


def portions(
    trial: Trial, treatment: Treatment, application: Application | None, problems: list[Problem]
) -> list[Portion]:
    """Products of a treatment on an application: its parts, or itself, and its adjuvant.

    Parameters
    ----------
    trial : Trial
    treatment : Treatment
    application : Application or None
        None where the trial lists none.
    problems : list of Problem
        Gets what cannot be worked out.
    """
    found = []
    parts = [trial.treatment(part) for part in treatment.parts] or [treatment]
    for part in parts:
        portion = _portion(trial, treatment, part, application, problems)
        if portion is not None:
            found.append(portion)
    for part in parts if treatment in parts else [*parts, treatment]:
        found += _adjuvants(trial, part, problems)
    return found


def applied(trial: Trial, treatment: Treatment, application: Application | None) -> bool:
    """Whether a treatment is put out on an application."""
    if is_untreated(trial, treatment):
        return False
    named = treatment.applications
    return application is None or not named or application.id in named


def _portion(
    trial: Trial,
    treatment: Treatment,
    part: Treatment,
    application: Application | None,
    problems: list[Problem],
) -> Portion | None:
    rate, text = _rate(trial, treatment, part, application)
    if rate is None:
        if part.role is not TreatmentRole.CARRIER:
            problems.append(
                warning(
                    "no-rate",
                    f"{_named(part)} has no rate, so nothing of it is in the tank.",
                    "Give its rate and rate_unit, if it is sprayed.",
                    place_of(trial, part, "rate"),
                )
            )
        return None
    unit = read_rate_unit(text or "")
    if unit is None:
        problems.append(
            error(
                "rate-unit",
                f"The rate of {_named(part)} has no unit that is known: '{text or ''}'.",
                "Write it as L/ha, g/ha, g ai/ha, fl oz/acre, lb/acre, % v/v, mL/100 L, g/kg seed "
                "or mL/plant.",
                place_of(trial, part, "rate_unit"),
            )
        )
        return None
    content = _content(trial, part, unit, problems)
    if content is None and unit.active:
        return None
    name = part.extra.get("product") or part.name
    return Portion(product=name, rate=rate, written=text or "", unit=unit, content=content)


def _rate(
    trial: Trial, treatment: Treatment, part: Treatment, application: Application | None
) -> tuple[float | None, str | None]:
    """Rate of a product on an application, from the doses or the list of treatments."""
    if part is treatment:
        for row in trial.doses.to_dict("records"):
            same = row["application"] is None or (
                application is not None and row["application"] == application.id
            )
            rate = row["rate"]
            if row["treatment"] == treatment.id and same and rate == rate and rate is not None:
                return float(rate), row["rate_unit"] or treatment.rate_unit
    return part.rate, part.rate_unit


def _content(
    trial: Trial, part: Treatment, unit: RateUnit, problems: list[Problem]
) -> tuple[float, ContentUnit] | None:
    written, text = _extra(part, "content"), _extra(part, "content_unit")
    number = _number(written)
    read = read_content_unit(text)
    if not written:
        if unit.active:
            problems.append(
                error(
                    "no-content",
                    f"The rate of {_named(part)} is of active ingredient, and the content of the "
                    "product is not given.",
                    "Give content and content_unit (g/L, g/kg, % w/w, lb/gal) in its row.",
                    place_of(trial, part, "content"),
                )
            )
        return None
    if number is None or not number > 0 or read is None:
        problems.append(
            error(
                "content-unit",
                f"The content of {_named(part)} cannot be read: '{written} {text}'.",
                "Write a number above 0 and its unit: g/L, g/kg, % w/w, % w/v or lb/gal.",
                place_of(trial, part, "content_unit"),
            )
        )
        return None
    if not unit.active and unit.liquid != read.of_liquid:
        what = "a volume" if unit.liquid else "a weight"
        problems.append(
            error(
                "units-differ",
                f"The rate of {_named(part)} is {what}, and its content is "
                f"{'by volume' if read.of_liquid else 'by weight'}: the two do not fit.",
                "Correct one of them. oz is a weight; of a liquid write fl oz.",
                place_of(trial, part, "rate_unit"),
            )
        )
        return None
    return number, read


def _adjuvants(trial: Trial, part: Treatment, problems: list[Problem]) -> Iterator[Portion]:
    for text in re.split(r"[;+]", _extra(part, "adjuvant")):
        if not text.strip():
            continue
        match = _ADJUVANT.fullmatch(text.strip())
        unit = None if match is None else read_rate_unit(match.group(3))
        if match is None or unit is None or unit.active:
            problems.append(
                error(
                    "adjuvant",
                    f"The adjuvant of {_named(part)} cannot be read: '{text.strip()}'.",
                    "Write its name, how much and the unit: Wettol 0.25 % v/v.",
                    place_of(trial, part, "adjuvant"),
                )
            )
            continue
        rate = float(match.group(2).replace(",", "."))
        yield Portion(product=match.group(1), rate=rate, written=match.group(3).strip(), unit=unit)


def _extra(treatment: Treatment, name: str) -> str:
    wanted = name.replace("_", "")
    for key, text in treatment.extra.items():
        if "".join(sign for sign in key.casefold() if sign.isalnum()) == wanted:
            return text.strip()
    return ""


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None


def _named(treatment: Treatment) -> str:
    return f"treatment {treatment.id} ({treatment.name})"


def place_of(trial: Trial, treatment: Treatment, column: str) -> Place:
    """Where a cell of a treatment stands: with its row, where the trial was read from a file."""
    listed = trial.listed_at.get(treatment.id, Place(file="treatments"))
    return replace(listed, column=column)
