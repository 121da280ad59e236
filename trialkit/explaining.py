"""What a table, a column, a setting or a choice means, in plain lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from textwrap import fill

from trialkit.analysis.schema import ALL_TABLES, SERIES_TABLES, TABLES, UNITS, Column, Table
from trialkit.plain_text import capital
from trialkit.problems import listing, meant, quoted, sentences
from trialkit.report_choices import REPORT_MEANINGS
from trialkit.series.options import KEYS, SECTIONS
from trialkit.setting_rules import OneOf, rule_of, shown
from trialkit.settings import Settings
from trialkit.words import OF

WIDTH = 80
_SERIES_KEYS = {key.name: key for key in KEYS}
_SETTINGS = {item.name: item for item in fields(Settings)}


def explain(name: str | None = None) -> str:
    """Say what a table, a column or a setting means, and in what unit it is.

    Parameters
    ----------
    name : str, optional
        A table (``"means"``), a column (``"letters"``), a column of one table
        (``"control.percent"``), a setting (``"alpha"``), a key of ``[report]`` or of
        ``series.toml``; without it what there is.

    Returns
    -------
    str
        Lines of at most 80 characters.

    Raises
    ------
    KeyError
        When nothing has that name; the message has the nearest that there is.

    Examples
    --------
    >>> import trialkit
    >>> print(trialkit.explain("control.percent"))
    control.percent
      Control, %. Unit: % (percent).
      Percent control against the untreated; below zero: more than there.
    """
    if name is None:
        return "\n".join(_everything())
    wanted = name.strip().casefold()
    parts = [*_tables(wanted), *_columns(wanted), *_settings(wanted), *_series_keys(wanted)]
    parts += _report_keys(wanted)
    if not parts:
        columns = (c.name for t in ALL_TABLES.values() for c in t.columns)
        known = [*ALL_TABLES, *_SETTINGS, *_SERIES_KEYS, *SECTIONS, *REPORT_MEANINGS, *columns]
        raise KeyError(
            sentences(f"There is no table, column or setting {quoted(name)}.", meant(wanted, known))
        )
    return "\n\n".join("\n".join(part) for part in parts)


def _indented(text: str, by: int = 2) -> str:
    return fill(
        text,
        WIDTH,
        initial_indent=" " * by,
        subsequent_indent=" " * by,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _everything() -> Iterator[str]:
    for heading, tables in (
        ("Tables of an analysis", TABLES),
        ("Tables of several trials", SERIES_TABLES),
    ):
        yield heading
        for table in tables.values():
            yield f"  {table.name}"
            yield _indented(f"{table.question}.", 4)
    yield "Settings"
    for name, item in _SETTINGS.items():
        yield f"  {name}"
        yield _indented(item.metadata["meaning"], 4)
    yield "Keys of [report] in trial.toml"
    for name, meaning in REPORT_MEANINGS.items():
        yield f"  {name}"
        yield _indented(meaning, 4)
    yield "Keys and sections of series.toml"
    meanings = {name: key.meaning for name, key in _SERIES_KEYS.items()}
    for name, meaning in (*meanings.items(), *SECTIONS.items()):
        yield f"  {name}"
        yield _indented(meaning, 4)


def _report_keys(wanted: str) -> Iterator[list[str]]:
    meaning = REPORT_MEANINGS.get(wanted.removeprefix("report."))
    if meaning is not None:
        yield [f"Key {wanted.removeprefix('report.')} of [report]", _indented(meaning)]


def _tables(wanted: str) -> Iterator[list[str]]:
    table = next((item for key, item in ALL_TABLES.items() if key.casefold() == wanted), None)
    if table is None:
        return
    lines = [f"Table {table.name}", _indented(f"{table.question}."), _indented(_row(table))]
    for column in table.columns:
        lines += [f"  {column.name}", *_about(column, 4)]
    yield lines


def _row(table: Table) -> str:
    where = "" if table.recorded else " It is not in the record."
    return f"One row: {table.row}.{where}"


def _about(column: Column, by: int) -> list[str]:
    unit = f"Unit: {column.unit} ({UNITS[column.unit]})"
    if column.kind != "number":
        unit = capital(UNITS[column.unit])
    return [_indented(f"{column.heading}. {unit}.", by), _indented(column.meaning, by)]


def _columns(wanted: str) -> Iterator[list[str]]:
    """A column of one table, or a column by its name; tables in which it says the same together."""
    meanings: dict[Column, list[str]] = {}
    for table in ALL_TABLES.values():
        for column in table.columns:
            if wanted in {column.name.casefold(), f"{table.name}.{column.name}".casefold()}:
                meanings.setdefault(column, []).append(table.name)
    for column, tables in meanings.items():
        if "." in wanted:
            yield [f"{tables[0]}.{column.name}", *_about(column, 2)]
        else:
            named = _indented(f"In {listing(tables, len(tables))}.")
            yield [f"Column {column.name}", named, *_about(column, 2)]


def _settings(wanted: str) -> Iterator[list[str]]:
    item = _SETTINGS.get(wanted)
    if item is None:
        return
    default = shown(item.default) if item.default not in (None, ()) else "nothing"
    rule = rule_of(item.metadata)
    lines = [f"Setting {item.name}", _indented(item.metadata["meaning"])]
    if isinstance(rule, OneOf) and rule.make in OF:
        words = OF[rule.make]  # type: ignore[index]
        lines += [_indented(f"{value}: {words[value]}", 4) for value in rule.allowed]
    else:
        lines.append(_indented(f"May be {rule.words}."))
    yield [*lines, _indented(f"When left out: {default}.")]


def _series_keys(wanted: str) -> Iterator[list[str]]:
    """A key of ``series.toml``, or one of its sections."""
    key = _SERIES_KEYS.get(wanted)
    if key is not None:
        yield [
            f"Key {key.name} of series.toml",
            _indented(key.meaning),
            _indented(f"May be {key.rule.words}. As typed: {key.name} = {key.example}."),
        ]
    elif wanted in SECTIONS:
        yield [f"Section [{wanted}] of series.toml", _indented(SECTIONS[wanted])]
