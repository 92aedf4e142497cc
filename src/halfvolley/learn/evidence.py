"""What the pictures themselves say: does the ball show at a place, does a thing look like it?

The picture at that place is compared with the same place a little earlier and later, when the ball
was elsewhere, and with the ball's colour as neighbouring sightings show it. Where the ball hides
behind a player or the net there is no change, or a change of another colour.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from halfvolley.errors import Unknown
from halfvolley.types import ClipInfo, FloatArray, Frame

Patch = NDArray[np.uint8]  # (h, w, 3) luma, cb, cr

BEHIND = (2, 3, 4, 6, 8, 11, 15, 20)  # frames before and after in which the background is looked at
BACKGROUNDS = 6  # of these, at most
FEWEST_BACKGROUNDS = 3
INSIDE, AROUND = 0.6, (1.5, 2.2)  # middle of a thing and its surroundings, in radii
LIKE_LUMA, LIKE_CHROMA = 50.0, 14.0  # so near to the ball's colour is like it
CHANGED = 12.0  # a larger difference to before and after is a change
SUBSTEPS = 9  # discs along a streak
LEAST_COVER = 0.15  # pixels covered less say nothing about the ball's colour


@dataclass(frozen=True, slots=True)
class Spot:
    """A place and a frame where a flight puts the ball."""

    frame: int
    uv_px: tuple[float, float]
    radius_px: float
    streak_px: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Visible:
    """How much of the ball shows at a spot."""

    share: float  # 1: as much as at its neighbours; 0: nothing
    contrast: float  # change that a whole ball would make there, in 8-bit steps


@dataclass(frozen=True, slots=True)
class Resemblance:
    """How much a thing looks like the ball in play, in 8-bit steps and shares."""

    luma_off: float  # its middle against the ball's colour
    chroma_off: float  # the larger one of both colour differences
    around_alike: float  # share of its surroundings that has the ball's colour
    around_changed: float  # share of its surroundings that is not as it was before and after


@dataclass(frozen=True, slots=True)
class _Window:
    """A part of the picture: left, top, right, bottom, whole pixels."""

    x0: int
    y0: int
    x1: int
    y1: int


@dataclass(frozen=True, slots=True)
class Question:
    """A spot, and sure spots nearby in time that show what the ball looks like."""

    spot: Spot
    like: tuple[Spot, ...]


def look(
    questions: Sequence[Question], elsewhere: "BallPlaces", frames: Iterable[Frame], info: ClipInfo
) -> tuple[Visible | Unknown, ...]:
    """How much of the ball shows at each spot.

    Parameters
    ----------
    questions : sequence of Question
        What is asked.
    elsewhere : BallPlaces
        Where the ball is known to be, so that background is taken without it.
    frames : iterable of Frame
        Of the clip, in order; at least those of `wanted_frames`.
    info : ClipInfo
        Of the clip.

    Returns
    -------
    tuple of Visible or Unknown
        One for each question; Unknown where there is no background or no ball to compare with.
    """
    plan = _Plan(questions, elsewhere, info.size_px)
    plan.read(frames)
    gain = 1.0 if info.full_range else 255.0 / 219.0
    return tuple(_answer(question, plan, gain) for question in questions)


def compare(
    questions: Sequence[Question], elsewhere: "BallPlaces", frames: Iterable[Frame], info: ClipInfo
) -> tuple[Resemblance | Unknown, ...]:
    """How much things elsewhere look like the ball in play.

    Parameters
    ----------
    questions : sequence of Question
        Spots that are no flight's, and sure spots of the ball nearby in time.
    elsewhere, frames, info
        As for `look`.

    Returns
    -------
    tuple of Resemblance or Unknown
        One for each question; Unknown where there is no background or no ball to compare with.
    """
    wide = [
        Question(replace(q.spot, radius_px=AROUND[1] * q.spot.radius_px), q.like) for q in questions
    ]
    plan = _Plan(wide, elsewhere, info.size_px)
    plan.read(frames)
    return tuple(_resemblance(q, w, plan) for q, w in zip(questions, wide, strict=True))


def wanted_frames(questions: Sequence[Question]) -> tuple[int, ...]:
    """Every frame that `look` may want, ascending."""
    wanted: set[int] = set()
    for question in questions:
        for spot in (question.spot, *question.like):
            wanted.update(spot.frame + step for b in BEHIND for step in (-b, b))
            wanted.add(spot.frame)
    return tuple(sorted(frame for frame in wanted if frame >= 0))


class BallPlaces:
    """Where flights put balls, frame by frame."""

    def __init__(self) -> None:
        self._spots: dict[int, list[Spot]] = {}

    def add(self, spot: Spot) -> None:
        """One more place."""
        self._spots.setdefault(spot.frame, []).append(spot)

    def within(self, frame: int, uv_px: tuple[float, float], reach_px: float) -> bool:
        """Whether a ball of that frame comes so near to a place, its streak counted."""
        for spot in self._spots.get(frame, ()):
            length = float(np.hypot(*spot.streak_px))
            off = float(np.hypot(spot.uv_px[0] - uv_px[0], spot.uv_px[1] - uv_px[1]))
            if off < reach_px + spot.radius_px + 0.5 * length:
                return True
        return False


class _Plan:
    """All windows that are wanted, by frame, and what the pictures hold there."""

    def __init__(
        self, questions: Sequence[Question], elsewhere: BallPlaces, size_px: tuple[int, int]
    ) -> None:
        self._size = size_px
        self._elsewhere = elsewhere
        self._wanted: dict[int, set[_Window]] = {}
        self._seen: dict[tuple[int, _Window], Patch] = {}
        for question in questions:
            for spot in (question.spot, *question.like):
                window = self.window(spot)
                for frame in (spot.frame, *self.background_frames(spot)):
                    self._wanted.setdefault(frame, set()).add(window)

    def window(self, spot: Spot) -> _Window:
        """The part of the picture around a spot."""
        (u, v), (du, dv) = spot.uv_px, spot.streak_px
        half_w = 0.5 * abs(du) + spot.radius_px + 2.0
        half_h = 0.5 * abs(dv) + spot.radius_px + 2.0
        width, height = self._size
        return _Window(
            int(np.clip(np.floor(u - half_w), 0, width - 1)),
            int(np.clip(np.floor(v - half_h), 0, height - 1)),
            int(np.clip(np.ceil(u + half_w) + 1, 1, width)),
            int(np.clip(np.ceil(v + half_h) + 1, 1, height)),
        )

    def background_frames(self, spot: Spot) -> list[int]:
        """Nearest frames in which no ball is near that place."""
        reach = spot.radius_px + 0.5 * float(np.hypot(*spot.streak_px)) + 2.0
        out = []
        for b in BEHIND:
            for frame in (spot.frame - b, spot.frame + b):
                if frame >= 0 and not self._elsewhere.within(frame, spot.uv_px, reach):
                    out.append(frame)
        return out[:BACKGROUNDS]

    def read(self, frames: Iterable[Frame]) -> None:
        """Keep the wanted windows of all frames."""
        for frame in frames:
            for window in self._wanted.get(frame.index, ()):
                self._seen[frame.index, window] = _patch(frame, window)

    def patches(self, spot: Spot) -> tuple[FloatArray, FloatArray] | None:
        """The picture at a spot and the background there."""
        window = self.window(spot)
        here = self._seen.get((spot.frame, window))
        behind = [
            self._seen[frame, window]
            for frame in self.background_frames(spot)
            if (frame, window) in self._seen
        ]
        if here is None or len(behind) < FEWEST_BACKGROUNDS or here.size == 0:
            return None
        return here.astype(np.float64), np.median(behind, axis=0)

    @staticmethod
    def distance(spot: Spot, w: _Window) -> FloatArray:
        """(h, w) distance of each pixel of a window from a spot's streak [px]."""
        y, x = np.mgrid[w.y0 : w.y1, w.x0 : w.x1].astype(np.float64)
        off = [
            np.hypot(x - spot.uv_px[0] - a * spot.streak_px[0],
                     y - spot.uv_px[1] - a * spot.streak_px[1])
            for a in np.linspace(-0.5, 0.5, SUBSTEPS)
        ]  # fmt: skip
        return np.min(off, axis=0)

    def cover(self, spot: Spot) -> FloatArray:
        """(h, w) share of the exposure for which the ball covers each pixel of its window."""
        w = self.window(spot)
        y, x = np.mgrid[w.y0 : w.y1, w.x0 : w.x1].astype(np.float64)
        out = np.zeros_like(x)
        for share in np.linspace(-0.5, 0.5, SUBSTEPS):
            u, v = (
                spot.uv_px[0] + share * spot.streak_px[0],
                spot.uv_px[1] + share * spot.streak_px[1],
            )
            off = np.hypot(x - u, y - v)
            out += np.clip(spot.radius_px + 0.5 - off, 0.0, 1.0)
        return np.asarray(out / SUBSTEPS)


