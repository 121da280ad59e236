"""Tables as they are made: columns, types and order, whatever is given."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from trialkit.analysis.result import empty_table, make_table, table_of_parts
from trialkit.analysis.schema import COLUMNS


@pytest.mark.parametrize("name", COLUMNS)
def test_a_table_has_its_columns_in_order_with_their_types(name: str) -> None:
    kinds = COLUMNS[name]
    made = make_table(
        name, {c: [1, 2] if kind == "number" else ["a", None] for c, kind in kinds.items()}
    )
    expected = pd.DataFrame(
        {
            c: pd.Series([1.0, 2.0]) if kind == "number" else pd.Series(["a", None], dtype=object)
            for c, kind in kinds.items()
        }
    )
    pd.testing.assert_frame_equal(made, expected)
    nothing = empty_table(name)
    pd.testing.assert_frame_equal(nothing, expected.iloc[:0], check_index_type=False)


def test_columns_not_given_are_empty() -> None:
    made = make_table("means", {"treatment": ["1", "2"], "mean": np.array([3.0, np.nan])})
    assert made["treatment"].tolist() == ["1", "2"]
    np.testing.assert_array_equal(made["mean"], [3.0, np.nan])
    assert made["se"].isna().all()
    assert made["letters"].tolist() == [None, None]


def test_a_table_is_its_own() -> None:
    numbers = np.array([1.0, 2.0])
    made = make_table("means", {"mean": numbers})
    numbers[0] = 9.0
    assert made["mean"].tolist() == [1.0, 2.0]
    made.loc[0, "mean"] = 5.0
    assert made["mean"].tolist() == [5.0, 2.0]
    assert made["se"].isna().all()


def test_columns_must_exist_and_be_of_one_length() -> None:
    with pytest.raises(KeyError, match="no column"):
        make_table("means", {"colour": ["red"]})
    with pytest.raises(ValueError, match="differ in length"):
        make_table("means", {"treatment": ["1", "2"], "mean": [3.0]})


def test_parts_lie_below_each_other_in_the_order_of_their_places() -> None:
    parts = [{"treatment": ["3", "1"], "mean": [3, 1]}, {"treatment": ["2"], "mean": [2]}]
    made = table_of_parts("means", parts, [[3, 1], [2]])
    assert made["treatment"].tolist() == ["1", "2", "3"]
    assert made["mean"].tolist() == [1.0, 2.0, 3.0]
