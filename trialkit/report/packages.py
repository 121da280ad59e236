"""Office files that are the same, byte for byte, when made again from the same document."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import UTC, datetime

#: The date of every part inside a file, and of the file itself where none is given.
FIXED_TIME = datetime(2000, 1, 1, tzinfo=UTC)
_STAMP = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*(?=<)")


def same_archive(content: bytes, made: datetime | None = None) -> bytes:
    """Pack an Office file anew with times that are given, not those of the clock.

    Parameters
    ----------
    content : bytes
    made : datetime, optional
        Time that the file carries as its own; `FIXED_TIME` without.
    """
    when = (made or FIXED_TIME).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    stream = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as packed,
        zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as again,
    ):
        for item in packed.infolist():
            part = packed.read(item)
            if item.filename == "docProps/core.xml":
                part = _STAMP.sub(rb"\g<1>" + when, part)
            again.writestr(_entry(item.filename), part, zipfile.ZIP_DEFLATED, 6)
    return stream.getvalue()


def _entry(name: str) -> zipfile.ZipInfo:
    return zipfile.ZipInfo(name, FIXED_TIME.timetuple()[:6])
