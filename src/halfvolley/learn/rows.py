"""Text rows: one .txt a picture, `class x y width height [confidence]`, as shares of the picture.

x, y is the centre of the box; class counts from 0 and names are the lines of classes.txt. An
empty file says that there is no ball in its picture.
"""

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from halfvolley.errors import BadInput
from halfvolley.learn.boxes import BALL, Box, Picture

FOLDER, CLASSES = "labels", "classes.txt"
Sizes = Callable[[str], tuple[str, tuple[int, int]]]  # of a stem: the picture's name and its size


def write_rows(folder: Path, pictures: Sequence[Picture]) -> None:
    """Write one file of rows for each picture."""
    (folder / FOLDER).mkdir()
    for picture in pictures:
        width, height = picture.size_px
        lines = []
        for box in picture.boxes:
            left, top, right, bottom = box.edges_px
            x, y = 0.5 * (left + right) / width, 0.5 * (top + bottom) / height
            w, h = (right - left) / width, (bottom - top) / height
            lines.append(f"0 {x:.10f} {y:.10f} {w:.10f} {h:.10f}\n")
        path = folder / FOLDER / f"{Path(picture.file).stem}.txt"
        path.write_text("".join(lines), encoding="utf-8", newline="\n")
    (folder / CLASSES).write_text(f"{BALL}\n", encoding="utf-8", newline="\n")


def read_rows(folder: Path, size_of: Sizes) -> tuple[Picture, ...]:
    """Read all files of rows of a folder.

    Parameters
    ----------
    folder : Path
        With the folder `labels`, or the .txt files themselves.
    size_of : callable
        Name and size of the picture with a given stem.

    Returns
    -------
    tuple of Picture
        In order of their names.

    Raises
    ------
    BadInput
        If there is no file of rows, or a row is not one; names file and line.
    """
    names = _classes(folder)
    place = folder / FOLDER if (folder / FOLDER).is_dir() else folder
    files = sorted(path for path in place.glob("*.txt") if path.name != CLASSES)
    if place == folder:
        files = [path for path in files if not path.stem.endswith(("train", "validation", "test"))]
    if not files:
        raise BadInput(f"{folder} holds no .txt files of rows; give the folder that has them")
    out = []
    for path in files:
        rows = [
            _row(line, number, path, names)
            for number, line in enumerate(_lines(path), start=1)
            if line.strip()
        ]
        file, (width, height) = size_of(path.stem)
        scale = (width, height, width, height)
        boxes = tuple(
            Box(name, (e[0] * scale[0], e[1] * scale[1], e[2] * scale[2], e[3] * scale[3]), sure)
            for name, e, sure in rows
        )
        out.append(Picture(file, (width, height), boxes))
    return tuple(out)


def _classes(folder: Path) -> list[str]:
    path = folder / CLASSES
    if not path.is_file():
        return [BALL]
    return [line.strip() for line in _lines(path) if line.strip()]


def _lines(path: Path) -> list[str]:
    try:
        return path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise BadInput(f"{path} cannot be read as text ({error}); mend or remove it") from None


def _row(
    line: str, number: int, path: Path, names: list[str]
) -> tuple[str, tuple[float, float, float, float], float | None]:
    """Class, left, top, right, bottom as shares, confidence."""
    words = line.split()
    where = f"{path}, line {number}"
    if len(words) not in (5, 6):
        raise BadInput(
            f"{where}: {len(words)} values, expected class, x, y, width, height and perhaps a "
            "confidence"
        )
    known = words[0].isascii() and words[0].isdigit() and len(words[0]) < 7
    if not known or int(words[0]) >= len(names):
        raise BadInput(
            f"{where}: class {words[0][:20]!r} is not known, classes are 0 to {len(names) - 1} "
            f"({', '.join(names)}); add it to {CLASSES} or remove the row"
        )
    try:
        x, y, w, h, *rest = (float(word) for word in words[1:])
    except ValueError:
        raise BadInput(f"{where}: {line.strip()!r} holds no five numbers; mend the row") from None
    for name, value in (
        ("x", x),
        ("y", y),
        ("width", w),
        ("height", h),
        *(("confidence", c) for c in rest),
    ):
        if not math.isfinite(value) or not 0.0 <= value <= 1.0:
            raise BadInput(
                f"{where}: {name} is {value:g}, expected 0 to 1 as a share of the picture"
            )
    if w == 0.0 or h == 0.0:
        raise BadInput(f"{where}: the box has no extent; remove the row")
    edges = (x - 0.5 * w, y - 0.5 * h, x + 0.5 * w, y + 0.5 * h)
    return names[int(words[0])], edges, rest[0] if rest else None
