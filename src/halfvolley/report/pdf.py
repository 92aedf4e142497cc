"""A report on paper: A4 or letter, letters embedded, figures as lines rather than pixels.

fpdf2 sets words and tables; each figure is a page of PDF of its own, which pypdf lays on its place.
"""

import io
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

from fpdf import FPDF
from fpdf.enums import Align

from halfvolley.report.document import (
    Beside,
    Block,
    Document,
    Drawing,
    Grid,
    Items,
    Link,
    Photo,
    Section,
    Tiles,
    Words,
)
from halfvolley.report.figures.paper import FULL_IN, GAP_IN
from halfvolley.report.figures.save import Printed
from halfvolley.report.fonts import face, fallbacks_for, letters_of, missing_letters, spelled
from halfvolley.report.language import Language
from halfvolley.report.look import END_A, INK, SOFT, rgb

MM_PER_IN, PT_PER_MM = 25.4, 72 / 25.4
WIDTH_MM = FULL_IN * MM_PER_IN  # of what is printed, on both papers
TOP_MM, BOTTOM_MM = 14.0, 16.0  # margins
GAP_MM = GAP_IN * MM_PER_IN  # between columns
PHOTO_MM = 130.0  # width of a picture, so that a page of quality holds one
LINE = 1.32  # height of a line in heights of its letters
SCALES = (1.0, 0.96, 0.92, 0.88, 0.84, 0.80, 0.76, 0.72)  # of figures on a page that must fit


@dataclass(frozen=True, slots=True)
class _Type:
    """One way of setting words."""

    size_pt: float
    bold: bool = False
    colour: str = INK

    @property
    def line_mm(self) -> float:
        return LINE * self.size_pt / PT_PER_MM


TITLE, KICKER, HEAD = _Type(22, True), _Type(8.5, True, END_A), _Type(15, True)
STRONG, BODY, NOTE = _Type(9, True), _Type(9), _Type(7, False, SOFT)
CELL, CELL_HEAD, VALUE = _Type(7.5), _Type(7.5, True), _Type(15, True)


@dataclass(frozen=True, slots=True)
class _Piece:
    """Something that stays on one page."""

    height_mm: float
    draw: Callable[[float, float], None]  # at x, y of its left top
    again: "_Piece | None" = None  # what is repeated above it on a new page
    keep: bool = False  # with the next piece


def report_pdf(
    document: Document, figures: Mapping[str, Printed], say: Language, paper: str = "A4"
) -> bytes:
    """A report as PDF.

    Parameters
    ----------
    document : Document
        What it says.
    figures : mapping of str to Printed
        Its drawings by key.
    say : Language
        Its language.
    paper : str
        "A4" or "letter".
    """
    press = _Press(document, figures, say, paper)
    press.title(document)
    for section in document.sections:
        press.section(section)
    return press.finish()


class _Sheet(FPDF):
    """Pages with a line at the foot."""

    def __init__(self, paper: str, foot: str) -> None:
        super().__init__(format=paper)
        self._foot = foot
        self.left = (self.w - WIDTH_MM) / 2
        self.set_auto_page_break(False)
        self.set_margin(0)
        self.add_font("face", "", face())
        self.add_font("face", "B", face(bold=True))

    def footer(self) -> None:
        """Where one is."""
        self.set_font("face", size=NOTE.size_pt)
        self.set_text_color(*rgb(SOFT))
        self.set_xy(self.left, self.h - 10)
        self.cell(WIDTH_MM / 2, 4, self._foot)
        self.cell(WIDTH_MM / 2, 4, f"{self.page_no()} / {{nb}}", align=Align.R)


