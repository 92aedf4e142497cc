"""Pascal VOC XML: one file a picture, boxes by their first and last pixel.

As first published, pixels count from 1 and both edges belong to the box; many programs count from
0. Files written here count from 1 and say so; fractions keep what is finer than a pixel.
"""

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from halfvolley.errors import BadInput
from halfvolley.learn.boxes import Box, Picture

FOLDER = "annotations"
FIRST_PIXEL = 1
SAYS = "first pixel 1, both edges inclusive, fractions of pixels"


def write_voc(folder: Path, pictures: Sequence[Picture]) -> None:
    """Write one XML file for each picture."""
    (folder / FOLDER).mkdir()
    for picture in pictures:
        root = ElementTree.Element("annotation")
        _add(root, "folder", "images")
        _add(root, "filename", picture.file)
        source = ElementTree.SubElement(root, "source")
        _add(source, "annotation", SAYS)
        size = ElementTree.SubElement(root, "size")
        for name, value in zip(
            ("width", "height", "depth"), (*picture.size_px, 3), strict=True
        ):  # fmt: skip
            _add(size, name, str(value))
        _add(root, "segmented", "0")
        for box in picture.boxes:
            thing = ElementTree.SubElement(root, "object")
            for name, text in (
                ("name", box.name), ("pose", "Unspecified"), ("truncated", str(int(box.cut))),
                ("difficult", "0"),
            ):  # fmt: skip
                _add(thing, name, text)
            bounds = ElementTree.SubElement(thing, "bndbox")
            left, top, right, bottom = box.edges_px
            for name, edge in (
                ("xmin", left + FIRST_PIXEL), ("ymin", top + FIRST_PIXEL),
                ("xmax", right + FIRST_PIXEL - 1), ("ymax", bottom + FIRST_PIXEL - 1),
            ):  # fmt: skip
                _add(bounds, name, f"{edge:.6f}".rstrip("0").rstrip("."))
        ElementTree.indent(root)
        path = folder / FOLDER / f"{Path(picture.file).stem}.xml"
        ElementTree.ElementTree(root).write(path, encoding="utf-8", xml_declaration=True)


def _add(parent: ElementTree.Element, name: str, text: str) -> None:
    ElementTree.SubElement(parent, name).text = text


def read_voc(folder: Path, first_pixel: int = FIRST_PIXEL) -> tuple[Picture, ...]:
    """Read all XML files of a folder.

    Parameters
    ----------
    folder : Path
        With the folder `annotations`, or the .xml files themselves.
    first_pixel : int
        1 as published, 0 where another program counted so.

    Returns
    -------
    tuple of Picture
        In order of their names.

    Raises
    ------
    BadInput
        If there is no file, or one cannot be used; names the file.
    """
    place = folder / FOLDER if (folder / FOLDER).is_dir() else folder
    files = sorted(place.glob("*.xml"))
    if not files:
        raise BadInput(f"{folder} holds no .xml files; give the folder that has them")
    return tuple(_picture(path, first_pixel) for path in files)


class _NoDoctype(ElementTree.TreeBuilder):
    """Stops at a document type: what it declares can fill any memory or name other files."""

    def doctype(self, name: str, pubid: str | None, system: str | None) -> None:
        """Called by the parser before any declaration is read."""
        raise BadInput("declares a document type, which no label file needs; remove it")


def _picture(path: Path, first_pixel: int) -> Picture:
    parser: Any = ElementTree.XMLParser(target=_NoDoctype())
    try:
        root = ElementTree.fromstring(path.read_bytes(), parser=parser)
    except BadInput as error:
        raise BadInput(f"{path} {error}") from None
    except (OSError, ElementTree.ParseError, ValueError, LookupError) as error:
        raise BadInput(f"{path} is no XML that can be read ({error}); export it again") from None
    size = (_whole(root, "size/width", path), _whole(root, "size/height", path))
    boxes = tuple(
        _box(thing, number, path, first_pixel)
        for number, thing in enumerate(root.findall("object"), start=1)
    )
    return Picture((root.findtext("filename") or f"{path.stem}.png").strip(), size, boxes)


def _whole(root: ElementTree.Element, name: str, path: Path) -> int:
    text = (root.findtext(name) or "").strip()
    whole = text.isascii() and text.isdigit() and len(text) < 7
    if not whole or not 0 < int(text) < 100_000:
        raise BadInput(f"{path}: {name} is {text[:20]!r}, expected the picture's size in pixels")
    return int(text)


def _box(thing: ElementTree.Element, number: int, path: Path, first_pixel: int) -> Box:
    where = f"{path}: object {number}"
    edges = []
    for name in ("xmin", "ymin", "xmax", "ymax"):
        text = (thing.findtext(f"bndbox/{name}") or "").strip()
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise BadInput(f"{where} has {name} {text!r}, expected a number of pixels")
        edges.append(value)
    left, top = edges[0] - first_pixel, edges[1] - first_pixel
    right, bottom = edges[2] - first_pixel + 1, edges[3] - first_pixel + 1
    if right <= left or bottom <= top:
        raise BadInput(f"{where} has a box without extent; remove it")
    return Box((thing.findtext("name") or "").strip(), (left, top, right, bottom))
