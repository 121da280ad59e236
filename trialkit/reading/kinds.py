"""What kind of table a file or sheet holds, by its name and by its headings."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

from trialkit.reading.cells import Grid
from trialkit.reading.headers import COMPARED, TIMES, field_of, normal
from trialkit.reading.headings import day_header, replicate_in
from trialkit.reading.leftout import is_summary_word
from trialkit.reading.untreated_words import is_untreated_word
from trialkit.report_choices import REPORT_KEYS

_NAMES: Mapping[str, tuple[str, ...]] = {
    "trial": (
        "trial", "trialinfo", "trialinformation", "info", "settings", "trialsettings", "trialdata",
        "general", "header", "trialdetails",
    ),
    "treatments": (
        "treatments", "treatment", "treatmentlist", "trt", "trts", "listoftreatments", "products",
        "protocol", "entries", "key", "treatmentkey", "trtkey", "codes", "treatmentcodes",
        "varianten", "prüfglieder", "behandlungen", "modalités", "traitements", "tratamientos",
    ),
    "plots": (
        "plots", "plot", "plotlist", "plan", "fieldplan", "trialplan", "plotplan", "layout",
        "randomisation", "randomization", "plotlayout",
    ),
    "counts": (
        "counts", "count", "countdata", "assessment", "data", "observations",
        "plotdata", "ratings", "scores", "fielddata", "plotcounts",
    ),
    "yield": ("yield", "yields", "harvest", "harvestdata", "yielddata", "plotyields"),
    "variables": ("variables", "variablelist", "listofvariables"),
    "applications": (
        "applications", "application", "sprays", "spraydates", "treatmentdates", "spraylog",
        "applicationdates", "sprayrecord", "applicationdata",
    ),
    "doses": ("doses", "dose", "dosesapplied", "doserates", "ratesapplied", "dosebyapplication"),
    "assessments": ("assessments", "assessmentdetails", "assessmentlist", "assessmentinfo"),
    "weather": ("weather", "weatherdata", "meteo", "meteodata", "climate", "weatherrecord"),
    "events": (
        "events", "event", "eventlog", "deviations", "fieldlog", "triallog", "incidents",
        "maintenance",
    ),
    "report": ("report", "reporttext", "reporttexts"),
}  # fmt: skip

_OLD_COPY = re.compile(
    r"(?<![a-z])(?:old|backup|bak|copy|kopie|draft|archive[d]?|orig(?:inal)?|previous|obsolete|"
    r"superseded|deleted|do not use|unused)(?![a-z])",
    re.IGNORECASE,
)

_REPORT_WORDS = frozenset(map(normal, REPORT_KEYS))

STANDARD = {kind: names[0] for kind, names in _NAMES.items()}


def kind_of_name(name: str) -> str | None:
    """Find the kind of table that the name of a file or sheet stands for."""
    word = normal(name)
    for kind, names in _NAMES.items():
        if word in names:
            return kind
    # 'Counts 2' and 'counts_larvae' are counts too; an old copy of them is not.
    if word.startswith((STANDARD["counts"], "assessment")) and not is_old(name):
        return "counts"
    return None


def is_old(name: str) -> bool:
    """Whether the name of a file or sheet says that it is a copy put aside."""
    return _OLD_COPY.search(name) is not None


def kind_of_table(name: str, grid: Grid) -> str | None:
    """Kind by name, where the same name may stand for counts or for how they were made."""
    kind = kind_of_name(name)
    if kind == "assessments":
        header = max(
            ({field_of("counts", cell.text) for cell in row} - {None} for row in grid.rows[:20]),
            key=len,
            default=set(),
        )
        return "counts" if header & {"plot", "treatment", "block"} else kind
    if kind == "report" and not any(
        normal(cell.text) in _REPORT_WORDS for row in grid.rows for cell in row
    ):
        return None
    return kind


def kind_of_content(grid: Grid) -> str | None:
    """Guess a table's kind from the best of its first rows."""
    best: set[str | None] = set()
    days = False
    across = 0
    for row in grid.rows[:20]:
        fields = {field_of("flat", cell.text) for cell in row if cell.text} - {None}
        if len(fields) > len(best):
            best = set(fields)
            days = any(day_header(cell) is not None for cell in row)
            across = sum(replicate_in(cell.text) is not None for cell in row if cell.text)
            named = "name" in fields or any(normal(cell.text) in COMPARED for cell in row)
            if named and best & {"block", "replicate", "plot", "row"}:
                best.add("treatment")
    assessed = days or across > 1 or not best.isdisjoint(TIMES)
    if {"treatment", "plot"} <= best and (assessed or _has_more(grid, best)):
        return "flat"
    if "plot" in best and assessed and "treatment" not in best:
        return "counts"
    if "treatment" in best and (assessed or _has_more(grid, best - {"treatment"})):
        return "flat"
    if best & {"block", "replicate"} and has_treatments_across(grid):
        return "flat"
    return None


def has_treatments_across(grid: Grid, known: Collection[str] = ()) -> bool:
    """Whether a heading row has blocks and, side by side, treatments that are known or untreated.

    ``known`` are ids and names of treatments, reduced.
    """
    for row in grid.rows[:20]:
        fields = {field_of("flat", cell.text) for cell in row if cell.text}
        if not fields & {"block", "replicate"} or fields & {"treatment", "name", "plot"}:
            continue
        loose = [
            cell.text
            for cell in row
            if cell.text and field_of("flat", cell.text) is None and not is_summary_word(cell.text)
        ]
        untreated = any(is_untreated_word(text) for text in loose)
        if len(loose) > 1 and (untreated or all(normal(text) in known for text in loose)):
            return True
    return False


def has_plots(grid: Grid) -> bool:
    """Whether a heading among the first rows names plots."""
    return any(field_of("counts", cell.text) == "plot" for row in grid.rows[:20] for cell in row)


def _has_more(grid: Grid, fields: set[str | None]) -> bool:
    """Whether a table has columns that are no part of the plan."""
    for row in grid.rows[:20]:
        if {field_of("flat", cell.text) for cell in row if cell.text} >= fields:
            return any(cell.text and field_of("plots", cell.text) is None for cell in row)
    return False
