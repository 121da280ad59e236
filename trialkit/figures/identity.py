"""How each treatment is told apart: its label, colour, mark and line, the same in every figure."""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

from trialkit.trial import TreatmentRole, Trial, VariableRole, sign_not_in_label

#: Grey for the untreated.
GREY = "#6b6b6b"
#: Ten hues that stay apart under the three colour-vision deficiencies (Machado and others'
#: matrices, searched over an even colour space), none of them yellow, each at least 3:1 on white.
HUES = (
    "#2f5a91",
    "#a31d14",
    "#199e70",
    "#9e33ce",
    "#a46700",
    "#0a92ff",
    "#511f6a",
    "#eb4cbe",
    "#681a21",
    "#6f7a12",
)
MARKS = ("s", "^", "D", "v", "P", "X", "<", ">", "p", "h", "d")
LINES = ("solid", (0, (5, 2)), (0, (1, 1.2)), (0, (6, 2, 1, 2)))
#: Spaces that hold a number together.
NO_BREAK = "\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}"
Line = str | tuple[int, tuple[float, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What a treatment looks like.

    Attributes
    ----------
    label : str
        Id and name.
    colour : str
        ``#rrggbb``.
    mark : str
        Shape of its points.
    line : str or tuple
        Solid, or a dash pattern where there are more treatments than hues.
    """

    label: str
    colour: str
    mark: str
    line: Line


#: Marks that turn the direction of the text after them: a name must not rearrange its line.
TURNS = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def plain_line(text: str) -> str:
    """Bring text to one line without control marks, so that no drawing or page chokes on it."""
    if text.isprintable() and "  " not in text:
        return text.strip()
    kept = "".join(
        " " if mark.isspace() and mark not in NO_BREAK else mark
        for mark in text
        if mark.isspace()
        or (unicodedata.category(mark) not in {"Cc", "Cs", "Co", "Cn"} and mark not in TURNS)
    )
    return re.sub(" {2,}", " ", kept).strip()


#: Characters in a line of the title of a panel.
TITLE_WIDTH = 27


def shorten(text: str, longest: int) -> str:
    """Cut text to ``longest`` characters in its middle: names often differ at their ends."""
    if len(text) <= longest:
        return text
    tail = longest * 2 // 5
    head = text[: longest - 1 - tail].rstrip()
    return f"{head}\N{HORIZONTAL ELLIPSIS}{text[-tail:].lstrip()}"


def two_lines(text: str, width: int = TITLE_WIDTH) -> str:
    """Break a name between words into two lines at most; what is longer still is cut at its end.

    Parameters
    ----------
    text : str
    width : int
        Characters a line.
    """
    lines = textwrap.wrap(text, width) or [""]
    if len(lines) > 2:
        second = shorten_end(" ".join(lines[1:]), width)
        lines = [lines[0], second]
    return "\n".join(lines)


def shorten_end(text: str, longest: int) -> str:
    """Cut text at its end."""
    return (
        text if len(text) <= longest else f"{text[: longest - 1].rstrip()}\N{HORIZONTAL ELLIPSIS}"
    )


def treatment_label(treatment_id: str, name: str) -> str:
    """Join id and name; a name that is the id, or begins with it, stands alone."""
    number, words = plain_line(treatment_id), plain_line(name)
    if not words or words == number:
        return number
    return words if words.startswith(f"{number} ") else f"{number} {words}"


def measured_label(trial: Trial, name: str) -> str:
    """Words for a variable, with its unit.

    A yield that is brought together from harvested masses is in the yield unit of the settings,
    and need not be listed in the trial.
    """
    for variable in trial.variables:
        if variable.name != name:
            continue
        label = plain_line(variable.label)
        unit = "%" if sign_not_in_label(variable) else variable.unit
        if variable.role is VariableRole.YIELD and not trial.harvest.empty:
            entered = set(trial.yields["variable"])
            unit = unit or (trial.settings.yield_unit if name not in entered else None)
        return f"{label}, {unit}" if unit and unit not in label else label
    return f"{plain_line(name).capitalize()}, {trial.settings.yield_unit}"


def identities(trial: Trial) -> dict[str, Identity]:
    """Give every treatment its looks, by id, in the order of the trial."""
    return looks_of(
        (
            treatment.id,
            treatment_label(treatment.id, treatment.name),
            treatment.role is TreatmentRole.UNTREATED or treatment.id == trial.untreated,
        )
        for treatment in trial.treatments
    )


def looks_of(treatments: Iterable[tuple[str, str, bool]]) -> dict[str, Identity]:
    """Give treatments their looks, in order: of each its id, label, and whether untreated."""
    looks: dict[str, Identity] = {}
    place = 0
    for key, label, untreated in treatments:
        if untreated:
            looks[key] = Identity(label=label, colour=GREY, mark="o", line="solid")
            continue
        looks[key] = Identity(
            label=label,
            colour=HUES[place % len(HUES)],
            mark=MARKS[place % len(MARKS)],
            line=LINES[(place // len(HUES)) % len(LINES)],
        )
        place += 1
    return looks


def mix(colour: str, other: str, share: float) -> str:
    """Mix ``share`` of another colour into a colour, both ``#rrggbb``."""
    parts = (
        round((1 - share) * int(colour[i : i + 2], 16) + share * int(other[i : i + 2], 16))
        for i in (1, 3, 5)
    )
    return "#" + "".join(f"{part:02x}" for part in parts)


def luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb``, from 0 to 1 (WCAG 2)."""
    total = 0.0
    for weight, start in ((0.2126, 1), (0.7152, 3), (0.0722, 5)):
        part = int(colour[start : start + 2], 16) / 255
        total += weight * (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4)
    return total


def contrast(first: str, second: str) -> float:
    """Contrast of two colours, from 1 to 21 (WCAG 2)."""
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def text_on(colour: str) -> str:
    """Black or white, whichever reads better on a colour."""
    return max("#1c1c1c", "#ffffff", key=lambda ink: contrast(ink, colour))


def text_colour(colour: str) -> str:
    """Darken a colour until text in it reads on white (contrast 4.5)."""
    share = 0.0
    while contrast(mix(colour, "#000000", share), "#ffffff") < 4.5:
        share += 0.05
    return mix(colour, "#000000", share)
