"""A small invented trial, as files to be spoiled by the tests."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import openpyxl
import pytest

from trialkit.problems import Problem, Severity
from trialkit.reading import Reading, read

TOML = """\
title = "Aphids in peas"
design = "rcbd"
applied = 2025-06-12
untreated = "1"

[variables.aphids]
label = "Aphids per plant"
kind = "count"
role = "pest"
"""
TREATMENTS = "treatment,name,role\n1,Untreated,untreated\n2,Ostrel,test\n"
PLOTS = "plot,block,treatment\n101,1,1\n102,1,2\n201,2,2\n202,2,1\n"
COUNTS = """\
plot,days_after,aphids
101,-1,10
102,-1,12
201,-1,9
202,-1,11
101,7,20
102,7,2
201,7,3
202,7,24
"""
BASE: dict[str, str | bytes | None] = {
    "trial.toml": TOML,
    "treatments.csv": TREATMENTS,
    "plots.csv": PLOTS,
    "counts.csv": COUNTS,
}

Write = Callable[..., Path]


@pytest.fixture
def base() -> dict[str, str | bytes | None]:
    """The files of the small trial."""
    return dict(BASE)


@pytest.fixture
def folder(tmp_path: Path) -> Write:
    """Write the small trial with some files changed (None: left out) and give its folder."""

    def write(changed: Mapping[str, str | bytes | None] | None = None) -> Path:
        target = tmp_path / "trial"
        target.mkdir(exist_ok=True)
        for name, content in {**BASE, **(changed or {})}.items():
            if isinstance(content, bytes):
                (target / name).write_bytes(content)
            elif content is not None:
                (target / name).write_bytes(content.encode())
        return target

    return write


@pytest.fixture
def file(tmp_path: Path) -> Write:
    """Write one file and give its path."""

    def write(name: str, content: str | bytes) -> Path:
        target = tmp_path / name
        target.write_bytes(content.encode() if isinstance(content, str) else content)
        return target

    return write


@pytest.fixture
def book(tmp_path: Path) -> Write:
    """Write a workbook from sheets of rows and give its path; ``finish`` may change it."""

    def write(
        sheets: Mapping[str, list[list[object]]],
        finish: Callable[[openpyxl.Workbook], None] | None = None,
        name: str = "trial.xlsx",
    ) -> Path:
        made = openpyxl.Workbook()
        made.remove(made.worksheets[0])
        for title, rows in sheets.items():
            page = made.create_sheet(title)
            for number, row in enumerate(rows, 1):
                for index, value in enumerate(row, 1):
                    if value is not None:
                        page.cell(number, index).value = value  # type: ignore[assignment]
        if finish is not None:
            finish(made)
        target = tmp_path / name
        made.save(target)
        return target

    return write


@pytest.fixture
def sheets() -> dict[str, list[list[object]]]:
    """The small trial as sheets of a workbook."""
    keys = [
        ["title", "Aphids in peas"],
        ["design", "rcbd"],
        ["applied", "2025-06-12"],
        ["untreated", 1],
        ["variables.aphids.label", "Aphids per plant"],
        ["variables.aphids.kind", "count"],
        ["variables.aphids.role", "pest"],
    ]
    return {
        "Trial": [list(row) for row in keys],
        **{
            name: [[_typed(cell) for cell in line.split(",")] for line in text.splitlines()]
            for name, text in (
                ("Treatments", TREATMENTS),
                ("Plots", PLOTS),
                ("Counts", COUNTS),
            )
        },
    }


def _typed(text: str) -> object:
    return int(text) if text.lstrip("-").isdigit() else text


class Found:
    """The problems of one reading, to be asked for."""

    def __init__(self, reading: Reading) -> None:
        self.reading = reading
        self.problems = reading.problems

    def __repr__(self) -> str:
        return "\n".join(f"{p.severity} {p.kind} | {p}" for p in self.problems)

    def of(self, kind: str) -> list[Problem]:
        """All problems of a kind."""
        return [problem for problem in self.problems if problem.kind == kind]

    def one(self, kind: str, place: str | None = None) -> Problem:
        """The only problem of a kind; its place as text may be given."""
        found = self.of(kind)
        assert len(found) == 1, f"{kind}: {len(found)} found in\n{self!r}"
        if place is not None:
            assert str(found[0].place) == place
        return found[0]

    def error(self, kind: str, place: str | None = None) -> str:
        """Text of the only error of a kind; the reading must have failed."""
        problem = self.one(kind, place)
        assert problem.severity is Severity.ERROR
        assert self.reading.trial is None
        return str(problem)

    def warning(self, kind: str, place: str | None = None) -> str:
        """Text of the only warning of a kind; the reading must have gone through."""
        problem = self.one(kind, place)
        assert problem.severity is Severity.WARNING
        assert self.reading.trial is not None, repr(self)
        return str(problem)

    @property
    def kinds(self) -> list[str]:
        """Kinds of all problems."""
        return [problem.kind for problem in self.problems]


@pytest.fixture
def check() -> Callable[[Path], Found]:
    """Read a path and give what was found."""
    return lambda path: Found(read(path))
