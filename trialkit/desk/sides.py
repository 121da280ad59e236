"""What a reviewer holds in hand, brought to the form of a record: a record, a report, a trial."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from trialkit.analysis import analyse
from trialkit.findings import make_findings
from trialkit.reading import read_trial
from trialkit.record import make_record, read_record
from trialkit.record.writing import edited_parts
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
        return Side(name=str(given), record=record, recorded=True, edited=edited_parts(record))
    return Side(name=str(given), record=_analysed(read_trial(path)), recorded=False)


def _analysed(trial: Trial) -> dict[str, Any]:
    analysis = analyse(trial)
    text = make_record(analysis, make_findings(analysis), datetime.now(UTC))
    record: dict[str, Any] = json.loads(text)
    return record
