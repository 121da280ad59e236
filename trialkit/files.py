"""Reading files within bounds, and writing them so that an interrupted run leaves the old whole."""

from __future__ import annotations

import errno
import os
import secrets
import shutil
import stat
import tempfile
from collections.abc import Mapping
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import IO

#: Bytes up to which content that waits is kept in memory.
_SPOOLED = 8_000_000


class TooLargeError(OSError):
    """A file with more bytes than are read."""


def read_regular(path: Path, most: int) -> bytes:
    """Read a file, and nothing that only looks like one.

    Parameters
    ----------
    path : Path
        A link is followed.
    most : int
        Bytes beyond which it is not read.

    Raises
    ------
    TooLargeError
        When it has more bytes.
    OSError
        When it cannot be opened, or is a folder, a pipe or a device, from which could be read
        for ever.
    """
    # Opening a pipe would otherwise wait for somebody to write.
    handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "rb") as stream:
        kind = os.fstat(stream.fileno())
        if not stat.S_ISREG(kind.st_mode):
            raise OSError(errno.EINVAL, "it is a pipe or a device and no file", str(path))
        if kind.st_size > most:
            raise TooLargeError(
                errno.EFBIG,
                f"it has {kind.st_size / 1e6:,.0f} MB; more than {most // 1_000_000} MB are not "
                "read",
                str(path),
            )
        return stream.read(most)


def write_whole(path: Path, content: bytes) -> None:
    """Write to a temporary name in the same folder and move it into place.

    Parameters
    ----------
    path : Path
        The folder is made where it is missing.
    content : bytes
    """
    write_set({path: content})


def spool() -> IO[bytes]:
    """Open a file without a name for what is to be written later; a small one stays in memory."""
    return tempfile.SpooledTemporaryFile(_SPOOLED)


def write_set(files: Mapping[Path, bytes | IO[bytes]]) -> None:
    """Write several files that belong together, moved into place once all of them are whole.

    A new file can be read by whom the mask of the user's files lets, one that was there keeps
    its access.

    Parameters
    ----------
    files : mapping of Path to bytes or stream
        Content by path, or what `spool` gave with the content in it; folders are made where they
        are missing.

    Raises
    ------
    OSError
        When one cannot be written or moved; all are then as they were.
    """
    for folder in {path.parent: None for path in files}:
        folder.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        written = [(path, _written(path, content, stack)) for path, content in files.items()]
        undone: list[tuple[Path, Path | None]] = []
        try:
            for path, temporary in written:
                before = _kept(path, stack)
                temporary.replace(path)
                undone.append((path, before))
        except BaseException:
            for path, before in undone:
                if before is None:
                    path.unlink(missing_ok=True)
                else:
                    before.replace(path)
            raise


def _written(path: Path, content: bytes | IO[bytes], stack: ExitStack) -> Path:
    """Write content under a temporary name, which is gone again when the stack closes."""
    temporary = _beside(path)
    handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    stack.callback(temporary.unlink, missing_ok=True)
    with os.fdopen(handle, "wb") as stream:
        if isinstance(content, bytes):
            stream.write(content)
        else:
            content.seek(0)
            shutil.copyfileobj(content, stream)
    if path.is_file():
        with suppress(OSError):  # some file systems know no access
            temporary.chmod(path.stat().st_mode & 0o777)
    return temporary


def _kept(path: Path, stack: ExitStack) -> Path | None:
    """Keep the file that stands in a place under a second name; None where there is none."""
    if not path.is_file():
        return None
    second = _beside(path)
    stack.callback(second.unlink, missing_ok=True)
    try:
        os.link(path, second)
    except OSError:  # some file systems know no second names
        shutil.copy2(path, second)
    return second


def _beside(path: Path) -> Path:
    # A name of its own: that of the file may be as long as a name can be.
    return path.parent / f".trialkit-{secrets.token_hex(8)}"
