"""Run by hand: broken copies of real trials are read, and nothing but words may come of it.

    python tests/benchmarks/bench_reading_fuzz.py MINUTES FOLDER [FOLDER ...]

Each folder (or file) is a trial, or holds trials. A copy of one is broken in one to three ways:
cells exchanged, emptied, doubled, made huge or strange, rows and columns taken out, repeated or
moved, bytes changed, keys of the settings altered. It is read, and analysed where it was read.
Prints every traceback and every copy that takes more than 20 s, and how many were read, refused,
and read as if nothing had happened: the last are counted only, as many a change is none.
"""

from __future__ import annotations

import csv
import io
import random
import shutil
import sys
import tempfile
import time
import traceback
from pathlib import Path

import openpyxl

import trialkit

STRANGE = (
    "", " ", "0", "-1", "1e308", "nan", "inf", "-", ".", "#REF!", "=1+1", "<1", "12,5", "1.234,5",
    "2025-06-31", "31.12.25", "3 DAT", "-3 DAT", "plot", "Mean", "\u202eabc", "x" * 3000, "1/2",
    "½", "٣", "a\nb", "TRUE", "None", "'", '"', ";", "\ufeff", "999999999999", "0.1", "T1", "I",
)  # fmt: skip
LIMIT_S = 20.0


def trials_in(path: Path) -> list[Path]:
    """Trials at a path: itself, or what lies in it."""
    if path.is_file() or (path / "trial.toml").is_file():
        return [path]
    return [item for item in sorted(path.iterdir()) if not item.name.startswith((".", "_"))]


def broken(text: str, rng: random.Random) -> str:
    """A table of text with one thing changed."""
    mark = max(",;\t", key=text[:500].count)
    plain = text.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")
    rows = list(csv.reader(io.StringIO(plain), delimiter=mark))
    change_rows(rows, rng)
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator="\n").writerows(rows)
    return out.getvalue()


def change_rows(rows: list[list], rng: random.Random) -> None:
    """Change one thing in rows of cells."""
    if not rows:
        return
    way, row = rng.randrange(11), rng.randrange(len(rows))
    cells = rows[row]
    column = rng.randrange(max(len(rows[0]), 1))
    if way == 0 and cells:
        cells[rng.randrange(len(cells))] = rng.choice(STRANGE)
    elif way == 1:
        del rows[row]
    elif way == 2:
        rows.insert(rng.randrange(len(rows)), list(cells))
    elif way == 3:
        for each in rows:
            del each[column : column + 1]
    elif way == 4:
        other = rng.randrange(len(rows))
        rows[row], rows[other] = rows[other], rows[row]
    elif way == 5:
        for each in rows:
            if len(each) > column:
                each.append(each.pop(column))
    elif way == 6 and rows[0]:
        rows[0][min(column, len(rows[0]) - 1)] = rng.choice(STRANGE)
    elif way == 7:
        for each in rows[1:]:
            if len(each) > column:
                each[column] = rng.choice(STRANGE)
    elif way == 8:
        rows.insert(row, [rng.choice(STRANGE)])
    elif way == 9:
        width = max(map(len, rows))
        padded = [each + [""] * (width - len(each)) for each in rows]
        rows[:] = [list(each) for each in zip(*padded, strict=True)]
    else:
        for each in rows:
            each.insert(column, rng.choice(STRANGE))


def spoil(path: Path, rng: random.Random) -> None:
    """Change one thing in one file of a trial."""
    files = [path] if path.is_file() else [item for item in path.rglob("*") if item.is_file()]
    file = rng.choice(sorted(files))
    if file.suffix == ".xlsx":
        book = openpyxl.load_workbook(file)
        sheet = rng.choice(book.worksheets)
        rows = [list(row) for row in sheet.iter_rows(values_only=True)]
        change_rows(rows, rng)
        name, place = sheet.title, book.worksheets.index(sheet)
        book.remove(sheet)
        made = book.create_sheet(name, place)
        for row in rows[:4000]:
            made.append(
                [openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("", c) if isinstance(c, str) else c
                 for c in row]
            )  # fmt: skip
        book.save(file)
    elif rng.random() < 0.1:
        data = bytearray(file.read_bytes())
        for _ in range(rng.randrange(1, 6)):
            if data:
                data[rng.randrange(len(data))] = rng.randrange(256)
        file.write_bytes(bytes(data))
    elif file.suffix == ".toml":
        lines = file.read_text(encoding="utf-8", errors="replace").splitlines()
        if lines:
            place = rng.randrange(len(lines))
            key = lines[place].partition("=")[0]
            choices = ["", f"{key}= {rng.choice(STRANGE)!r}", f"{key}= 7", lines[place] * 2]
            lines[place] = rng.choice(choices)
        file.write_text("\n".join(lines), encoding="utf-8", errors="replace")
    else:
        text = file.read_bytes().decode("utf-8", errors="replace")
        file.write_text(broken(text, rng), encoding="utf-8", errors="replace")


def main() -> None:
    """Break, read and count until the time is over."""
    minutes, sources = float(sys.argv[1]), [Path(item) for item in sys.argv[2:]]
    trials = [trial for source in sources for trial in trials_in(source)]
    until, seed = time.monotonic() + 60.0 * minutes, int(time.time())
    counted = dict.fromkeys(("read", "refused", "not analysed", "traceback", "slow"), 0)
    while time.monotonic() < until:
        seed += 1
        rng = random.Random(seed)
        original = rng.choice(trials)
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder) / original.name
            (shutil.copytree if original.is_dir() else shutil.copy)(original, copy)
            for _ in range(rng.randrange(1, 4)):
                spoil(copy, rng)
            started = time.monotonic()
            try:
                trial = trialkit.read_trial(copy)
                counted["read"] += 1
                try:
                    trialkit.analyse(trial)
                except trialkit.TrialError:
                    counted["not analysed"] += 1
            except trialkit.TrialError:
                counted["refused"] += 1
            except Exception:  # noqa: BLE001 - whatever it is, it is printed
                counted["traceback"] += 1
                print(f"seed {seed}, {original.name}\n{traceback.format_exc(limit=-5)}", flush=True)
            if time.monotonic() - started > LIMIT_S:
                counted["slow"] += 1
                print(f"seed {seed}, {original.name}: {time.monotonic() - started:.0f} s")
    print(", ".join(f"{number} {word}" for word, number in counted.items()))


if __name__ == "__main__":
    main()
