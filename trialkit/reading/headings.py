"""Headings taken apart: the variable, the day or date, the replicate and the sample in them."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from datetime import date
from functools import lru_cache

from trialkit.reading.cells import Cell, undash
from trialkit.reading.day_words import (
    BEFORE_ABROAD,
    COUNTED_ABROAD,
    LEADING,
    PUT_OUT_FIRST,
    REPLICATES,
)
from trialkit.reading.months import MONTH

#: From what days are counted where it is not the first application.
PLANTING = "planting"


@dataclass(frozen=True, slots=True)
class DayHeader:
    """A heading that holds a day or date, and perhaps a variable.

    Attributes
    ----------
    variable : str
        What stands beside the day; empty where the heading is only a day.
    day : float or None
        Days after treatment, negative before it; hours are parts of a day.
    date_text : str
        The date as written, where it is one.
    date : date or None
        The date of a workbook cell that holds a real date.
    unclear : bool
        Whether a dash may be a minus or only a joint (``larvae-7 DAT``).
    certain : bool
        Whether it can be nothing but a day: ``aphids 7 DAT`` is, ``vitamin d3`` is not.
    span : str
        The days as written where there are two of them (``3-4 DAT``); ``day`` is then the first.
    application : int
        After which application the days count; 1 is the first, 0 says nothing of it.
    before : bool
        Whether words say that it is before treatment (``1 DBT``), not a dash.
    since : str
        What else the days are counted from, such as planting; empty for an application.
    """

    variable: str
    day: float | None = None
    date_text: str = ""
    date: date | None = None
    unclear: bool = False
    certain: bool = True
    span: str = ""
    application: int = 0
    since: str = ""
    before: bool = False

    @property
    def dated(self) -> bool:
        """Whether there is a day or date at all."""
        return self.day is not None or bool(self.date_text) or self.date is not None


_MONTH = rf"{MONTH}\.?"
_DATE = (
    r"(?<!\d)(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[./]\d{1,2}[./](?:\d{4}|\d{2})"
    r"|\d{1,2}-\d{1,2}-\d{4}"
    rf"|\d{{1,2}}\.?[ -](?:de )?{_MONTH}[ -](?:de )?\d{{4}}"
    rf"|\d{{1,2}}\.?[ -]{_MONTH}[ -]'?\d{{2}}"
    rf"|(?<![^\W\d_]){_MONTH} \d{{1,2}},? \d{{4}}"
    rf"|\d{{1,2}}\.?[ -]?{_MONTH}|(?<![^\W\d_]){_MONTH}[ -]?\d{{1,2}})(?!\d)"
)
_ORDINALS = {
    word: number
    for number, words in enumerate(
        (("1st", "first", "1"), ("2nd", "second", "2"), ("3rd", "third", "3"),
         ("4th", "fourth", "4"), ("5th", "fifth", "5"), ("6th", "sixth", "6")), 1)
    for word in words
}  # fmt: skip
_ORDINAL = "|".join(sorted(_ORDINALS, key=len, reverse=True))
_PUT_OUT = r"(?:treatment|application|spraying|spray|trt|appl?\.?)"
_GROWN = r"(?:planting|sowing|seeding|emergence|transplanting|drilling)"
_WHICH = (
    rf"(?:[ _]*(?:the[ _])?(?:(?P<o>{_ORDINAL})[ _]+)?{_PUT_OUT}(?:[ _]*(?:no\.?[ _]*)?"
    rf"(?P<o2>[1-6]|[A-F]))?|[ _]*(?P<g>{_GROWN}))?"
)
_UNIT = (
    r"(?P<u>(?:dat|daa|dbt|dba|dbs|dpt|dpa)(?:[ _-]?(?P<k>[1-6]))?"
    r"|da(?:(?P<l>[b-f])|-(?P<l2>[a-f]))(?![a-z])|da(?P<k2>[1-6])|(?P<p>dap|das|dae)"
    rf"|(?:hat|haa|wat|waa)|(?:days?|hours?|hrs?|weeks?|wks?)[ _]*(?:after|before){_WHICH}"
    rf"|{COUNTED_ABROAD}|days?|hours?|hrs?|weeks?|wks?|d|h)"
)
_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"
_SPACE = r"[\s_,:;@()\[\]]*"
_LED = rf"(?P<u>{LEADING})"
_LED_LAST = rf"(?P<u>{LEADING}|d)"
_PATTERNS = tuple(
    re.compile(pattern, re.IGNORECASE)
    for pattern in (
        rf"(?P<v>.*?)(?P<j>[-\s_,:;@()\[\]]*)(?P<date>{_DATE})[)\]]?",
        rf"(?P<date>{_DATE})[)\]]?[-\s_,:;@]*(?P<v>.*)",
        rf"(?P<v>(?:.*[^\d.,])??)(?P<j>[-\s_,:;@()\[\]]*)"
        rf"(?P<n>\d+)(?P<span>-|\s-\s|\s?/\s?|\s(?:to|bis|or|and|&)\s)\d+[\s_]*{_UNIT}[)\]]?",
        rf"(?P<n>\d+)(?P<span>-|\s-\s|\s?/\s?|\s(?:to|bis|or|and|&)\s)\d+[\s_]*{_UNIT}[)\]]?"
        rf"[\s_,:;@\-]+(?P<v>.+)",
        rf"(?P<v>.*?)(?P<j>{_SPACE}(?:-\s)?{_SPACE})(?P<n>{_NUMBER})[\s_]*{_UNIT}[)\]]?",
        rf"(?P<n>{_NUMBER})[\s_]*{_UNIT}[)\]]?[\s_,:;@\-]+(?P<v>.+)",
        rf"(?P<v>(?:.*[-\s_,:;@()\[\]])??){_LED_LAST}[\s_]*(?P<n>{_NUMBER})[)\]]?",
        rf"{_LED}[\s_]*(?P<n>{_NUMBER})[)\]]?[\s_,:;@\-]+(?P<v>.+)",
        # T+3 and D+3 are days after treatment; T-1 is told from a joint by its neighbours.
        r"(?P<v>(?:.*[\s_,:;@()\[\]])??)(?P<u>ta|[tdj])0?[\s_]?(?P<n>[-+]\d+)\s?[djt]?[)\]]?",
        r"(?P<u>ta|[tdj])0?[\s_]?(?P<n>[-+]\d+)\s?[djt]?[\s_,:;@\-]+(?P<v>.+)",
    )
)
_TRIM = " _,:;@-"


def day_header(cell: Cell) -> DayHeader | None:
    """Take a heading apart into variable and day; None where it holds no day.

    Understood are ``larvae 7 DAT``, ``larvae -1 DAT``, ``larvae 1 DBT``, ``larvae day 7``,
    ``larvae 6 h``, ``larvae 7 DAT2`` (after the second application), ``height 40 DAP``,
    ``larvae 2025-06-19`` and the same with the day first or in brackets. Every dash is a minus
    where it stands before a number and after a space; elsewhere it may be a joint.
    """
    if cell.day is not None:
        return DayHeader("", date=cell.day)
    return _day_header(cell.text)


@lru_cache(maxsize=2048)
def _day_header(header: str) -> DayHeader | None:
    if not any(sign.isdigit() for sign in header):
        return None
    text = " ".join(undash(unicodedata.normalize("NFKC", header)).split())
    for pattern in _PATTERNS:
        match = pattern.fullmatch(text)
        if match is not None:
            return _taken_apart(match)
    behind = _BEHIND.fullmatch(text)
    sized = None if behind is None else _day_header(behind["head"])
    if sized is not None and behind is not None:
        return replace(sized, variable=f"{sized.variable} {behind['size']}".strip())
    dots = _DOTS.sub(" ", re.sub(r"^X(?=\.?\d)", "", text))
    found = _day_header(dots) if dots != text else None
    # Programs that write points for other signs write two of them for ' -'.
    return replace(found, unclear=True) if found is not None and ".." in text else found


#: A size of the sample behind the day: ``larvae 7 DAT (n = 50)``, ``larvae 7 DAT, n=50 plants``.
_BEHIND = re.compile(
    r"(?P<head>.*[^\s,;])[\s,;]*(?P<size>[(\[]\s*(?:n\s*[=:]|of|out of)\s*\d+[^)\]]*[)\]]"
    r"|(?<![^\W_])n\s?=\s?\d+(?:\s[^\W\d]+)?)",
    re.IGNORECASE,
)
#: Points that stand for spaces, as some programs write headings: ``larvae.7.DAT``.
_DOTS = re.compile(r"(?<=[^\W\d_])\.+(?=[\w-])|(?<=\w)\.+(?=[^\W\d_])")
#: Words for days that stay in a heading when no day could be read from it.
SEEMS_DAY = re.compile(
    r"\d\W*(?:da[tapsbc]|dd[at]|d[bp][ta]|wa[ta]|jat|tnb|d[i\u00ed]as?|tage?|jours?|giorn[io]|dage?n?|"
    r"days?|weeks?|wochen?|semaines?|semanas?)(?![^\W\d_])"
    r"|(?<![^\W\d_])(?:da[ta]|dap|das)\W*\d",
    re.IGNORECASE,
)


def _taken_apart(match: re.Match[str]) -> DayHeader:
    groups = match.groupdict()
    variable = groups["v"].strip(_TRIM).lstrip(")]").rstrip("([").strip(_TRIM)
    for opening, closing in ("()", "[]"):
        if variable.count(opening) > variable.count(closing):
            variable += closing  # it went with the space before the day
    if groups.get("date"):
        variable = _WEEKDAY.sub("", variable).strip(_TRIM)
        return DayHeader(variable, date_text=groups["date"])
    unit = (groups["u"] or "").casefold()
    number = groups["n"].replace(",", ".")
    day = float(number)
    if unit.startswith(("h", "hr")):
        day = day / 24
    elif unit.startswith("w") or groups.get("weeks"):
        day = day * 7
    joint, before = groups.get("j") or "", groups["v"]
    # 'larvae-7 DAT' and 'larvae - 7 DAT' may mean either; 'larvae -7 DAT' is seven days before.
    touching = number.startswith("-") and match.string[: match.start("n")][-1:].isalnum()
    loose = "-" in joint and bool(variable)
    trailing = before.endswith("-") and not joint and not number.startswith("-")
    later = "b" in unit[:3] if unit[:2] in {"db"} else "before" in unit
    said = groups.get("w") or groups.get("w2")
    first = _PUT_OUT_FIRST.fullmatch(variable) if variable else None
    if first is not None:
        variable, said = first["v"], said or first["w"] or first["w2"]
    later = later or (said or "").casefold() in BEFORE_ABROAD
    if later:
        day = -abs(day)
    variable, put_out = _without_application(_LINK.sub("", variable))
    planted = bool(groups.get("p") or groups.get("g")) and not put_out
    return DayHeader(
        variable,
        day=day,
        unclear=not groups.get("span") and (touching or loose or (trailing and bool(variable))),
        certain=unit not in {"d", "h"},
        span=_span(match) if groups.get("span") else "",
        application=put_out or _application(groups),
        since=PLANTING if planted else "",
        before=later,
    )


_PUT_OUT_FIRST = re.compile(rf"(?P<v>.*\S)(?:{PUT_OUT_FIRST})", re.IGNORECASE)
#: The day of the week before a date, which names no variable.
_WEEKDAY = re.compile(
    r"(?:(?<=\W)|^)(?:mon|tues?|wed(?:nes)?|thu(?:rs?)?|fri|sat(?:ur)?|sun|montag|dienstag|mittwoch|"
    r"donnerstag|freitag|samstag|sonntag|mo|di|mi|do|fr|sa|so|lundi|mardi|mercredi|jeudi|vendredi|"
    r"samedi|dimanche|lunes|martes|mi[eé]rcoles|jueves|viernes|s[aá]bado|domingo|luned[iì]|"
    r"marted[iì]|mercoled[iì]|gioved[iì]|venerd[iì]|sabato|domenica)(?:day)?[.,]?$",
    re.IGNORECASE,
)
#: What links a variable with its day: "larvae on day 7".
_LINK = re.compile(r"(?<=\S)[\s_]+(?:on|at|am|au|al)$", re.IGNORECASE)
_AFTER_WHICH = re.compile(
    rf"(?P<v>.*?)[\s_,;:-]*(?:after[ _]|the[ _])*(?:(?P<o>{_ORDINAL})[ _]+{_PUT_OUT}"
    rf"|{_PUT_OUT}[ _]*(?:no\.?[ _]*)?(?P<o2>[1-6]|[A-F]))[\s_,;:-]*",
    re.IGNORECASE,
)


def _without_application(variable: str) -> tuple[str, int]:
    """Take "second spray" out of what stands beside a day: the rest, and which one; 0 for none."""
    match = _AFTER_WHICH.fullmatch(variable)
    return (variable, 0) if match is None else (match["v"], _application(match.groupdict()))


def _span(match: re.Match[str]) -> str:
    found = re.search(r"\d+(?:-|\s-\s|\s?/\s?|\s\w+\s|\s&\s)\d+", match.string[match.start("n") :])
    return found.group() if found else match.string


def _application(groups: dict[str, str | None]) -> int:
    for key in ("k", "k2", "o", "o2"):
        if written := groups.get(key):
            word = written.casefold()
            return _ORDINALS.get(word) or ord(word) - ord("a") + 1
    if letter := groups.get("l") or groups.get("l2"):
        return ord(letter.casefold()) - ord("a") + 1
    return 0


def joined(above: DayHeader | None, below: DayHeader | None, text: str) -> DayHeader | None:
    """Join what two rows of headings say of one column; ``text`` is the lower heading.

    None where neither holds a day.
    """
    if above is None:
        return below
    if below is None:
        return replace(above, variable=" ".join(filter(None, (above.variable, text))))
    if not above.dated:
        return below if below.variable else replace(below, variable=above.variable)
    return below


# --- replicates and samples ----------------------------------------------------------------

_REPLICATE = re.compile(
    rf"(?P<a>.*?)(?:(?<![a-z])(?:{REPLICATES})[\s_.#:-]*"
    r"(?P<n>\d{1,2}|[ivx]{1,4}|[a-h])(?![a-z0-9]))(?P<b>.*)",
    re.IGNORECASE,
)
_SHORT_REPLICATE = re.compile(
    r"(?P<a>(?:.*[\s_,;:(\[-])?)r?(?P<n>(?<!r)[rb]\d{1,2}|i{1,3}|iv|vi{0,3})(?P<b>(?:[\s_,;:)\]-].*)?)",
    re.IGNORECASE,
)
_SAMPLE = re.compile(
    r"(?P<a>.*?)(?<![a-z])(?P<w>plant|sample|subsample|sub-sample|tree|shoot|quadrat|vine|stem|"
    r"trap|fruit|head|ear|tiller|sweep|card|leaf|pl|plt|spl|smp|subs|"
    r"pflanze|stichprobe|trieb|baum|plante|[eé]chantillon|arbre|planta|muestra|[aá]rbol|pianta|"
    r"campione|albero|amostra|monster|ro[sś]lina|rostlina|n[oö]v[eé]ny|planta|bitki)"
    r"(?:[\s_.#:-]*(?P<n>\d{1,3})(?![a-z0-9.%])|[\s_.#:-]+(?P<l>[A-H])(?![a-z0-9.%]))(?P<b>.*)",
    re.IGNORECASE,
)


#: "s1" alone; "s1 larvae" may be a stage.
_SHORT_SAMPLE = re.compile(r"s[\s_.#-]?(?P<n>\d{1,2})", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Across:
    """A heading from which a replicate or sample was taken: ``rep 2 larvae 7 DAT``.

    ``word`` is what the number numbers, ``number`` the number, ``rest`` what is left over.
    """

    word: str
    number: str
    rest: str


@lru_cache(maxsize=2048)
def replicate_in(header: str) -> Across | None:
    """Take a replicate or block out of a heading; None where it names none."""
    text = undash(header)
    match = _REPLICATE.fullmatch(text) or _SHORT_REPLICATE.fullmatch(text)
    if match is None:
        return None
    return Across("replicate", match["n"].upper(), _rest(match))


def long_replicate(header: str) -> bool:
    """Whether a text names a numbered replicate in full, so that it can be no cell of data."""
    return _REPLICATE.fullmatch(undash(header)) is not None


@lru_cache(maxsize=2048)
def sample_in(header: str) -> Across | None:
    """Take a numbered sample out of a heading; None where it names none."""
    match = _SAMPLE.fullmatch(undash(header))
    if match is None:
        short = _SHORT_SAMPLE.fullmatch(undash(header).strip())
        return None if short is None else Across("sample", short["n"], "")
    return Across(match["w"].casefold(), match["n"] or match["l"], _rest(match))


def _rest(match: re.Match[str]) -> str:
    parts = (match["a"].strip(_TRIM + "()[]"), match["b"].strip(" _,:;@()[]"))
    return " ".join(part for part in parts if part)


def undated_word(name: str) -> str:
    """Reduce the name of a sheet or file to what may name a variable; empty where nothing does."""
    kinds = r"(?:counts?|assessments?|observations?|ratings?|scores?)"
    # A dash before a number may be a minus, and stays.
    text = re.sub(rf"(?i)^{kinds}(?:-(?=[a-z])|(?![a-z-])[\s_.:]*)", "", undash(name).strip())
    text = re.sub(r"(?i)[\s_.:-]*\b(counts?|assessments?)$", "", text).strip(" _,:;@")
    if re.fullmatch(r"(?i)(sheet|table|tab|data|page|tabelle|blatt|feuil\w*)?\s*\d*", text):
        return ""
    dated = day_header(Cell(text, 1, 1)) is not None
    return text.replace("_", " ") if dated or any(sign.isalpha() for sign in text) else ""
