"""Every public name has an example in its docstring, and each of them runs."""

import doctest
from pathlib import Path

import pytest

import trialkit

#: What an example may leave out with three dots.
FLAGS = doctest.ELLIPSIS


@pytest.mark.parametrize("name", trialkit.__all__)
def test_every_public_name_has_an_example_that_runs(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    text = getattr(trialkit, name).__doc__ or ""
    example = doctest.DocTestParser().get_doctest(text, {}, name, name, 0)
    assert example.examples, f"{name} has no example"
    told: list[str] = []
    doctest.DocTestRunner(optionflags=FLAGS).run(example, out=told.append)
    assert not told, "".join(told)
