"""How a trial is to be analysed: every setting, what it may be, its default and its meaning."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from textwrap import fill, indent

from trialkit.problems import TrialError, choice, error, quoted
from trialkit.setting_rules import (
    Contrasts,
    Factors,
    Number,
    OneOf,
    Text,
    UnfitError,
    YesNo,
    one_of,
    rule_of,
    setting,
    shown,
)


class Transform(StrEnum):
    """Scale on which a variable is analysed.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Transform("sqrt").name
    'SQRT'
    """

    AUTO = "auto"
    NONE = "none"
    SQRT = "sqrt"
    LOG = "log"
    ARCSINE = "arcsine"


class Comparison(StrEnum):
    """Procedure that compares treatment means.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Comparison("tukey").name
    'TUKEY'
    """

    TUKEY = "tukey"
    LSD = "lsd"
    DUNNETT = "dunnett"
    SNK = "snk"
    DUNCAN = "duncan"
    BONFERRONI = "bonferroni"
    SIDAK = "sidak"
    HOLM = "holm"
    FDR = "fdr"
    SCHEFFE = "scheffe"
    NONE = "none"


class ControlMethod(StrEnum):
    """Formula for percent control.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.ControlMethod.ABBOTT.value
    'abbott'
    """

    AUTO = "auto"
    ABBOTT = "abbott"
    HENDERSON_TILTON = "henderson-tilton"
    ADJUSTED = "adjusted"
    SUN_SHEPARD = "sun-shepard"
    SCHNEIDER_ORELLI = "schneider-orelli"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """How the trial is to be analysed.

    Text is turned into what a setting holds (``comparison="tukey"``), and what it cannot be is
    refused.

    Raises
    ------
    TrialError
        With a problem for each setting that does not fit, in the words of the command line.

    Examples
    --------
    >>> import trialkit
    >>> trialkit.Settings(comparison="lsd", control_target=70)
    Settings(comparison='lsd', control_target='70')
    >>> trialkit.Settings(alpha=7)
    Traceback (most recent call last):
        ...
    trialkit.problems.TrialError: '7' does not fit alpha. It must be a number above 0 and ...

    Its attributes are these:
    """

    alpha: float = setting(
        0.05,
        Number(lambda v: 0 < v < 0.5, "above 0 and below 0.5, such as 0.05"),
        "Level of the tests; intervals hold 1 less alpha.",
    )
    comparison: Comparison = setting(
        Comparison.TUKEY, one_of(Comparison), "Procedure that compares treatment means."
    )
    transform: Transform = setting(
        Transform.AUTO,
        one_of(Transform),
        "Scale of analysis of counts and percentages; a variable's own transform goes before it.",
    )
    control: ControlMethod = setting(
        ControlMethod.AUTO, one_of(ControlMethod), "Formula of percent control that is shown."
    )
    control_target: float = setting(
        80.0,
        Number(lambda v: 0 < v <= 100, "above 0 and not above 100"),
        "Target of percent control, for persistence (80: common practice, no source).",
    )
    seed: int = setting(
        1,
        Number(lambda v: 0 <= v < 2**53, "that is whole and not negative", whole=True),
        "Start of every random sequence.",
    )
    standard_moisture_percent: float | None = setting(
        None,
        Number(lambda v: 0 <= v < 100, "0 or more and below 100", empty=True),
        "Moisture to which harvested mass is brought; where none is set and moistures were "
        "measured, that at which the crop is usually sold, if it is known.",
    )
    yield_unit: str = setting(
        "kg/ha", OneOf(("kg/ha", "t/ha", "lb/acre", "bu/acre")), "Unit of yields."
    )
    bushel_lb: float | None = setting(
        None,
        Number(lambda v: v > 0, "above 0", empty=True),
        "Pounds in a bushel, for bu/acre.",
    )
    crop_price: float | None = setting(
        None,
        Number(lambda v: v >= 0, "0 or more", empty=True),
        "Price of the crop per yield unit, in the currency.",
    )
    currency: str | None = setting(None, Text(), "Currency of price and costs.")
    noninferiority_margin: float = setting(
        10.0,
        Number(lambda v: 0 < v < 100, "above 0 and below 100"),
        "Loss of control, in percentage points, still called not inferior (10: common practice, no "
        "source).",
    )
    factors: tuple[str, ...] = setting(
        (),
        Factors(),
        "Columns of the list of treatments (rate, name, further columns) of which the treatments "
        "are combinations, the untreated standing outside; none for no factorial.",
    )
    contrasts: tuple[str, ...] = setting(
        (), Contrasts(), "Planned contrasts: a name, and which treatments against which."
    )
    supporting: bool = setting(
        True,
        YesNo(),
        "Whether what supports the tests is worked out too: checks, randomisation, models of "
        "counts and shares, courses, covariates, what more plots would have gained, neighbours.",
    )

    def __repr__(self) -> str:
        changed = (
            f"{item.name}={shown(getattr(self, item.name))!r}"
            for item in fields(self)
            if getattr(self, item.name) != item.default
        )
        return f"Settings({', '.join(changed)})"

    def __post_init__(self) -> None:
        problems = []
        for item in fields(self):
            try:
                value = rule_of(item.metadata).take(item.name, getattr(self, item.name))
            except UnfitError as fault:
                problems.append(error(fault.kind, fault.what, fault.remedy))
            else:
                object.__setattr__(self, item.name, value)
        if problems:
            raise TrialError(problems)


def _with_settings(text: str) -> str:
    """Add every setting to the attributes that the docstring lists."""
    lines = [text.replace("Its attributes are these:", "Attributes\n    ----------").rstrip()]
    for item in fields(Settings):
        meaning = f"{item.metadata['meaning']} May be {rule_of(item.metadata).words}."
        lines += [f"    {item.name} : {item.type}", indent(fill(meaning, 92), " " * 8)]
    return "\n".join([*lines, "    "])


Settings.__doc__ = _with_settings(Settings.__doc__ or "")


def changed_settings(settings: Settings, changes: Mapping[str, object]) -> Settings:
    """Make settings that differ in some.

    Raises
    ------
    TrialError
        When a setting does not fit, or there is none of that name.
    """
    known = [item.name for item in fields(Settings)]
    unknown = [name for name in changes if name not in known]
    if unknown:
        raise TrialError(
            [
                error(
                    "unknown-key",
                    f"There is no setting {quoted(unknown[0])}.",
                    choice(unknown[0], known),
                )
            ]
        )
    return replace(settings, **changes)  # type: ignore[arg-type]
