"""What ``[report]`` in a trial chooses: parts and their order, variables, how numbers look."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from trialkit.problems import Problem, choice, error, quoted
from trialkit.trial import REPORT_TEXTS, Trial, harvest_variable

#: Keys of ``[report]`` that choose, beside the user's own texts.
REPORT_CHOICES = ("parts", "variables", "numbers")
#: All keys of ``[report]``.
REPORT_KEYS = (*REPORT_TEXTS, *REPORT_CHOICES)

#: The parts of a report in reading order: the word that chooses each, and its heading.
PARTS: Mapping[str, str] = {
    "treatments": "Treatments and dates",
    "course": "Pest over time",
    "control": "Control, and how long it lasted",
    "pest-days": "Cumulative pest pressure",
    "enemies": "Natural enemies",
    "damage": "Damage and crop",
    "yield": "Yield and returns",
    "products": "Rates, mixtures, carrier and modes of action",
    "factors": "Factors",
    "neighbours": "Neighbouring plots and edges",
    "discussion": "Discussion",
    "conclusion": "Conclusion",
    "reliability": "Reliability",
    "methods": "Methods",
    "notes": "Data notes",
    "cautions": "Cautions",
    "sign-off": "Sign-off",
    "references": "References",
    "findings": "All findings",
    "choices": "Choice of scales and formulas",
    "variance": "Analysis of variance",
    "residuals": "Residuals",
    "map": "Field map",
    "assessments": "Assessments and weather",
    "plots": "Plot data",
    "again": "How to run it again",
}
#: The parts of a report over several trials, in the same way.
SERIES_PARTS: Mapping[str, str] = {
    "trials": "The trials",
    "control": "Control over all trials",
    "next": "The next site",
    "differences": "Differences between treatments",
    "enemies": "Natural enemies and damage",
    "yield": "Yield, crop and stability",
    "discussion": "Discussion",
    "conclusion": "Conclusion",
    "reliability": "Reliability",
    "seasons": "Seasons",
    "goes-with": "Control and conditions of the trials",
    "methods": "Methods",
    "departures": "Departures",
    "cautions": "Cautions",
    "sign-off": "Sign-off",
    "references": "References",
    "again": "How to run it again",
    "findings": "Further findings",
    "each": "Means of each trial",
    "variance": "Analysis of variance over trials",
    "matches": "What was taken as the same",
    "files": "What was read",
}
#: What each key of ``[report]`` is for.
REPORT_MEANINGS: Mapping[str, str] = {
    "objective": "What the trial was to find out; opens the part on treatments and dates.",
    "methods": "Text of your own that opens the methods.",
    "discussion": "Text of your own after the results.",
    "conclusion": "Your conclusion, after the discussion.",
    "sponsor": "Who ordered the trial.",
    "protocol": "Name or number of the protocol.",
    "author": "Who wrote the report.",
    "approved_by": "Who approved it.",
    "version": "Version of the report.",
    "amendment": "What was changed since the version before.",
    "parts": "Parts that the report shows, in this order, with semicolons between them; all when "
    f"left empty. Known are {', '.join(PARTS)}.",
    "variables": "Variables that the report shows, in this order, with semicolons between them; "
    "all when left empty.",
    "numbers": "How numbers look: plain (80%, 1,672) or si (80 %, 1 672). plain when left empty.",
}
#: What no choice leaves out: what a reader must know, and what the user wrote for him.
KEPT = frozenset(
    {
        "discussion",
        "conclusion",
        "notes",
        "departures",
        "cautions",
        "sign-off",
        "references",
        "again",
    }
)


class NumberStyle(StrEnum):
    r"""How numbers look in a report.

    Examples
    --------
    >>> NumberStyle("si").styled("80% of 12,500")
    '80\u202f% of 12\u202f500'
    """

    PLAIN = "plain"
    SI = "si"

    def styled(self, text: str) -> str:
        """Write the numbers of a text, made in the plain style, in this one."""
        if self is NumberStyle.PLAIN:
            return text
        return _PERCENT.sub(THIN_SPACE, _THOUSANDS.sub(THIN_SPACE, text))


THIN_SPACE = "\N{NARROW NO-BREAK SPACE}"
_THOUSANDS = re.compile(r"(?<=\d),(?=\d{3}(?!\d))")
_PERCENT = re.compile(r"(?<=\d)(?=%)")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportChoices:
    """What a trial wants of its report.

    Attributes
    ----------
    parts : tuple of str
        Keys of ``known`` in the order of the report; all in the usual order where empty.
    variables : tuple of str
        Names of variables in the order of the report; all where empty.
    numbers : NumberStyle
    known : mapping of str to str
        The parts that there are: `PARTS`, or `SERIES_PARTS`.

    Examples
    --------
    >>> report_choices({"parts": "yield; Reliability", "numbers": "SI"}, {}).parts
    ('yield', 'reliability')
    """

    parts: tuple[str, ...] = ()
    variables: tuple[str, ...] = ()
    numbers: NumberStyle = NumberStyle.PLAIN
    known: Mapping[str, str] = field(default_factory=lambda: PARTS)

    def order(self) -> Iterator[str]:
        """Keys of the parts that the report has, in its order."""
        if not self.parts:
            yield from self.known
            return
        yield from self.parts
        yield from (key for key in self.known if key in KEPT and key not in self.parts)


def choosable(trial: Trial) -> dict[str, str]:
    """Label of every variable that a report of a trial can show, by its name."""
    labels = {item.name: item.label for item in trial.variables}
    labels |= {str(name): str(name) for name in trial.yields["variable"] if name not in labels}
    if not trial.harvest.empty:
        harvested = harvest_variable(trial)
        labels.setdefault(harvested.name, harvested.label)
    return labels


def report_choices(
    texts: Mapping[str, str],
    variables: Mapping[str, str],
    known: Mapping[str, str] = PARTS,
) -> ReportChoices:
    """Read what ``[report]`` chooses, of texts in which `choice_faults` finds nothing.

    Parameters
    ----------
    texts : mapping
        ``trial.report``.
    variables : mapping of str to str
        Label of each variable by its name.
    known : mapping of str to str
        The parts that there are: `PARTS`, or `SERIES_PARTS`.
    """
    parts = (_chosen(item, known) for item in _items(texts.get("parts", "")))
    names = (_chosen(item, variables) for item in _variables(texts.get("variables", ""), variables))
    return ReportChoices(
        parts=tuple(dict.fromkeys(key for key in parts if key)),
        variables=tuple(dict.fromkeys(name for name in names if name)),
        numbers=NumberStyle(_style(texts)),
        known=known,
    )


def choice_faults(
    texts: Mapping[str, str],
    variables: Mapping[str, str],
    known: Mapping[str, str] = PARTS,
) -> Iterator[Problem]:
    """Find what ``[report]`` chooses that is not there.

    Parameters
    ----------
    texts, variables, known
        See `report_choices`.
    """
    for item in _items(texts.get("parts", "")):
        if _chosen(item, known) is None:
            yield _unknown("part", item, known)
    for item in _variables(texts.get("variables", ""), variables):
        if _chosen(item, variables) is None:
            yield _unknown("variable", item, variables)
    style = _style(texts)
    if style not in {item.value for item in NumberStyle}:
        yield _unknown("style of numbers", style, [item.value for item in NumberStyle])


def _style(texts: Mapping[str, str]) -> str:
    return texts.get("numbers", "").strip().casefold() or NumberStyle.PLAIN.value


def _items(text: str) -> list[str]:
    return [item.strip() for item in re.split(r"[;,\n]", text) if item.strip()]


def _variables(text: str, variables: Mapping[str, str]) -> list[str]:
    """Variables are parted by semicolons where their own names and labels hold commas."""
    whole = [item.strip() for item in re.split(r"[;\n]", text) if item.strip()]
    if all(_chosen(item, variables) is not None for item in whole):
        return whole
    return _items(text)


def _chosen(item: str, known: Mapping[str, str]) -> str | None:
    """The key that is meant: by itself, or by its heading."""
    wanted = _plain(item)
    for key, heading in known.items():
        if wanted in {_plain(key), _plain(heading)}:
            return key
    return None


def _plain(text: str) -> str:
    return re.sub(r"[^\w]+", " ", text.casefold()).replace("_", " ").strip()


def _unknown(what: str, item: str, known: Iterable[str]) -> Problem:
    return error(
        "unknown-report-choice",
        f"[report] asks for the {what} {quoted(item)}, which is not known.",
        choice(item, known),
    )
