"""An invented trial, small and with every odd thing that a report has to cope with."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis import Analysis, analyse
from trialkit.report.compose import compose
from trialkit.report.document import Document
from trialkit.trial import (
    Application,
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

DAYS = (-1.0, 3.0, 7.0, 14.0, 21.0)
LEVELS = {
    "1": (20, 30, 45, 60, 50),
    "2": (22, 2, 1, 6, 20),
    "3": (18, 12, 8, 15, 30),
    "NA": (21, 0, 0, 2, 4),
}
HOSTILE = '<script>alert("x")</script>'


@dataclass(frozen=True)
class Sentence:
    text: str


FINDINGS = (
    Sentence("The untreated rose to 60 larvae per plant by day 14."),
    Sentence("No difference in yield could be shown."),
)


def _values(rng: np.random.Generator) -> pd.DataFrame:
    rows = []
    for block in range(1, 5):
        for place, levels in enumerate(LEVELS.values()):
            plot = f"{block}0{place + 1}"
            for day, level in zip(DAYS, levels, strict=True):
                larvae = float(rng.poisson(level * (0.7 + 0.15 * block)))
                if plot == "203" and day == 14:
                    larvae = np.nan
                rows.append((plot, "larvae", day, None, larvae))
                rows.append((plot, "beetles", day, None, float(rng.poisson(6))))
                rows.append((plot, "eaten", day, None, float(min(100, rng.poisson(level / 2)))))
    return pd.DataFrame(rows, columns=["plot", "variable", "day", "sample", "value"])


def build_trial() -> Trial:
    rng = np.random.default_rng(20250612)
    plots = tuple(
        Plot(
            id=f"{block}0{place + 1}",
            treatment=treatment,
            block=str(block),
            row=block,
            column=place + 1,
        )
        for block in range(1, 5)
        for place, treatment in enumerate(LEVELS)
    )
    yields = pd.DataFrame(
        {
            "plot": [plot.id for plot in plots],
            "variable": ["grain"] * len(plots),
            "value": [4000.0 + 300 * (plot.treatment != "1") + rng.normal(0, 90) for plot in plots],
        }
    )
    return Trial(
        title="Invented beetle trial",
        design=Design.RCBD,
        treatments=(
            Treatment(id="1", name="Untreated", role=TreatmentRole.UNTREATED),
            Treatment(
                id="2", name="Brambletox", role=TreatmentRole.REFERENCE, rate=0.5, rate_unit="L/ha"
            ),
            Treatment(
                id="3", name="Fernway", rate=1.0, rate_unit="kg/ha", mode_of_action="group 99"
            ),
            Treatment(id="NA", name="Brambletox + Fernway", parts=("2", "3")),
        ),
        plots=plots,
        variables=(
            Variable(
                name="larvae",
                label="Larvae per plant",
                kind=Kind.COUNT,
                role=VariableRole.PEST,
                threshold=15.0,
            ),
            Variable(
                name="beetles",
                label="Lady beetles",
                kind=Kind.COUNT,
                role=VariableRole.NATURAL_ENEMY,
            ),
            Variable(
                name="eaten",
                label="Leaf area eaten, %",
                kind=Kind.PERCENT,
                role=VariableRole.DAMAGE,
            ),
            Variable(
                name="grain",
                label="Grain",
                kind=Kind.MEASUREMENT,
                role=VariableRole.YIELD,
                unit="kg/ha",
            ),
        ),
        counts=_values(rng),
        yields=yields,
        applications=(
            Application(
                id="1", date=date(2025, 6, 12), carrier_l_per_ha=300.0, growth_stage="first flower"
            ),
            Application(id="2", date=date(2025, 6, 22), carrier_l_per_ha=300.0),
        ),
        settings=Settings(),
        applied=date(2025, 6, 12),
        untreated="1",
        crop="potato",
        site="Nowhere farm",
        season="2025",
        plot_area_m2=18.0,
        notes="Invented.",
        inputs=(("counts.csv", "0" * 64),),
    )


def rename_everything(trial: Trial, text: str) -> Trial:
    """Put the same text wherever a trial holds free text."""
    return replace(
        trial,
        title=text,
        site=text,
        season=text,
        crop=text,
        notes=text,
        extra={text: text},
        treatments=tuple(
            replace(item, name=f"{text} {item.id}", mode_of_action=text, extra={text: text})
            for item in trial.treatments
        ),
        variables=tuple(replace(item, label=f"{text} {item.name}") for item in trial.variables),
        applications=tuple(
            replace(item, growth_stage=text, equipment=text, details={text: text})
            for item in trial.applications
        ),
        plots=tuple(replace(plot, block=f"{text}{plot.block}") for plot in trial.plots),
        inputs=((text, "0" * 64),),
    )


@pytest.fixture(scope="session")
def trial() -> Trial:
    return build_trial()


@pytest.fixture(scope="session")
def analysis(trial: Trial) -> Analysis:
    return analyse(trial)


@pytest.fixture(scope="session")
def document(analysis: Analysis) -> Document:
    return compose(analysis, FINDINGS)


@pytest.fixture(scope="session")
def findings() -> tuple[Sentence, ...]:
    return FINDINGS


@pytest.fixture(scope="session")
def renamed(trial: Trial) -> Callable[[str], Analysis]:
    return lambda text: analyse(rename_everything(trial, text))
