"""Sentences of blanks and sheets, and what may be chosen from a list.

The sentences stand in ``templates/plan_words.toml``; what may be chosen follows from the
enumerations of the trial.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from typing import Any, Final

from trialkit.plan_keys import PLAN_KEYS
from trialkit.report_choices import REPORT_MEANINGS
from trialkit.resources import data_folder
from trialkit.trial import Comparison, Design, Kind, Transform, TreatmentRole, VariableRole

_YIELD_UNITS = ("kg/ha", "t/ha", "lb/acre", "bu/acre")
_EVENTS = ("deviation", "damage", "maintenance", "other")


@cache
def _words() -> dict[str, Any]:
    path = data_folder("templates") / "plan_words.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))


def cautions() -> tuple[str, ...]:
    """Cautions of every sheet that someone may take to the sprayer."""
    return tuple(_words()["cautions"])


def caution_line() -> str:
    """Cautions in one line, for the head of a printed sheet."""
    return str(_words()["caution_line"])


def key_meanings() -> Mapping[str, str]:
    """Keys of the settings in the order of the blanks, each with what it means."""
    found = _words()["keys"]
    return {
        **found["trial"],
        **{key.name: key.meaning for key in PLAN_KEYS},
        **{f"analysis.{name}": text for name, text in found["analysis"].items()},
        **{f"report.{name}": text for name, text in REPORT_MEANINGS.items()},
    }


def column_meanings(table: str) -> Mapping[str, str]:
    """Columns of a table in the order of the blanks, each with what it means."""
    return dict(_words()["columns"][table])


#: What may be chosen from a list, by table and column or key.
CHOICES: Final[Mapping[tuple[str, str], tuple[str, ...]]] = {
    ("treatments", "role"): tuple(TreatmentRole),
    ("variables", "kind"): tuple(Kind),
    ("variables", "role"): tuple(VariableRole),
    ("variables", "transform"): tuple(Transform),
    ("events", "kind"): _EVENTS,
    ("trial", "design"): tuple(Design),
    ("trial", "main_plots"): ("latin",),
    **{("trial", key.name): key.choices for key in PLAN_KEYS if key.choices},
    **{("trial", key.name): ("yes", "no") for key in PLAN_KEYS if key.kind == "yes"},
    ("trial", "analysis.comparison"): tuple(Comparison),
    ("trial", "analysis.yield_unit"): _YIELD_UNITS,
}
