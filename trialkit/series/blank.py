"""The blank ``series.toml`` that is shipped: every key with its meaning, nothing filled in."""

from __future__ import annotations

from trialkit.series.options import SeriesOptions
from trialkit.series.options_file import options_text

_EXAMPLES = {
    "treatments": (
        '"Product, full rate" = ["Product 10 EC", { trial = "north-2025", name = "4" }]',
    ),
    "variables": ('larvae = ["Larvae per plant", "grubs"]',),
    "units": ('grain = "t/ha"',),
    "covariates": ("[covariates.north-2025]", "latitude = 52.1"),
    "left_out": ('north-2024 = "hail on day 6"',),
    "sites": ('north-2025 = "North farm"',),
    "seasons": ('north-2025 = "2025"',),
    "report": ('objective = "Is the lower rate good enough?"', 'parts = "control; next; yield"'),
}


def blank_text() -> str:
    """Write the blank."""
    return options_text(SeriesOptions(), _EXAMPLES)
