"""Sprayer calibration and amounts to mix: arithmetic for planning a trial.

These are calculations from what the user states. They recommend no product, rate or volume: the
label, the law and licensed practice decide those.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from trialkit.measures.units import M2_PER_HA

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


def flow_l_per_min(volume_l_per_ha: float, speed_km_h: float, width_m: float) -> float:
    """Nozzle flow (L/min) that gives a spray volume: `volume_l_per_ha` turned round."""
    not_negative(volume_l_per_ha, "volume")
    positive(speed_km_h, "speed")
    positive(width_m, "width")
    return volume_l_per_ha * speed_km_h * width_m / METRIC_CALIBRATION


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


def positive(value: float, what: str) -> None:
    """Refuse a number that is not above zero."""
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"the {what} must be above zero, not {value:g}")


def not_negative(value: float, what: str) -> None:
    """Refuse a number below zero."""
    if not (np.isfinite(value) and value >= 0):
        raise ValueError(f"the {what} must be zero or above, not {value:g}")
