"""The examples in the docstrings are run."""

import doctest
import importlib
import pkgutil

import pytest

from trialkit import measures

MODULES = [item.name for item in pkgutil.iter_modules(measures.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name: str) -> None:
    module = importlib.import_module(f"trialkit.measures.{name}")
    assert doctest.testmod(module).failed == 0


def test_there_are_examples() -> None:
    found = [
        test
        for name in MODULES
        for test in doctest.DocTestFinder().find(
            importlib.import_module(f"trialkit.measures.{name}")
        )
        if test.examples
    ]
    assert len(found) > 20
