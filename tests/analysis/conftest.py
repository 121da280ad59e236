"""Trials built in memory from typed data, for the statistics of a whole trial."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
import pytest

from trialkit import trial_from_tables
from trialkit.trial import (
    COUNT_COLUMNS,
    Design,
    Kind,
    Plot,
    Settings,
    Treatment,
    TreatmentRole,
    Trial,
    Variable,
    VariableRole,
)

# Gomez KA & Gomez AA 1984, Statistical Procedures for Agricultural Research, 2nd ed., chapter 3:
# nitrogen N0-N5 down, varieties V1-V4 across with three blocks each (data recalled, not seen).
SPLIT_RICE = """
4430 4478 3850 3944 5314 3660 3464 2944 3142 4126 4482 4836
5418 5166 6432 6502 5858 5586 4768 6004 5556 5192 4604 4652
6076 6420 6704 6008 6127 6642 6244 5724 6014 4546 5744 4146
6462 7056 6680 7139 6982 6564 5792 5880 6370 2774 5036 3638
7290 7848 7552 7682 6594 6576 7080 6662 6320 1414 1960 2766
8452 8832 8818 6228 7387 6006 5594 7122 5480 2248 1380 2014
"""
# The same book, tables 3.12 and 3.15: varieties G1-G6, nitrogen N0, N60 and N120 across, three
# blocks each (data seen in an open collection).
STRIP_RICE = """
2373 3958 4384 4076 6431 4889 7254 6808 8582 4007 5795 5001 5630 7334 7177 7053 8284 6297
2620 4508 5621 4676 6672 7019 7666 7328 8611 2726 5630 3821 4838 7007 4816 6881 7735 6667
4447 3276 4582 5549 5340 6011 6880 5080 6076 2572 3724 3326 3896 2822 4425 1556 2706 3214
"""


def _two_factors(
    text: str,
    mains: Sequence[str],
    subs: Sequence[str],
    design: Design,
    *,
    missing: Sequence[tuple[str, str, str]] = (),
    blocks: bool = True,
    main_plots: bool = False,
    **settings: object,
) -> Trial:
    values = (float(word) for word in text.split())
    places = itertools.product(mains, subs, "123")
    rows = [
        {
            "plot": f"{block}{main}{sub}",
            "treatment": f"{main}:{sub}",
            "block": block if blocks else None,
            "main_plot": f"{block}{main}" if main_plots else None,
            "main_factor": main,
            "sub_factor": sub,
            "grain": np.nan if (main, sub, block) in missing else value,
        }
        for (main, sub, block), value in zip(places, values, strict=True)
    ]
    table = pd.DataFrame(rows).dropna(axis="columns", how="all")
    listed = [(f"{main}:{sub}", f"{sub} with {main}") for main in mains for sub in subs]
    made = trial_from_tables(
        {
            "title": "Rice",
            "design": design.value,
            "untreated": listed[0][0],
            "variables": {"grain": {"label": "Grain", "kind": "measurement", "role": "yield"}},
        },
        treatments=pd.DataFrame(listed, columns=["treatment", "name"]),
        plots=table.drop(columns="grain"),
        yields=table[["plot", "grain"]],
    )
    return made.with_settings(**settings)


@pytest.fixture(scope="session")
def split_rice() -> Callable[..., Trial]:
    def build(**kwargs: object) -> Trial:
        mains, subs = [f"N{i}" for i in range(6)], [f"V{i}" for i in range(1, 5)]
        return _two_factors(SPLIT_RICE, mains, subs, Design.SPLIT_PLOT, **kwargs)  # type: ignore[arg-type]

    return build


@pytest.fixture(scope="session")
def strip_rice() -> Callable[..., Trial]:
    def build(**kwargs: object) -> Trial:
        mains, subs = [f"G{i}" for i in range(1, 7)], ["N0", "N60", "N120"]
        return _two_factors(STRIP_RICE, mains, subs, Design.STRIP_PLOT, **kwargs)  # type: ignore[arg-type]

    return build


def build_counts(
    treatments: Sequence[Treatment],
    levels: Callable[[Treatment, float], float],
    *,
    days: Sequence[float] = (-1.0, 3.0, 7.0, 14.0),
    blocks: int = 4,
    samples: int = 0,
    seed: int = 5,
    missing: Sequence[tuple[str, float]] = (),
    design: Design = Design.RCBD,
    **settings: object,
) -> Trial:
    """An invented trial in blocks with Poisson counts about given levels."""
    rng = np.random.default_rng(seed)
    plots, rows = [], []
    for block in range(1, blocks + 1):
        for place, item in enumerate(treatments, start=1):
            plot = f"{block}{place:02d}"
            plots.append(
                Plot(
                    id=plot,
                    treatment=item.id,
                    block=str(block) if design is not Design.CRD else None,
                )
            )
            here = np.exp(rng.normal(0.0, 0.15)) * (0.8 + 0.1 * block)
            for day in days:
                level = max(levels(item, day) * here, 0.05)
                if samples:
                    for sample in range(1, samples + 1):
                        rows.append((plot, "aphids", day, str(sample), float(rng.poisson(level))))
                else:
                    value = float(rng.poisson(level))
                    rows.append(
                        (plot, "aphids", day, None, np.nan if (plot, day) in missing else value)
                    )
    return Trial(
        title="Invented aphids",
        design=design,
        treatments=tuple(treatments),
        plots=tuple(plots),
        variables=(
            Variable(name="aphids", label="Aphids", kind=Kind.COUNT, role=VariableRole.PEST),
        ),
        counts=pd.DataFrame(rows, columns=list(COUNT_COLUMNS)),
        untreated=treatments[0].id,
        settings=Settings(**settings),  # type: ignore[arg-type]
    )


def _products() -> tuple[Treatment, ...]:
    made = [Treatment(id="0", name="Untreated", role=TreatmentRole.UNTREATED)]
    for product in ("Brambletox", "Fernway"):
        for rate in (0.25, 0.5, 1.0):
            made.append(
                Treatment(
                    id=f"{product[0]}{rate:g}",
                    name=f"{product} {rate:g} L/ha",
                    rate=rate,
                    rate_unit="L/ha",
                    mode_of_action="group 98" if product == "Fernway" else "group 99",
                    extra={"Product": product},
                )
            )
    return tuple(made)


def _fall(item: Treatment, day: float) -> float:
    return 20.0 if day < 0 or item.rate is None else 20.0 * (1.0 - 0.8 * item.rate**0.5)


@pytest.fixture(scope="session")
def products() -> tuple[Treatment, ...]:
    """An untreated, and two products at three rates each."""
    return _products()


@pytest.fixture(scope="session")
def product_trial(products: tuple[Treatment, ...]) -> Callable[..., Trial]:
    """Make a trial of them; keywords are those of `build_counts`."""

    def build(**kwargs: object) -> Trial:
        chosen = kwargs.pop("treatments", products)
        return build_counts(chosen, _fall, **kwargs)  # type: ignore[arg-type]

    return build
