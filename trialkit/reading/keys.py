"""What the keys of a trial say: title, design, day 0, variables, settings of the analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from datetime import date
from typing import Any

from trialkit.problems import Place, choice, meant, quoted, sentences
from trialkit.reading.cells import Cell, Ledger
from trialkit.reading.dates import certain_date
from trialkit.reading.headers import normal
from trialkit.reading.key_values import (
    a_choice,
    a_date,
    a_number,
    as_number,
    plain_value,
    tell_choice,
)
from trialkit.reading.plan_settings import is_plan_entry, read_plan_key
from trialkit.reading.settings import Entry, Value, as_text
from trialkit.reading.sheet_top import APPLIED
from trialkit.report_choices import REPORT_CHOICES, REPORT_KEYS
from trialkit.setting_rules import Text, UnfitError, rule_of
from trialkit.trial import (
    Better,
    Design,
    Kind,
    Settings,
    Transform,
    VariableRole,
)

_TEXTS = ("title", "untreated", "crop", "crop_code", "site", "season", "notes")
KEYS = ("title", "design", "main_plots", "applied", "untreated", "crop", "crop_code", "site",
         "season", "plot_area_m2", "notes")  # fmt: skip
_IN_REPORT = {False: "text of the report", True: "what the report shows"}
# Keys that people keep with a trial and that change nothing in the analysis.
_KEPT = frozenset({
    "trialnumber", "trialno", "trialid", "cultivar", "variety", "sponsor", "investigator",
    "responsible", "institute", "soil", "soiltype", "sown", "sowingdate", "planted", "plantingdate",
    "harvested", "harvestdate", "country", "region", "county", "farm", "field", "latitude",
    "longitude", "elevation", "target", "pest", "pestcode", "targetcode", "year", "weather",
    "rowspacing", "plotsize", "plotwidth", "plotlength", "irrigation", "previouscrop", "objective",
    "protocol", "guideline", "countedby", "assessedby", "assessor", "observer",
    "author", "address", "contact", "dayzero", "dateofplanting", "dateofsowing", "planting",
    "sowing", "drilled", "transplanted",
})  # fmt: skip
_DESIGN_WORDS = {
    "crd": Design.CRD,
    "completelyrandomised": Design.CRD,
    "completelyrandomized": Design.CRD,
    "completelyrandomiseddesign": Design.CRD,
    "completelyrandomizeddesign": Design.CRD,
    "rcb": Design.RCBD,
    "rcbd": Design.RCBD,
    "rbd": Design.RCBD,
    "randomisedblocks": Design.RCBD,
    "randomizedblocks": Design.RCBD,
    "randomisedblock": Design.RCBD,
    "randomizedblock": Design.RCBD,
    "randomisedcompleteblock": Design.RCBD,
    "randomizedcompleteblock": Design.RCBD,
    "randomisedcompleteblocks": Design.RCBD,
    "randomizedcompleteblocks": Design.RCBD,
    "randomisedcompleteblockdesign": Design.RCBD,
    "randomizedcompleteblockdesign": Design.RCBD,
    "latin": Design.LATIN,
    "latinsquare": Design.LATIN,
    "splitplot": Design.SPLIT_PLOT,
    "stripplot": Design.STRIP_PLOT,
    "splitblock": Design.STRIP_PLOT,
    # Incomplete blocks are blocks; that they are incomplete the plan shows.
    **dict.fromkeys(
        ("alpha", "alphadesign", "alphalattice", "lattice", "squarelattice", "rectangularlattice",
         "incompleteblock", "incompleteblocks", "incompleteblockdesign", "resolvable", "bib",
         "bibd", "balancedincompleteblocks", "balancedincompleteblock", "ibd"),
        Design.RCBD,
    ),
}  # fmt: skip
#: Other words for keys.
_OTHER_WORDS = {
    "title": frozenset({"trialtitle", "trialname", "studytitle", "experiment", "versuch", "essai"}),
    "site": frozenset({"location", "locality", "trialsite", "ort", "standort", "lieu", "lugar"}),
    "crop": frozenset({"kultur", "culture", "cultivo", "cultura", "coltura", "gewas"}),
    "design": frozenset({"experimentaldesign", "trialdesign", "layout", "versuchsanlage"}),
}
VARIABLE_KEYS = (
    "label",
    "kind",
    "role",
    "threshold",
    "code",
    "unit",
    "transform",
    "examined",
    "better",
)
# Other words for how many a share is of.
_EXAMINED = frozenset({"tested", "sown", "inspected", "of", "outof", "numberexamined"})


@dataclass(slots=True)
class Declared:
    """A variable as the keys describe it; what they leave out is None."""

    name: str
    place: Place
    label: str | None = None
    kind: Kind | None = None
    role: VariableRole | None = None
    threshold: float | None = None
    code: str | None = None
    unit: str | None = None
    transform: Transform | None = None
    examined: str | float | None = None
    better: Better | None = None
    examined_place: Place = field(default_factory=Place)


@dataclass(slots=True)
class TrialKeys:
    """What the keys of a trial say, checked; ``given`` tells whether there were any."""

    given: bool = False
    usable: bool = True
    texts: dict[str, str] = field(default_factory=dict)
    design: Design | None = None
    design_given: bool = False
    main_plots: Design | None = None
    applied: date | None = None
    applied_place: Place = field(default_factory=Place)
    untreated_place: Place = field(default_factory=Place)
    plot_area_m2: float | None = None
    variables: dict[str, Declared] = field(default_factory=dict)
    settings: Settings = field(default_factory=Settings)
    settings_given: frozenset[str] = frozenset()
    contrasts_place: Place = field(default_factory=Place)
    extra: dict[str, str] = field(default_factory=dict)
    plan: dict[str, str] = field(default_factory=dict)
    report: dict[str, str] = field(default_factory=dict)


def read_keys(entries: Sequence[Entry], ledger: Ledger) -> TrialKeys:
    """Check the keys of a trial, noting each fault in the ledger."""
    head = TrialKeys(given=bool(entries))
    chosen: dict[str, Any] = {}
    for entry in entries:
        if len(entry.path) > 1 and normal(entry.path[0]) == "trial":
            entry = entry._replace(path=entry.path[1:])
        first = normal(entry.path[0])
        if first == "variables" and len(entry.path) > 1:
            _read_variable(entry, head, ledger)
        elif first == "analysis" and len(entry.path) > 1:
            _read_setting(entry, chosen, ledger)
            if normal(entry.path[1]) == "contrasts":
                head.contrasts_place = entry.place
        elif is_plan_entry(entry):
            read_plan_key(entry, head.plan, ledger)
        elif first == "report" and len(entry.path) > 1:
            _read_report(entry, head, ledger)
        else:
            _read_key(entry, head, ledger)
    head.settings, head.settings_given = Settings(**chosen), frozenset(chosen)
    return head


def _read_key(entry: Entry, head: TrialKeys, ledger: Ledger) -> None:
    written = ".".join(entry.path)
    known = {normal(key): key for key in KEYS}
    key = known.get(normal(written)) if len(entry.path) == 1 else None
    if key is None and len(entry.path) == 1:
        key = _other_word(normal(written), entry.value)
    if key in _TEXTS:
        head.texts[key] = as_text(entry.value)
        if key == "untreated":
            head.untreated_place = entry.place
    elif key == "design":
        head.design_given = True
        head.design = _DESIGN_WORDS.get(normal(as_text(entry.value)))
        if head.design is None:
            tell_choice(entry, "design", [item.value for item in Design], ledger)
    elif key == "main_plots":
        head.main_plots = _DESIGN_WORDS.get(normal(as_text(entry.value)))
        if head.main_plots is not Design.LATIN:
            head.main_plots = None
            ledger.error(
                "bad-main-plots",
                f"The main plots cannot be laid out as {quoted(as_text(entry.value))}.",
                'Write main_plots = "latin" where they lie in a Latin square, and leave the key '
                "out where they lie in blocks or were completely randomised.",
                entry.place,
            )
    elif key == "applied":
        head.applied_place = entry.place
        head.applied = a_date(entry, ledger)
    elif key == "plot_area_m2":
        head.plot_area_m2 = a_number(entry, ledger, lambda v: v > 0, "above 0")
    else:
        _keep_extra(entry, written, head, ledger)
        return
    taken = as_text(entry.value)
    if key == "applied" and head.applied is not None:
        taken = head.applied.isoformat()
    elif key == "design" and head.design is not None:
        taken = head.design.value
    ledger.understand(entry.source, written, taken)


def _other_word(written: str, value: Value) -> str | None:
    """Key that goes by another word; that of the application only where a date stands there."""
    if written in APPLIED:
        dated = isinstance(value, date) or certain_date(as_text(value)) is not None
        return "applied" if dated else None
    return next((key for key, words in _OTHER_WORDS.items() if written in words), None)


def _keep_extra(entry: Entry, written: str, head: TrialKeys, ledger: Ledger) -> None:
    head.extra[written] = as_text(entry.value)
    ledger.understand(entry.source, written, "a note about the trial, kept as text")
    if normal(written) in _KEPT:
        return
    ledger.warn(
        "unknown-key",
        f"The key '{written}' is not known; it is kept as a note.",
        sentences("Nothing needs to be done if that is right.", meant(written, KEYS)),
        entry.place,
    )


def _read_report(entry: Entry, head: TrialKeys, ledger: Ledger) -> None:
    """Keep a text of the user's own for the report, or what he chose of it."""
    written = ".".join(entry.path[1:])
    known = next((key for key in REPORT_KEYS if normal(key) == normal(written)), None)
    if known is None:
        ledger.warn(
            "unknown-key",
            f"The key '{written}' of the report is not known and was left out.",
            choice(written, REPORT_KEYS),
            entry.place,
        )
    elif text := as_text(entry.value):
        head.report[known] = text
        ledger.understand(entry.source, ".".join(entry.path), _IN_REPORT[known in REPORT_CHOICES])


