"""What `trialkit power` says where there is nothing to show, and what its questions cost.

Each question at the truth at which it should be answered yes in 5 % of trials or fewer: a
treatment without effect, one as good as the other, one exactly at the target, a lower rate worse
by exactly the margin, one that holds the target no longer. Run by hand; prints a table, which is
kept beside as power.md.
"""

from __future__ import annotations

import time
from dataclasses import replace

from trialkit.planning import Field, blocks_needed
from trialkit.planning.chances import Sought
from trialkit.trial import Design, Kind, Treatment, TreatmentRole, Trial, Variable, VariableRole

TRIALS = 400
FIELDS = {
    "usual": Field(density=20, k=2, plot_cv=30, block_cv=20, steady=60, samples=5),
    "clumped": Field(density=8, k=0.8, plot_cv=50, block_cv=20, steady=60, samples=3),
}
#: What is asked, the control of the others, and the truth at which yes is wrong.
NOTHING = {
    Sought.UNTREATED: ("assessment", 0.0, 0.0),
    Sought.OTHER: ("assessment", 80.0, 80.0),
    Sought.WHOLE_UNTREATED: ("trial", 0.0, 0.0),
    Sought.WHOLE_REFERENCE: ("trial", 80.0, 80.0),
    Sought.TARGET: ("target", 0.0, 80.0),
    Sought.RATE: ("rates", 80.0, 70.0),
    Sought.DAYS: ("days", 80.0, 0.0),
}


def protocol() -> Trial:
    """Six treatments in blocks, counted before treatment and on four days after it."""
    return Trial(
        title="Power",
        design=Design.RCBD,
        treatments=(
            Treatment(id="1", name="Untreated", role=TreatmentRole.UNTREATED),
            *(Treatment(id=str(i), name=f"Ostrel {i}") for i in range(2, 7)),
        ),
        plots=(),
        variables=(
            Variable(name="larvae", label="Larvae", kind=Kind.COUNT, role=VariableRole.PEST),
        ),
        untreated="1",
        plan={"plan.blocks": "4", "plan.days": "-1, 3, 7, 14, 21"},
    )


def main() -> None:
    """Print the table."""
    trial = protocol()
    print("| field | blocks | question | yes, % | limits | CPU a trial, ms |")
    print("| --- | --- | --- | --- | --- | --- |")
    for name, field in FIELDS.items():
        for sought, (ask, assumed, truth) in NOTHING.items():
            for blocks in (4, 6):
                start = time.process_time()
                needed = blocks_needed(
                    trial, replace(field), blocks=(blocks,), ask=(ask,), assumed=assumed,
                    simulations=TRIALS,
                )  # fmt: skip
                spent = time.process_time() - start
                rows = needed.chances[needed.chances["question"] == sought]
                column = "days_longer" if sought is Sought.DAYS else "control_percent"
                row = rows[rows[column] == truth].iloc[0]
                cost = 1000 * spent / TRIALS / rows[column].nunique()
                print(
                    f"| {name} | {blocks} | {sought.value} | {100 * row['chance']:.1f} | "
                    f"{100 * row['lower']:.1f} to {100 * row['upper']:.1f} | {cost:.1f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main()
