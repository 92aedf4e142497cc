"""What is known of some frames, from labels or from the truth of made footage: the questions that a
detector is asked, with their answers."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from halfvolley.types import BoolArray, FloatArray, Frame, IntArray, Label

SEEN_SHARE, SEEN_CONTRAST = 0.5, 10.0  # of a true ball that must be found
Spans = Sequence[tuple[int, int]]  # first and last frame of each


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """Some frames of one clip, in order, and what is to be found in them. n frames."""

    clip: str
    size_px: tuple[int, int]
    frame: IntArray  # (n,)
    whole: BoolArray  # (n,) all that is found beside the ball is false; else only what is refuted
    asked: BoolArray  # (n,) there is a ball that must be found
    empty: BoolArray  # (n,) it is known that no ball is there
    ball: FloatArray  # (n, 5) u, v, radius, streak u, v [px]; NaN where not asked
    speed_px: FloatArray  # (n,) travel of the ball from frame to frame [px]; NaN unknown
    neither: FloatArray  # (m, 4) frame, u, v [px], reach [px]: a find there counts neither way
    refuted: FloatArray  # (k, 4) the same: a find there is false

    def __len__(self) -> int:
        return len(self.frame)

    def within(self, spans: Spans, *, inside: bool = True) -> "Answers":
        """Those whose frame lies inside, or outside, of spans."""
        keep = np.zeros(len(self), bool)
        for first, last in spans:
            keep |= (self.frame >= first) & (self.frame <= last)
        keep = keep if inside else ~keep
        left = self.frame[keep]
        return Answers(
            self.clip, self.size_px, left, self.whole[keep], self.asked[keep], self.empty[keep],
            self.ball[keep], self.speed_px[keep],
            self.neither[np.isin(self.neither[:, 0], left)],
            self.refuted[np.isin(self.refuted[:, 0], left)],
        )  # fmt: skip


def answers_of_labels(labels: Iterable[Label], clip: str, size_px: tuple[int, int]) -> Answers:
    """What labels say of a clip.

    Where the ball is labelled, all else that is found in that frame is false, but for what waits
    for review. Where only a thing that is no ball is labelled, finding that thing is false and
    nothing more is known.

    Parameters
    ----------
    labels : iterable of Label
        Also those of other clips and those that are not accepted.
    clip : str
        Which clip.
    size_px : tuple of int
        Its width and height.
    """
    own = [label for label in labels if label.clip == clip and label.decision != "rejected"]
    sure = [label for label in own if label.decision == "accepted"]
    balls = {label.frame: label for label in sure if label.is_ball}
    none = {label.frame for label in sure if label.kind == "none"} - set(balls)
    frame = np.array(sorted({label.frame for label in sure}), np.int64)
    ball = np.full((len(frame), 5), np.nan)
    for i, k in enumerate(frame):
        if k in balls:
            ball[i] = _ball(balls[int(k)])
    asked = np.isfinite(ball[:, 0])
    empty = np.isin(frame, sorted(none))
    places = {k: np.array(label.uv_px, float) for k, label in balls.items()}
    open_ = [x for x in own if x.decision == "open" or (x.is_ball and balls.get(x.frame) != x)]
    return Answers(
        clip, size_px, frame, asked | empty, asked, empty, ball, _speeds(places, frame),
        _places([x for x in open_ if x.uv_px is not None]),
        _places([x for x in sure if x.kind == "negative"]),
    )  # fmt: skip


def _ball(label: Label) -> tuple[float, ...]:
    assert label.uv_px is not None and label.radius_px is not None
    return (*label.uv_px, label.radius_px, *(label.streak_px or (0.0, 0.0)))


def _places(labels: Sequence[Label]) -> FloatArray:
    rows = []
    for label in labels:
        u, v, radius, du, dv = _ball(label)
        rows.append((label.frame, u, v, 2.0 * radius + 0.5 * np.hypot(du, dv) + 2.0))
    return np.array(rows, float).reshape(-1, 4)


def _speeds(places: dict[int, FloatArray], frame: IntArray) -> FloatArray:
    """(n,) travel a frame, from the places just before and after; NaN where neither is known."""
    out = np.full(len(frame), np.nan)
    for i, k in enumerate(frame.tolist()):
        if k not in places:
            continue
        steps = [
            float(np.hypot(*(places[k] - places[other]))) / abs(other - k)
            for other in (k - 1, k + 1, k - 2, k + 2)
            if other in places
        ]
        if steps:
            out[i] = float(np.mean(steps[:2]))
    return out


def answers_of_truth(document: dict[str, Any], clip: str) -> Answers:
    """What is true of a made clip.

    Asked is a ball in flight that is at least half visible and changes the picture by 10 of 255 or
    more. Every other real ball counts neither way; all else that is found is false.

    Parameters
    ----------
    document : dict
        A truth file of the format footage-truth-1.
    clip : str
        What the clip is called.
    """
    size = document["clip"]["width"], document["clip"]["height"]
    frames = document["frames"]
    n = len(frames)
    ball = np.full((n, 5), np.nan)
    empty = np.zeros(n, bool)
    neither, places = [], {}
    for i, frame in enumerate(frames):
        own = frame["ball"]
        balls = [b for b in [own, *(frame.get("other_balls") or [])] if b and "u" in b]
        empty[i] = not any(_inside(b, size) and b.get("visible", 1.0) > 0.0 for b in balls)
        if own is not None and _must(own, size):
            start, end = np.array(own["uv_start"]), np.array(own["uv_end"])
            ball[i] = own["u"], own["v"], own["radius_px"], *(end - start)
        if own is not None and "u" in own:
            places[frame["i"]] = np.array([own["u"], own["v"]])
        for b in balls:
            if b is not own or np.isnan(ball[i, 0]):
                reach = 2.0 * b["radius_px"] + 0.5 * b.get("blur_px", 0.0) + 2.0
                neither.append((frame["i"], b["u"], b["v"], reach))
    index = np.array([frame["i"] for frame in frames], np.int64)
    return Answers(
        clip, size, index, np.ones(n, bool), np.isfinite(ball[:, 0]), empty, ball,
        _speeds(places, index), np.array(neither, float).reshape(-1, 4), np.zeros((0, 4)),
    )  # fmt: skip


def _must(ball: dict[str, Any], size: tuple[int, int]) -> bool:
    return bool(
        "u" in ball
        and ball["state"] == "flight"
        and ball["visible"] >= SEEN_SHARE
        and ball.get("contrast", 255) >= SEEN_CONTRAST
        and _inside(ball, size)
    )


def _inside(ball: dict[str, Any], size: tuple[int, int]) -> bool:
    return bool(0 <= ball["u"] < size[0] and 0 <= ball["v"] < size[1])


def answers_without_ball(clip: str, size_px: tuple[int, int], n_frames: int) -> Answers:
    """A clip of which somebody says that it shows no ball: every find in it is false."""
    return Answers(
        clip, size_px, np.arange(n_frames), np.ones(n_frames, bool), np.zeros(n_frames, bool),
        np.ones(n_frames, bool), np.full((n_frames, 5), np.nan), np.full(n_frames, np.nan),
        np.zeros((0, 4)), np.zeros((0, 4)),
    )  # fmt: skip


def brightness(frame: Frame, ball: FloatArray) -> float:
    """Mean luma within a ball's radius [8-bit steps]; NaN where it lies off the picture."""
    u, v, r = (float(x) for x in ball[:3])
    h, w = frame.luma.shape
    x0, x1 = max(round(u - r), 0), min(round(u + r) + 1, w)
    y0, y1 = max(round(v - r), 0), min(round(v + r) + 1, h)
    if x0 >= x1 or y0 >= y1:
        return float("nan")
    y, x = np.mgrid[y0:y1, x0:x1]
    inside = np.hypot(x - u, y - v) <= max(r, 0.8)
    return float(frame.luma[y0:y1, x0:x1][inside].mean()) if inside.any() else float("nan")
