"""Files come out the same, whether another process makes them or this one."""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Callable

import pytest

from trialkit.report import apart
from trialkit.report.apart import Apart, hand_back

linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are not split")


@pytest.fixture
def split(monkeypatch: pytest.MonkeyPatch) -> None:
    """Split whatever else runs in this process."""
    monkeypatch.setattr(apart, "may_split", lambda: True)


def number() -> bytes:
    return str(os.getpid()).encode()


def taken(make: Callable[[], bytes]) -> bytes:
    with Apart(make) as other:
        return other.take()


@linux
@pytest.mark.usefixtures("split")
def test_made_by_another_process() -> None:
    assert taken(number) != number()
    assert taken(lambda: bytes(3_000_000)) == bytes(3_000_000)  # more than a pipe holds


def test_made_here_where_no_process_may_be_split(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart, "may_split", lambda: False)
    assert taken(number) == number()


@linux
@pytest.mark.usefixtures("split")
def test_a_process_that_is_lost_is_made_up_for() -> None:
    here = os.getpid()

    def lost() -> bytes:
        if os.getpid() != here:
            os._exit(1)
        return b"here"

    assert taken(lost) == b"here"


@linux
@pytest.mark.usefixtures("split")
def test_a_fault_is_met_here() -> None:
    def faulty() -> bytes:
        raise ValueError("of ours")

    with pytest.raises(ValueError, match="of ours"):
        taken(faulty)


@linux
@pytest.mark.usefixtures("split")
def test_what_it_warns_of_is_warned_of_here() -> None:
    def warned() -> bytes:
        warnings.warn("no glyph", stacklevel=1)
        return b"made"

    with pytest.warns(UserWarning, match="no glyph"):
        assert taken(warned) == b"made"


@linux
@pytest.mark.usefixtures("split")
def test_one_that_is_not_taken_ends() -> None:
    with Apart(number) as other:
        process = other._other._process
    with pytest.raises(ValueError, match="closed"):
        process.is_alive()


def test_memory_is_handed_back_anywhere() -> None:
    hand_back()