class _Press:
    """Turns blocks into pieces, and puts these on pages from top to bottom."""

    def __init__(
        self, document: Document, figures: Mapping[str, Printed], say: Language, paper: str
    ) -> None:
        words = "".join(dict.fromkeys("".join(_texts(document))))
        fonts = fallbacks_for(words)
        self._strange = _without(missing_letters(words), fonts)
        self._printed = figures
        self._sheet = sheet = _Sheet(paper, spelled(document.title, self._strange))
        for i, path in enumerate(fonts):
            sheet.add_font(f"more{i}", "", path)
        sheet.set_fallback_fonts([f"more{i}" for i in range(len(fonts))], exact_match=False)
        if any(unicodedata.bidirectional(c) == "AL" or unicodedata.category(c) in ("Mn", "Mc")
               for c in words):  # fmt: skip
            sheet.set_text_shaping(True)  # letters that change their form beside others
        sheet.set_title(document.title)
        sheet.set_lang(say.code)
        self._figures: list[tuple[int, float, float, float, bytes]] = []
        self._scale = 1.0
        self._y = TOP_MM
        self._bottom = sheet.h - BOTTOM_MM

    # --- pages -----------------------------------------------------------------------------------
    def title(self, document: Document) -> None:
        """The head of the first page."""
        self._new_page()
        for text, kind in ((document.title, TITLE), (document.subtitle, _Type(10, False, SOFT))):
            self._put(self._paragraph(text, kind, WIDTH_MM))
        self._y += 4

    def section(self, section: Section) -> None:
        """A section from its heading on; it begins a page, unless it is the first."""
        if self._sheet.page_no() > 1 or self._y > 60:
            self._new_page()
        self._sheet.start_section(spelled(section.kicker, self._strange))
        heads = [
            self._paragraph(section.kicker, KICKER, WIDTH_MM),
            self._paragraph(section.title, HEAD, WIDTH_MM),
        ]
        for head in heads:
            self._put(head)
        self._y += 3
        room = self._bottom - self._y
        pieces: list[_Piece] = []
        for self._scale in SCALES if section.one_page else SCALES[:1]:
            pieces = [p for b in section.blocks for p in self._pieces(b, WIDTH_MM)]
            if sum(p.height_mm for p in pieces) <= room:
                break
        for i, piece in enumerate(pieces):
            after = pieces[i + 1].height_mm if piece.keep and i + 1 < len(pieces) else 0.0
            self._put(piece, after)
        self._scale = 1.0

    def finish(self) -> bytes:
        """The whole file, figures laid on their places."""
        from pypdf import PdfReader, PdfWriter

        writer = PdfWriter(clone_from=io.BytesIO(bytes(self._sheet.output())))
        height_mm = self._sheet.h
        for number, (page, x, y, scale, pdf) in enumerate(self._figures):
            figure = PdfReader(io.BytesIO(pdf)).pages[0]
            place = (x * PT_PER_MM, (height_mm - y) * PT_PER_MM)
            _lay_on(writer, writer.pages[page - 1], figure, f"/Figure{number}", scale, place)
        stream = io.BytesIO()
        writer.write(stream)
        return stream.getvalue()

    def _new_page(self) -> None:
        self._sheet.add_page()
        self._y = TOP_MM

    def _put(self, piece: _Piece, after_mm: float = 0.0) -> None:
        if self._y + piece.height_mm + after_mm > self._bottom and self._y > TOP_MM:
            self._new_page()
            if piece.again is not None:
                piece.again.draw(self._sheet.left, self._y)
                self._y += piece.again.height_mm
        piece.draw(self._sheet.left, self._y)
        self._y += piece.height_mm

    # --- blocks ----------------------------------------------------------------------------------
    def _pieces(self, block: Block, width: float) -> list[_Piece]:
        makers: dict[type, Callable[[Any, float], list[_Piece]]] = {
            Words: self._words, Items: self._items, Tiles: self._tiles, Drawing: self._drawing,
            Photo: self._photo, Grid: self._grid, Link: self._link, Beside: self._beside,
        }  # fmt: skip
        return makers[type(block)](block, width)

    def _words(self, words: Words, width: float) -> list[_Piece]:
        return [self._paragraph(words.text, STRONG if words.strong else BODY, width), _space(1.5)]

    def _items(self, items: Items, width: float) -> list[_Piece]:
        out = [self._paragraph(items.title, STRONG, width, keep=True), _space(1.0)]
        for row in items.rows:
            out += [self._paragraph(f"•  {row.text}", BODY, width), _space(0.8)]
        return [*out, _space(3)]

    def _link(self, link: Link, width: float) -> list[_Piece]:
        return [self._paragraph(f"{link.text}: {link.target}", BODY, width)]

    def _tiles(self, tiles: Tiles, width: float) -> list[_Piece]:
        each = width / max(4, len(tiles.tiles))
        rows = [
            (self._paragraph(t.value, VALUE, each - 4),
             self._paragraph(t.name, _Type(8, False, INK), each - 4),
             self._paragraph(t.note, NOTE, each - 4))
            for t in tiles.tiles
        ]  # fmt: skip
        height = max(sum(p.height_mm for p in column) for column in rows)

        def draw(x: float, y: float) -> None:
            for i, column in enumerate(rows):
                self._line(x + i * each, y + 0.5, x + i * each, y + height, END_A, 0.7)
                top = y
                for piece in column:
                    piece.draw(x + i * each + 2.5, top)
                    top += piece.height_mm

        return [_Piece(height, draw), _space(4)]

    def _drawing(self, drawing: Drawing, width: float) -> list[_Piece]:
        figure = self._printed[drawing.key]
        width_in, height_in = figure.size_in
        scale = self._scale * min(1.0, width / (width_in * MM_PER_IN))
        height = height_in * MM_PER_IN * scale
        captions = self._captions(drawing.title, drawing.note, width)
        top = sum(p.height_mm for p in captions) + 1.0

        def draw(x: float, y: float) -> None:
            self._stack(captions, x, y)
            place = (self._sheet.page_no(), x, y + top + height, scale)
            self._figures.append((*place, figure.pdf))

        return [_Piece(top + height, draw), _space(3)]

    def _photo(self, photo: Photo, width: float) -> list[_Piece]:
        captions = self._captions(photo.title, photo.note, width)
        top = sum(p.height_mm for p in captions) + 1.5
        width = min(width, PHOTO_MM)
        height = width * photo.size_px[1] / photo.size_px[0]

        def draw(x: float, y: float) -> None:
            self._stack(captions, x, y)
            self._sheet.image(io.BytesIO(photo.jpeg), x, y + top, width, height,
                              alt_text=photo.title)  # fmt: skip

        return [_Piece(top + height, draw), _space(3)]

    def _captions(self, title: str, note: str, width: float) -> list[_Piece]:
        return [self._paragraph(title, STRONG, width), self._paragraph(note, NOTE, width)]

    def _stack(self, pieces: list[_Piece], x: float, y: float) -> None:
        for piece in pieces:
            piece.draw(x, y)
            y += piece.height_mm

    def _beside(self, beside: Beside, width: float) -> list[_Piece]:
        room = width - GAP_MM * (len(beside.columns) - 1)
        columns = [
            [p for block in column for p in self._pieces(block, room * share)]
            for column, share in zip(beside.columns, beside.widths, strict=True)
        ]
        height = max(sum(p.height_mm for p in column) for column in columns)

        def draw(x: float, y: float) -> None:
            for column, share in zip(columns, beside.widths, strict=True):
                self._stack(column, x, y)
                x += room * share + GAP_MM

        return [_Piece(height, draw)]

    def _grid(self, grid: Grid, width: float) -> list[_Piece]:
        widths = self._column_widths(grid, width)
        head = self._grid_row(grid.heads, grid, widths, CELL_HEAD)
        units = self._grid_row(grid.units, grid, widths, NOTE)

        def draw_head(x: float, y: float) -> None:
            head.draw(x, y)
            units.draw(x, y + head.height_mm)
            self._line(x, y + height - 0.7, x + sum(widths), y + height - 0.7, SOFT, 0.2)

        height = head.height_mm + (units.height_mm if any(grid.units) else 0.0) + 1.0
        heads = _Piece(height, draw_head, keep=True)
        out = [self._paragraph(grid.title, STRONG, width, keep=True), heads]
        for row in grid.rows:
            piece = self._grid_row(row, grid, widths, CELL)
            out.append(_Piece(piece.height_mm, piece.draw, heads))
        if grid.note:
            out += [_space(1), self._paragraph(grid.note, NOTE, width)]
        return [*out, _space(4)]

    def _column_widths(self, grid: Grid, width: float) -> list[float]:
        """As wide as their words, the widest one narrower where they do not fit."""
        out = []
        for i, head in enumerate(grid.heads):
            cells = [self._width(row[i], CELL) for row in grid.rows]
            out.append(max([self._width(head, CELL_HEAD), self._width(grid.units[i], NOTE), *cells])
                       + 3.5)  # fmt: skip
        while sum(out) > width + 1e-6:
            widest = max(range(len(out)), key=lambda i: out[i])
            second = max([w for i, w in enumerate(out) if i != widest], default=10.0)
            out[widest] = max(min(second, out[widest] - 2.0), out[widest] - (sum(out) - width))
        return out

    def _grid_row(
        self, cells: tuple[str, ...], grid: Grid, widths: list[float], kind: _Type
    ) -> _Piece:
        left = [i == 0 or i in grid.words for i in range(len(cells))]
        lines = [
            self._split(text, kind, width - 3.0) for text, width in zip(cells, widths, strict=True)
        ]
        height = max(map(len, lines)) * kind.line_mm + 0.6

        def draw(x: float, y: float) -> None:
            for i, words in enumerate(lines):
                for k, line in enumerate(words):
                    self._text(line, kind, x, y + 0.3 + k * kind.line_mm, widths[i] - 3.0,
                               Align.L if left[i] else Align.R)  # fmt: skip
                x += widths[i]

        return _Piece(height, draw)

    # --- words -----------------------------------------------------------------------------------
    def _paragraph(self, text: str, kind: _Type, width: float, *, keep: bool = False) -> _Piece:
        lines = self._split(text, kind, width) if text else []

        def draw(x: float, y: float) -> None:
            for i, line in enumerate(lines):
                self._text(line, kind, x, y + i * kind.line_mm, width, Align.L)

        return _Piece(len(lines) * kind.line_mm, draw, keep=keep)

    def _split(self, text: str, kind: _Type, width: float) -> list[str]:
        """Lines no wider than `width`."""
        lines = [""]
        for word in spelled(text, self._strange).split(" "):
            longer = f"{lines[-1]} {word}".strip()
            if self._width(longer, kind) <= width:
                lines[-1] = longer
                continue
            if lines[-1]:
                lines.append("")
            while self._width(word, kind) > width and len(word) > 1:  # wider than a line
                fits = max(1, int(len(word) * width / self._width(word, kind)))
                lines[-1:] = [word[:fits], ""]
                word = word[fits:]
            lines[-1] = word
        return lines

    def _width(self, text: str, kind: _Type) -> float:
        self._sheet.set_font("face", "B" if kind.bold else "", kind.size_pt)
        return float(self._sheet.get_string_width(spelled(text, self._strange)))

    def _text(self, text: str, kind: _Type, x: float, y: float, width: float, align: Align) -> None:
        sheet = self._sheet
        sheet.set_font("face", "B" if kind.bold else "", kind.size_pt)
        sheet.set_text_color(*rgb(kind.colour))
        sheet.c_margin = 0.0
        sheet.set_xy(x, y)
        sheet.cell(width, kind.line_mm, text, align=align)

    def _line(self, x0: float, y0: float, x1: float, y1: float, colour: str, width: float) -> None:
        self._sheet.set_draw_color(*rgb(colour))
        self._sheet.set_line_width(width)
        self._sheet.line(x0, y0, x1, y1)


