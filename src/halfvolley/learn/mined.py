"""Whole made clips to learn from: what a detector invents in them, what it misses, what it finds.

Crops that are aimed by chance hardly ever meet the few places that a detector takes for a ball in
use. So whole clips are made, the finder is run over them as in measuring, and examples are cut
where it was wrong.
"""

import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from halfvolley.ball.network import load_detector
from halfvolley.ball.network_finder import NetworkFinder
from halfvolley.learn.answers import Answers, answers_of_truth
from halfvolley.learn.footage import CutSettings, Stack, corner_near, stacks
from halfvolley.learn.made import BALL, HELD_OUT_EVERY, NONE, OTHERS, Examples, hall_path
from halfvolley.learn.scoring import Held, hold
from halfvolley.simulate import ClipSettings, CropSettings, RallySettings, make_clip, varied_scene
from halfvolley.types import FloatArray, IntArray, concatenate
from halfvolley.video import iter_frames, probe

FULL_HD, HD = (1920, 1080), (1280, 720)
_DOUBT = 0.05  # scores of what is looked at again
_SPREAD = 0.06  # what is looked at lies within this share of the side around the middle


@dataclass(frozen=True, slots=True)
class MinedSettings:
    """What is made and looked through; part of a detector's card. A `Maker`: a clip is a hall."""

    detector: Path  # an ONNX file: what it says decides what is cut
    clips: Path  # folder of the clips, which are made unless they are there
    seed: int = 1
    halls: int = 300
    seconds: float = 3.0
    false: int = 120  # examples of a clip, at most: things that are taken for a ball
    balls: int = 60  # balls, half of them those that are found worst
    full_hd_share: float = 0.5  # the others have 1280 x 720 pixels
    slow_share: float = 0.35  # clips with long streaks
    film_rate_share: float = 0.45  # clips at 24-30 frames a second, beside the webcam views
    without_ball_share: float = 0.12
    zoom: tuple[float, float] = (0.8, 1.35)
    side_px: int = 128
    frames: int = 5

    def make(self, number: int) -> Examples:
        """The examples of one clip."""
        clip = made_clip(self, number)
        held, answers = looked_through(clip, self.detector)
        rng = np.random.default_rng([self.seed, number, 1])
        chosen = np.concatenate([_false(held, self.false, rng), _balls(held, self.balls, rng)])
        return _cut(clip, chosen, answers, self, rng)


def made_clip(settings: MinedSettings, number: int) -> Path:
    """A clip with its truth beside it, made unless it is there."""
    path = hall_path(settings.clips, number).with_suffix(".mp4")
    if not path.with_suffix(".json").exists():
        settings.clips.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng([settings.seed, number])
        size = FULL_HD if rng.random() < settings.full_hd_share else HD
        varied = CropSettings(
            frame_px=size, zoom=settings.zoom, slow_share=settings.slow_share,
            film_rate_share=settings.film_rate_share, grainy_share=0.4, odd_ball_share=0.04,
        )  # fmt: skip
        scene = varied_scene(rng, varied)
        play = RallySettings(pick_up_s=(0.4, 1.0), first_toss_s=(0.2, 0.8))
        empty = rng.random() < settings.without_ball_share
        how = ClipSettings(play=None if empty else play, sound=False, spp=6)
        make_clip(path, scene, rng, settings.seconds, how)
    return path


def looked_through(clip: Path, detector: Path) -> tuple[Held, Answers]:
    """What the finder finds in a whole made clip, held against the truth, and that truth.

    Places are in pixels of the clip, frames count from its start.

    Raises
    ------
    BadInput
        If the file is no detector.
    FootageError
        If the clip cannot be read.
    """
    truth = json.loads(clip.with_suffix(".json").read_text(encoding="utf-8"))
    info = probe(clip)
    finder = NetworkFinder(info, load_detector(detector))
    parts = [finder.feed(frame) for frame in iter_frames(clip)]
    answers = answers_of_truth(truth, clip.stem)
    held = hold(
        concatenate([*parts, finder.finish()]), answers, np.full(len(answers), np.nan),
        interval_s=info.frame_interval_s, took_s=0.0, searched=len(answers),
    )  # fmt: skip
    return held, answers


