"""``series.toml``: read with the place of each problem, and written with every match filled in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import wrap
from types import MappingProxyType
from typing import Any

from trialkit.files import read_regular
from trialkit.numerals import is_number
from trialkit.problems import Place, TrialError, listing, meant, quoted, sentences
from trialkit.reading.cells import Ledger
from trialkit.reading.saving import toml_value
from trialkit.reading.settings import Entry, as_text, mapping_entries, toml_entries
from trialkit.reading.textfiles import decode
from trialkit.series.matched import Window
from trialkit.series.options import KEYS, SECTIONS, Named, SeriesKey, SeriesOptions
from trialkit.setting_rules import UnfitError

NAME = "series.toml"
_MOST = 2_000_000
_WIDTH = 92
_KEYS = {key.name: key for key in KEYS}


def read_options(path: Path) -> SeriesOptions:
    """Read a ``series.toml``.

    Raises
    ------
    TrialError
        With every problem in it, each with its line where one line holds it.
    """
    ledger = Ledger()
    try:
        data = read_regular(path, _MOST)
    except OSError as fault:
        ledger.error(
            "series-unreadable",
            f"The file could not be read ({fault.strerror or fault}).",
            "See that it is there and can be read.",
            Place(path.name),
        )
        raise TrialError(ledger.problems) from fault
    text = decode(data, path.name, ledger)
    entries = None if text is None else toml_entries(path.name, text, ledger)
    return _options(entries or [], ledger)


def options_from(content: Mapping[str, Any]) -> SeriesOptions:
    """Make options of what a program holds, nested as in ``series.toml``.

    Raises
    ------
    TrialError
        With every problem in it.
    """
    return _options(mapping_entries("options", content), Ledger())


@dataclass(slots=True)
class _Draft:
    """What the entries give, section by section."""

    keys: dict[str, Any] = field(default_factory=dict)
    sections: dict[str, dict[str, Any]] = field(
        default_factory=lambda: {name: {} for name in SECTIONS}
    )


def _options(entries: Sequence[Entry], ledger: Ledger) -> SeriesOptions:
    draft = _Draft()
    for entry in entries:
        if len(entry.path) == 1 and entry.path[0] in _KEYS:
            _take_key(_KEYS[entry.path[0]], entry, draft, ledger)
        elif entry.path[0] in SECTIONS:
            _take_entry(entry, draft, ledger)
        else:
            _tell_unknown(entry, ledger)
    if ledger.failed:
        raise TrialError(ledger.problems)
    given: dict[str, Any] = {
        **draft.keys,
        **{name: MappingProxyType(values) for name, values in draft.sections.items()},
    }
    return SeriesOptions(**given)


def _take_key(key: SeriesKey, entry: Entry, draft: _Draft, ledger: Ledger) -> None:
    try:
        draft.keys[key.name] = key.rule.take(key.name, entry.value)
    except UnfitError as fault:
        ledger.error(fault.kind, fault.what, fault.remedy, entry.place)


def _tell_unknown(entry: Entry, ledger: Ledger) -> None:
    ledger.error(
        "unknown-key",
        f"There is no key {'.'.join(entry.path)}.",
        sentences(
            meant(entry.path[0], [*_KEYS, *SECTIONS]),
            f"Known are {', '.join(_KEYS)}, and the sections {listing(SECTIONS)}.",
        ),
        entry.place,
    )


def _take_entry(entry: Entry, draft: _Draft, ledger: Ledger) -> None:
    section, *rest = entry.path
    if not rest:
        if entry.value != "":
            _tell_unknown(entry, ledger)
        return
    found: Any
    if section == "covariates":
        found = _number_of(entry, rest, ledger)
        if found is not None:
            trial, name = rest
            draft.sections[section].setdefault(trial, {})[name] = found
        return
    name = ".".join(rest)
    if section in {"treatments", "variables"}:
        if len(rest) > 1 and rest[-1] in {"trial", "name"}:
            name, entry = rest[0], entry._replace(value=[{}])
        found = _names_of(entry, ledger)
    elif section == "left_out" and not as_text(entry.value):
        ledger.error(
            "no-reason",
            f"No reason is given why {name} takes no part.",
            f'Say it, such as {name} = "hail on day 6".',
            entry.place,
        )
        return
    else:
        found = as_text(entry.value)
    if found:
        draft.sections[section][name] = found


def _number_of(entry: Entry, rest: Sequence[str], ledger: Ledger) -> float | None:
    if len(rest) == 1 and entry.value == "":
        return None
    value = entry.value
    if len(rest) == 2 and is_number(value):
        return float(value)
    ledger.error(
        "no-number",
        f"{quoted(as_text(entry.value))} is no number that goes with a trial.",
        "Give a section for each trial and numbers in it: [covariates.north-2025], then "
        "latitude = 52.1.",
        entry.place,
    )
    return None


def _names_of(entry: Entry, ledger: Ledger) -> tuple[Named, ...]:
    values: Sequence[Any] = entry.value if isinstance(entry.value, list) else [entry.value]
    found = []
    for value in values:
        if isinstance(value, Mapping):
            name, trial = value.get("name"), value.get("trial")
            if set(value) == {"name", "trial"} and all(isinstance(v, str) for v in (name, trial)):
                found.append(Named(str(name), str(trial)))
                continue
        elif as_text(value):
            found.append(Named(as_text(value)))
            continue
        ledger.error(
            "no-name",
            f"{quoted(str(value))} is no name of a treatment or variable.",
            'Give names in quotation marks; of one trial alone { trial = "...", name = "..." }.',
            entry.place,
        )
    return tuple(found)


def options_text(
    options: SeriesOptions, comments: Mapping[str, Sequence[str]] | None = None
) -> str:
    """Write options as ``series.toml``, every key with its meaning.

    Parameters
    ----------
    options : SeriesOptions
    comments : mapping of str to sequence of str, optional
        Remarks under the head of a section, such as what is still to be decided.
    """
    return "\n".join(_lines(options, comments or {})) + "\n"


def _lines(options: SeriesOptions, comments: Mapping[str, Sequence[str]]) -> Iterator[str]:
    yield "# How several trials are combined. A key that is taken out has its usual value."
    for key in KEYS:
        yield ""
        yield from _remark(key.meaning)
        value = getattr(options, key.name)
        written = _written(value)
        yield f"{key.name} = {written}" if value is not None else f"# {key.name} = {key.example}"
    for name, meaning in SECTIONS.items():
        yield ""
        yield from _remark(meaning)
        remarks = [line for remark in comments.get(name, ()) for line in _remark(remark)]
        values: Mapping[str, Any] = getattr(options, name)
        if name == "covariates":
            yield from remarks
            for trial, numbers in values.items():
                yield f"[covariates.{toml_value(trial)}]"
                yield from (f"{toml_value(key)} = {number:g}" for key, number in numbers.items())
            continue
        yield f"[{name}]"
        yield from remarks
        yield from (f"{toml_value(key)} = {_written(value)}" for key, value in values.items())


def _remark(text: str) -> list[str]:
    return wrap(
        text,
        _WIDTH,
        initial_indent="# ",
        subsequent_indent="# ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def _written(value: Any) -> str:
    if isinstance(value, Named):
        name = toml_value(value.name)
        in_one = f"{{ trial = {toml_value(value.trial)}, name = {name} }}"
        return name if value.trial is None else in_one
    if isinstance(value, Window):
        return toml_value(value.name)
    if isinstance(value, tuple | list):
        return f"[{', '.join(_written(item) for item in value)}]"
    if isinstance(value, float):
        return f"{value:g}"
    return toml_value(str(value))
