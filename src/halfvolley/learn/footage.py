"""Examples cut from footage around accepted labels, as those of made halls.

Examples show the ball, what is refuted, and other moving places of frames in which the ball is
known to be elsewhere. What no label says is not taught: where the detector that is taught sees a
ball of which nobody said whether it is one, the example counts neither way.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from halfvolley.ball import maps
from halfvolley.learn.made import BALL, NONE, OTHERS, Examples
from halfvolley.types import ByteImage, FloatArray, Frame, Label

Peaks = Callable[[ByteImage, ByteImage], list[FloatArray]]
"""What a detector finds in (n, f, h, w) luma and (n, 2 f, h/2, w/2) chroma: n tables of peaks."""

_CLOSE = 2.5  # radii: a peak so near to a label is what the label speaks of
_MOVED = 2  # mean change of 16 x 16 pixels that is motion [8-bit steps]
_DOUBTFUL = 0.3  # scores above it are worth a thought


@dataclass(frozen=True, slots=True)
class CutSettings:
    """What examples are cut."""

    side_px: int = 128
    frames: int = 5  # neighbouring ones of an example
    spread: float = 0.36  # the label lies within this share of the side around the middle
    each: int = 3  # examples of a label, at most; with few labels they are shown more often
    elsewhere: float = 0.6  # examples of other moving places for each of a ball
    busy: int = 3  # places of a picture without a ball: where most moves


def frames_for(labels: Iterable[Label], depth: int) -> tuple[int, ...]:
    """Frames that `cut_examples` looks at: those of the labels, and as many before as needed."""
    wanted = {label.frame - k for label in labels for k in range(depth)}
    return tuple(sorted(frame for frame in wanted if frame >= 0))


def thinned(labels: Sequence[Label], most: int) -> tuple[Label, ...]:
    """At most so many labels, evenly over the whole."""
    if len(labels) <= most:
        return tuple(labels)
    chosen = np.linspace(0, len(labels) - 1, most).round().astype(int)
    return tuple(labels[i] for i in chosen)


def cut_examples(
    chosen: Sequence[Label],
    known: Sequence[Label],
    frames: Iterable[Frame],
    settings: CutSettings,
    rng: np.random.Generator,
    *,
    repeat: int = 1,
    peaks: Peaks | None = None,
) -> Examples:
    """Examples around labels of one clip.

    Parameters
    ----------
    chosen : sequence of Label
        Accepted, of one clip: what is cut.
    known : sequence of Label
        All labels of the clip, open and rejected ones too.
    frames : iterable of Frame
        In order, at least those of `frames_for`.
    settings : CutSettings
        Sizes.
    rng : numpy.random.Generator
        Where in the example a label comes to lie.
    repeat : int
        Examples of each label.
    peaks : callable, optional
        What it takes for a ball, and no label speaks of, counts neither way.

    Returns
    -------
    Examples
        Those of labels whose frame was there, in order of frames.
    """
    by_frame: dict[int, list[Label]] = {}
    for label in chosen:
        by_frame.setdefault(label.frame, []).append(label)
    beside: dict[int, list[Label]] = {frame: [] for frame in by_frame}
    for label in known:
        if label.frame in beside:
            beside[label.frame].append(label)
    luma, chroma, said = [], [], []
    for picture in stacks(frames, set(by_frame), settings.frames):
        here = by_frame[picture.frame]
        aims = [aim for label in here for aim in _aims(label, picture, settings)]
        if any(label.is_ball for label in here) and rng.random() < settings.elsewhere:
            aims += _elsewhere(picture, beside[picture.frame], settings, rng)
        for aim in aims * repeat:
            corner = corner_near(aim, picture.size_px, settings, rng)
            y, c = picture.cut(corner, settings.side_px)
            luma.append(y)
            chroma.append(c)
            said.append(_said(beside[picture.frame], corner, settings.side_px))
    n, f, side = len(luma), settings.frames, settings.side_px
    examples = Examples(
        np.array(luma, np.uint8).reshape(n, f, side, side),
        np.array(chroma, np.uint8).reshape(n, 2 * f, side // 2, side // 2),
        np.array([s.kind for s in said], np.float64),
        np.array([s.ball for s in said], np.float64).reshape(n, 5),
        np.array([s.others_px for s in said], np.float64).reshape(n, OTHERS, 2),
    )
    if peaks is not None:
        _leave_open(examples, [s.spoken_px for s in said], peaks)
    return examples


@dataclass(frozen=True, slots=True, eq=False)
class _Said:
    """What labels say of one example, in its pixels."""

    kind: int
    ball: FloatArray  # (5,)
    others_px: FloatArray  # (OTHERS, 2)
    spoken_px: FloatArray  # (k, 2) places of all accepted labels


def _said(labels: Sequence[Label], corner: tuple[int, int], side: int) -> _Said:
    kind, ball = NONE, np.full(5, np.nan)
    others, spoken = [], []
    for label in labels:
        if label.uv_px is None or label.decision == "rejected":
            continue
        u, v = label.uv_px[0] - corner[0], label.uv_px[1] - corner[1]
        if not (-0.5 <= u < side - 0.5 and -0.5 <= v < side - 0.5):
            continue
        if label.decision == "accepted":
            spoken.append((u, v))
        if label.decision == "accepted" and label.is_ball and kind == NONE:
            kind = BALL
            ball = np.array([u, v, label.radius_px, *(label.streak_px or (0.0, 0.0))])
        elif label.decision == "open" or label.is_ball:
            others.append((u, v))
    table = np.full((OTHERS, 2), np.nan)
    table[: len(others[:OTHERS])] = np.array(others[:OTHERS]).reshape(-1, 2)
    return _Said(kind, ball, table, np.array(spoken).reshape(-1, 2))


def _leave_open(examples: Examples, spoken_px: Sequence[FloatArray], peaks: Peaks) -> None:
    """Let count neither way what a detector sees and no label speaks of."""
    for first in range(0, len(examples), 64):
        rows = slice(first, first + 64)
        found = peaks(examples.luma[rows], examples.chroma[rows])
        for i, table in enumerate(found, start=first):
            free = np.flatnonzero(np.isnan(examples.others_px[i, :, 0])).tolist()
            for peak in table[table[:, maps.SCORE] >= _DOUBTFUL]:
                near = np.hypot(*(spoken_px[i] - peak[:2]).T)
                if free and not np.any(near < _CLOSE * max(peak[maps.RADIUS], 3.0)):
                    examples.others_px[i, free.pop(0)] = peak[:2]


@dataclass(frozen=True, slots=True, eq=False)
class Stack:
    """A frame and those before it, oldest first."""

    frame: int
    planes: tuple[tuple[ByteImage, ByteImage, ByteImage], ...]

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        height, width = self.planes[-1][0].shape
        return width, height

    def cut(self, corner: tuple[int, int], side: int) -> tuple[ByteImage, ByteImage]:
        """(f, side, side) and (2 f, side/2, side/2) at an even corner; edges go on outside."""
        u, v = corner
        luma = [_piece(y, u, v, side) for y, _, _ in self.planes]
        chroma = [
            _piece(c, u // 2, v // 2, side // 2) for _, cb, cr in self.planes for c in (cb, cr)
        ]
        return np.stack(luma), np.stack(chroma)


def _piece(plane: ByteImage, u: int, v: int, side: int) -> ByteImage:
    part = plane[v : v + side, u : u + side]
    h, w = part.shape
    if (h, w) == (side, side):
        return part
    return np.pad(part, ((0, side - h), (0, side - w)), mode="edge")


def stacks(frames: Iterable[Frame], wanted: set[int], depth: int) -> Iterator[Stack]:
    """Wanted frames, each with those before it; the oldest is repeated where the clip begins."""
    kept: dict[int, tuple[ByteImage, ByteImage, ByteImage]] = {}
    for frame in frames:
        k = frame.index
        kept = {i: planes for i, planes in kept.items() if i > k - depth}
        kept[k] = frame.luma.copy(), frame.cb.copy(), frame.cr.copy()
        if k in wanted:
            planes = [kept[k]]
            for i in range(1, depth):
                planes.append(kept.get(k - i, planes[-1]))
            yield Stack(k, tuple(planes[::-1]))


def _aims(label: Label, picture: Stack, settings: CutSettings) -> list[tuple[float, float]]:
    """What examples of a label look at."""
    if label.uv_px is not None:
        return [label.uv_px]
    return _busiest(picture, settings.busy)


def _elsewhere(
    picture: Stack, labels: Sequence[Label], settings: CutSettings, rng: np.random.Generator
) -> list[tuple[float, float]]:
    """One moving place that no label lies near: there the ball in play is not."""
    spoken = np.array([x.uv_px for x in labels if x.uv_px is not None]).reshape(-1, 2)
    away = [
        place
        for place in _busiest(picture, 2 * settings.busy)
        if not np.any(np.abs(spoken - place).max(axis=1) < settings.side_px)
    ]
    return [away[int(rng.integers(len(away)))]] if away else []


def _busiest(picture: Stack, n: int) -> list[tuple[float, float]]:
    """At most n places where the picture changes most from the frame before, apart."""
    now, before = picture.planes[-1][0], picture.planes[-2 if len(picture.planes) > 1 else -1][0]
    small = cv2.resize(cv2.absdiff(now, before), None, fx=1 / 16, fy=1 / 16,
                       interpolation=cv2.INTER_AREA)  # fmt: skip
    out: list[tuple[float, float]] = []
    while len(out) < n and small.max() >= _MOVED:
        row, column = divmod(int(np.argmax(small)), small.shape[1])
        out.append((16.0 * column + 8.0, 16.0 * row + 8.0))
        small[max(row - 3, 0) : row + 4, max(column - 3, 0) : column + 4] = 0
    return out


def corner_near(
    aim: tuple[float, float], size_px: tuple[int, int], settings: CutSettings,
    rng: np.random.Generator,
) -> tuple[int, int]:  # fmt: skip
    """Top left of an example that looks at a place: even, inside the picture where it fits.

    Parameters
    ----------
    aim : (float, float)
        The place [px].
    size_px : (int, int)
        Width and height of the picture.
    settings : CutSettings
        Side of an example, and how far from its middle the place may lie.
    rng : numpy.random.Generator
        Source of chance.
    """
    side = settings.side_px
    away = rng.uniform(-settings.spread, settings.spread, 2) * side
    u, v = (
        int(np.clip(a - side / 2 + d, 0, max(n - side, 0))) // 2 * 2
        for a, d, n in zip(aim, away, size_px, strict=True)
    )
    return u, v