def _read_variable(entry: Entry, head: TrialKeys, ledger: Ledger) -> None:
    name = entry.path[1].strip()
    declared = head.variables.setdefault(name, Declared(name, entry.place))
    if len(entry.path) == 2:
        if as_text(entry.value):
            ledger.error(
                "settings-value",
                f"'{'.'.join(entry.path)}' holds a single value.",
                f'Describe the variable with keys of its own: variables.{name}.kind = "count".',
                entry.place,
            )
        return
    key = next((k for k in VARIABLE_KEYS if normal(k) == normal(entry.path[2])), None)
    if normal(entry.path[2]) in _EXAMINED:
        key = "examined"
    if key is None:
        ledger.warn(
            "unknown-key",
            f"The key '{entry.path[2]}' of the variable '{name}' is not known and was left out.",
            choice(entry.path[2], VARIABLE_KEYS),
            entry.place,
        )
        return
    if key == "kind":
        declared.kind = a_choice(entry, Kind, ledger)
    elif key == "role":
        declared.role = a_choice(entry, VariableRole, ledger)
    elif key == "transform":
        declared.transform = a_choice(entry, Transform, ledger)
    elif key == "better":
        declared.better = a_choice(entry, Better, ledger)
    elif key == "threshold":
        declared.threshold = a_number(entry, ledger, lambda v: v >= 0, "0 or more")
    elif key == "examined":
        declared.examined = _examined(entry, ledger)
        declared.examined_place = entry.place
    elif text := as_text(entry.value):
        setattr(declared, key, text)
    ledger.understand(entry.source, ".".join(entry.path), as_text(entry.value))