def held_out_clips(settings: MinedSettings, detector: Path, processes: int) -> list[Held]:
    """What a detector finds in the clips for measuring that were made, several at once."""
    numbers = range(0, settings.halls, HELD_OUT_EVERY)
    clips = [hall_path(settings.clips, n).with_suffix(".mp4") for n in numbers]
    there = [clip for clip in clips if clip.with_suffix(".json").exists()]
    context = get_context("spawn")
    with ProcessPoolExecutor(processes, context, partial(cv2.setNumThreads, 1)) as pool:
        found = pool.map(partial(looked_through, detector=detector), there)
        return [held for held, _ in found]


def _false(held: Held, most: int, rng: np.random.Generator) -> FloatArray:
    """(n, 3) frame, u, v of what is no ball, the surest more often."""
    t = held.finds
    rows = np.flatnonzero(~t.right & (t.score > _DOUBT))
    rows = _drawn(rows, t.score[rows], most, rng)
    return np.column_stack([t.frame[rows], t.uv_px[rows]])


def _balls(held: Held, most: int, rng: np.random.Generator) -> FloatArray:
    """(n, 3) frame, u, v of balls that are asked for, the hardly found more often."""
    t = held.asked
    every = np.arange(len(t.score))
    some = _drawn(every, np.ones(len(every)), most // 2, rng)
    hard = _drawn(every, 1.0 - t.score + 1e-3, most - most // 2, rng)
    rows = np.union1d(some, hard)
    return np.column_stack([t.frame[rows], t.ball[rows, :2]])


def _drawn(rows: IntArray, weight: FloatArray, most: int, rng: np.random.Generator) -> IntArray:
    if len(rows) <= most:
        return rows
    return rng.choice(rows, most, replace=False, p=weight / weight.sum())


def _cut(
    clip: Path, chosen: FloatArray, answers: Answers, settings: MinedSettings,
    rng: np.random.Generator,
) -> Examples:  # fmt: skip
    """Examples that look at (n, 3) places: frame, u, v."""
    how = CutSettings(side_px=settings.side_px, frames=settings.frames, spread=_SPREAD)
    side, f = settings.side_px, settings.frames
    luma, chroma, kind, ball, others = [], [], [], [], []
    # the finder never judges a picture that has too few before it
    wanted = chosen[chosen[:, 0] >= f - 1]
    for picture in stacks(iter_frames(clip), set(wanted[:, 0].astype(int)), f):
        for _, u, v in wanted[wanted[:, 0] == picture.frame]:
            corner = corner_near((u, v), picture.size_px, how, rng)
            y, c = picture.cut(corner, side)
            said = _said(picture, corner, answers, side)
            luma.append(y)
            chroma.append(c)
            kind.append(said[0])
            ball.append(said[1])
            others.append(said[2])
    n = len(luma)
    return Examples(
        np.array(luma, np.uint8).reshape(n, f, side, side),
        np.array(chroma, np.uint8).reshape(n, 2 * f, side // 2, side // 2),
        np.array(kind, np.float64), np.array(ball, np.float64).reshape(n, 5),
        np.array(others, np.float64).reshape(n, OTHERS, 2),
    )  # fmt: skip


def _said(
    picture: Stack, corner: tuple[int, int], answers: Answers, side: int
) -> tuple[int, FloatArray, FloatArray]:
    """Kind, ball and other balls of an example, as `label_crop` says them of a crop."""
    (row,) = np.flatnonzero(answers.frame == picture.frame)
    ball = answers.ball[row] - [*corner, 0.0, 0.0, 0.0]
    inside = bool(np.all((ball[:2] >= -0.5) & (ball[:2] < side - 0.5)))
    others = np.full((OTHERS, 2), np.nan)
    near = answers.neither[answers.neither[:, 0] == picture.frame, 1:3] - corner
    near = near[np.all((near > -0.1 * side) & (near < 1.1 * side), axis=1)][:OTHERS]
    others[: len(near)] = near
    return (BALL, ball, others) if inside else (NONE, np.full(5, np.nan), others)
