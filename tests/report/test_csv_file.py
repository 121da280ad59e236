"""Tables as comma-separated values: what is written is what a reader of such files reads."""

from __future__ import annotations

import csv
import io
from math import inf, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trialkit.numerals import Digits
from trialkit.report.tidy_files import csv_file

#: What a reader of lines takes for an end of one is quoted, and so comes back; no text holds a 0.
cells = st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), max_size=6)


@given(st.integers(1, 3).flatmap(lambda n: st.lists(st.tuples(*[cells] * n), max_size=5)))
def test_it_reads_back_equal(rows: list[tuple[str, ...]]) -> None:
    width = len(rows[0]) if rows else 2
    heads = tuple("abc"[:width])
    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    text = csv_file(heads, columns).decode("utf-8")
    assert list(csv.reader(io.StringIO(text, newline=""))) == [[*line] for line in (heads, *rows)]


@given(st.lists(st.floats()), st.integers(1, 5))
def test_every_digit_of_a_number_is_kept(numbers: list[float], times: int) -> None:
    written = Digits.of(numbers * times)
    for text, number in zip(written, numbers * times, strict=True):
        if isnan(number) or abs(number) == inf:
            assert text == "null"
        else:
            assert float(text) == number


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (3.0, "3"),
        (-0.0, "0"),
        (0.1, "0.1"),
        (1e-10, "1e-10"),
        (1e20, "1e+20"),
        (2.0**53 - 1, "9007199254740991"),
        (2.0**53, "9007199254740992.0"),
        (nan, "null"),
        (-inf, "null"),
    ],
)
def test_numbers_are_written_alike_however_often(number: float, text: str) -> None:
    assert Digits.of([number]) == [text]
    assert Digits.of([number] * 4) == [text] * 4
