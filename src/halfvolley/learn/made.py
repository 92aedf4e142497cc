"""Made footage to learn from: many halls, each a file of crops with what is true of the ball.

A hall is drawn from its own number and the seed alone, so that any number of processes, in any
order, give the same files; files that are there already are not made again.
"""

import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from multiprocessing import get_context
from pathlib import Path
from typing import Protocol

import cv2
import numpy as np

from halfvolley.errors import BadInput
from halfvolley.simulate import Crop, CropSettings, iter_crops
from halfvolley.types import ByteImage, FloatArray, IntArray

BALL, NONE, IGNORED = 1, 0, -1
OTHERS = 4  # further balls of a crop that are kept
_SEEN_SHARE, _SEEN_CONTRAST = 0.5, 10.0  # at least: a ball that must be found
_HARDLY_SHARE, _HARDLY_CONTRAST = 0.08, 3.0  # below: no ball to see
_STILL_PX = 0.7  # a ball that moved less in two frames looks like a sticker
HELD_OUT_EVERY = 10  # halls whose number divides by this are for measuring only


class Maker(Protocol):
    """Makes the examples of many halls; can be sent to other processes."""

    @property
    def halls(self) -> int:
        """How many."""

    def make(self, number: int) -> "Examples":
        """The examples of one hall, the same at every call."""


@dataclass(frozen=True, slots=True)
class MadeSettings:
    """What is made; part of a detector's card."""

    seed: int = 1
    halls: int = 2000
    crops_per_hall: int = 150  # a hall takes longer than its crops, but new halls teach more
    frames: int = 5  # neighbouring frames of a crop; shapes take the last ones
    side_px: int = 128
    spp: int = 4  # rays for a pixel on an edge of the hall
    slow_share: float = 0.4  # halls with long streaks
    fast_share: float = 0.5  # flying balls that are the fastest of a few
    film_rate_share: float = 0.45  # halls at 24-30 frames a second, beside the webcam views
    grainy_share: float = 0.5  # halls with much noise
    odd_ball_share: float = 0.06  # halls with a ball neither white nor orange
    seconds_per_hall: float = 8.0  # of play, from which moments are drawn

    def crops(self) -> CropSettings:
        """The same for `iter_crops`."""
        return CropSettings(
            size_px=(self.side_px, self.side_px), frames=self.frames, aim_frame=self.frames - 1,
            crops_per_scene=self.crops_per_hall, spp=self.spp,
            slow_share=self.slow_share, fast_share=self.fast_share,
            film_rate_share=self.film_rate_share, grainy_share=self.grainy_share,
            odd_ball_share=self.odd_ball_share,
            seconds_per_scene=self.seconds_per_hall,
        )  # fmt: skip

    def make(self, number: int) -> "Examples":
        """The crops of one hall."""
        source = iter_crops(np.random.default_rng([self.seed, number]), self.crops())
        return stacked([next(source) for _ in range(self.crops_per_hall)])


@dataclass(frozen=True, slots=True, eq=False)
class Examples:
    """Crops with their labels, ready to be learned from. Places are those of the last frame."""

    luma: ByteImage  # (n, f, h, w)
    chroma: ByteImage  # (n, 2 f, h/2, w/2) cb, cr of the oldest frame, then of the next
    kind: FloatArray  # (n,) BALL, NONE or IGNORED: something is there that counts neither way
    ball: FloatArray  # (n, 5) u, v, radius, streak u, v [px]; NaN where NONE
    others_px: FloatArray  # (n, OTHERS, 2) centres of more balls, which count neither way; NaN

    def __len__(self) -> int:
        return len(self.kind)

    def take(self, rows: IntArray) -> "Examples":
        """The chosen ones."""
        return Examples(*(getattr(self, f.name)[rows] for f in fields(self)))


def label_crop(crop: Crop) -> tuple[int, FloatArray, FloatArray]:
    """What a detector should say of a crop's last frame.

    Parameters
    ----------
    crop : Crop
        Of three frames or more.

    Returns
    -------
    kind : int
        BALL, NONE or IGNORED.
    ball : (5,) float64
        u, v, radius, streak u, v [px].
    others_px : (OTHERS, 2) float64
        Centres of other balls.
    """
    others = np.full((OTHERS, 2), np.nan)
    seen = crop.other_uv_px[-1][:OTHERS]
    others[: len(seen)] = seen
    ball = np.concatenate([crop.uv_px[-1], crop.radius_px[-1:], crop.streak_px[-1]])
    hardly = crop.visible[-1] < _HARDLY_SHARE or crop.contrast[-1] < _HARDLY_CONTRAST
    if not crop.inside[-1] or not np.isfinite(ball).all() or hardly:
        return NONE, np.full(5, np.nan), others
    before = crop.uv_px[-3:-1]
    way = np.hypot(*(before - crop.uv_px[-1]).T)
    moves = not np.isfinite(way).all() or way.max() > _STILL_PX
    clear = crop.visible[-1] >= _SEEN_SHARE and crop.contrast[-1] >= _SEEN_CONTRAST
    return (BALL if clear and moves else IGNORED), ball, others


