"""What the parts of a trial may be: designs, roles, kinds of numbers."""

from __future__ import annotations

from enum import StrEnum


class Design(StrEnum):
    """How treatments were assigned to plots.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Design("split-plot").has_larger_units
    True
    """

    CRD = "crd"
    RCBD = "rcbd"
    LATIN = "latin"
    SPLIT_PLOT = "split-plot"
    STRIP_PLOT = "strip-plot"

    @property
    def has_larger_units(self) -> bool:
        """Whether plots lie in main plots or strips, each with an error of its own."""
        return self in {Design.SPLIT_PLOT, Design.STRIP_PLOT}


class TreatmentRole(StrEnum):
    """What a treatment stands for in the trial.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.TreatmentRole.REFERENCE.value
    'reference'
    """

    UNTREATED = "untreated"
    CARRIER = "carrier"
    REFERENCE = "reference"
    TEST = "test"


class Kind(StrEnum):
    """What sort of number a variable holds.

    Examples
    --------
    >>> import trialkit
    >>> [kind.value for kind in trialkit.Kind]
    ['count', 'percent', 'measurement']
    """

    COUNT = "count"
    PERCENT = "percent"
    MEASUREMENT = "measurement"


class VariableRole(StrEnum):
    """What a variable says about the trial.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.VariableRole("natural-enemy").name
    'NATURAL_ENEMY'
    """

    PEST = "pest"
    NATURAL_ENEMY = "natural-enemy"
    DAMAGE = "damage"
    CROP_INJURY = "crop-injury"
    CROP = "crop"
    YIELD = "yield"


class Better(StrEnum):
    """Whether more or less of what was assessed on the crop is better.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Better("more").name
    'MORE'
    """

    MORE = "more"
    LESS = "less"
