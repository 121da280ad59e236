"""How a series is to be combined: every key of ``series.toml``, what it may be, and its meaning."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from types import MappingProxyType
from typing import Final, NamedTuple, get_args

from trialkit.problems import Place, Problem, TrialError, choice, error, listing, quoted
from trialkit.reading.spellings import folded
from trialkit.report_choices import REPORT_KEYS
from trialkit.series.matched import WINDOWS, Measure, SeriesSettings, Window
from trialkit.setting_rules import Number, OneOf, Rule, Text, UnfitError, one_of, shown
from trialkit.trial import Comparison

#: What a series can be asked.
QUESTIONS: Final = (*get_args(Measure), "means")
_WINDOW = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(?:(?:-|–|to)\s*(\d+(?:\.\d+)?)|(\+))\s*")


class Named(NamedTuple):
    """A treatment or variable as trials name it: in all of them, or in one alone."""

    name: str
    trial: str | None = None


@dataclass(frozen=True, slots=True)
class Windows:
    """Spans of days that do not overlap."""

    words: str = 'spans of days such as "1-4", the last one open: "25+"'

    def take(self, name: str, value: object) -> tuple[Window, ...]:
        """Read the spans."""
        texts = [value] if isinstance(value, str) else value
        if not isinstance(texts, list | tuple) or not texts:
            raise UnfitError(f"{quoted(shown(value))} does not fit {name}.", f"Give {self.words}.")
        found = sorted((self._one(text) for text in texts), key=lambda item: item.first)
        for before, after in pairwise(found):
            if after.first <= before.last:
                raise UnfitError(
                    f"The spans {before.name} and {after.name} share days.",
                    "Let each begin after the one before it ends.",
                )
        return tuple(found)

    def _one(self, value: object) -> Window:
        if isinstance(value, Window):
            return value
        match = _WINDOW.fullmatch(str(value))
        first = float(match[1]) if match else 0.0
        last = float("inf") if match is None or match[3] else float(match[2])
        if match is None or first <= 0 or last < first:
            raise UnfitError(
                f"{quoted(shown(value))} is no span of days after application.",
                f"Give {self.words}.",
            )
        return Window(f"{match[1]}+" if match[3] else f"{match[1]}-{match[2]}", first, last)


@dataclass(frozen=True, slots=True)
class Questions:
    """Some of the questions."""

    words: str = f"any of {', '.join(QUESTIONS)}"

    def take(self, name: str, value: object) -> tuple[str, ...]:
        """Check the names."""
        texts = (
            [part for part in value.split(",") if part.strip()] if isinstance(value, str) else value
        )
        if not isinstance(texts, list | tuple) or not texts:
            raise UnfitError(f"{quoted(shown(value))} does not fit {name}.", f"Give {self.words}.")
        one = OneOf(QUESTIONS)
        chosen = {one.take("question", text) for text in texts}
        return tuple(item for item in QUESTIONS if item in chosen)


class SeriesKey(NamedTuple):
    """One key of ``series.toml``: its name, rule, meaning, and an example as it is typed."""

    name: str
    rule: Rule
    default: object
    meaning: str
    example: str


_USUAL = SeriesSettings()
#: Keys at the top of ``series.toml``.
KEYS: Final[tuple[SeriesKey, ...]] = (
    SeriesKey("title", Text(), None, "Title of the series.", '"Aphids in beans, 2024 and 2025"'),
    SeriesKey(
        "alpha",
        Number(lambda v: 0 < v < 0.5, "above 0 and below 0.5, such as 0.05"),
        _USUAL.alpha,
        "Level of the tests; intervals hold 1 less alpha.",
        "0.05",
    ),
    SeriesKey(
        "target",
        Number(lambda v: 0 < v <= 100, "above 0 and not above 100"),
        _USUAL.target,
        "Percent control; the share of sites expected above it is told (80: common practice, no "
        "source).",
        "80",
    ),
    SeriesKey(
        "margin",
        Number(lambda v: 0 < v < 100, "above 0 and below 100"),
        _USUAL.margin,
        "Loss of control over all trials, in percentage points, still called not inferior (10: "
        "common practice, no source).",
        "10",
    ),
    SeriesKey(
        "environments",
        OneOf(("random", "fixed")),
        _USUAL.environments,
        "Of yields and measurements: random where the trials stand for other sites and seasons, "
        "fixed where they are asked about alone.",
        '"random"',
    ),
    SeriesKey(
        "comparison",
        one_of(Comparison),
        _USUAL.comparison,
        "Procedure that compares means over all trials.",
        '"tukey"',
    ),
    SeriesKey(
        "untreated",
        Text(),
        None,
        "Name of the untreated in the series; that of each trial, when left out.",
        '"Untreated"',
    ),
    SeriesKey(
        "reference",
        Text(),
        None,
        "Name of the treatment that others are compared with; the one with the role of a "
        "reference in most trials, when left out.",
        '"Larkmere"',
    ),
    SeriesKey(
        "windows",
        Windows(),
        WINDOWS,
        "Days after the first application that are taken as one; of several assessments in one "
        "span the mean count is taken (spans: common practice, no source).",
        '["1-4", "5-10", "11-17", "18-24", "25+"]',
    ),
    SeriesKey(
        "questions",
        Questions(),
        QUESTIONS,
        "What is asked: control by days, pest_days, means of yields and measurements.",
        '["control", "pest_days", "means"]',
    ),
)
#: Sections of ``series.toml``, and what stands in each.
SECTIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "treatments": "A treatment of the series, and the names that are it: in any trial, or in "
        'one alone ({ trial = "north-2025", name = "4" }, by name or id).',
        "variables": "A variable of the series, and the names or labels that are it, in the same "
        "way.",
        "units": "A yield or measurement of the series, and its unit in the series.",
        "covariates": "Of each trial ([covariates.north-2025]) what may go with differences: a "
        "name and a number.",
        "left_out": "A trial that takes no part, and the reason.",
        "sites": "A trial, and its site.",
        "seasons": "A trial, and its season.",
        "report": "The report of the series, by the keys that [report] of a trial has: texts of "
        "your own (objective, discussion, conclusion, sign-off) and what it shows (parts, "
        "variables, numbers).",
    }
)


def _nothing() -> Mapping[str, str]:
    return MappingProxyType({})


def _listed(names: object) -> Sequence[object]:
    """Several names, or one that stands alone."""
    return [names] if isinstance(names, str | Named) else list(names)  # type: ignore[call-overload]


def _named(item: object) -> Named:
    return item if isinstance(item, Named) else Named(str(item))


def _unknown_text(name: str) -> Problem:
    return error(
        "unknown-key",
        f"There is no key report.{name}.",
        choice(name, REPORT_KEYS),
        Place("series.toml", column="report"),
    )


def _under_two(section: str, given: Mapping[str, Sequence[Named]]) -> list[Problem]:
    """Find names that are said to be two things of the series."""
    having: dict[tuple[str, str | None], dict[str, None]] = {}
    written: dict[tuple[str, str | None], Named] = {}
    for name, members in given.items():
        for member in (Named(name), *members):
            key = (folded(member.name), member.trial)
            having.setdefault(key, {})[name] = None
            written.setdefault(key, member)
    return [
        error(
            "name-under-two",
            f"{quoted(written[key].name)} stands under {listing(map(quoted, names))}"
            f"{f' for the trial {key[1]}' if key[1] else ''}, and can be one of them only.",
            "Take it out of the other.",
            Place("series.toml", column=section),
        )
        for key, names in having.items()
        if len(names) > 1
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesOptions:
    """How a series is combined; what ``series.toml`` holds.

    Text is turned into what an option holds, and what it cannot be is refused.

    Attributes
    ----------
    title, untreated, reference : str or None
    alpha, target, margin : float
    environments : {"random", "fixed"}
    comparison : Comparison
    windows : tuple of Window
        Or their texts.
    questions : tuple of str
        Some of `QUESTIONS`.
    treatments, variables : mapping of str to tuple of Named
        Name in the series to the names that are it; plain texts are names in any trial.
    units : mapping of str to str
        Variable of the series to its unit.
    covariates : mapping of str to mapping of str to float
        Trial to name to number.
    left_out : mapping of str to str
        Trial to reason.
    sites, seasons : mapping of str to str
        Trial to what is taken in place of what it says itself.
    report : mapping of str to str
        Keys of `trialkit.report_choices.REPORT_KEYS` to text.

    Raises
    ------
    TrialError
        With a problem for each option that does not fit.

    Examples
    --------
    >>> from trialkit.series.options import SeriesOptions
    >>> SeriesOptions(target=70, windows=["1-7", "8+"]).windows[1].name
    '8+'
    """

    title: str | None = None
    alpha: float = _USUAL.alpha
    target: float = _USUAL.target
    margin: float = _USUAL.margin
    environments: str = _USUAL.environments
    comparison: Comparison = _USUAL.comparison
    untreated: str | None = None
    reference: str | None = None
    windows: tuple[Window, ...] = WINDOWS
    questions: tuple[str, ...] = QUESTIONS
    treatments: Mapping[str, tuple[Named, ...]] = field(
        default_factory=lambda: MappingProxyType({})
    )
    variables: Mapping[str, tuple[Named, ...]] = field(default_factory=lambda: MappingProxyType({}))
    units: Mapping[str, str] = field(default_factory=_nothing)
    covariates: Mapping[str, Mapping[str, float]] = field(
        default_factory=lambda: MappingProxyType({})
    )
    left_out: Mapping[str, str] = field(default_factory=_nothing)
    sites: Mapping[str, str] = field(default_factory=_nothing)
    seasons: Mapping[str, str] = field(default_factory=_nothing)
    report: Mapping[str, str] = field(default_factory=_nothing)

    def __post_init__(self) -> None:
        problems = []
        for key in KEYS:
            try:
                value = key.rule.take(key.name, getattr(self, key.name))
            except UnfitError as fault:
                problems.append(error(fault.kind, fault.what, fault.remedy))
            else:
                object.__setattr__(self, key.name, value)
        if problems:
            raise TrialError(problems)
        for name in ("treatments", "variables"):
            given = getattr(self, name)
            made = {str(key): tuple(map(_named, _listed(names))) for key, names in given.items()}
            object.__setattr__(self, name, MappingProxyType(made))
            problems += _under_two(name, made)
        problems += [_unknown_text(name) for name in self.report if name not in REPORT_KEYS]
        if problems:
            raise TrialError(problems)

    def settings(self, untreated: str | None, reference: str | None) -> SeriesSettings:
        """Settings of the statistics, with the names of untreated and reference in the series."""
        return SeriesSettings(
            alpha=self.alpha,
            target=self.target,
            margin=self.margin,
            environments="fixed" if self.environments == "fixed" else "random",
            comparison=self.comparison,
            untreated=untreated,
            reference=reference,
        )
