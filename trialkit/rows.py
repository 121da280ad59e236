"""Rows of a table as plain lists: for all that reads single cells, many times as fast as frames."""

from __future__ import annotations

from typing import Any

import pandas as pd


def columns_of(table: pd.DataFrame) -> dict[str, list[Any]]:
    """Take the columns of a table out of its frame, all at once.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    dict of str to list
        Numbers as Python's own.
    """
    names = [str(name) for name in table.columns]
    return dict(zip(names, table.to_numpy(dtype=object).T.tolist(), strict=True))
