"""From paths to trials: folders of trials, records, and tables that hold several trials."""

from __future__ import annotations

import pickle
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from trialkit.analysis import analyse
from trialkit.problems import Place, Problem, Severity, TrialError, error, listing
from trialkit.processes import LOST, folder_names
from trialkit.reading.kinds import kind_of_name
from trialkit.reading.parts import read_parts
from trialkit.reading.sources import TEXT_TABLES, WORKBOOKS
from trialkit.record.reading import read_trial_of_record
from trialkit.series.facts import TrialFacts, facts_of
from trialkit.trial import Trial

RECORD = "record.json"
#: Tables of a trial that a series takes what the trial itself says from.
TABLES = ("control", "control_methods", "reductions", "natural_enemies", "persistence")
#: How deep a folder is looked through for trials.
_DEPTH = 3
#: How hard trials are pressed together that wait: a fifth of their size for a millisecond or two.
_LEVEL = 1


class Source(NamedTuple):
    """One path that holds a trial, or several.

    Attributes
    ----------
    path : Path
    key : str
        Unique; of a table with several trials what stands before the site and year.
    record : bool
    """

    path: Path
    key: str
    record: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What came of one trial of a source.

    Attributes
    ----------
    key : str
    facts : TrialFacts or None
        None where the trial has problems.
    packed : bytes
        The trial itself and its tables, put away until they are asked for.
    source : str
    kind : {"trial", "record", "part"}
    files : tuple of (str, str)
    problems : tuple of Problem
    """

    key: str
    facts: TrialFacts | None = None
    packed: bytes = b""
    source: str
    kind: str
    files: tuple[tuple[str, str], ...] = ()
    problems: tuple[Problem, ...] = ()


Tables = dict[str, pd.DataFrame]


def unpacked(packed: bytes) -> tuple[Trial, Tables]:
    """A trial that was put away, and its `TABLES`: of a record those that it holds."""
    trial: Trial
    tables: Tables | None
    trial, tables = pickle.loads(zlib.decompress(packed))  # noqa: S301 - made by this program
    if tables is None:
        # what only supports the tests is asked for by nobody here
        analysis = analyse(trial.with_settings(supporting=False))
        tables = {name: getattr(analysis, name) for name in TABLES}
    return trial, tables


def find_sources(paths: Iterable[Path | str]) -> tuple[Source, ...]:
    """Find every trial and record behind some paths.

    Parameters
    ----------
    paths : iterable of Path or str
        Trials, records (``record.json``, or the folder of a report), or folders of these.

    Raises
    ------
    TrialError
        When there is no such path, or a folder holds none.
    """
    problems: list[Problem] = []
    found: list[Path] = []
    for path in map(Path, paths):
        own = list(_below(path, _DEPTH)) if path.exists() else []
        if not own:
            what = (
                "No trial and no record was found in this folder."
                if path.is_dir()
                else "There is no such file or folder."
            )
            remedy = "Give trials, records (record.json), or a folder of them."
            problems.append(error("no-trials", what, remedy, Place(path.name or str(path))))
        found += own
    if problems:
        raise TrialError(problems)
    unique = list({path.resolve(): path for path in found}.values())
    names = folder_names([_named(path) for path in unique])
    return tuple(
        Source(path, name, path.suffix.casefold() == ".json")
        for path, name in zip(unique, names, strict=True)
    )


def _named(path: Path) -> Path:
    """What a source is named by: of a record the folder of its report."""
    resolved = path.resolve()
    return resolved.parent if resolved.name == RECORD else resolved


def _below(path: Path, depth: int) -> Iterator[Path]:
    """A path that is a trial or a record, or those in a folder."""
    if not path.is_dir() or _is_trial(path):
        yield path
    elif (path / RECORD).is_file():
        if not _of_series(path / RECORD):
            yield path / RECORD
    elif depth:
        for item in sorted(path.iterdir()):
            if item.name.startswith((".", "~")):
                continue
            if item.is_dir():
                yield from _below(item, depth - 1)
            elif item.suffix.casefold() in (*TEXT_TABLES, *WORKBOOKS):
                yield item


def _of_series(path: Path) -> bool:
    """Whether a record in a folder that is looked through is that of a series, and no trial."""
    with path.open("rb") as stream:
        return b'"series ' in stream.read(64)


def _is_trial(folder: Path) -> bool:
    names = [item.name.casefold() for item in folder.iterdir() if item.is_file()]
    tables = {kind_of_name(name.rpartition(".")[0]) for name in names if name.endswith(TEXT_TABLES)}
    return "trial.toml" in names or bool(tables & {"plots", "counts", "yield"})


def load(source: Source) -> tuple[Loaded, ...]:
    """Read the trials of a source; of a record the trial alone.

    Problems carry the source before their place, since files of different trials are called
    alike.
    """
    label = str(source.path)
    try:
        if source.record:
            trial, tables = read_trial_of_record(source.path, TABLES)
            return (_loaded(trial, source.key, label, "record", tables=tables),)
        parts = read_parts(source.path)
    except TrialError as fault:
        return (_failed(source, fault.problems),)
    except OSError as fault:
        unread = error(
            "trial-unreadable",
            f"It could not be read: {fault.strerror or fault}.",
            "See that it is there and can be read.",
        )
        return (_failed(source, (unread,)),)
    found = []
    for part in parts:
        key = part.name or source.key
        where = f"{label}, {part.name}" if part.name else label
        if part.reading.trial is None:
            wrong = [p for p in part.reading.problems if p.severity is Severity.ERROR]
            own = tuple(wrong) if part.name else _within(wrong, key)
            found.append(Loaded(key=key, source=where, kind="trial", problems=own))
        else:
            kind = "part" if part.name else "trial"
            found.append(_loaded(part.reading.trial, key, where, kind, part=part.name))
    return tuple(found)


def lost(source: Source) -> tuple[Loaded, ...]:
    """What is said of a source whose process was lost."""
    return (_failed(source, (LOST,)),)


def _loaded(
    trial: Trial,
    key: str,
    source: str,
    kind: str,
    *,
    part: str = "",
    tables: Tables | None = None,
) -> Loaded:
    looks = [item for item in trial.warnings if not item.at_rest]
    return Loaded(
        key=key,
        facts=facts_of(trial, key, part),
        packed=zlib.compress(pickle.dumps((trial, tables), protocol=5), _LEVEL),
        source=source,
        kind=kind,
        files=trial.inputs,
        # parts of one table have their places in it
        problems=tuple(looks) if part else _within(looks, key),
    )


def _failed(source: Source, problems: Sequence[Problem]) -> Loaded:
    return Loaded(
        key=source.key,
        source=str(source.path),
        kind="record" if source.record else "trial",
        problems=_within(problems, source.key),
    )


def _within(problems: Iterable[Problem], key: str) -> tuple[Problem, ...]:
    """Put the name of the trial before the file."""
    return tuple(
        replace(
            item,
            place=replace(
                item.place,
                file=f"{key}/{item.place.file}"
                if item.place.file and not item.place.file.startswith(key)
                else key,
            ),
        )
        for item in problems
    )


def with_keys(loaded: Sequence[Loaded]) -> list[Loaded]:
    """Give every trial a key of its own: parts of different tables may be called alike."""
    keys = folder_names([Path(item.key) for item in loaded])
    return [
        replace(item, key=key, facts=replace(item.facts, key=key) if item.facts else None)
        for item, key in zip(loaded, keys, strict=True)
    ]


def refuse_twice(loaded: Sequence[Loaded]) -> list[Problem]:
    """Find trials that stand in the series twice, by their files."""
    by_digest: dict[str, list[Loaded]] = {}
    for item in loaded:
        if item.facts is not None and item.files:
            by_digest.setdefault(item.facts.digest, []).append(item)
    return [
        error(
            "same-trial-twice",
            f"The same trial stands here {len(same)} times: "
            f"{listing([item.source for item in same])}.",
            "Give it once, as a trial or as its record.",
        )
        for same in by_digest.values()
        if len(same) > 1
    ]
