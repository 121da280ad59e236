"""A known trial written in a random dialect is read as it is, or refused; never another one."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.reading import Reading, read

APPLIED = date(2025, 6, 12)
TREATMENTS = ("Untreated", "Tarnock", "Wimbrel", "Ostrel")
DAYS = (-1, 3, 7, 14)
VARIABLES = ("larvae", "beetles")
Value = str | int | float | date | None
Rows = list[list[Value]]


class Dialect:
    """One way of writing the trial, drawn at random."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)
        pick = self.random.choice
        self.dash = pick("-\u2013\u2014\u2212")
        self.block = pick(("{}", "Block {}", "B{}", "Rep {}", "mixed"))
        self.block_head = pick(("block", "Block", "rep", "Replicate", "BLK"))
        self.treatment_head = pick(("treatment", "Trt", "Treatment", "product", "TREATMENT"))
        self.plot_head = pick(("plot", "Plot", "Plot no.", "plot_id", None))
        self.day_form = pick(
            ("{d} DAT", "{d} DAA", "day {d}", "({d} DAT)", "{d} Tage", "iso", "points", "month")
        )
        self.shape = pick(
            ("day", "day two rows", "bare days", "days over", "variable", "long", "sheets", "lines")
        )
        self.summary = pick((None, "rows", "mean column rows"))
        self.title = pick((None, "Leaf beetles in potatoes", "Trial 12 | station"))
        self.comma = pick((False, True))
        self.extra = pick((None, "rate", "cultivar"))
        self.ditto = pick((None, "ditto", "''"))
        self.as_book = self.shape in {"day two rows", "sheets"} or pick((True, False))
        self.shuffle = pick((False, True))
        self.first_only = pick((False, False, True)) and not self.shuffle
        self.separator = ";" if self.comma else pick((",", ";", "\t"))

    def day(self, number: int) -> str:
        """Write a day into a heading."""
        if self.day_form in {"iso", "points", "month"}:
            when = APPLIED + timedelta(days=number)
            if self.day_form == "month":
                return f"{when.day} {when:%b}"
            return when.isoformat() if self.day_form == "iso" else when.strftime("%d.%m.%Y")
        written = f"{self.dash}{-number}" if number < 0 else str(number)
        return self.day_form.format(d=written)

    def block_of(self, number: int, place: int) -> str:
        """Write a block; mixed writes it in two ways."""
        if self.block == "mixed":
            return f"Block {number}" if place % 3 == 0 else str(number)
        return self.block.format(number)


def truth(seed: int) -> dict[tuple[int, str, str, int], float]:
    """Values by block, treatment, variable and day."""
    draw = random.Random(seed + 1)
    return {
        (block, treatment, variable, day): float(draw.randint(0, 90))
        for block in range(1, 5)
        for treatment in TREATMENTS
        for variable in VARIABLES
        for day in DAYS
    }


def written(value: float, dialect: Dialect) -> Value:
    """Write a value; decimal commas need something behind them."""
    value = value + 0.5 if dialect.comma else value
    if dialect.as_book and not dialect.comma:
        return value
    return f"{value:g}".replace(".", ",") if dialect.comma else f"{value:g}"


