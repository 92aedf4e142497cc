"""What is wrong with a set of labels: one line each, with the remedy."""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from halfvolley.errors import BadInput
from halfvolley.learn.boxes import ClipFacts
from halfvolley.learn.exchange import IMAGE_SUFFIXES
from halfvolley.learn.split import FEWEST_LABELS, PARTS, Split
from halfvolley.learn.store import same_place
from halfvolley.types import ByteImage, Label

SIZE_SLACK = 1.5  # a radius further off than this from what a ball in play can have
NEAR_S = 0.1  # frames nearer in time than this are nearly the same picture
THUMB_PX = 16  # side of the thumbnails by which pictures of different clips are compared
ALIKE = 2.0  # mean difference of two thumbnails, in 8-bit steps, of nearly the same picture
MOST_TO_ONE = 20.0  # labels of one sort for each of the other
FLAT = 1.0  # spread of a picture that shows nothing, in 8-bit steps


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong, or worth knowing."""

    what: str  # a plain sentence without the remedy
    remedy: str
    n: int  # labels or pictures concerned
    examples: tuple[str, ...] = ()  # up to three places

    @property
    def line(self) -> str:
        """All of it in one line."""
        where = f" ({', '.join(self.examples)}{', ...' if self.n > len(self.examples) else ''})"
        return f"{self.what}{where if self.examples else ''}: {self.remedy}"


def check_labels(
    labels: Sequence[Label], clips: Mapping[str, ClipFacts], split: Split | None = None
) -> tuple[Finding, ...]:
    """What is wrong with labels, as far as the labels themselves tell.

    Parameters
    ----------
    labels : sequence of Label
        All labels of a session.
    clips : mapping
        Facts of its clips, by name.
    split : Split, optional
        The split that is to be used.

    Returns
    -------
    tuple of Finding
        Empty where nothing is wrong.
    """
    used = [label for label in labels if label.decision == "accepted"]
    out: list[Finding] = []
    out += _lost(used, clips)
    present = [x for x in used if x.clip in clips and x.frame < len(clips[x.clip].frame_t_s)]
    out += _pairs(present)
    out += _places(present, clips)
    out += _balance(used, len(labels))
    if split is not None:
        out += _across(split)
    return tuple(out)


def _lost(used: Sequence[Label], clips: Mapping[str, ClipFacts]) -> Iterator[Finding]:
    no_clip = [label for label in used if label.clip not in clips]
    if no_clip:
        yield _finding(
            f"{_many(no_clip)} of clips that are not in this session",
            "add the clip to session.toml again, under the same name", no_clip,
        )  # fmt: skip
    beyond = [x for x in used if x.clip in clips and x.frame >= len(clips[x.clip].frame_t_s)]
    if beyond:
        yield _finding(
            f"{_many(beyond)} beyond the last frame of the clip",
            "the file was cut or replaced; put the old one back or harvest again", beyond,
        )  # fmt: skip


def _pairs(used: Sequence[Label]) -> Iterator[Finding]:
    """Labels of one frame that cannot all be true."""
    frames: dict[tuple[str, int], list[Label]] = {}
    for label in used:
        frames.setdefault((label.clip, label.frame), []).append(label)
    twice, against, none_and_ball, several = [], [], [], []
    for here in frames.values():
        balls = [label for label in here if label.is_ball]
        apart = 0
        for i, label in enumerate(here):
            for other in here[:i]:
                if not same_place(label, other):
                    apart += label.is_ball and other.is_ball
                elif label.is_ball == other.is_ball:
                    twice.append(label)
                else:
                    against.append(label)
        if apart:
            several.append(balls[0])
        if balls and any(label.kind == "none" for label in here):
            none_and_ball.append(balls[0])
    if twice:
        yield _finding(
            f"{_many(twice)} said twice at one place", "reject one of each pair in the review",
            twice,
        )  # fmt: skip
    if against:
        yield _finding(
            f"{_many(against)} that call one place both the ball and no ball",
            "decide in the review which it is", against,
        )  # fmt: skip
    if none_and_ball:
        yield _finding(
            f"{_count(len(none_and_ball), 'frame')} with a ball and said to have none",
            "decide in the review which it is", none_and_ball,
        )  # fmt: skip
    if several:
        yield _finding(
            f"{_count(len(several), 'frame')} with more than one ball",
            "true with a second ball in view; else reject the wrong one", several,
        )  # fmt: skip


def _places(used: Sequence[Label], clips: Mapping[str, ClipFacts]) -> Iterator[Finding]:
    """Boxes off the picture and sizes that no ball can have."""
    off, size = [], []
    for label in used:
        if label.uv_px is None or label.radius_px is None:
            continue
        (u, v), (width, height) = label.uv_px, clips[label.clip].size_px
        if not (-0.5 <= u < width - 0.5 and -0.5 <= v < height - 0.5):
            off.append(label)
            continue
        limits = clips[label.clip].radius_at(u, v) if label.is_ball else None
        if limits is not None and not (
            limits[0] / SIZE_SLACK <= label.radius_px <= limits[1] * SIZE_SLACK
        ):
            size.append(label)
    if off:
        yield _finding(
            f"{_many(off)} with their centre off the picture", "reject them in the review", off
        )
    if size:
        yield _finding(
            f"{_many(size)} of a size that no ball can have there",
            "check the calibration; if that is right, mark the ball again", size,
        )  # fmt: skip


def _balance(used: Sequence[Label], n: int) -> Iterator[Finding]:
    if not n:
        yield Finding("there are no labels", "run halfvolley labels harvest", 0)
        return
    if len(used) < FEWEST_LABELS:
        yield Finding(
            f"only {len(used)} labels are accepted, at least {FEWEST_LABELS} are needed to train",
            "harvest a longer clip or review more of the queue", len(used),
        )  # fmt: skip
    groups = {(label.clip, label.rally) for label in used}
    if used and len(groups) == 1:
        yield Finding(
            "all labels are of one rally, so nothing is left to test on",
            "add footage of other rallies", len(used),
        )  # fmt: skip
    count = Counter("ball" if label.is_ball else "no ball" for label in used)
    for few, many in (("ball", "no ball"), ("no ball", "ball")):
        if used and count[many] > MOST_TO_ONE * count[few]:
            yield Finding(
                f"{count[many]} labels of {many} and {count[few]} of {few}",
                "training weighs them; more footage in which the ball flies helps more"
                if few == "ball" else "harvest footage with more going on beside the table",
                count[few],
            )  # fmt: skip


def _across(split: Split) -> Iterator[Finding]:
    """Nearly the same moment on both sides of a split."""
    moments: dict[tuple[str, str], list[tuple[float, str, Label]]] = {}
    for part in PARTS:
        for labels in split.part(part):
            for label in labels.labels:
                key = (labels.session, label.clip)
                moments.setdefault(key, []).append((label.t_s, part, label))
    near = []
    for times in moments.values():
        times.sort(key=lambda item: item[0])
        for (t, side, _), (t_next, other, label) in pairwise(times):
            if side != other and t_next - t < NEAR_S:
                near.append(label)
    if near:
        yield _finding(
            f"{_count(len(near), 'moment')} less than {NEAR_S:g} s from one in another part"
            + (" (LEAKY: split by random frames)" if split.leaky else ""),
            "split by rally, clip or hall" if split.by == "frame" else "split by clip or hall",
            near,
        )  # fmt: skip


# --- pictures ------------------------------------------------------------------------------------
def check_pictures(
    pictures: Iterable[tuple[str, ByteImage]], parts: Mapping[str, str] | None = None
) -> tuple[Finding, ...]:
    """Empty pictures, and nearly the same ones on both sides of a split.

    Parameters
    ----------
    pictures : iterable
        Name and picture (h, w) or (h, w, 3) of each.
    parts : mapping, optional
        Part of the split of each name.

    Returns
    -------
    tuple of Finding
        Empty where nothing is wrong.
    """
    flat: list[str] = []
    thumbs: list[ByteImage] = []
    names: list[str] = []
    for name, picture in pictures:
        if picture.size == 0 or float(picture.std()) < FLAT:
            flat.append(name)
            continue
        names.append(name)
        thumbs.append(_thumb(picture))
    out = []
    if flat:
        out.append(
            Finding(
                f"{_count(len(flat), 'picture')} without any content",
                "remove them with their labels", len(flat), tuple(flat[:3]),
            )
        )  # fmt: skip
    near = _alike(names, thumbs, parts or {})
    if near:
        out.append(
            Finding(
                f"{_count(len(near), 'picture')} nearly like one in another part of the split",
                "the same footage is there twice, or the split is leaky; split by hall",
                len(near), tuple(near[:3]),
            )
        )  # fmt: skip
    return tuple(out)


def _thumb(picture: ByteImage) -> ByteImage:
    import cv2

    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    small = cv2.resize(grey, (THUMB_PX, THUMB_PX), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8)


def _alike(
    names: Sequence[str], thumbs: Sequence[ByteImage], parts: Mapping[str, str]
) -> list[str]:
    """Pictures with a near twin in another part."""
    sides = np.array([parts.get(name, "") for name in names])
    if len(set(sides.tolist()) - {""}) < 2:
        return []
    flat = np.stack(thumbs).reshape(len(thumbs), -1).astype(np.float32)
    out = []
    for i, name in enumerate(names):
        others = (sides != sides[i]) & (sides != "")
        if sides[i] and others.any():
            off = np.abs(flat[others] - flat[i]).mean(axis=1)
            if off.min() < ALIKE:
                out.append(name)
    return out


def check_folder(folder: Path) -> tuple[Finding, ...]:
    """Pictures of an exported or foreign data set that are empty, damaged or show nothing.

    Raises
    ------
    BadInput
        If there is no such folder.
    """
    if not folder.is_dir():
        raise BadInput(f"no such folder: {folder}; give the folder of the pictures")
    files = sorted(p for p in folder.rglob("*") if p.suffix.lower() in IMAGE_SUFFIXES)
    broken: list[str] = []
    found = list(check_pictures(_readable(files, broken), _parts_of(folder)))
    if broken:
        found.insert(
            0,
            Finding(
                f"{_count(len(broken), 'picture')} empty or damaged",
                "copy them again or remove them", len(broken), tuple(broken[:3]),
            ),
        )  # fmt: skip
    if not files:
        found.append(Finding(f"{folder} holds no pictures", "give the folder that has them", 0))
    return tuple(found)


def _readable(files: Iterable[Path], broken: list[str]) -> Iterator[tuple[str, ByteImage]]:
    import cv2

    for path in files:
        data = np.frombuffer(path.read_bytes(), np.uint8)
        picture = cv2.imdecode(data, cv2.IMREAD_COLOR_RGB) if len(data) else None
        if picture is None:
            broken.append(path.name)
        else:
            yield path.name, np.asarray(picture, np.uint8)


def _parts_of(folder: Path) -> dict[str, str]:
    """Parts by the lists that an export with a split has written."""
    out: dict[str, str] = {}
    for part in PARTS:
        for path in (folder / f"{part}.txt", folder / f"leaky_{part}.txt"):
            if path.is_file():
                for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
                    out[Path(line.strip()).name] = part
    return out


def _many(labels: Sequence[Label]) -> str:
    return _count(len(labels), "label")


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _finding(what: str, remedy: str, labels: Sequence[Label]) -> Finding:
    examples = tuple(f"{label.clip} frame {label.frame}" for label in labels[:3])
    return Finding(what, remedy, len(labels), examples)
