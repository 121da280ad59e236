"""Figures come out the same, whether another process draws them or this one."""

from __future__ import annotations

import os
import sys
from typing import Any

import pytest

from shipped import analysed
from trialkit.analysis import Analysis
from trialkit.report import Drawer, compose, draw_figures, drawing
from trialkit.report.document import Document

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are not split")


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return analysed("spider_mite_glasshouse")


@pytest.fixture(scope="module")
def document(analysis: Analysis) -> Document:
    return compose(analysis, ())


@pytest.fixture(scope="module")
def plain(analysis: Analysis, document: Document) -> dict[str, str]:
    """The figures as this process draws them, one after the other."""
    return draw_figures(analysis, document)


@pytest.fixture
def split(monkeypatch: pytest.MonkeyPatch) -> None:
    """Split whatever else runs in this process."""
    monkeypatch.setattr(drawing, "may_split", lambda: True)


@linux
@pytest.mark.usefixtures("split")
@pytest.mark.parametrize("long", [False, True])
def test_drawn_apart_as_here(
    analysis: Analysis,
    document: Document,
    plain: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
    long: bool,
) -> None:
    with Drawer() as drawer:
        drawer.start()
        assert drawer.apart
        drawer.begin(analysis, document, long=long)
        assert drawer.apart
        here: list[int] = []

        def counted(part: Analysis, places: list[drawing.Place]) -> dict[str, str]:
            here.append(len(places))
            return draw(part, places)

        draw = drawing._draw
        monkeypatch.setattr(drawing, "_draw", counted)
        found = drawer.drawings()
        monkeypatch.undo()
        assert not here
    assert not drawer.apart
    assert list(found) == [block.key for block in document.figures()]
    assert found == plain


@linux
@pytest.mark.usefixtures("split")
def test_a_process_that_fails_is_made_up_for(
    analysis: Analysis, document: Document, plain: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(pipe: Any, other: Any) -> None:
        other.close()
        pipe.close()

    monkeypatch.setattr(drawing, "_serve", gone)
    with Drawer() as drawer:
        drawer.start()
        drawer.begin(analysis, document)
        assert drawer.drawings() == plain


@linux
@pytest.mark.parametrize("fails", [False, True])
def test_a_second_split_draws_the_same_or_is_made_up_for(
    analysis: Analysis,
    document: Document,
    plain: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
    fails: bool,
) -> None:
    places = drawing._places(document)
    assert len(places) >= drawing._WORTH_SPLITTING
    monkeypatch.setattr(drawing, "one_thread_of_two_cores", lambda: True)
    here, draw = os.getpid(), drawing._draw

    def drawn(part: Analysis, wanted: list[drawing.Place]) -> dict[str, str]:
        if fails and os.getpid() != here:
            os._exit(1)
        return draw(part, wanted)

    monkeypatch.setattr(drawing, "_draw", drawn)
    found = drawing._draw_in_two(analysis, places)
    assert list(found) == [key for key, *_ in places]
    assert found == plain


@linux
@pytest.mark.usefixtures("split")
def test_one_that_is_not_needed_ends() -> None:
    with Drawer() as drawer:
        drawer.start()
        process = drawer._other._process
        assert process.is_alive()
    with pytest.raises(ValueError, match="closed"):
        process.is_alive()


def test_nothing_is_split_off_where_it_may_not(
    analysis: Analysis, document: Document, plain: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(drawing, "may_split", lambda: False)
    with Drawer() as drawer:
        drawer.start()
        assert not drawer.apart
        drawer.begin(analysis, document)
        assert drawer.drawings() == plain


def test_drawings_need_something_to_draw() -> None:
    with Drawer() as drawer, pytest.raises(RuntimeError, match="begin"):
        drawer.drawings()
