"""COCO JSON: images, annotations with [x, y, width, height] from the top left, categories.

x, y are continuous, the picture's left edge is 0. Annotations of detections may carry a score.
"""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from halfvolley.errors import BadInput
from halfvolley.learn.boxes import BALL, Box, Picture

FILE = "annotations.json"


def write_coco(folder: Path, pictures: Sequence[Picture]) -> None:
    """Write annotations.json."""
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for i, picture in enumerate(pictures, start=1):
        width, height = picture.size_px
        images.append({"id": i, "file_name": picture.file, "width": width, "height": height})
        for box in picture.boxes:
            left, top, right, bottom = box.edges_px
            w, h = right - left, bottom - top
            annotations.append(
                {
                    "id": len(annotations) + 1,
                    "image_id": i,
                    "category_id": 1,
                    "bbox": [left, top, w, h],
                    "area": w * h,
                    "iscrowd": 0,
                    "segmentation": [],
                }
            )
    document = {
        "info": {"description": "the ball in table tennis"},
        "images": images,
        "annotations": annotations,
        "categories": [{"id": 1, "name": BALL, "supercategory": BALL}],
    }
    text = json.dumps(document, indent=1, allow_nan=False)
    (folder / FILE).write_text(text, encoding="utf-8", newline="\n")


def read_coco(path: Path) -> tuple[Picture, ...]:
    """Read a COCO file.

    Parameters
    ----------
    path : Path
        The JSON file, or a folder with annotations.json.

    Returns
    -------
    tuple of Picture
        In the file's order.

    Raises
    ------
    BadInput
        If the file is none, or an entry cannot be used; names the entry.
    """
    path = path / FILE if path.is_dir() else path
    try:
        document = json.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise BadInput(f"no such file: {path}; give the JSON file or its folder") from None
    except (OSError, UnicodeDecodeError, ValueError, RecursionError) as error:
        raise BadInput(f"{path} is no JSON that can be read ({error}); export it again") from None
    reader = _Reader(path)
    if not isinstance(document, dict):
        raise BadInput(f"{path} is no COCO file: it holds no object with images and annotations")
    names = {
        reader.whole(c, "id", "category"): str(c.get("name", "")).strip()
        for c in reader.entries(document, "categories")
    }
    images: dict[int, tuple[str, tuple[int, int]]] = {}
    for image in reader.entries(document, "images"):
        i = reader.whole(image, "id", "image")
        if i in images:
            raise BadInput(f"{path}: two images have the id {i}; give each its own")
        size = (
            reader.whole(image, "width", f"image {i}"),
            reader.whole(image, "height", f"image {i}"),
        )
        images[i] = (str(image.get("file_name", "")), size)
    boxes: dict[int, list[Box]] = {i: [] for i in images}
    for annotation in reader.entries(document, "annotations"):
        where = f"annotation {annotation.get('id')}"
        image_id = reader.whole(annotation, "image_id", where)
        category = reader.whole(annotation, "category_id", where)
        if image_id not in images:
            raise BadInput(f"{path}: {where} is of image {image_id}, which is not in images")
        if category not in names:
            raise BadInput(
                f"{path}: {where} has the unknown category {category}; add it to categories"
            )
        boxes[image_id].append(reader.box(annotation, names[category], where))
    return tuple(Picture(file, size, tuple(boxes[i])) for i, (file, size) in images.items())


class _Reader:
    """Checks entries; every complaint names the file and the entry."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def entries(self, document: dict[str, Any], name: str) -> list[dict[str, Any]]:
        """A list of objects."""
        value = document.get(name)
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            raise BadInput(f"{self.path} is no COCO file: {name!r} must be a list of objects")
        return value

    def whole(self, entry: dict[str, Any], name: str, where: str) -> int:
        """A whole number of at least 0."""
        value = entry.get(name)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**63:
            raise BadInput(
                f"{self.path}: {where} has {name} {value!r}, expected a whole number, 0 or more"
            )
        return value

    def box(self, entry: dict[str, Any], name: str, where: str) -> Box:
        """The box of an annotation."""
        said = entry.get("bbox")
        if not isinstance(said, list) or len(said) != 4:
            raise BadInput(f"{self.path}: {where} has no bbox of four numbers; mend or remove it")
        if not all(_is_number(value) for value in said):
            raise BadInput(f"{self.path}: {where} has bbox {said}, expected four finite numbers")
        x, y, w, h = (float(value) for value in said)
        if w <= 0.0 or h <= 0.0:
            raise BadInput(f"{self.path}: {where} has a box without extent; remove it")
        score = entry.get("score")
        if score is not None and (not _is_number(score) or not 0.0 <= score <= 1.0):
            raise BadInput(f"{self.path}: {where} has score {score!r}, expected 0 to 1")
        return Box(name, (x, y, x + w, y + h), None if score is None else float(score))


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
