"""Invented trials that have not been laid out."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest

from trialkit.trial import Design, Kind, Treatment, TreatmentRole, Trial, Variable, VariableRole

Protocol = Callable[..., Trial]


def neighbours_meet(layout: np.ndarray, width: int) -> bool:
    """Whether a label stands in the same column in two neighbouring blocks."""
    places = [{(i % width, label) for i, label in enumerate(block)} for block in layout.tolist()]
    return any(first & second for first, second in itertools.pairwise(places))


def make_protocol(
    design: str = "rcbd", treatments: int = 5, plan: dict[str, str] | None = None, **more: object
) -> Trial:
    """A trial with an untreated and some products, and no plots."""
    listed = [
        Treatment(id="1", name="Untreated", role=TreatmentRole.UNTREATED),
        *(
            Treatment(id=str(i), name=f"Ostrel {i}", rate=0.1 * i, rate_unit="L/ha")
            for i in range(2, treatments + 1)
        ),
    ]
    variables = (
        Variable(name="larvae", label="Larvae per plant", kind=Kind.COUNT, role=VariableRole.PEST),
        Variable(
            name="damage",
            label="Damaged fruits",
            kind=Kind.PERCENT,
            role=VariableRole.DAMAGE,
            examined="fruits examined",
        ),
        Variable(
            name="yield",
            label="Yield",
            kind=Kind.MEASUREMENT,
            role=VariableRole.YIELD,
            unit="t/ha",
        ),
    )
    return Trial(
        title="Larvae in peas",
        design=Design(design),
        treatments=tuple(listed),
        plots=(),
        variables=variables,
        plan={"plan.blocks": "4", "plan.days": "-1; 3; 7", **(plan or {})},
        **{"untreated": "1", **more},
    )


def factor_treatments(mains: int = 3, subs: int = 3) -> tuple[Treatment, ...]:
    """Every level of a cultivar with every level of a product."""
    return tuple(
        Treatment(
            id=f"C{a}:P{b}",
            name=f"Cultivar {a}, product {b}",
            extra={"main_factor": f"C{a}", "sub_factor": f"P{b}"},
        )
        for a in range(1, mains + 1)
        for b in range(1, subs + 1)
    )


@pytest.fixture
def protocol() -> Protocol:
    """Make a trial without plots."""
    return make_protocol