def _space(height_mm: float) -> _Piece:
    return _Piece(height_mm, lambda x, y: None)


def _texts(thing: Any) -> Iterator[str]:
    """All words of a document."""
    if isinstance(thing, str):
        yield thing
    elif isinstance(thing, tuple):
        for part in thing:
            yield from _texts(part)
    elif is_dataclass(thing):
        for field in fields(thing):
            yield from _texts(getattr(thing, field.name))


def _without(letters: set[str], fonts: list[Any]) -> set[str]:
    """Letters that none of some fonts has."""
    return {c for c in letters if not any(ord(c) in letters_of(path) for path in fonts)}


def _lay_on(
    writer: Any, page: Any, figure: Any, name: str, scale: float, place_pt: tuple[float, float]
) -> None:
    """Put a page of another file on this one as a form, as it is: nothing in it is read."""
    from pypdf.generic import DecodedStreamObject, DictionaryObject, NameObject

    form = DecodedStreamObject()
    form.set_data(figure.get_contents().get_data())
    form.update({
        NameObject("/Type"): NameObject("/XObject"),
        NameObject("/Subtype"): NameObject("/Form"),
        NameObject("/BBox"): figure.mediabox,
        NameObject("/Resources"): figure["/Resources"].clone(writer),
    })  # fmt: skip
    resources = page["/Resources"].get_object()
    forms = resources.setdefault(NameObject("/XObject"), DictionaryObject()).get_object()
    forms[NameObject(name)] = writer._add_object(form.flate_encode())
    x, y = place_pt
    drawn = DecodedStreamObject()
    before = page.get_contents().get_data()
    words = f"\nq {scale:.4f} 0 0 {scale:.4f} {x:.3f} {y:.3f} cm {name} Do Q\n"
    drawn.set_data(before + words.encode())
    page[NameObject("/Contents")] = writer._add_object(drawn.flate_encode())
