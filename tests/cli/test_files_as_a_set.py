"""Files of a report stand together: all new, or all as before."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from trialkit.files import spool, write_set, write_whole


def left(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir())


def test_what_cannot_be_moved_leaves_all_as_they_were(tmp_path):
    (tmp_path / "a").write_bytes(b"old")
    (tmp_path / "c").mkdir()
    with pytest.raises(OSError):
        write_set({tmp_path / name: b"new" for name in ("a", "b", "c")})
    assert (tmp_path / "a").read_bytes() == b"old"
    assert left(tmp_path) == ["a", "c"]


def test_what_cannot_be_written_leaves_all_as_they_were(tmp_path):
    (tmp_path / "a").write_bytes(b"old")
    with pytest.raises(OSError):
        write_set({tmp_path / "a": b"new", tmp_path / "a" / "b": b"new"})
    assert (tmp_path / "a").read_bytes() == b"old"
    assert left(tmp_path) == ["a"]


@pytest.mark.skipif(os.name != "posix", reason="access by mask is of POSIX systems")
def test_the_mask_of_the_user_is_kept(tmp_path):
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "new", b"x")
        (tmp_path / "own").write_bytes(b"old")
        (tmp_path / "own").chmod(0o600)
        write_whole(tmp_path / "own", b"new")
    finally:
        os.umask(before)
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o640
    assert (tmp_path / "own").stat().st_mode & 0o777 == 0o600


def test_a_name_as_long_as_can_be(tmp_path):
    write_whole(tmp_path / ("n" * 255), b"x")
    assert left(tmp_path) == ["n" * 255]


@pytest.mark.parametrize("size", [3, 9_000_000])
def test_what_was_spooled_is_written_whole(tmp_path, size):
    with spool() as waiting:
        waiting.write(b"x" * size)
        write_set({tmp_path / "a": waiting, tmp_path / "b": b"y"})
    assert (tmp_path / "a").read_bytes() == b"x" * size
    assert left(tmp_path) == ["a", "b"]