def tables(dialect: Dialect, values: dict[tuple[int, str, str, int], float]) -> dict[str, Rows]:
    """Sheets or the one table of the trial in a dialect."""
    plots = [(block, t) for block in range(1, 5) for t in TREATMENTS]
    if dialect.shuffle:
        dialect.random.shuffle(plots)
    ids: list[list[Value]] = []
    for place, (block, t) in enumerate(plots):
        first = not dialect.first_only or place % 4 == 0
        same = dialect.ditto if dialect.as_book else None
        own: list[Value] = [dialect.block_of(block, place) if first else same, t]
        if dialect.plot_head:
            own.insert(0, 100 * block + TREATMENTS.index(t) + 1)
        if dialect.extra:
            own.append(TREATMENTS.index(t) / 2 if dialect.extra == "rate" else "Brackmoor")
        ids.append(own)
    heads: list[Value] = [dialect.block_head, dialect.treatment_head]
    if dialect.plot_head:
        heads.insert(0, dialect.plot_head)
    if dialect.extra:
        heads.append(dialect.extra)

    def cell(place: int, variable: str, day: int) -> Value:
        return written(values[(*plots[place], variable, day)], dialect)

    each = range(len(plots))
    if dialect.shape == "sheets":
        return {
            dialect.day(day).strip("()"): [
                [*heads, *VARIABLES],
                *([*ids[i], *(cell(i, v, day) for v in VARIABLES)] for i in each),
            ]
            for day in DAYS
        }
    if dialect.shape == "variable":
        made: Rows = [[*heads, "DAT", *VARIABLES]]
        for day in DAYS:
            number: Value = f"{dialect.dash}{-day}" if day < 0 else day
            made += [[*ids[i], number, *(cell(i, v, day) for v in VARIABLES)] for i in each]
        return {"Data": made}
    if dialect.shape == "long":
        made = [[*heads, "days after treatment", "variable", "value"]]
        for day in DAYS:
            for v in VARIABLES:
                made += [[*ids[i], day, v, cell(i, v, day)] for i in each]
        return {"Data": made}
    if dialect.shape == "days over":
        columns = [(v, day) for day in DAYS for v in VARIABLES]
        above: list[Value] = [dialect.day(d) if v == VARIABLES[0] else None for v, d in columns]
        top = [[*([None] * len(heads)), *above], [*heads, *(v for v, _ in columns)]]
        return {"Data": top + [[*ids[i], *(cell(i, v, d) for v, d in columns)] for i in each]}
    columns = [(v, day) for v in VARIABLES for day in DAYS]
    if dialect.shape == "lines" and not dialect.shuffle:
        at = heads.index(dialect.block_head)
        made = [[*heads[:at], *heads[at + 1 :], *(f"{v} {dialect.day(d)}" for v, d in columns)]]
        for i in each:
            if i % 4 == 0:
                made.append([f"Block {plots[i][0]}"])
            own = ids[i][:at] + ids[i][at + 1 :]
            made.append([*own, *(cell(i, v, d) for v, d in columns)])
        return {"Data": made}
    top: Rows
    if dialect.shape in {"day", "lines"}:
        top = [[*heads, *(f"{v} {dialect.day(day)}" for v, day in columns)]]
    else:
        over: list[Value] = [v if day == DAYS[0] else None for v, day in columns]
        bare = dialect.shape == "bare days"
        days: list[Value] = [d if bare else dialect.day(d) for _, d in columns]
        top = [[*([None] * len(heads)), *over], [*heads, *days]]
    return {"Data": top + [[*ids[i], *(cell(i, v, d) for v, d in columns)] for i in each]}


def with_trimmings(dialect: Dialect, rows: Rows) -> Rows:
    """Add a title above and summaries below."""
    width = len(rows[-1])
    if dialect.summary:
        at = 1 if dialect.plot_head else 0
        for word in ("Mean", "CV %"):
            line: list[Value] = [None] * width
            line[0 if dialect.summary == "rows" else at] = word
            line[-1] = 20
            rows = [*rows, line]
    if dialect.title:
        rows = [[dialect.title], [], *rows]
    return rows


def save(dialect: Dialect, sheets: dict[str, Rows], folder: Path) -> Path:
    """Write the trial as a workbook or a table of text."""
    keys = {"title": "T", "applied": APPLIED.isoformat(), "untreated": "Untreated"}
    if dialect.as_book:
        book = openpyxl.Workbook()
        book.remove(book.worksheets[0])
        for name, rows in {"Trial": [[k, v] for k, v in keys.items()], **sheets}.items():
            page = book.create_sheet(name)
            for row in rows if name == "Trial" else with_trimmings(dialect, rows):
                page.append(row)
        path = folder / "trial.xlsx"
        book.save(path)
        return path
    (folder / "trial.toml").write_text(
        "".join(f"{k} = {v if k == 'applied' else repr(v)}\n" for k, v in keys.items())
    )
    (rows,) = sheets.values()
    lines = [
        dialect.separator.join("" if cell is None else str(cell) for cell in row)
        for row in with_trimmings(dialect, rows)
    ]
    path = folder / "trial.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def as_read(reading: Reading) -> Iterator[tuple[str, str, str, float, float]]:
    """Block, treatment, variable, day and value of every count."""
    assert reading.trial is not None
    plots = {plot.id: plot for plot in reading.trial.plots}
    for row in reading.trial.counts.itertuples():
        plot = plots[row.plot]
        block = (plot.block or "").split()[-1].lstrip("B")
        yield block, plot.treatment, row.variable, row.day, row.value


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10_000))
def test_a_known_trial_in_a_random_dialect(tmp_path_factory: pytest.TempPathFactory, seed: int):
    dialect, values = Dialect(seed), truth(seed)
    path = save(dialect, tables(dialect, values), tmp_path_factory.mktemp("dialect"))
    reading = read(path)
    if reading.trial is None:
        assert any(problem.severity == "error" for problem in reading.problems)
        return
    add = 0.5 if dialect.comma else 0.0
    expected = {(str(b), t, v, float(d), x + add) for (b, t, v, d), x in values.items()}
    assert set(as_read(reading)) == expected, vars(dialect)


def test_most_dialects_are_understood(tmp_path: Path):
    """A reader that refused everything would never be wrong; this one reads nine of ten."""
    understood = 0
    for seed in range(40):
        dialect, values = Dialect(seed), truth(seed)
        folder = tmp_path / str(seed)
        folder.mkdir()
        understood += read(save(dialect, tables(dialect, values), folder)).trial is not None
    assert understood >= 36
