"""Rows of a table as plain lists say the same as the data frame that they came from."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.numerals import Digits
from trialkit.rows import Rows, columns_of

CELLS = st.lists(
    st.tuples(
        st.sampled_from(["a", "b", "c", None]),
        st.floats(allow_infinity=False),
        st.sampled_from([True, False, None]),
    ),
    max_size=12,
)


def framed(cells: list[tuple[object, float, object]]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "name": np.asarray([row[0] for row in cells], dtype=object),
            "size": np.asarray([row[1] for row in cells], dtype=float),
            "flag": np.asarray([row[2] for row in cells], dtype=object),
        }
    )


def same(found: Rows, wanted: pd.DataFrame) -> bool:
    return len(found) == len(wanted) and all(
        str(found[name]) == str(wanted[name].tolist()) for name in wanted.columns
    )


@given(CELLS)
def test_all_rows_and_parts_of_them(cells: list[tuple[object, float, object]]) -> None:
    frame = framed(cells)
    rows = Rows.of(frame)
    assert same(rows, frame)
    assert same(rows.where(name="a"), frame[frame["name"] == "a"])
    assert same(
        rows.where(name="a", flag=True), frame[(frame["name"] == "a") & frame["flag"].eq(True)]
    )
    assert same(rows.known("size"), frame[frame["size"].notna()])
    assert same(rows.known("flag"), frame[frame["flag"].notna()])
    assert same(rows.keep(size > 0 for size in rows["size"]), frame[frame["size"] > 0])
    assert rows.knows("size") is bool(frame["size"].notna().any())
    assert rows.numbers("size") == frame["size"].dropna().tolist()
    assert str(rows.records()) == str(frame.to_dict("records"))
    groups = rows.groups("name")
    assert list(groups) == list(dict.fromkeys(frame["name"]))
    assert sum(map(len, groups.values())) == len(frame)


def test_numbers_are_those_of_python() -> None:
    frame = pd.DataFrame({"n": [1, 2], "x": [0.1, math.nan], "ok": [True, False]})
    kinds = {name: {type(cell) for cell in cells} for name, cells in columns_of(frame).items()}
    assert kinds == {"n": {int}, "x": {float}, "ok": {bool}}


@given(st.lists(st.floats()))
def test_digits_are_read_back_to_the_last(numbers: list[float]) -> None:
    digits = Rows({"size": numbers}).digits("size")
    finite = [number if math.isfinite(number) else None for number in numbers]
    assert digits.numbers() == finite
    assert [json.loads(text) for text in digits] == finite


def test_digits_of_whole_and_undefined_numbers() -> None:
    numbers = [3.0, -0.0, 1e15, 2.0**53, 1e300, 0.1, math.nan, -math.inf]
    whole = ["3", "0", "1000000000000000", "9007199254740992.0", "1e+300"]
    assert Digits.of(numbers) == [*whole, "0.1", "null", "null"]


def test_a_table_that_is_not_there_has_no_rows() -> None:
    rows = Rows({})
    assert not rows
    assert "x" not in rows
    assert rows.get("x") == []
    assert rows.records() == []
    with pytest.raises(KeyError):
        rows["x"]