def _examined(entry: Entry, ledger: Ledger) -> str | float | None:
    """Read what a share is of: the name of a column or variable, or one number for all plots."""
    number = as_number(entry.value)
    if number is None and isinstance(entry.value, str | Cell):
        return as_text(entry.value) or None
    if number is None or not number.is_integer() or not 1 <= number <= MOST_EXAMINED:
        ledger.error(
            "settings-value",
            f"{quoted(as_text(entry.value))} does not fit {entry.path[-1]}.",
            "Name the column of the numbers examined, or give one whole number above 0 if it is "
            "the same in every plot.",
            entry.place,
        )
        return None
    return number


#: Beyond this a number cannot be one of units that somebody looked at.
MOST_EXAMINED = 1e9
#: What each setting of the analysis may be.
_RULES = {item.name: rule_of(item.metadata) for item in fields(Settings)}


def _read_setting(entry: Entry, chosen: dict[str, Any], ledger: Ledger) -> None:
    written = ".".join(entry.path[1:])
    key = next((k for k in _RULES if normal(k) == normal(written)), None)
    if key is None:
        ledger.warn(
            "unknown-key",
            f"The setting '{written}' of the analysis is not known and was left out.",
            choice(written, _RULES),
            entry.place,
        )
        return
    if as_text(entry.value) == "":
        return
    try:
        rule = _RULES[key]
        text = isinstance(rule, Text)
        chosen[key] = rule.take(key, as_text(entry.value) if text else plain_value(entry.value))
    except UnfitError as fault:
        ledger.error(fault.kind, fault.what, fault.remedy, entry.place)
    else:
        ledger.understand(entry.source, ".".join(entry.path), as_text(entry.value))
