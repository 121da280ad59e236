"""Sprayer calibration and amounts to mix: arithmetic for planning a trial.

These are calculations from what the user states. They recommend no product, rate or volume: the
label, the law and licensed practice decide those.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.measures.units import (
    FL_OZ_PER_GAL,
    FT2_PER_ACRE,
    M2_PER_HA,
    ML_PER_FL_OZ,
)

US_CALIBRATION: Final = FT2_PER_ACRE * 12 * 60 / 5280
"""5940: gal/acre = 5940 gpm / (mph x inches)."""

METRIC_CALIBRATION: Final = 600.0
"""L/ha = 600 L/min / (km/h x m)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """What to mix for all plots of one treatment.

    Attributes
    ----------
    area_m2 : float
        Plot area times plots, with the overage.
    mix_l : float
        Spray mixture, litres.
    product : float
        Product in the mixture, in mL for a rate in L/ha, in g for a rate in kg/ha.
    """

    area_m2: float
    mix_l: float
    product: float


def volume_gal_per_acre(flow_gpm: float, speed_mph: float, width_in: float) -> float:
    """Spray volume from flow, speed and width, US units: ``5940 gpm / (mph inches)``.

    Parameters
    ----------
    flow_gpm : float
        Flow of one nozzle, US gallons per minute; not below zero.
    speed_mph : float
        Ground speed, miles per hour; above zero.
    width_in : float
        Nozzle spacing for a broadcast spray, band width for a band, inches; above zero.

    Returns
    -------
    float
        US gallons per acre.

    Raises
    ------
    ValueError
        When a number is out of range.

    References
    ----------
    Formula as university extension texts give it (Univ. of Florida IFAS; Clemson; seen).

    Examples
    --------
    >>> round(volume_gal_per_acre(0.4, 5, 20), 6)
    23.76
    """
    not_negative(flow_gpm, "flow")
    positive(speed_mph, "speed")
    positive(width_in, "width")
    return US_CALIBRATION * flow_gpm / (speed_mph * width_in)


def volume_l_per_ha(flow_l_per_min: float, speed_km_h: float, width_m: float) -> float:
    """Spray volume from flow, speed and width: ``600 L/min / (km/h m)``.

    Parameters
    ----------
    flow_l_per_min : float
        Flow of one nozzle; not below zero.
    speed_km_h : float
        Ground speed; above zero.
    width_m : float
        Nozzle spacing for a broadcast spray, band width for a band; above zero.

    Returns
    -------
    float
        Litres per hectare.

    Raises
    ------
    ValueError
        When a number is out of range.

    Examples
    --------
    >>> volume_l_per_ha(1.5, 8, 0.5)
    225.0
    """
    not_negative(flow_l_per_min, "flow")
    positive(speed_km_h, "speed")
    positive(width_m, "width")
    return METRIC_CALIBRATION * flow_l_per_min / (speed_km_h * width_m)


def flow_gpm(volume_gal_per_acre: float, speed_mph: float, width_in: float) -> float:
    """Nozzle flow (US gal/min) that gives a spray volume: `volume_gal_per_acre` turned round."""
    not_negative(volume_gal_per_acre, "volume")
    positive(speed_mph, "speed")
    positive(width_in, "width")
    return volume_gal_per_acre * speed_mph * width_in / US_CALIBRATION


def flow_l_per_min(volume_l_per_ha: float, speed_km_h: float, width_m: float) -> float:
    """Nozzle flow (L/min) that gives a spray volume: `volume_l_per_ha` turned round."""
    not_negative(volume_l_per_ha, "volume")
    positive(speed_km_h, "speed")
    positive(width_m, "width")
    return volume_l_per_ha * speed_km_h * width_m / METRIC_CALIBRATION


def speed_mph(distance_ft: float, seconds: float) -> float:
    """Ground speed from a timed course in feet: ``ft 60 / (s 88)``, miles per hour.

    Raises
    ------
    ValueError
        When the time is not above zero or the distance is below zero.
    """
    not_negative(distance_ft, "distance")
    positive(seconds, "time")
    return distance_ft * 60 / (seconds * 88)


def speed_km_h(distance_m: float, seconds: float) -> float:
    """Ground speed from a timed course in metres: ``3.6 m / s``, km/h.

    Raises
    ------
    ValueError
        When the time is not above zero or the distance is below zero.
    """
    not_negative(distance_m, "distance")
    positive(seconds, "time")
    return 3.6 * distance_m / seconds


def catch_course_ft(spacing_in: float) -> float:
    """Length of the course for the 1/128-acre catch, feet: ``(43560 / 128) 12 / spacing``.

    The fluid ounces caught from one nozzle in the time it takes to drive this course are the US
    gallons per acre.

    Parameters
    ----------
    spacing_in : float
        Nozzle spacing or band width, inches; above zero.

    Raises
    ------
    ValueError
        When the spacing is not above zero.

    References
    ----------
    Method and rounded lengths on a Clemson extension page (seen).
    """
    positive(spacing_in, "spacing")
    return FT2_PER_ACRE / FL_OZ_PER_GAL * 12 / spacing_in


