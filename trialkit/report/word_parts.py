"""Pieces of a Word file that its library has no words for: captions, widths, heads that repeat."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from copy import deepcopy
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.report.directions import ISOLATE, OPENS, runs_left
from trialkit.report.laid_out import parted

if TYPE_CHECKING:
    from docx.document import Document as WordFile
    from docx.table import Table as WordTable
    from docx.table import _Cell, _Row
    from docx.text.paragraph import Paragraph as Line

INK, SOFT, WARM = "1D2529", "566168", "B4552D"
#: Styles of our own; a template that has them keeps its own look.
SMALL, TIGHT, CODE, FIGURE, TABLE = (
    "Trial small print",
    "Trial facts",
    "Trial command",
    "Trial figure",
    "Trial table",
)
_BARRED = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
#: Marks that embed a text from left to right or from right to left, end it, and go on.
_EMBEDS = ("\N{LEFT-TO-RIGHT EMBEDDING}", "\N{RIGHT-TO-LEFT EMBEDDING}")
_POPS, _ONWARD = "\N{POP DIRECTIONAL FORMATTING}", "\N{LEFT-TO-RIGHT MARK}"
#: Width of a character of a table as a share of its size, with room for a wide font.
CHARACTER = 0.63
#: Smallest letters of a table, in points.
_SMALLEST = 5.5
#: Tables with more columns are set smaller.
_WIDE = 9


def open_template(template: Path | None) -> WordFile:
    """Open the template of the user, or a plain file, and add the styles that it lacks."""
    import docx
    from docx.opc.exceptions import PackageNotFoundError

    try:
        word = docx.Document(str(template) if template is not None else None)
    except (PackageNotFoundError, KeyError, ValueError, zipfile.BadZipFile) as fault:
        raise ValueError(f"{template} cannot be read as a Word file (.docx)") from fault
    if template is None:
        _plain_look(word)
    _add_styles(word)
    return word


def _plain_look(word: WordFile) -> None:
    from docx.shared import Pt, RGBColor

    section = word.sections[0]
    section.page_width, section.page_height = Pt(595.3), Pt(841.9)
    section.left_margin = section.right_margin = Pt(57)
    section.top_margin = section.bottom_margin = Pt(54)
    styles = word.styles
    normal: Any = styles["Normal"]
    normal.font.name, normal.font.size = "Calibri", Pt(10.5)
    normal.paragraph_format.space_after = Pt(6)
    for name, size in (("Title", 20), ("Heading 1", 14), ("Heading 2", 11.5)):
        style: Any = styles[name]
        style.font.name, style.font.size = "Calibri", Pt(size)
        style.font.bold, style.font.color.rgb = True, RGBColor.from_string(INK)
        fonts = style.element.rPr.rFonts
        for attribute in list(fonts.attrib):
            if "Theme" in attribute:
                del fonts.attrib[attribute]
    title: Any = styles["Title"]
    borders = title.element.pPr.find(_name("w:pBdr"))
    if borders is not None:
        title.element.pPr.remove(borders)
    caption: Any = styles["Caption"]
    caption.font.size, caption.font.bold = Pt(9.5), True
    caption.font.color.rgb = RGBColor.from_string(INK)


def _add_styles(word: WordFile) -> None:
    from docx.enum.style import WD_STYLE_TYPE
    from docx.shared import Pt, RGBColor

    present = {style.name for style in word.styles}
    for name in (SMALL, TIGHT, CODE, FIGURE):
        if name in present:
            continue
        style: Any = word.styles.add_style(name, WD_STYLE_TYPE.PARAGRAPH)
        style.base_style = word.styles["Normal"]
        style.paragraph_format.space_after = Pt(2)
        if name == SMALL:
            style.font.size, style.font.color.rgb = Pt(8.5), RGBColor.from_string(SOFT)
        if name == CODE:
            style.font.name, style.font.size = "Consolas", Pt(9)
    if TABLE not in present:
        table: Any = word.styles.add_style(TABLE, WD_STYLE_TYPE.TABLE)
        table.base_style = word.styles["Normal Table"]
        table.paragraph_format.space_after = Pt(0)
        properties = (
            table.element.get_or_add_tblPr() if hasattr(table.element, "get_or_add_tblPr") else None
        )
        if properties is None:
            properties = _child(table.element, "w:tblPr")
        borders = _child(properties, "w:tblBorders")
        for edge, size, colour in (("top", 0, ""), ("bottom", 8, INK), ("insideH", 4, "D9DEE1")):
            if size:
                _child(borders, f"w:{edge}", val="single", sz=str(size), space="0", color=colour)


def _name(tag: str) -> str:
    from docx.oxml.ns import qn

    return str(qn(tag))


def _child(parent: Any, tag: str, **attributes: str) -> Any:
    from docx.oxml import OxmlElement

    made = OxmlElement(tag)
    for key, value in attributes.items():
        made.set(_name(f"w:{key}"), value)
    parent.append(made)
    return made


def clean(text: str) -> str:
    """Leave out what no Word file can hold."""
    return _BARRED.sub("", text)


def run(line: Line, text: str, size: float, *, bold: bool = False, colour: str = "") -> None:
    """Add text of one look to a line."""
    from docx.shared import Pt, RGBColor

    part = line.add_run(clean(text))
    part.font.size, part.bold = Pt(size), bold or None
    if colour:
        part.font.color.rgb = RGBColor.from_string(colour)


def add_with_names(line: Line, text: str, names: Sequence[str]) -> None:
    """Add a sentence in which some names stand out."""
    for part, strong in parted(clean(text), names):
        line.add_run(part).bold = strong or None


def turn_runs(word: WordFile) -> None:
    """Set names from right to left as runs of that direction, which is what Word goes by.

    Other readers go by marks: the name stands between marks of embedding, which are older than
    isolates and known to all of them, and what follows begins with a mark from left to right.
    """
    from docx.opc.constants import RELATIONSHIP_TYPE

    beside = (RELATIONSHIP_TYPE.HEADER, RELATIONSHIP_TYPE.FOOTER)
    parts = [rel.target_part for rel in word.part.rels.values() if rel.reltype in beside]
    runs = [
        run
        for element in (word.element, *(part.element for part in parts))
        for run in element.iter(_name("w:r"))
        if any(OPENS in (text.text or "") for text in run.iter(_name("w:t")))
    ]
    if runs:
        for looks in word.styles.element.iter(_name("w:rPr")):
            _size_alike(looks)
    for run in runs:
        _turn(run)


def _turn(old: Any) -> None:
    """Part a run where names of another direction begin and end."""
    from docx.text.run import Run

    pieces = ISOLATE.split(Run(old, None).text)  # type: ignore[arg-type]
    for place, piece in enumerate(pieces):
        if not piece and not place:
            continue
        made = Run(deepcopy(old), None)  # type: ignore[arg-type]
        if place % 2:
            turned = runs_left(next(filter(str.isalpha, piece), ""))
            made.text = f"{_EMBEDS[turned]}{piece}{_POPS}"
            made.font.rtl = turned or None
            made.font.cs_bold = made.font.bold
            _size_alike(made._r.get_or_add_rPr())
        else:
            made.text = f"{_ONWARD}{piece}" if place else piece
        old.addprevious(made._r)
    old.getparent().remove(old)


def _size_alike(looks: Any) -> None:
    """Give letters of complex scripts the size of the others, and the same weight."""
    for plain, complex_script in (("w:sz", "w:szCs"), ("w:b", "w:bCs")):
        kept, other = looks.find(_name(plain)), looks.find(_name(complex_script))
        if other is not None:
            looks.remove(other)
        if kept is not None:
            alike = deepcopy(kept)
            alike.tag = _name(complex_script)
            kept.addnext(alike)


def code(line: Line, text: str) -> None:
    """Add a line to type."""
    line.add_run(clean(text))


def caption(
    word: WordFile, label: str, text: str, *, about: str = "", before: bool = False
) -> None:
    """Add a caption whose number is a field, so that Word counts on where text is put in.

    What heads it is bold; what the table or figure was made of follows in the same line.
    """
    line = word.add_paragraph(style="Caption")
    line.paragraph_format.keep_with_next = before
    kind, _, number = label.rpartition(" ")
    if kind:
        line.add_run(f"{kind} ")
        _field(line, f"SEQ {kind} \\* ARABIC", number)
        line.add_run(". ")
    if text:
        line.add_run(clean(f"{text}. " if about else text))
    if about:
        line.add_run(clean(about)).bold = False


def _field(line: Line, instruction: str, shown: str) -> None:
    for step in ("begin", instruction, "separate", shown, "end"):
        element = line.add_run()._r
        if step in {"begin", "separate", "end"}:
            _child(element, "w:fldChar", fldCharType=step)
        elif step == instruction:
            _child(element, "w:instrText").text = f" {instruction} "
        else:
            _child(element, "w:t").text = shown


def page_numbers(word: WordFile, foot: str) -> None:
    """Put the page number into the foot of the first section, unless a template has a foot."""
    footer = word.sections[0].footer
    if any(line.text.strip() for line in footer.paragraphs):
        return
    line = footer.paragraphs[0] if footer.paragraphs else footer.add_paragraph()
    line.style = word.styles[SMALL]
    line.add_run(f"{clean(foot)}  \N{MIDDLE DOT}  " if foot else "")
    _field(line, "PAGE", "1")


def shrunk(least: Sequence[float], room: float, size: float = 8.0) -> float:
    """How much smaller letters must be, 1 at the most, so that columns hold their words whole."""
    return min(1.0, max(_SMALLEST / size, room / (CHARACTER * size * sum(least))))


def fitted(
    widths: Sequence[float], least: Sequence[float], room: float, size: float = 8.0
) -> list[float]:
    """Share the width of a page among columns: first what holds words whole, then the wanted.

    Parameters
    ----------
    widths, least : sequence of float
        What columns want, and what they need, in characters.
    room : float
        In points.
    size : float
        Of the letters.

    Returns
    -------
    list of float
        In points; not more than ``room`` together.
    """
    character = CHARACTER * size
    need = [character * width for width in least]
    more = [max(character * want - own, 0.0) for want, own in zip(widths, need, strict=True)]
    left = room - sum(need)
    if left < 0.0:
        return [width * room / sum(need) for width in need]
    share = min(1.0, left / sum(more)) if sum(more) > 0 else 0.0
    return [own + share * extra for own, extra in zip(need, more, strict=True)]


def set_widths(grid: WordTable, widths: Sequence[float], title: str) -> None:
    """Give the columns of a table their widths in points, and the table a title."""
    from docx.shared import Pt

    grid.autofit = False
    for column, width in zip(grid.columns, widths, strict=True):
        column.width = Pt(width)
        for cell in column.cells:
            cell.width = Pt(width)
    _child(grid._tbl.tblPr, "w:tblCaption", val=clean(title))


def size_for(columns: int, least: Sequence[float], room: float) -> float:
    """Size of letters in which a table fits and no word is broken, as far as that goes.

    Parameters
    ----------
    columns : int
    least : sequence of float
        What columns need, in characters.
    room : float
        In points.
    """
    usual = 7.0 if columns > _WIDE else 8.5
    return usual * shrunk(least, room, usual)


def cell_line(cell: _Cell, *, right: bool = False, more: bool = False) -> Line:
    """Take the line of a cell, or add one more."""
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Pt

    line: Line = cell.add_paragraph() if more else cell.paragraphs[0]
    line.paragraph_format.space_after = Pt(0)
    if right:
        line.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    return line


def repeat_head(row: _Row) -> None:
    """Let a row head the table on every page."""
    _child(row._tr.get_or_add_trPr(), "w:tblHeader", val="true")
    for cell in row.cells:
        borders = _child(cell._tc.get_or_add_tcPr(), "w:tcBorders")
        _child(borders, "w:bottom", val="single", sz="8", space="0", color=INK)


def keep_whole(row: _Row) -> None:
    """Let no page end inside a row."""
    _child(row._tr.get_or_add_trPr(), "w:cantSplit", val="true")


def fill(cell: _Cell, colour: str) -> None:
    """Shade a cell."""
    _child(cell._tc.get_or_add_tcPr(), "w:shd", val="clear", color="auto", fill=colour)


def edges(cell: _Cell, names: Sequence[str]) -> None:
    """Draw a heavy edge where a neighbour lies in another block."""
    if not names:
        return
    borders = _child(cell._tc.get_or_add_tcPr(), "w:tcBorders")
    for name, edge in (("above", "top"), ("left", "left")):
        if name in names:
            _child(borders, f"w:{edge}", val="single", sz="14", space="0", color=INK)


def picture(line: Line, png: bytes, width: float, alt: str) -> None:
    """Add a picture with words for those who cannot see it."""
    from docx.shared import Pt

    shape = line.add_run().add_picture(io.BytesIO(png), width=Pt(width))
    properties = shape._inline.docPr
    properties.set("descr", clean(alt))
    properties.set("title", "")
