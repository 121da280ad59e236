"""Programmes that use one mode-of-action group in successive applications."""

from __future__ import annotations

import pandas as pd

from trialkit.analysis.basis import Basis
from trialkit.analysis.result import make_table
from trialkit.measures.resistance import repeated_groups


def programme_table(basis: Basis) -> pd.DataFrame:
    """Repeats of a group within each treatment that was applied more than once.

    The groups are those that the user gave, one for each application, with semicolons between
    applications ("group 3; group 7"). Where one group is given for several applications it is
    that of all of them.
    """
    found = []
    for treatment in basis.trial.treatments:
        given = (treatment.mode_of_action or "").split(";")
        number = len([part for part in (treatment.applications or "").split(";") if part.strip()])
        groups = given * number if len(given) == 1 and number > 1 else given
        for repeat in repeated_groups(groups).repeats:
            for first, second in zip(repeat.applications, repeat.applications[1:], strict=False):
                found.append((treatment.id, repeat.group, str(first), str(second)))
    return make_table(
        "programmes",
        {
            name: [row[i] for row in found]
            for i, name in enumerate(("treatment", "group", "first", "second"))
        },
    )