def _patch(frame: Frame, w: _Window) -> Patch:
    """A window with its colour at full size."""
    rows, columns = np.arange(w.y0, w.y1), np.arange(w.x0, w.x1)
    half = np.ix_(rows // 2, columns // 2)
    luma = frame.luma[w.y0 : w.y1, w.x0 : w.x1]
    return np.stack([luma, frame.cb[half], frame.cr[half]], axis=-1)


def _answer(question: Question, plan: _Plan, gain: float) -> Visible | Unknown:
    """By least squares: the change there as a share of that which the ball would make."""
    found = plan.patches(question.spot)
    if found is None:
        return Unknown("the place is never seen without the ball")
    colours = [c for c in (_colour(spot, plan) for spot in question.like) if c is not None]
    if not colours:
        return Unknown("the ball's colour is not known nearby")
    here, behind = found
    cover = plan.cover(question.spot)[..., None]
    change = cover * (np.median(colours, axis=0) - behind)
    core = cover[..., 0] > LEAST_COVER
    if not core.any():
        return Unknown("the place is outside the picture")
    contrast = float(np.abs(change[core]).max(axis=-1).mean()) * gain
    power = float((change**2).sum())
    share = float((change * (here - behind)).sum()) / power if power > 0 else 0.0
    return Visible(share, contrast)


def _colour(spot: Spot, plan: _Plan) -> FloatArray | None:
    """(3,) luma, cb, cr of the ball at a sure spot."""
    found = plan.patches(spot)
    if found is None:
        return None
    here, behind = found
    cover = plan.cover(spot)[..., None]
    cover = np.where(cover > LEAST_COVER, cover, 0.0)
    power = float((cover**2).sum())
    if power < 1.0:
        return None
    seen = cover * (here - (1.0 - cover) * behind)
    return np.asarray(seen.sum(axis=(0, 1)) / power)


def _resemblance(question: Question, wide: Question, plan: _Plan) -> Resemblance | Unknown:
    found = plan.patches(wide.spot)
    colours = [c for c in (_colour(spot, plan) for spot in question.like) if c is not None]
    if found is None or not colours:
        return Unknown("there is nothing to compare it with")
    here, behind = found
    ball = np.median(colours, axis=0)
    off = plan.distance(question.spot, plan.window(wide.spot)) / question.spot.radius_px
    inside, around = off < INSIDE, (off > AROUND[0]) & (off < AROUND[1])
    if not inside.any() or not around.any():
        return Unknown("it lies at the edge of the picture")
    middle = np.abs(np.median(here[inside], axis=0) - ball)
    other = np.abs(here[around] - ball)
    alike = (other[:, 0] < LIKE_LUMA) & (other[:, 1:].max(axis=1) < LIKE_CHROMA)
    changed = np.abs(here[around] - behind[around]).max(axis=1) > CHANGED
    return Resemblance(
        float(middle[0]), float(middle[1:].max()), float(alike.mean()), float(changed.mean())
    )
