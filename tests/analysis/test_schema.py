"""The schema: every table and column says what it holds, in what unit, and what it means."""

import dataclasses
from importlib import import_module

import pandas as pd
import pytest

from trialkit import Analysis, Trial
from trialkit.analysis.schema import ALL_TABLES, COLUMNS, SERIES_TABLES, TABLES, UNITS
from trialkit.trial import Design

NOTHING = Trial(title="", design=Design.CRD, treatments=(), plots=(), variables=())


@pytest.mark.parametrize("name", ALL_TABLES)
def test_every_column_has_a_meaning_and_a_unit(name: str) -> None:
    table = ALL_TABLES[name]
    assert table.question and table.row
    assert len({column.name for column in table.columns}) == len(table.columns)
    for column in table.columns:
        assert column.heading and column.unit in UNITS
        assert column.meaning.endswith(".")
        assert len(column.meaning.split()) > 1
        assert (column.unit == "yes or no") == (column.kind == "flag")
        if column.kind != "number":
            assert column.digits is None


def test_every_unit_is_used() -> None:
    used = {column.unit for table in ALL_TABLES.values() for column in table.columns}
    assert used == set(UNITS)


def test_sheets_have_short_names_that_differ() -> None:
    for tables in (TABLES, SERIES_TABLES):
        names = [table.sheet for table in tables.values()]
        assert len(set(names)) == len(names)
        assert max(map(len, names)) <= 31


def test_tables_of_one_trial_and_of_several_have_names_of_their_own() -> None:
    assert not set(TABLES) & set(SERIES_TABLES)


@pytest.mark.parametrize("name", TABLES)
def test_every_table_is_an_attribute_of_the_analysis(name: str) -> None:
    empty = getattr(Analysis(trial=NOTHING), name)
    assert list(empty.columns) == list(COLUMNS[name])
    assert empty.empty
    assert f"    {name} : DataFrame" in (Analysis.__doc__ or "")


def test_an_analysis_takes_no_table_that_is_not_in_the_schema() -> None:
    with pytest.raises(TypeError, match="mean_of_means"):
        Analysis(trial=NOTHING, mean_of_means=pd.DataFrame())
    with pytest.raises(AttributeError, match="mean_of_means"):
        _ = Analysis(trial=NOTHING).mean_of_means
    changed = dataclasses.replace(Analysis(trial=NOTHING), means=pd.DataFrame({"a": [1]}))
    assert list(changed.means) == ["a"]
    assert changed.anova.empty


@pytest.mark.parametrize("name", [name for name, table in TABLES.items() if table.made_by])
def test_what_makes_a_table_is_where_the_schema_says(name: str) -> None:
    module, _, function = TABLES[name].made_by.rpartition(".")
    assert callable(getattr(import_module(f"trialkit.analysis.{module}"), function))
