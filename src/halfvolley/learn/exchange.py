"""Labels out of a session for any trainer, and labels made elsewhere into it.

Three open formats: text rows (`rows`), COCO JSON (`coco`), Pascal VOC XML (`voc`). They hold boxes
of balls in pictures and nothing more, so a side file with every label as it is lies beside them:
what comes back unchanged takes its streak, origin and history from there. A box that was moved,
added or taken away elsewhere counts as the word of whoever brings it in.
"""

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal

import cv2

from halfvolley.errors import BadInput
from halfvolley.learn.boxes import (
    BALL,
    Box,
    ClipFacts,
    Picture,
    box_of,
    frame_of_name,
    picture_name,
    same_box,
    shape_of,
)
from halfvolley.learn.coco import read_coco, write_coco
from halfvolley.learn.rows import read_rows, write_rows
from halfvolley.learn.split import PARTS, Split
from halfvolley.learn.voc import read_voc, write_voc
from halfvolley.types import ByteImage, Label

Format = Literal["rows", "coco", "voc"]
PictureFormat = Literal["png", "jpg"]
IMAGES, SIDE = "images", "labels.jsonl"
SIDE_FORMAT = "halfvolley-labels-1"
JPEG_QUALITY = 95
IMAGE_SUFFIXES = (".png", ".jpg", ".jpeg")
Pictures = Iterable[tuple[str, int, ByteImage]]  # clip, frame, (h, w, 3) RGB


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written."""

    pictures: int
    boxes: int
    labels: int  # in the side file


@dataclass(frozen=True, slots=True)
class Imported:
    """What a folder of labels holds, as labels of this session."""

    labels: tuple[Label, ...]
    restored: int  # as they were exported
    new: int  # boxes that were added or moved elsewhere, and pictures without a ball
    removed: int  # boxes that were taken away elsewhere


def exported_frames(labels: Sequence[Label]) -> dict[str, tuple[int, ...]]:
    """Frames of each clip that get a picture: those with a settled label."""
    frames: dict[str, set[int]] = {}
    for label in labels:
        if label.decision == "accepted":
            frames.setdefault(label.clip, set()).add(label.frame)
    return {clip: tuple(sorted(found)) for clip, found in sorted(frames.items())}


def write_export(
    folder: Path,
    labels: Sequence[Label],
    clips: Mapping[str, ClipFacts],
    pictures: Pictures,
    *,
    style: Format = "coco",
    picture_format: PictureFormat = "png",
    split: Split | None = None,
) -> Exported:
    """Write labels with their pictures.

    Parameters
    ----------
    folder : Path
        An empty folder.
    labels : sequence of Label
        All labels; accepted balls become boxes.
    clips : mapping
        Facts of every clip that has labels.
    pictures : iterable
        Clip, frame and RGB picture of all `exported_frames`.
    style : str
        "rows", "coco" or "voc".
    picture_format : str
        "png" or "jpg".
    split : Split, optional
        Then a list of pictures for each part is written too.

    Returns
    -------
    Exported
        How much was written.

    Raises
    ------
    BadInput
        If style or format is not known, or a frame is missing from `pictures`.
    """
    if style not in ("rows", "coco", "voc") or picture_format not in ("png", "jpg"):
        raise BadInput(
            f"{style!r} with {picture_format!r} is not known; formats are rows, coco, voc, "
            "pictures png or jpg"
        )
    wanted = {(clip, frame) for clip, all_ in exported_frames(labels).items() for frame in all_}
    boxes: dict[tuple[str, int], list[Box]] = {key: [] for key in wanted}
    for label in labels:
        if label.decision == "accepted" and label.is_ball:
            box = box_of(label, clips[label.clip].size_px)
            if box is not None:
                boxes[label.clip, label.frame].append(box)
    (folder / IMAGES).mkdir()
    for clip, frame, rgb in pictures:
        if (clip, frame) in wanted:
            wanted.remove((clip, frame))
            name = picture_name(clip, frame, f".{picture_format}")
            _write_picture(folder / IMAGES / name, rgb, picture_format)
    if wanted:
        clip, frame = min(wanted)
        raise BadInput(
            f"frame {frame} of {clip} has a label and cannot be read; run halfvolley labels check"
        )
    listed = [
        Picture(
            picture_name(clip, frame, f".{picture_format}"), clips[clip].size_px,
            tuple(boxes[clip, frame]),
        )
        for clip, frame in sorted(boxes)
    ]  # fmt: skip
    {"rows": write_rows, "coco": write_coco, "voc": write_voc}[style](folder, listed)
    _write_side(folder, labels, picture_format)
    if split is not None:
        _write_parts(folder, split, picture_format)
    return Exported(len(listed), sum(len(p.boxes) for p in listed), len(labels))


def _write_picture(path: Path, rgb: ByteImage, picture_format: PictureFormat) -> None:
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if picture_format == "jpg" else []
    done, data = cv2.imencode(f".{picture_format}", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise BadInput(f"{path.name} cannot be written as {picture_format}; choose the other one")
    path.write_bytes(data.tobytes())  # imwrite does not say why it fails


def _write_side(folder: Path, labels: Sequence[Label], picture_format: str) -> None:
    """Every label as it is, one JSON object a line; the first line names the layout."""
    head = {
        "format": SIDE_FORMAT,
        "pixels": "full resolution, integer (u, v) is the centre of a pixel",
        "units": "px, s; when_s since 1970 UTC",
    }
    lines = [json.dumps(head)]
    for label in labels:
        entry = asdict(label)
        if label.decision == "accepted":
            entry["picture"] = picture_name(label.clip, label.frame, f".{picture_format}")
        lines.append(json.dumps(entry, ensure_ascii=False, allow_nan=False))
    (folder / SIDE).write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def _write_parts(folder: Path, split: Split, picture_format: str) -> None:
    """A list of pictures for each part; a leaky split says so in every name."""
    mark = "leaky_" if split.leaky else ""
    for part in PARTS:
        frames = {(x.clip, x.frame) for labels in split.part(part) for x in labels.labels}
        names = [
            f"{IMAGES}/{picture_name(clip, frame, f'.{picture_format}')}\n"
            for clip, frame in sorted(frames)
        ]
        path = folder / f"{mark}{part}.txt"
        path.write_text("".join(names), encoding="utf-8", newline="\n")


# --- and back ------------------------------------------------------------------------------------
def find_format(folder: Path) -> Format:
    """Which format a folder or file holds.

    Raises
    ------
    BadInput
        If there is no such folder, or it holds none.
    """
    if not folder.exists():
        raise BadInput(f"no such folder: {folder}; give the folder of the labels")
    if folder.is_file() or any(folder.glob("*.json")):
        return "coco"
    for style, pattern in (("voc", "*.xml"), ("rows", "*.txt")):
        if any(folder.glob(pattern)) or any(folder.glob(f"*/{pattern}")):
            return "voc" if style == "voc" else "rows"
    raise BadInput(f"{folder} holds no labels: no .json, .xml or .txt; give another folder")


def read_import(
    folder: Path,
    clips: Mapping[str, ClipFacts],
    *,
    who: str,
    when_s: float,
    style: Format | None = None,
    ball: str = BALL,
    first_pixel: int = 1,
) -> Imported:
    """Read labels made or changed elsewhere.

    Parameters
    ----------
    folder : Path
        As written by `write_export`, or made by another program; for COCO also the JSON file.
    clips : mapping
        Facts of the clips of this session.
    who : str
        Whose word the boxes are.
    when_s : float
        Now [s since 1970].
    style : str, optional
        "rows", "coco" or "voc"; found out where it is left out.
    ball : str
        The class that is the ball.
    first_pixel : int
        For VOC: 1 as published, or 0.

    Returns
    -------
    Imported
        Labels to be added to the store, all or none.

    Raises
    ------
    BadInput
        If anything in the folder cannot be used; one sentence says where and what to do.
    """
    style = style or find_format(folder)
    place = folder.parent if folder.is_file() else folder
    reader = _Importer(place, clips, who, when_s, ball)
    if style == "rows":
        pictures = read_rows(folder, reader.size_of_stem)
    elif style == "coco":
        pictures = read_coco(_coco_file(folder))
    else:
        pictures = read_voc(folder, first_pixel)
    return reader.read(pictures)


def _coco_file(folder: Path) -> Path:
    files = sorted(folder.glob("*.json")) if folder.is_dir() else [folder]
    if len(files) > 1 and folder / "annotations.json" not in files:
        raise BadInput(f"{folder} holds {len(files)} JSON files; name the one with the labels")
    return files[0] if len(files) == 1 else folder


class _Importer:
    """Boxes and the side file of one folder as labels."""

    def __init__(
        self, folder: Path, clips: Mapping[str, ClipFacts], who: str, when_s: float, ball: str
    ) -> None:
        self.folder, self.clips = folder, clips
        self.who, self.when_s, self.ball = who, when_s, ball
        place = folder / IMAGES if (folder / IMAGES).is_dir() else folder
        self.images = {p.name: p for p in place.iterdir() if p.suffix.lower() in IMAGE_SUFFIXES}
        self.side = _read_side(folder / SIDE)
        for label in self.side:
            self._check_frame(label.clip, label.frame, f"{SIDE} of {folder}")

    def size_of_stem(self, stem: str) -> tuple[str, tuple[int, int]]:
        """Name and size of the picture of a file of rows."""
        names = [name for name in self.images if Path(name).stem == stem]
        if self.images and not names:
            raise BadInput(
                f"the picture of {stem}.txt is missing in {self.folder}; put it there or remove "
                "the file"
            )
        name = names[0] if names else f"{stem}.png"
        return name, self._clip_of(name)[0].size_px

    def read(self, pictures: Sequence[Picture]) -> Imported:
        """All pictures as labels."""
        kept: dict[tuple[str, int], list[Label]] = {}
        for label in self.side:
            kept.setdefault((label.clip, label.frame), []).append(label)
        out: list[Label] = []
        restored = new = removed = 0
        seen: set[tuple[str, int]] = set()
        for picture in pictures:
            clip, frame = self._clip_of(picture.file)
            if (clip.name, frame) in seen:
                raise BadInput(f"{self.folder} has two entries for {picture.file}; remove one")
            seen.add((clip.name, frame))
            self._check_picture(picture, clip)
            before = kept.pop((clip.name, frame), [])
            boxes = [self._checked(box, picture) for box in picture.boxes]
            for label in before:
                box = box_of(label, clip.size_px)
                shown = label.decision == "accepted" and label.is_ball and box is not None
                match = next((b for b in boxes if box and same_box(b.edges_px, box.edges_px)), None)
                if not shown or match is not None:
                    out.append(label)
                    restored += 1
                    if match is not None and shown:
                        boxes.remove(match)
                else:
                    out.append(self._rejected(label))
                    removed += 1
            made = [self._label(box, clip, frame) for box in boxes]
            if not picture.boxes and not before:
                made.append(self._no_ball(clip, frame))
            out += made
            new += len(made)
        for labels in kept.values():  # of frames without a picture
            out += labels
            restored += len(labels)
        return Imported(tuple(out), restored, new, removed)

    def _clip_of(self, file: str) -> tuple[ClipFacts, int]:
        name = file.replace("\\", "/").rsplit("/", 1)[-1]
        found = frame_of_name(name)
        if found is None or found[0] not in self.clips:
            raise BadInput(
                f"{file!r} is no frame of a clip of this session ({', '.join(self.clips)}); name "
                f"pictures as in {picture_name(next(iter(self.clips)), 12, '.png')}"
            )
        self._check_frame(*found, f"the name {file!r}")
        return self.clips[found[0]], found[1]

    def _check_frame(self, clip: str, frame: int, where: str) -> None:
        if clip not in self.clips:
            raise BadInput(
                f"{where} names the clip {clip!r}, this session has {', '.join(self.clips)}; add "
                "the clip first"
            )
        n = len(self.clips[clip].frame_t_s)
        if frame >= n:
            raise BadInput(
                f"{where} means frame {frame}, and {clip} has frames 0 to {n - 1}; remove it"
            )

    def _check_picture(self, picture: Picture, clip: ClipFacts) -> None:
        wanted = " x ".join(map(str, clip.size_px))
        size = picture.size_px
        name = picture.file.replace("\\", "/").rsplit("/", 1)[-1]
        if self.images:
            if name not in self.images:
                raise BadInput(
                    f"the picture {picture.file} is missing in {self.folder}; put it there or "
                    "remove its labels"
                )
            size = picture_size(self.images[name])
        for seen in (size, picture.size_px):
            if seen != clip.size_px:
                raise BadInput(
                    f"{picture.file} has {seen[0]} x {seen[1]} pixels and its clip {wanted}; label "
                    "pictures at full size"
                )

    def _checked(self, box: Box, picture: Picture) -> Box:
        if box.name != self.ball:
            raise BadInput(
                f"{picture.file} has a box of the class {box.name!r}, expected {self.ball!r}; say "
                "which class is the ball with --ball, and remove the others"
            )
        left, top, right, bottom = box.edges_px
        width, height = picture.size_px
        x, y = 0.5 * (left + right), 0.5 * (top + bottom)
        if not (0.0 <= x <= width and 0.0 <= y <= height):
            raise BadInput(
                f"{picture.file} has a box around ({x:.4g}, {y:.4g}), and the picture is {width} x "
                f"{height} pixels; remove it"
            )
        if right - left > width or bottom - top > height:
            raise BadInput(
                f"{picture.file} has a box of {right - left:.4g} x {bottom - top:.4g} pixels, more "
                "than the whole picture; remove it"
            )
        return box

    def _label(self, box: Box, clip: ClipFacts, frame: int) -> Label:
        left, top, right, bottom = box.edges_px
        limits = clip.radius_at(0.5 * (left + right) - 0.5, 0.5 * (top + bottom) - 0.5)
        uv, radius, streak = shape_of(box.edges_px, limits)
        sure = 1.0 if box.confidence is None else box.confidence
        return self._made(clip, frame, "positive", uv, radius, streak, sure)

    def _no_ball(self, clip: ClipFacts, frame: int) -> Label:
        return self._made(clip, frame, "none", None, None, None, 1.0)

    def _made(
        self, clip: ClipFacts, frame: int, kind: Literal["positive", "none"],
        uv: tuple[float, float] | None, radius: float | None,
        streak: tuple[float, float] | None, confidence: float,
    ) -> Label:  # fmt: skip
        t_s = float(clip.frame_t_s[frame])
        rally = None if clip.rallies is None else clip.rallies.at(t_s)
        return Label(
            clip.name, frame, t_s, kind, uv, radius, streak, "import", confidence, "accepted",
            self.who, self.when_s, rally, f"from {self.folder.name}",
        )  # fmt: skip

    def _rejected(self, label: Label) -> Label:
        return replace(
            label, decision="rejected", who=self.who, when_s=self.when_s,
            why=f"taken away in {self.folder.name}",
        )  # fmt: skip


def picture_size(path: Path) -> tuple[int, int]:
    """Width and height of a picture file, from its header.

    Raises
    ------
    BadInput
        If it is empty, or no picture that can be read.
    """
    from PIL import Image, UnidentifiedImageError

    if path.stat().st_size == 0:
        raise BadInput(f"{path} is empty; copy it again or remove its labels")
    try:
        with Image.open(path, formats=("PNG", "JPEG")) as image:
            return image.size
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise BadInput(
            f"{path} is no PNG or JPEG that can be read; copy it again or remove its labels"
        ) from None


_PAIRS = ("uv_px", "streak_px")
_TEXTS = ("clip", "kind", "origin", "decision", "who", "why")
_WHOLE = ("frame", "rally", "label_id")


def _read_side(path: Path) -> tuple[Label, ...]:
    if not path.is_file():
        return ()
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
        head = json.loads(lines[0]) if lines else None
    except (OSError, UnicodeDecodeError, ValueError, RecursionError) as error:
        raise BadInput(f"{path} cannot be read ({error}); remove it to go by boxes alone") from None
    if not isinstance(head, dict) or head.get("format") != SIDE_FORMAT:
        raise BadInput(
            f"{path} has another layout than {SIDE_FORMAT}; remove it to go by boxes alone"
        )
    return tuple(
        _side_label(line, f"{path}, line {number}")
        for number, line in enumerate(lines[1:], start=2)
        if line.strip()
    )


def _fits(name: str, value: Any) -> bool:
    """Whether a value is of the type of its field; `Label` itself checks what it means."""
    if name in _TEXTS:
        return isinstance(value, str)
    if name in _PAIRS:
        pair = isinstance(value, list) and len(value) == 2
        return value is None or (pair and all(_fits("number", item) for item in value))
    if value is None:
        return name in ("radius_px", "rally")
    number = isinstance(value, int | float) and not isinstance(value, bool)
    whole = isinstance(value, int) and abs(value) < 2**53
    return number and (whole if name in _WHOLE else math.isfinite(value))


def _side_label(line: str, where: str) -> Label:
    names = {f.name for f in fields(Label)}
    try:
        entry: Any = json.loads(line)
        entry.pop("picture", None)
        if set(entry) != names:
            raise ValueError(f"it has the keys {', '.join(sorted(entry))}")
        for name, value in entry.items():
            if not _fits(name, value):
                raise ValueError(f"{name} is {value!r}")
        for name in _PAIRS:
            entry[name] = None if entry[name] is None else tuple(map(float, entry[name]))
        label = Label(**entry)
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise BadInput(f"{where} is no label ({error}); remove the line") from None
    return replace(label, label_id=0)
