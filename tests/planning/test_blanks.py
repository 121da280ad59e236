"""The shipped blanks: as the program makes them, explained, and with nothing invented in them."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import openpyxl
import pytest

from planning.conftest import make_protocol
from trialkit.measures.units import convert
from trialkit.plan_keys import PLAN_KEYS, UNITS, days_of, fault_of, quantities, quantity
from trialkit.planning.blank import blank_files, blank_workbook, start_trial
from trialkit.planning.blank_words import CHOICES, cautions, column_meanings, key_meanings
from trialkit.planning.options import Plan, with_options
from trialkit.problems import TrialError
from trialkit.reading import read_protocol
from trialkit.reading.headers import FIELDS
from trialkit.reading.keys import KEYS
from trialkit.resources import data_folder

BLANKS = data_folder("templates")
EXAMPLES = Path(__file__).parent.parent.parent / "example_trials"
AGAIN = "write them again: python example_trials/make_blanks.py"


def cells(path: Path) -> dict[str, list[list[object]]]:
    book = openpyxl.load_workbook(path)
    return {
        sheet.title: [[cell.value for cell in row] for row in sheet.iter_rows()] for sheet in book
    }


def test_shipped_blanks_are_as_they_are_made(tmp_path: Path) -> None:
    (tmp_path / "new.xlsx").write_bytes(blank_workbook())
    assert cells(BLANKS / "blank_trial.xlsx") == cells(tmp_path / "new.xlsx"), AGAIN
    for name, text in blank_files().items():
        assert (BLANKS / "blank_trial" / name).read_text(encoding="utf-8") == text, AGAIN


def test_the_script_makes_every_blank(tmp_path: Path) -> None:
    script = EXAMPLES / "make_blanks.py"
    run = subprocess.run(
        [sys.executable, str(script), str(tmp_path)], check=True, capture_output=True, text=True
    )
    made = [Path(line) for line in run.stdout.splitlines()]
    assert {path.relative_to(tmp_path).as_posix() for path in made} >= {
        "blank_trial.xlsx",
        "blank_trial/trial.toml",
        "series.toml",
        "printed_table.csv",
    }
    for path in made:
        if path.suffix != ".xlsx":
            shipped = BLANKS / path.relative_to(tmp_path)
            assert path.read_text(encoding="utf-8") == shipped.read_text(encoding="utf-8"), AGAIN


def test_nothing_is_given_in_a_blank() -> None:
    found = tomllib.loads((BLANKS / "blank_trial" / "trial.toml").read_text(encoding="utf-8"))
    assert all(value == {} for value in found.values())
    sheets = cells(BLANKS / "blank_trial.xlsx")
    assert all(row[1] is None for row in sheets["Trial"][1:])
    for name in ("Variables", "Treatments"):
        assert all(value is None for row in sheets[name][1:] for value in row)


def test_an_empty_blank_says_what_it_lacks() -> None:
    for form in ("blank_trial.xlsx", "blank_trial"):
        with pytest.raises(TrialError) as caught:
            read_protocol(BLANKS / form)
        assert "no-design" in {problem.kind for problem in caught.value.problems}


def test_every_example_behind_a_key_can_be_taken_as_it_is(tmp_path: Path) -> None:
    # Taking every # away gives settings that are read, but for texts left empty.
    start_trial(tmp_path / "t")
    path = tmp_path / "t" / "trial.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    bare = [x.removeprefix("# ") if " = " in x and not x.endswith(".") else x for x in lines]
    path.write_text("\n".join(bare), encoding="utf-8")
    (tmp_path / "t" / "treatments.csv").write_text("treatment,name\n1,A\n2,B\n")
    try:
        read_protocol(tmp_path / "t")
    except TrialError as fault:
        wrong = [p for p in fault.problems if p.place.column and p.place.column.startswith("plan")]
        wrong += [p for p in fault.problems if str(p.place.column).startswith("sprayer")]
        assert wrong == []


def test_every_key_and_column_explained_is_one_that_is_read() -> None:
    known = {*KEYS, *(key.name for key in PLAN_KEYS)}
    assert {name for name in key_meanings() if "." not in name} <= known
    assert set(KEYS) <= set(key_meanings())
    for table in ("doses", "events"):
        assert set(column_meanings(table)) <= set(FIELDS[table])
    assert {"date", "equipment", "carrier_l_per_ha"} <= set(FIELDS["applications"])
    for (table, name), words in CHOICES.items():
        assert words
        assert name in (key_meanings() if table == "trial" else column_meanings(table))


def test_cautions_say_what_matters() -> None:
    text = " ".join(cautions()).casefold()
    for word in ("label", "law", "licensed", "protective", "re-entry", "harvest", "destroyed"):
        assert word in text
    assert "authorises nothing" in text


def test_every_unit_of_a_quantity_can_be_converted() -> None:
    names = {"mph": "mi/h"}
    for units in UNITS.values():
        for unit in units:
            assert float(convert(1, names.get(unit, unit), names.get(units[0], units[0]))) > 0
    for key in PLAN_KEYS:
        assert not fault_of(key, key.example), key.name


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("0.8 L/min", (0.8, "L/min")),
        ("0,8 L / min", (0.8, "L/min")),
        ("16 fl oz/min", (16.0, "fl oz/min")),
        ("20in", (20.0, "in")),
        ("20", None),
        ("in 20", None),
    ],
)
def test_quantities_have_a_number_and_a_unit(text: str, found: tuple[float, str] | None) -> None:
    assert quantity(text) == found


def test_lists_of_quantities_and_days() -> None:
    assert quantities("790; 805;800 mL/min") == ((790.0, 805.0, 800.0), "mL/min")
    assert quantities("790; x; 800 mL/min") is None
    assert days_of("7, 3; \N{MINUS SIGN}1 3") == (-1, 3, 7)
    assert days_of("three") is None


def test_options_are_checked_where_they_enter() -> None:
    trial = with_options(
        make_protocol(), {"plan.blocks": 5, "plan.days": [3, 7], "plan.seed": None}
    )
    plan = Plan.of(trial)
    assert plan.whole("plan.blocks") == 5
    assert plan.days() == (3, 7)
    for wrong in ({"plan.blocks": 1}, {"plan.block": 4}, {"sprayer.speed": "4"}):
        with pytest.raises(TrialError):
            with_options(make_protocol(), wrong)
