"""What a report is written as."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

#: File name by format, in the order in which a reader wants them.
FILES = {
    "html": "report.html",
    "docx": "report.docx",
    "pdf": "report.pdf",
    "xlsx": "tables.xlsx",
}
#: Folder of the tidy files.
TIDY = "csv"
FORMATS = (*FILES, TIDY)
#: What is written where nothing else is asked for.
USUAL = tuple(FILES)
#: Formats that show figures.
DRAWN = frozenset({"html", "docx", "pdf"})
LENGTHS = ("short", "full")
FORMS = ("report", "page", "table")
PAPERS = ("a4", "letter")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOptions:
    """How a report is written.

    Attributes
    ----------
    formats : collection of str
        Any of `FORMATS`.
    length : {'short', 'full'}
        Short leaves out the annex and what stands beside the tests.
    form : {'report', 'page', 'table'}
        The whole report, its first page alone, or one table for a short journal report.
    template : Path, optional
        A .docx of the user's, with styles and logo, for the Word file.
    paper : {'a4', 'letter'}
        Of the PDF.
    figures : Path, optional
        Folder for every figure as .svg and .png.

    Raises
    ------
    ValueError
        When a choice is not known; the message says which there are.

    Examples
    --------
    >>> ReportOptions(formats=("pdf",), length="short").drawn
    True
    """

    formats: Collection[str] = USUAL
    length: str = "full"
    form: str = "report"
    template: Path | None = None
    paper: str = "a4"
    figures: Path | None = None

    def __post_init__(self) -> None:
        unknown = sorted(set(self.formats) - set(FORMATS))
        if unknown:
            raise ValueError(
                f"no format is called {', '.join(unknown)}; choose from {', '.join(FORMATS)}"
            )
        for name, known in (("length", LENGTHS), ("form", FORMS), ("paper", PAPERS)):
            value = getattr(self, name)
            if value not in known:
                raise ValueError(f"no {name} is called {value}; choose from {', '.join(known)}")

    @property
    def drawn(self) -> bool:
        """Whether figures are to be drawn."""
        return bool(DRAWN & set(self.formats)) or self.figures is not None