def stacked(crops: list[Crop]) -> Examples:
    """Crops of one size as examples."""
    labels = [label_crop(c) for c in crops]
    chroma = np.stack([np.stack([c.cb, c.cr], axis=1) for c in crops])
    n, f, _, h, w = chroma.shape
    return Examples(
        np.stack([c.luma for c in crops]),
        chroma.reshape(n, 2 * f, h, w),
        np.array([k for k, _, _ in labels], np.float64),
        np.stack([b for _, b, _ in labels]),
        np.stack([o for _, _, o in labels]),
    )


def hall_path(folder: Path, number: int) -> Path:
    """Where the crops of a hall lie."""
    return folder / f"hall_{number:05d}.npz"


def save(examples: Examples, path: Path) -> None:
    """Write examples to a file, whole or not at all."""
    part = path.with_suffix(f".{os.getpid()}.part")
    with part.open("wb") as file:
        np.savez(
            file, luma=examples.luma, chroma=examples.chroma, kind=examples.kind,
            ball=examples.ball, others_px=examples.others_px,
        )  # fmt: skip
    part.replace(path)


def load(path: Path) -> Examples:
    """Examples from a file.

    Raises
    ------
    BadInput
        If the file holds none.
    """
    try:
        with np.load(path, allow_pickle=False) as data:
            names = ("luma", "chroma", "kind", "ball", "others_px")
            return Examples(*(data[name] for name in names))
    except (OSError, ValueError, KeyError) as error:
        raise BadInput(f"{path} holds no examples ({error}); delete it and make it again") from None


def _make_every(maker: Maker, folder: Path, first: int, step: int, stop_s: float) -> None:
    for number in range(first, maker.halls, step):
        if time.time() > stop_s:
            return
        path = hall_path(folder, number)
        if not path.exists():
            save(maker.make(number), path)


def _work(maker: Maker, folder: Path, first: int, step: int, stop_s: float) -> None:
    """One of several processes."""
    cv2.setNumThreads(1)  # as many work side by side as there are cores
    os.nice(5)  # who learns meanwhile comes first
    _make_every(maker, folder, first, step, stop_s)


def make_halls(
    maker: Maker, folder: Path, *, processes: int, limit_s: float = 1e9,
    tell: Callable[[str, float], None] = lambda text, share: None,
) -> list[Path]:  # fmt: skip
    """Make the files of all halls, or as many as a time allows.

    Parameters
    ----------
    maker : Maker
        What is made.
    folder : Path
        Where to; made if it does not exist.
    processes : int
        How many work side by side.
    limit_s : float
        No hall is begun after so long [s].
    tell : callable
        Told what is being done and which share of it is done.

    Returns
    -------
    list of Path
        The files, in order of their numbers.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stop_s = time.time() + limit_s
    if all(hall_path(folder, number).exists() for number in range(maker.halls)):
        return list(made_files(maker, folder))
    if processes <= 1:
        _make_every(maker, folder, 0, 1, stop_s)
        return list(made_files(maker, folder))
    context = get_context("spawn")
    workers = [
        context.Process(target=_work, args=(maker, folder, i, processes, stop_s), daemon=True)
        for i in range(processes)
    ]
    for worker in workers:
        worker.start()
    # a hall that takes for ever must not hold up all others
    while any(w.is_alive() for w in workers) and time.time() < stop_s + 30.0:
        done = sum(1 for _ in made_files(maker, folder))
        tell("making halls", done / maker.halls)
        time.sleep(0.5)
    for worker in workers:
        if worker.is_alive():
            worker.terminate()
    return list(made_files(maker, folder))


def made_files(maker: Maker, folder: Path) -> Iterator[Path]:
    """Files of the halls that are there, in order."""
    for number in range(maker.halls):
        path = hall_path(folder, number)
        if path.exists():
            yield path


def is_held_out(path: Path) -> bool:
    """Whether a hall is for measuring only; all its crops are."""
    return int(path.stem.split("_")[1]) % HELD_OUT_EVERY == 0


def joined(parts: Sequence[Examples], most: int = 10**9) -> Examples:
    """Several examples as one, the first `most` of each.

    Raises
    ------
    BadInput
        If there is none.
    """
    if not parts:
        raise BadInput("no made halls were found to measure on; make more halls")
    return Examples(
        *(np.concatenate([getattr(p, f.name)[:most] for p in parts]) for f in fields(Examples))
    )


def held_out_halls(maker: Maker, folder: Path, most: int, each: int) -> Examples:
    """Examples of made halls for measuring: of `most` halls, `each` of one.

    Raises
    ------
    BadInput
        If there is no such hall.
    """
    paths = [path for path in made_files(maker, folder) if is_held_out(path)]
    return joined([load(path) for path in paths[:most]], each)
