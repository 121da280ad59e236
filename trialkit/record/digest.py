"""Digests of what a record holds: they find accidents and edits; they are no seal.

Whoever edits a record on purpose can write new digests. Printed at the foot of a report they match
paper and file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

#: Parts of a record by the name of their digest.
PARTS: Mapping[str, tuple[str, ...]] = {
    "data": ("trial", "series"),
    "settings": ("settings",),
    "results": ("tables", "findings"),
}
#: Signs of a text turned into bytes at once; a record of many treatments holds 40 million.
_AT_ONCE = 1_000_000
#: Signs of a digest that are printed; enough to match a file, few enough to read aloud.
SHOWN = 12


def digests_of(texts: Mapping[str, str]) -> dict[str, str]:
    """Make the digest of each part from its text.

    Parameters
    ----------
    texts : mapping of str to str
        What the record holds under each of its keys, as it is written.

    Returns
    -------
    dict of str to str
        SHA-256 by name of the part, and ``record``: that of all of them.
    """
    made = {}
    for name, keys in PARTS.items():
        digest = hashlib.sha256()
        for place, key in enumerate([key for key in keys if key in texts]):
            text = texts[key]
            digest.update(b"\n" if place else b"")
            for first in range(0, len(text), _AT_ONCE):
                digest.update(text[first : first + _AT_ONCE].encode("utf-8"))
        made[name] = digest.hexdigest()
    whole = "".join(made.values())
    return {**made, "record": hashlib.sha256(whole.encode("ascii")).hexdigest()}


def short(digest: str) -> str:
    """The beginning of a digest, in groups of four."""
    kept = digest[:SHOWN]
    return " ".join(kept[place : place + 4] for place in range(0, len(kept), 4))
