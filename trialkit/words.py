"""The words of every choice: designs, kinds, roles, scales, procedures, methods of control."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from trialkit.trial import (
    Comparison,
    ControlMethod,
    Design,
    Kind,
    Transform,
    TreatmentRole,
    Trial,
    VariableRole,
)


def day_zero(trial: Trial) -> str:
    """What the days of a trial count from, in words.

    Examples
    --------
    >>> import trialkit
    >>> day_zero(trialkit.read_trial(trialkit.example_trial("leaf_beetle_potato")))
    'the first application'
    """
    return trial.counted_from or "the first application"


DESIGNS: Mapping[str, str] = {
    Design.CRD: "completely randomised",
    Design.RCBD: "randomised blocks",
    Design.LATIN: "Latin square",
    Design.SPLIT_PLOT: "split-plot",
    Design.STRIP_PLOT: "strip-plot",
}
TREATMENT_ROLES: Mapping[str, str] = {
    TreatmentRole.UNTREATED: "untreated",
    TreatmentRole.CARRIER: "carrier (water or wetting agent alone)",
    TreatmentRole.REFERENCE: "reference (the accepted standard)",
    TreatmentRole.TEST: "test",
}
KINDS: Mapping[str, str] = {
    Kind.COUNT: "count",
    Kind.PERCENT: "percent",
    Kind.MEASUREMENT: "measurement",
}
ROLES: Mapping[str, str] = {
    VariableRole.PEST: "pest",
    VariableRole.NATURAL_ENEMY: "natural enemy",
    VariableRole.DAMAGE: "damage",
    VariableRole.CROP_INJURY: "crop injury",
    VariableRole.CROP: "crop",
    VariableRole.YIELD: "yield",
}
SCALES: Mapping[str, str] = {
    Transform.AUTO: "chosen from the data",
    Transform.NONE: "as measured",
    Transform.SQRT: "square root",
    Transform.LOG: "logarithm",
    Transform.ARCSINE: "arcsine",
}
#: What the transforms do; nothing where values stay as they are.
SCALE_FORMULAS: Mapping[str, str] = {
    Transform.SQRT: "square root of (value + 0.5)",
    Transform.LOG: "log10 of (value + 1)",
    Transform.ARCSINE: "arcsine of the square root of (percent / 100)",
}
COMPARISONS: Mapping[str, str] = {
    Comparison.TUKEY: "Tukey's procedure",
    Comparison.LSD: "least significant difference",
    Comparison.DUNNETT: "Dunnett's procedure",
    Comparison.SNK: "Student-Newman-Keuls procedure",
    Comparison.DUNCAN: "Duncan's procedure",
    Comparison.BONFERRONI: "t tests with Bonferroni's correction",
    Comparison.SIDAK: "t tests with Sidak's correction",
    Comparison.HOLM: "t tests with Holm's correction",
    Comparison.FDR: "t tests at a controlled false discovery rate (Benjamini-Hochberg)",
    Comparison.SCHEFFE: "Scheff\u00e9's procedure",
    Comparison.NONE: "no pairs are compared",
}
CONTROL_METHODS: Mapping[str, str] = {
    ControlMethod.AUTO: "chosen from the data",
    ControlMethod.ABBOTT: "Abbott",
    ControlMethod.HENDERSON_TILTON: "Henderson-Tilton",
    ControlMethod.ADJUSTED: "adjustment for the count before treatment",
    ControlMethod.SUN_SHEPARD: "Sun-Shepard",
    ControlMethod.SCHNEIDER_ORELLI: "Schneider-Orelli",
}
#: The words of each enumeration.
OF: Mapping[type[StrEnum], Mapping[str, str]] = {
    Design: DESIGNS,
    TreatmentRole: TREATMENT_ROLES,
    Kind: KINDS,
    VariableRole: ROLES,
    Transform: SCALES,
    Comparison: COMPARISONS,
    ControlMethod: CONTROL_METHODS,
}
