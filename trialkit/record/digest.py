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
    digests = Digests()
    for key in [key for keys in PARTS.values() for key in keys if key in texts]:
        digests.begin(key)
        digests.add(texts[key])
    return digests.made()


class Digests:
    """The digests of a record that is written piece by piece, its keys in the order of `PARTS`."""

    def __init__(self) -> None:
        self._parts = {name: hashlib.sha256() for name in PARTS}
        self._begun: set[str] = set()
        self._here = ""

    def begin(self, key: str) -> None:
        """Begin with what stands under a key of the record."""
        self._here = next((name for name, keys in PARTS.items() if key in keys), "")
        if self._here and self._here in self._begun:
            self._parts[self._here].update(b"\n")
        self._begun.add(self._here)

    def add(self, text: str) -> None:
        """Take in a piece of the text under that key."""
        if self._here:
            for first in range(0, len(text), _AT_ONCE):
                self._parts[self._here].update(text[first : first + _AT_ONCE].encode("utf-8"))

    def made(self) -> dict[str, str]:
        """The digests, as `digests_of` gives them."""
        found = {name: digest.hexdigest() for name, digest in self._parts.items()}
        whole = "".join(found.values())
        return {**found, "record": hashlib.sha256(whole.encode("ascii")).hexdigest()}


def short(digest: str) -> str:
    """The beginning of a digest, in groups of four."""
    kept = digest[:SHOWN]
    return " ".join(kept[place : place + 4] for place in range(0, len(kept), 4))
