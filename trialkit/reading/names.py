"""Which variable a heading means, and what a variable is taken for where nothing says it."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field

from trialkit.problems import Place, listing, meant, sentences
from trialkit.reading.cells import Ledger, variable_section
from trialkit.reading.headers import normal
from trialkit.reading.heading_units import heading_unit
from trialkit.reading.keys import Declared, TrialKeys
from trialkit.trial import Better, Kind, Variable, VariableRole

PERCENT = re.compile(r"%|percent|\bpct|severity|incidence", re.IGNORECASE)
_YIELD = re.compile(
    r"yield|\b(?:grain|straw|lint|tonnage)\b|ertrag|rendement|rendimiento"
    r"|\b(?:test|hectolitre|hundred ?seed|(?:100|1,?000)[ -]?(?:seeds?|grains?|kernels?))[ -]*"
    r"(?:weight|wt|mass)\b|weight of 1,?0?00 (?:seeds?|grains?|kernels?)\b"
    r"|\bt[gk]w\b|\b(?:protein|oil|starch|sugar|gluten) (?:content|concentration)"
    r"|^(?:protein|oil|starch|sugar|gluten)\s*(?:[(%,]|$)",
    re.IGNORECASE,
)
_CROP = re.compile(
    r"height|weight|length|ndvi|vigou?r|biomass|diameter|\bstand|emergence|ground cover|canopy|"
    r"mass\b|dry ?matter|leaf ?area|\bwt\b|\blen\b|growth|"
    r"lodging|flowering|heading date|maturity|tiller|establishment",
    re.IGNORECASE,
)
_INJURY = re.compile(r"injur|phyto", re.IGNORECASE)
#: Control as it is judged by eye in the plots: more of it is better.
_CONTROL = re.compile(r"\bcontrol\b|efficac|eficacia|wirkung", re.IGNORECASE)
_DAMAGE = re.compile(r"damag|defoliat", re.IGNORECASE)
LOOKED_AT = re.compile(r"examined|inspected|\btested|\bsown|looked at", re.IGNORECASE)
_ENEMIES = re.compile(r"enem(y|ies)|predator|parasit|beneficial", re.IGNORECASE)


def number_key(name: str) -> str:
    """Reduce a name of numbers examined to what its headings have in common."""
    return normal(name) or name


@dataclass(slots=True)
class Found:
    """A variable met in a table, with what its values show.

    ``shown_percent`` tells whether cells are shown with a percent sign.
    """

    name: str
    header: str
    place: Place
    in_yield: bool
    whole: bool = True
    values: int = 0
    shown_percent: bool = False


@dataclass(slots=True)
class Names:
    """The variables of a trial while it is read.

    ``numbers`` holds what heads the numbers examined of shares k of n, where that is no variable
    of its own: by its reduced word, as written. ``met_numbers`` are those that a table has.
    """

    declared: dict[str, Declared]
    found: dict[str, Found] = field(default_factory=dict)
    numbers: dict[str, str] = field(default_factory=dict)
    met_numbers: set[str] = field(default_factory=set)
    _words: dict[str, str] = field(default_factory=dict)
    _spellings: dict[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, keys: TrialKeys) -> Names:
        """Start with the variables that the settings describe."""
        names = cls(keys.variables)
        for text in ("name", "label"):
            for item in keys.variables.values():
                if word := normal(getattr(item, text) or ""):
                    names._words.setdefault(word, item.name)
        for item in keys.variables.values():
            if isinstance(item.examined, str) and item.examined not in keys.variables:
                names.numbers.setdefault(number_key(item.examined), item.examined)
        return names

    def declare(self, item: Declared) -> None:
        """Take a variable as described that no settings describe."""
        self.declared[item.name] = item
        self._words.setdefault(normal(item.name), item.name)

    def declare_share(self, written: str, place: Place, examined: str | float) -> None:
        """Take a variable that no settings describe for k of n: of a column, or of one number."""
        self.declare(Declared(written, place, label=written, kind=Kind.PERCENT, examined=examined))
        if isinstance(examined, str):
            self.numbers.setdefault(number_key(examined), examined)

    def words(self) -> Collection[str]:
        """Reduced names and labels of the described variables, and of numbers examined."""
        return {*self._words, *self.numbers}

    def knows(self, header: str) -> bool:
        """Whether a heading names a described variable, or numbers examined."""
        described = header in self.declared or normal(header) in self._words
        return described or self.number_of(header) is not None

    def number_of(self, header: str) -> str | None:
        """Key of the numbers examined that a heading names; None where it names none."""
        key = number_key(header)
        return key if key in self.numbers and header not in self.declared else None

    def shares(self) -> dict[str, Declared]:
        """Described variables that are k of n, by name."""
        return {name: item for name, item in self.declared.items() if item.examined is not None}

    def is_share(self, header: str) -> bool:
        """Whether a heading names a variable that is k of n."""
        return self.name_of(header) in self.shares()

    def number_key_of(self, name: str) -> str | None:
        """Key of the numbers examined of a variable; None where it has none under a heading."""
        declared = self.declared.get(name)
        examined = None if declared is None else declared.examined
        return number_key(examined) if isinstance(examined, str) else None

    def number_names(self, key: str) -> str:
        """List the variables whose numbers examined stand under a key."""
        return listing(
            name
            for name, item in self.shares().items()
            if isinstance(item.examined, str) and number_key(item.examined) == key
        )

    def name_of(self, header: str) -> str:
        """Return the variable of a heading; one not described is named as it is written."""
        if header in self.declared or header in self._spellings.values():
            return header
        word = normal(header)
        if not word:
            return header
        return self._words.get(word) or self._spellings.setdefault(word, header)

    def meet(self, header: str, place: Place, *, in_yield: bool) -> str:
        """Note a variable met in a table and return its name."""
        name = self.name_of(header)
        self.found.setdefault(name, Found(name, header, place, in_yield))
        return name

    def is_yield(self, header: str) -> bool:
        """Whether a heading outside yield.csv names a yield."""
        declared = self.declared.get(self.name_of(header))
        if declared is not None and (declared.role is not None or declared.examined is not None):
            return declared.role is VariableRole.YIELD
        return _YIELD.search(header) is not None

    def is_percent(self, header: str) -> bool:
        """Whether the numbers under a heading are percentages."""
        declared = self.declared.get(self.name_of(header))
        if declared is not None and declared.examined is not None:
            return False
        if declared is not None and declared.kind is not None:
            return declared.kind is Kind.PERCENT
        return PERCENT.search(header) is not None

    def single(self) -> str | None:
        """The one described variable that is no yield, for headings that hold only a day."""
        names = [
            item.name for item in self.declared.values() if item.role is not VariableRole.YIELD
        ]
        return names[0] if len(names) == 1 else None


def make_variables(
    names: Names, ledger: Ledger, *, usable: bool, harvested: bool
) -> tuple[Variable, ...]:
    """Variables in their order: described ones first, then others as they were met.

    What nobody described is taken by a stated rule and said as a warning; not where the
    settings could not be read at all (``usable`` false), for then the rest is idle.
    """
    made = [
        _described(item, names.found.get(name), ledger, harvested=harvested)
        for name, item in names.declared.items()
    ]
    for name, found in names.found.items():
        if name not in names.declared:
            variable = _assumed(found)
            made.append(variable)
            if usable:
                _tell_assumed(variable, found, names.declared, ledger)
    return tuple(made)


def _kind(found: Found | None, name: str) -> Kind:
    if found is not None and found.in_yield:
        return Kind.MEASUREMENT
    if found is not None and found.shown_percent:
        return Kind.PERCENT
    if PERCENT.search(name) or (found is not None and PERCENT.search(found.header)):
        return Kind.PERCENT
    if _CROP.search(name) or (found is not None and not found.whole):
        return Kind.MEASUREMENT
    return Kind.COUNT


def _role(found: Found | None, name: str) -> VariableRole:
    if found.in_yield if found is not None else _YIELD.search(name) is not None:
        return VariableRole.YIELD
    if _INJURY.search(name):
        return VariableRole.CROP_INJURY
    if _CROP.search(name) or _judged_control(found, name):
        return VariableRole.CROP
    if _DAMAGE.search(name):
        return VariableRole.DAMAGE
    if _ENEMIES.search(name):
        return VariableRole.NATURAL_ENEMY
    return VariableRole.PEST


def _judged_control(found: Found | None, name: str) -> bool:
    """Whether a variable is control judged in the plots, in percent."""
    return _CONTROL.search(name) is not None and _kind(found, name) is Kind.PERCENT


def _assumed(found: Found) -> Variable:
    role, unit = _role(found, found.name), heading_unit(found.header)
    if role is VariableRole.YIELD and unit is not None and unit.of_yield:
        return Variable(
            name=found.name,
            label=unit.stem,
            kind=Kind.MEASUREMENT,
            role=role,
            unit=unit.unit,
        )
    return Variable(
        name=found.name,
        label=found.header,
        kind=_kind(found, found.name),
        role=role,
        better=Better.MORE if _judged_control(found, found.name) else None,
    )


def _described(item: Declared, found: Found | None, ledger: Ledger, *, harvested: bool) -> Variable:
    role = item.role or _role(found, item.name)
    kind = item.kind
    if kind is None:
        kind = Kind.MEASUREMENT if role is VariableRole.YIELD else _kind(found, item.name)
    left_out = [
        f'{key} = "{value}"'
        for key, given, value in (("kind", item.kind, kind), ("role", item.role, role))
        if given is None
    ]
    if left_out:
        ledger.warn(
            "variable-assumed",
            f"The variable '{item.name}' was taken with {listing(left_out)}.",
            f"Say it under {variable_section(item.name)} if it is something else.",
            item.place,
        )
    # Of a column that is there and empty the days are told, or it is a yield to come.
    if found is None and not (harvested and role is VariableRole.YIELD):
        ledger.warn(
            "variable-without-data",
            f"The variable '{item.name}' is described and no table has values of it.",
            "Check the spelling of its column, or take the description out.",
            item.place,
        )
    unit = item.unit
    if unit is None and item.label and role is VariableRole.YIELD:
        told = heading_unit(item.label)  # "Cones, kg/ha": the label says it
        if told is not None and told.of_yield and told.unit in item.label:
            unit = told.unit
    return Variable(
        name=item.name,
        label=item.label or item.name,
        kind=kind,
        role=role,
        threshold=item.threshold,
        code=item.code,
        unit=unit,
        transform=item.transform,
        examined=item.examined,
        better=item.better
        or (Better.MORE if item.role is None and _judged_control(found, item.name) else None),
    )


def _tell_assumed(
    variable: Variable, found: Found, declared: Collection[str], ledger: Ledger
) -> None:
    looked_at = (
        "If it says how many units were looked at, name it as examined of the variable that counts "
        f'those hit: examined = "{found.header}".'
    )
    judged = ", control judged in the plots, of which more is better" if variable.better else ""
    ledger.warn(
        "variable-assumed",
        f"'{found.header}' is not described; it was taken for a {variable.kind} with the role "
        f"{variable.role}{judged}.",
        sentences(
            f"Describe it under {variable_section(variable.name)} if it is something else.",
            meant(found.header, declared),
            looked_at if LOOKED_AT.search(found.header) else "",
        ),
        found.place,
    )
