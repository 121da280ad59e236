"""What a reviewer holds in hand, brought to the form of a record: a record, a report, a trial."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from trialkit.analysis import analyse
from trialkit.desk.checking import checked
from trialkit.findings import make_findings
from trialkit.problems import TrialError, error
from trialkit.reading import read_trial
from trialkit.record import make_record, read_record
from trialkit.record.writing import edited_parts, is_series
from trialkit.trial import Trial

RECORD = "record.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One side of a comparison.

    Attributes
    ----------
    name : str
        As it was given.
    record : dict
        Its record; of a trial one that was made now.
    recorded : bool
        Whether it was a record, and not a trial that was analysed now.
    edited : tuple of str
        Parts that do not match the digests of the record.
    """

    name: str
    record: dict[str, Any]
    recorded: bool
    edited: tuple[str, ...] = ()

    @property
    def undigested(self) -> bool:
        """Whether it is a record without digests, in which edits leave no trace."""
        return self.recorded and not isinstance(self.record.get("digest"), dict)


def take_sides(first: Trial | Path | str, second: Trial | Path | str) -> tuple[Side, Side]:
    """Bring two things to records, both of one trial or both of several.

    A folder of trials beside the record of a series is combined now, as the record says.

    Raises
    ------
    TrialError
        When one cannot be read, or one is of several trials and the other is not.
    """
    sides = [None if _may_be_series(given) else take_side(given) for given in (first, second)]
    several = next((side for side in sides if side is not None and is_series(side.record)), None)
    made = [
        side or (take_side(given) if several is None else _combined(Path(str(given)), several))
        for side, given in zip(sides, (first, second), strict=True)
    ]
    if is_series(made[0].record) != is_series(made[1].record):
        raise TrialError(
            [
                error(
                    "unlike-sides",
                    "One of the two is a series of trials, and the other is a single trial.",
                    "Compare two trials, or two series.",
                )
            ]
        )
    return made[0], made[1]


def _may_be_series(given: Trial | Path | str) -> bool:
    """Whether it may be trials that are to be combined first: no record, and no Trial."""
    if isinstance(given, Trial):
        return False
    path = Path(given)
    return path.suffix.lower() != ".json" and not (path / RECORD).is_file()


def _combined(path: Path, beside: Side) -> Side:
    """Combine trials by the options of a record, and bring them to the form of a record."""
    from trialkit.findings.series_story import series_findings
    from trialkit.record.series import make_series_record, series_from_record
    from trialkit.series.combine import combine

    series = combine(path, options=series_from_record(beside.record).options)
    told = replace(series, findings=series_findings(series))
    text = make_series_record(told, datetime.now(UTC))
    return Side(name=str(path), record=json.loads(text), recorded=False)


def take_side(given: Trial | Path | str) -> Side:
    """Bring a record, a folder of a report, a trial on disk or a Trial to a record.

    Parameters
    ----------
    given : Trial, Path or str

    Raises
    ------
    TrialError
        When it cannot be read.
    """
    if isinstance(given, Trial):
        return Side(name=given.title, record=_analysed(given), recorded=False)
    path = Path(given)
    inside = path / RECORD
    if path.is_dir() and inside.is_file() and not (path / "trial.toml").exists():
        path = inside
    if path.suffix.lower() == ".json":
        record = read_record(path)
        return Side(
            name=str(given), record=checked(record), recorded=True, edited=edited_parts(record)
        )
    return Side(name=str(given), record=_analysed(read_trial(path)), recorded=False)


def _analysed(trial: Trial) -> dict[str, Any]:
    analysis = analyse(trial)
    text = make_record(analysis, make_findings(analysis), datetime.now(UTC))
    record: dict[str, Any] = json.loads(text)
    return record
