"""What a report consists of, whatever it is written to: sections of words, figures and tables."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    lang: str = ""  # where it differs from the report's
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences."""

    title: str
    rows: tuple[Words, ...]


@dataclass(frozen=True, slots=True)
class Tile:
    """A number that one sees first."""

    value: str
    name: str
    note: str = ""  # its uncertainty


@dataclass(frozen=True, slots=True)
class Tiles:
    """Numbers side by side."""

    tiles: tuple[Tile, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A figure with what it shows in words."""

    key: str  # file name in figures/
    title: str  # the finding
    note: str  # how to read it
    draw: Callable[[], "Figure"]  # a figure takes much memory, so it is made when it is needed


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """A picture of the clip."""

    key: str
    title: str
    note: str
    jpeg: bytes
    size_px: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table; the first column names the row."""

    title: str
    heads: tuple[str, ...]
    units: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    words: frozenset[int] = frozenset()  # columns of words, which begin on the left


@dataclass(frozen=True, slots=True)
class Link:
    """A file beside the report."""

    text: str
    target: str


@dataclass(frozen=True, slots=True)
class Beside:
    """Columns side by side, each of blocks below each other."""

    columns: tuple[tuple["Block", ...], ...]
    widths: tuple[float, ...]  # shares of the page


Block = Words | Items | Tiles | Drawing | Photo | Grid | Link | Beside


@dataclass(frozen=True, slots=True)
class Section:
    """A page or several."""

    key: str
    kicker: str  # what it is about; the table of contents shows it
    title: str  # the finding
    blocks: tuple[Block, ...]
    one_page: bool = False  # on paper, made smaller until it fits on one page


@dataclass(frozen=True, slots=True)
class Document:
    """A whole report."""

    title: str
    subtitle: str
    sections: tuple[Section, ...] = field(default=())


def drawings(document: Document) -> list[Drawing]:
    """All figures in order."""
    return [b for section in document.sections for b in _flat(section.blocks)
            if isinstance(b, Drawing)]  # fmt: skip


def _flat(blocks: tuple[Block, ...]) -> list[Block]:
    out: list[Block] = []
    for block in blocks:
        if isinstance(block, Beside):
            for column in block.columns:
                out += _flat(column)
        else:
            out.append(block)
    return out
