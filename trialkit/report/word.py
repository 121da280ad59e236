"""The Document as a Word file: true styles, captions that count, tables that can be edited."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.report import word_parts as parts
from trialkit.report import word_rows
from trialkit.report.document import (
    Aside,
    Block,
    Command,
    Document,
    Facts,
    FieldMap,
    FigureBlock,
    Findings,
    Notes,
    Paragraph,
    Table,
    Where,
)
from trialkit.report.glance_block import Glance, GlanceRow, Ink
from trialkit.report.laid_out import (
    FILLS,
    BodyCell,
    PageTable,
    column_widths,
    in_pieces,
    least_widths,
    map_edges,
    map_strips,
    page_table,
    shade_words,
)
from trialkit.report.packages import FIXED_TIME, same_archive
from trialkit.report.pixels import png_of
from trialkit.report.small_pictures import SPAN_WIDTH, WIDTH, course_svg, span_svg

if TYPE_CHECKING:
    from docx.document import Document as WordFile
    from docx.table import _Cell, _Row

#: Width of the text on a page, in points.
TEXT_WIDTH = 481.0
#: Longest name of a treatment that leaves room for a small course beside it.
LONGEST_BESIDE = 40
#: Most columns of numbers that a table has beside each other.
MOST_ACROSS = 12
#: Characters for which a map has room across, and how many the margins of a place take.
MAP_ROOM = 100, 2.6
#: Room for the picture of a mean, in characters of small type.
_SPAN_LEAST = 11
_INKS = {Ink.SHOWN: parts.INK, Ink.HARM: parts.WARM, Ink.ESTIMATE: parts.SOFT}


def word_bytes(
    document: Document,
    figures: Mapping[str, str],
    made: datetime | None = None,
    template: Path | None = None,
) -> bytes:
    """Write a document as a Word file.

    Parameters
    ----------
    document : Document
    figures : mapping of str to str
        An ``<svg>`` element by the key of its `FigureBlock`; drawn as sharp pixels.
    made : datetime, optional
        Time that the file carries as its own; without it a fixed one.
    template : Path, optional
        A .docx whose styles, logo, head and foot the report takes; its text is kept before it.

    Raises
    ------
    ValueError
        When the template cannot be read as a .docx.
    """
    word = parts.open_template(template)
    writer = _Writer(word, _Pictures(document, figures))
    writer.write(document)
    parts.turn_runs(word)
    core = word.core_properties
    core.title, core.author, core.comments = document.title, "", "Made with trialkit"
    core.created = core.modified = made or FIXED_TIME
    stream = io.BytesIO()
    word.save(stream)
    return same_archive(stream.getvalue(), made)


class _Pictures:
    """Every drawing of a document as pixels, made in one go."""

    def __init__(self, document: Document, figures: Mapping[str, str]) -> None:
        wanted: list[tuple[str, float]] = []
        keys: list[object] = []
        for block in document.blocks():
            if isinstance(block, FigureBlock) and block.key in figures:
                keys.append(block.key)
                wanted.append((figures[block.key], TEXT_WIDTH))
            elif isinstance(block, Glance):
                for row in block.rows:
                    if row.course is not None:
                        keys.append(row.course)
                        wanted.append((course_svg(row.course), WIDTH))
                    if row.span is not None:
                        keys.append(row.span)
                        wanted.append((span_svg(row.span), SPAN_WIDTH))
        self._made = dict(zip(keys, png_of(wanted), strict=True))

    def get(self, key: object) -> bytes | None:
        return self._made.get(key)


def _least(block: Glance, place: int) -> float:
    """What a column at a glance needs: its longest word, in characters of small type."""
    cells = [row.cells[place] for row in block.rows]
    bold = max(map(len, block.heads[place][0].split()), default=0)
    words = block.heads[place][1].split()
    words += [f"{cell.text} {cell.beside}" for cell in cells]
    words += [word for cell in cells for word in cell.under.split()]
    return max(0.85 * max(map(len, words)), bold) + 2


class _Writer:
    def __init__(self, word: WordFile, pictures: _Pictures) -> None:
        self.word = word
        self.pictures = pictures
        #: Whether the last block was a table without notes, which leaves no room below.
        self.below_table = False

    def write(self, document: Document) -> None:
        word = self.word
        if document.subtitle:
            word.add_paragraph(document.subtitle, style=parts.SMALL)
        word.add_heading(document.title, level=0)
        if document.design:
            word.add_paragraph(document.design, style=parts.SMALL)
        for block in document.front:
            self.block(block, level=2)
        annex = False
        for place, section in enumerate(document.printed):
            begins = section.where is Where.ANNEX and not annex
            annex = annex or begins
            title = f"Annex: {section.title}" if begins else section.title
            heading = word.add_heading(title, level=1)
            heading.paragraph_format.page_break_before = begins or (
                bool(document.front) and place == 0
            )
            for block in section.blocks:
                self.block(block)
        parts.page_numbers(word, document.foot)

    def block(self, block: Block, level: int = 2) -> None:
        word = self.word
        below_table, self.below_table = self.below_table, False
        match block:
            case Paragraph(text=text):
                room = word_rows.gap() if below_table else None
                word.add_paragraph(text).paragraph_format.space_before = room
            case Findings(items=items, start=start, strong=strong, title=title):
                if title:
                    word.add_heading(title, level=level)
                for item in items:
                    style = "List Number" if start else None
                    parts.add_with_names(word.add_paragraph(style=style), item, strong)
            case Notes():
                self.points(block)
            case Facts(pairs=pairs):
                self.facts(pairs)
            case Command(text=text):
                parts.code(word.add_paragraph(style=parts.CODE), text)
            case Aside(text=text):
                word.add_paragraph(text, style=parts.SMALL)
            case FigureBlock():
                self.figure(block)
            case FieldMap():
                self.map(block)
            case Table():
                for piece in in_pieces(block, MOST_ACROSS):
                    self.table(piece)
            case Glance():
                self.glance(block, level)

    def points(self, block: Notes) -> None:
        for item in block.items:
            self.word.add_paragraph(item, style="List Bullet")

    def facts(self, pairs: Sequence[tuple[str, str]]) -> None:
        for name, meaning in pairs:
            line = self.word.add_paragraph(style=parts.TIGHT)
            line.add_run(f"{name}: ").bold = True
            line.add_run(meaning)

    def figure(self, block: FigureBlock) -> None:
        picture = self.pictures.get(block.key)
        if picture is None:
            return
        line = self.word.add_paragraph(style=parts.FIGURE)
        line.paragraph_format.keep_with_next = True
        parts.picture(line, picture, TEXT_WIDTH, block.alt)
        parts.caption(self.word, block.label, block.title, about=block.caption)

    def table(self, block: Table) -> None:
        page = page_table(block)
        parts.caption(self.word, block.label, block.question, about=block.about, before=True)
        least = least_widths(page)
        size = parts.size_for(len(page.heads), least, TEXT_WIDTH)
        grid = self.word.add_table(rows=1, cols=len(page.heads), style=parts.TABLE)
        widths = parts.fitted(column_widths(page), least, TEXT_WIDTH, size)
        parts.set_widths(grid, widths, block.question)
        for head, cell in zip(page.heads, grid.rows[0].cells, strict=True):
            number = "number" in head.style.split()
            line = parts.cell_line(cell, right=number)
            parts.run(line, head.title, size, bold=True)
            if head.under:
                parts.run(parts.cell_line(cell, right=number, more=True), head.under, size - 1)
        parts.repeat_head(grid.rows[0])
        for row in page.rows:
            self.body(grid.add_row(), row, size)
        again = [bool(row) and "again" in row[0].style.split() for row in page.rows[1:]]
        notes = self.note_lines(page)
        word_rows.keep_rows(grid, noted=bool(notes), with_next=[*again, False])
        self.notes(notes)

    def body(self, grid_row: _Row, row: tuple[BodyCell, ...], size: float) -> None:
        parts.keep_whole(grid_row)
        for cell, target in zip(row, grid_row.cells, strict=True):
            names = cell.style.split()
            number = "number" in names
            line = parts.cell_line(target, right=number)
            parts.run(line, "" if "again" in names else cell.text, size, bold="held" in names)
            if cell.note:
                parts.run(line, cell.note, size)
            if cell.letters:
                parts.run(line, f" {cell.letters}", size - 1, colour=parts.SOFT)
            if cell.span:
                below = parts.cell_line(target, right=number, more=True)
                parts.run(below, cell.span, size - 1.5, colour=parts.SOFT)
            fill = next((FILLS[name] for name in names if name in FILLS), None)
            if fill:
                parts.fill(target, fill)

    def note_lines(self, page: PageTable) -> list[str]:
        key = [f"{words}" for name, words in shade_words(page) if name in FILLS or name == "little"]
        lines = [*page.notes, *(f"{mark} {reason}" for mark, reason in page.reasons)]
        if page.target is not None and key:
            lines.insert(
                0, f"Shades, from dark to light: {', '.join(key[:-1])}; orange: {key[-1]}."
            )
        return lines

    def notes(self, lines: Sequence[str]) -> None:
        for place, text in enumerate(lines):
            line = self.word.add_paragraph(text, style=parts.SMALL)
            line.paragraph_format.keep_with_next = place < len(lines) - 1 or None
            if place == len(lines) - 1:
                line.paragraph_format.space_after = word_rows.gap()
        self.below_table = not lines

    def map(self, whole: FieldMap) -> None:
        for place, strip in enumerate(map_strips(whole, *MAP_ROOM)):
            if place:  # tables without a line between them become one
                self.word.add_paragraph(style=parts.TIGHT)
            self.strip(strip, whole.caption)

    def strip(self, block: FieldMap, told: str) -> None:
        if block.caption:
            parts.caption(self.word, "", block.caption, before=True)
        grid = self.word.add_table(rows=1, cols=len(block.columns) + 1, style=parts.TABLE)
        wanted = [7, *[12] * len(block.columns)]
        widths = parts.fitted(wanted, [7, *[6] * len(block.columns)], TEXT_WIDTH)
        parts.set_widths(grid, widths, told)
        for text, cell in zip(["Row", *map(str, block.columns)], grid.rows[0].cells, strict=True):
            parts.run(parts.cell_line(cell), text, 7, bold=True)
        parts.repeat_head(grid.rows[0])
        for row in block.rows:
            line = grid.add_row()
            parts.keep_whole(line)
            cells = line.cells
            parts.run(parts.cell_line(cells[0]), str(row), 7)
            for column, cell in zip(block.columns, cells[1:], strict=True):
                self.place(block, row, column, cell)
        legend = "; ".join(
            label if label.startswith(key) else f"{key} {label}" for key, label, _ in block.legend
        )
        word_rows.keep_rows(grid, noted=bool(legend))
        self.notes([legend] if legend else [])

    def place(self, block: FieldMap, row: int, column: int, cell: _Cell) -> None:
        plots = block.at(row, column)
        for index, plot in enumerate(plots):
            parts.run(parts.cell_line(cell, more=index > 0), plot.plot, 6, colour=parts.SOFT)
            parts.run(parts.cell_line(cell, more=True), plot.treatment, 8, bold=True)
            under = plot.value or (f"block {plot.block}" if plot.block else "")
            if under:
                parts.run(parts.cell_line(cell, more=True), under, 6, colour=parts.SOFT)
        if plots:
            parts.fill(cell, plots[0].colour.lstrip("#"))
            parts.edges(cell, map_edges(block, row, column).split())

    def glance(self, block: Glance, level: int) -> None:
        self.word.add_heading(block.title, level=level)
        longest = max((len(row.name) for row in block.rows), default=0)
        courses = block.course_head is not None and longest <= LONGEST_BESIDE
        heads = [
            ("Treatment", ""),
            *([block.course_head] if block.course_head and courses else []),
            *block.heads,
        ]
        grid = self.word.add_table(rows=1, cols=len(heads), style=parts.TABLE)
        words = [len(word) for row in block.rows for word in row.name.split()]
        least = [
            min(max(11, 1.2 * max(words, default=0) + 1), 20),
            *([14] if courses else []),
            *(
                max(_least(block, i), _SPAN_LEAST if i == block.span_at else 0)
                for i in range(len(block.heads))
            ),
        ]
        wanted = [max(18, min(longest, 34)), *least[1:]]
        parts.set_widths(grid, parts.fitted(wanted, least, TEXT_WIDTH), block.title)
        scale = parts.shrunk(least, TEXT_WIDTH)
        for index, ((title, under), cell) in enumerate(zip(heads, grid.rows[0].cells, strict=True)):
            right = index > int(courses)
            parts.run(parts.cell_line(cell, right=right), title, 7.5 * scale, bold=True)
            if under:
                line = parts.cell_line(cell, right=right, more=True)
                parts.run(line, under, 6.5 * scale, colour=parts.SOFT)
        parts.repeat_head(grid.rows[0])
        for row in block.rows:
            self.glance_row(grid.add_row(), row, block, courses=courses, scale=scale)
        word_rows.keep_rows(grid, noted=True)
        self.word.add_paragraph(" ".join(block.notes), style=parts.SMALL)

    def glance_row(
        self, grid_row: _Row, row: GlanceRow, block: Glance, *, courses: bool, scale: float
    ) -> None:
        parts.keep_whole(grid_row)
        cells = list(grid_row.cells)
        colour = parts.SOFT if row.base else parts.INK
        parts.run(parts.cell_line(cells[0]), row.name, 8 * scale, bold=not row.base, colour=colour)
        if row.under:
            parts.run(
                parts.cell_line(cells[0], more=True), row.under, 6.5 * scale, colour=parts.SOFT
            )
        if courses:
            self.small(cells[1], row.course, WIDTH * 0.62 * scale, row.words)
        for index, (cell, target) in enumerate(
            zip(row.cells, cells[1 + int(courses) :], strict=True)
        ):
            line = parts.cell_line(target, right=True)
            parts.run(
                line,
                cell.text,
                8 * scale,
                bold=cell.ink is not Ink.ESTIMATE,
                colour=_INKS[cell.ink],
            )
            if cell.beside:
                parts.run(line, f" {cell.beside}", 7 * scale, colour=parts.SOFT)
            if index == block.span_at and row.span is not None:
                picture = self.pictures.get(row.span)
                if picture is not None:
                    below = parts.cell_line(target, right=True, more=True)
                    parts.picture(below, picture, SPAN_WIDTH * 0.62 * scale, row.span.alt)
            if cell.under:
                below = parts.cell_line(target, right=True, more=True)
                parts.run(below, cell.under, 6.5 * scale, colour=parts.SOFT)

    def small(self, cell: _Cell, course: Any, width: float, words: str) -> None:
        picture = self.pictures.get(course) if course is not None else None
        if picture is not None:
            parts.picture(parts.cell_line(cell), picture, width, course.alt)
        elif words:
            parts.run(parts.cell_line(cell), words, 6.5, colour=parts.SOFT)
