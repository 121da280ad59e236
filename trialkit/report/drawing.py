"""Figures of a document, drawn beside the rest of the work where a second core is free.

Loading the plotting libraries and drawing take longer than reading, analysing and writing
together. Where a process can be split safely (Linux, one thread, two cores, not itself one of
several), the other half loads the libraries at once, splits once more and draws while tables are
written here. Everywhere else, and where that half fails, all figures are drawn in this process.
The drawings are the same.
"""

from __future__ import annotations

import copyreg
import io
import multiprocessing
import os
import pickle
import warnings
from collections.abc import Sequence
from types import MappingProxyType, TracebackType
from typing import TYPE_CHECKING, Any, Self

from trialkit.report.apart import Other, may_split, one_thread_of_two_cores
from trialkit.report.document import Document

if TYPE_CHECKING:
    from multiprocessing.connection import Connection

    from trialkit.analysis import Analysis
    from trialkit.series.result import SeriesAnalysis

#: From so many figures on the other half splits once more.
_WORTH_SPLITTING = 4
#: Key of the place, name of the function of `trialkit.figures`, and what it is told: the name of
#: the variable first.
Place = tuple[str, str, tuple[str, ...]]
#: What a figure is drawn of.
Source = Any


def draw_figures(analysis: Analysis | SeriesAnalysis, document: Document) -> dict[str, str]:
    """Draw every figure that a document has a place for, each once.

    Returns
    -------
    dict of str to str
        An ``<svg>`` element by key, its ids prefixed with the key.
    """
    return _draw(analysis, _places(document))


def _places(document: Document) -> list[Place]:
    return [(block.key, block.kind, (block.variable, *block.of)) for block in document.figures()]


def _draw(analysis: Source, places: Sequence[Place]) -> dict[str, str]:
    from trialkit import figures

    return {
        key: figures.draw_svg(getattr(figures, kind)(analysis, *told), key)
        for key, kind, told in places
    }


class Drawer:
    """Draws the figures of one report; use it in a ``with`` statement.

    `start` early, `begin` as soon as the document is composed, and take the `drawings` last.
    """

    def __init__(self) -> None:
        self._other: Other | None = None
        self._task: tuple[Source, list[Place]] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._other is not None:
            self._other.end()
        self._other = None

    @property
    def apart(self) -> bool:
        """Whether a process of its own is at work."""
        return self._other is not None

    def start(self) -> None:
        """Split off the process that draws, where that is safe."""
        if not self.apart and may_split():
            self._other = Other(_serve)

    def begin(
        self, analysis: Analysis | SeriesAnalysis, document: Document, *, long: bool = False
    ) -> None:
        """Say what is to be drawn; of long tables one process has enough to hold."""
        places = _places(document)
        self._task = analysis, places
        if self._other is not None:
            try:
                self._other.pipe.send_bytes(_packed((analysis, places, long)))
            except (OSError, pickle.PicklingError, TypeError):
                self.__exit__(None, None, None)

    def drawings(self) -> dict[str, str]:
        """Hand over the figures by key.

        Raises
        ------
        RuntimeError
            When nothing was begun.
        """
        if self._task is None:
            raise RuntimeError("begin must come before drawings")
        analysis, places = self._task
        if self._other is not None:
            try:
                away: dict[str, str] = self._other.pipe.recv()
            except (EOFError, OSError):
                pass
            else:
                return away
        return _draw(analysis, places)


def _draw_in_two(analysis: Source, places: Sequence[Place]) -> dict[str, str]:
    """Draw every other figure in a process split off from this one, which has all loaded."""
    if len(places) < _WORTH_SPLITTING or not one_thread_of_two_cores():
        return _draw(analysis, places)
    mine, other = multiprocessing.Pipe(duplex=False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # as in `Other`
        child = os.fork()
    if not child:
        try:
            mine.close()
            other.send(_draw(analysis, places[1::2]))
            other.close()
        finally:
            os._exit(0)
    other.close()
    drawn = _draw(analysis, places[::2])
    try:
        rest: dict[str, str] = mine.recv()
    except (EOFError, OSError):
        rest = _draw(analysis, places[1::2])
    finally:
        mine.close()
        os.waitpid(child, 0)
    drawn |= rest
    return {key: drawn[key] for key, *_ in places}


def _serve(pipe: Connection, other: Connection) -> None:
    """Draw what is sent; a fault ends the process, and the other half draws for itself."""
    other.close()
    try:
        import plotnine  # noqa: F401 - loaded while the other half reads and analyses

        analysis, places, long = pickle.loads(pipe.recv_bytes())  # noqa: S301 - from the other half
        pipe.send((_draw if long else _draw_in_two)(analysis, places))
    except (EOFError, OSError, KeyboardInterrupt):
        pass
    finally:
        pipe.close()


class _Packer(pickle.Pickler):
    """Packs read-only mappings too."""

    dispatch_table = copyreg.dispatch_table.copy()


def _sealed(mapping: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(mapping)


def _unsealed(mapping: Any) -> tuple[Any, tuple[dict[Any, Any]]]:
    return _sealed, (dict(mapping),)


_Packer.dispatch_table[MappingProxyType] = _unsealed


def _packed(task: object) -> bytes:
    stream = io.BytesIO()
    _Packer(stream, pickle.HIGHEST_PROTOCOL).dump(task)
    return stream.getvalue()