def product_per_plot(rate_per_ha: float, plot_area_m2: float) -> float:
    """Product for one plot: mL for a rate in L/ha, g for a rate in kg/ha.

    ``rate area / 10000``, a thousand times for the smaller unit.

    Raises
    ------
    ValueError
        When the rate is below zero or the area is not above zero.

    Examples
    --------
    >>> product_per_plot(1.5, 30)
    4.5
    """
    not_negative(rate_per_ha, "rate")
    positive(plot_area_m2, "plot area")
    return rate_per_ha * plot_area_m2 * 1000 / M2_PER_HA


def product_per_plot_us(rate_fl_oz_per_acre: float, plot_area_ft2: float) -> float:
    """Product for one plot, mL, for a rate in US fl oz per acre and an area in square feet.

    Raises
    ------
    ValueError
        When the rate is below zero or the area is not above zero.
    """
    not_negative(rate_fl_oz_per_acre, "rate")
    positive(plot_area_ft2, "plot area")
    return rate_fl_oz_per_acre * ML_PER_FL_OZ * plot_area_ft2 / FT2_PER_ACRE


def mix_for_treatment(
    carrier_l_per_ha: float,
    rate_per_ha: float,
    plot_area_m2: float,
    plots: int,
    *,
    overage_percent: float = 0.0,
) -> Mix:
    """Mixture and product for all plots of a treatment.

    ``carrier plot_area plots (1 + overage)``; the product goes with the same area.

    Parameters
    ----------
    carrier_l_per_ha : float
        Spray volume, L/ha; above zero.
    rate_per_ha : float
        Product, L/ha or kg/ha; not below zero.
    plot_area_m2 : float
        Treated area of one plot; above zero.
    plots : int
        Plots of the treatment; at least one.
    overage_percent : float
        What is mixed over the need, for hoses and tank; not below zero.

    Returns
    -------
    Mix

    Raises
    ------
    ValueError
        When a number is out of range.

    Examples
    --------
    >>> mix_for_treatment(200, 1.5, 30, 4, overage_percent=25)
    Mix(area_m2=150.0, mix_l=3.0, product=22.5)
    """
    positive(carrier_l_per_ha, "spray volume")
    not_negative(rate_per_ha, "rate")
    positive(plot_area_m2, "plot area")
    positive(plots, "number of plots")
    not_negative(overage_percent, "overage")
    area = plot_area_m2 * plots * (100 + overage_percent) / 100
    return Mix(
        area_m2=area,
        mix_l=carrier_l_per_ha * area / M2_PER_HA,
        product=rate_per_ha * area * 1000 / M2_PER_HA,
    )


def active_per_ha(product_per_ha: float, content: float) -> float:
    """Active ingredient, g/ha: litres per hectare times g/L, or kg per hectare times g/kg.

    Raises
    ------
    ValueError
        When a number is below zero.

    Examples
    --------
    >>> active_per_ha(0.75, 200)
    150.0
    """
    not_negative(product_per_ha, "rate")
    not_negative(content, "content")
    return product_per_ha * content


def active_lb_per_acre(product_fl_oz_per_acre: float, content_lb_per_gal: float) -> float:
    """Active ingredient, lb/acre, of a liquid rated in US fl oz per acre with lb per US gallon.

    Raises
    ------
    ValueError
        When a number is below zero.

    Examples
    --------
    >>> active_lb_per_acre(12, 2)
    0.1875
    """
    not_negative(product_fl_oz_per_acre, "rate")
    not_negative(content_lb_per_gal, "content")
    return product_fl_oz_per_acre / FL_OZ_PER_GAL * content_lb_per_gal


def product_for_active(active_per_ha: float, content_percent: float) -> float:
    """Product that holds an amount of active ingredient, in the unit of that amount.

    ``active / (content / 100)``, content as percent by weight.

    Raises
    ------
    ValueError
        When the amount is below zero, or the content is not above 0 and at most 100.

    Examples
    --------
    >>> product_for_active(100, 25)
    400.0
    """
    not_negative(active_per_ha, "active ingredient")
    positive(content_percent, "content")
    if content_percent > 100:
        raise ValueError(f"the content must be at most 100 percent, not {content_percent:g}")
    return active_per_ha * 100 / content_percent


def adjuvant_ml(percent_by_volume: float, mix_l: float) -> float:
    """Adjuvant in a mixture, mL, for a share given in percent by volume.

    Raises
    ------
    ValueError
        When a number is below zero, or the share is above 100.
    """
    not_negative(percent_by_volume, "share")
    not_negative(mix_l, "mixture")
    if percent_by_volume > 100:
        raise ValueError(f"the share must be at most 100 percent, not {percent_by_volume:g}")
    return percent_by_volume * mix_l * 10


def positive(value: float, what: str) -> None:
    """Refuse a number that is not above zero."""
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"the {what} must be above zero, not {value:g}")


def not_negative(value: float, what: str) -> None:
    """Refuse a number below zero."""
    if not (np.isfinite(value) and value >= 0):
        raise ValueError(f"the {what} must be zero or above, not {value:g}")
