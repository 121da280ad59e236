"""What a trial says of itself that may go with its results: pressure, stage, rain, water, place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta

import pandas as pd

from trialkit.measures.units import convert
from trialkit.trial import Trial, VariableRole

#: Days after the first application over which rain may wash a product off, and days of a week.
RAIN_DAYS = (3, 7)
#: Rain of a day from which it counts as a day with rain, mm (common practice, no source).
WET_MM = 1.0
_YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
_NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
_STAGE = re.compile(r"\D*(\d{1,2})(?!\d)\D*")
_RAIN = re.compile(r"rain|precip|rr\b", re.IGNORECASE)
_INCHES = re.compile(r"[\s_(\[](?:in|inch|inches)\b", re.IGNORECASE)
_LATITUDE = ("latitude", "lat")


def year_of(season: str | None, applied: date | None) -> float | None:
    """Year of a season: the first that it names, else that of the first application."""
    match = _YEAR.search(season or "")
    if match is not None:
        return float(match[0])
    return None if applied is None else float(applied.year)


def covariates_of(trial: Trial) -> dict[str, float]:
    """Name and number of everything that a trial says of itself.

    Rain is the sum over the first three days after application (the day itself not counted) and
    the number of days with 1 mm or more in the first seven, where the weather of all these days is
    there.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    dict of str to float
        What is not known is not in it.
    """
    return {
        **dict(_application(trial)),
        **_rain(trial),
        **_latitude(trial),
    }


def pressure_of(trial: Trial) -> dict[str, float]:
    """Pest pressure: mean of the untreated over the assessments after the first application.

    Returns
    -------
    dict of str to float
        By name of the pest.
    """
    if trial.untreated is None or trial.counts.empty:
        return {}
    found = {}
    plots = {plot.id for plot in trial.plots if plot.treatment == trial.untreated}
    counts = trial.counts
    kept = counts[counts["plot"].isin(plots) & (counts["day"] > 0)]
    for variable in trial.variables:
        if variable.role is VariableRole.PEST:
            own = kept[kept["variable"] == variable.name]
            # every day counts the same, whatever samples were taken on it
            level = own.groupby("day")["value"].mean().mean()
            if level == level:
                found[variable.name] = float(level)
    return found


def _application(trial: Trial) -> Iterator[tuple[str, float]]:
    if not trial.applications:
        return
    first = min(trial.applications, key=lambda item: item.date)
    stage = _STAGE.fullmatch(first.growth_stage or "")
    if stage is not None:
        yield "growth stage at application", float(stage[1])
    if first.carrier_l_per_ha is not None:
        yield "carrier volume, L/ha", first.carrier_l_per_ha
    elif first.carrier_gal_per_acre is not None:
        volume = convert(first.carrier_gal_per_acre, "gal/acre", "L/ha")
        yield "carrier volume, L/ha", float(volume)


def _rain(trial: Trial) -> dict[str, float]:
    start = trial.applied
    heading = next((name for name in trial.weather.columns if _RAIN.search(str(name))), None)
    if start is None or heading is None:
        return {}
    amounts = pd.to_numeric(trial.weather[heading], errors="coerce").to_numpy(dtype=float)
    if _INCHES.search(heading):
        amounts = convert(amounts, "in", "cm") * 10.0
    fallen = dict(zip(trial.weather["date"], amounts.tolist(), strict=True))
    found = {}
    for days, name in zip(
        RAIN_DAYS,
        (
            f"rain in the {RAIN_DAYS[0]} days after application, mm",
            f"days with rain in the {RAIN_DAYS[1]} days after application",
        ),
        strict=True,
    ):
        week = [fallen.get(start + timedelta(day), float("nan")) for day in range(1, days + 1)]
        if all(amount == amount for amount in week):
            wet = sum(amount >= WET_MM for amount in week)
            found[name] = float(sum(week)) if days == RAIN_DAYS[0] else float(wet)
    return found


def _latitude(trial: Trial) -> dict[str, float]:
    for key, text in trial.extra.items():
        match = _NUMBER.search(text)
        if key.strip().casefold() in _LATITUDE and match is not None:
            south = text.strip().casefold().endswith("s")
            return {"latitude": -float(match[0]) if south else float(match[0])}
    return {}
