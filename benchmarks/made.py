"""Makes the clips that the benchmarks measure: random halls, cameras, balls and players.

    python benchmarks/made.py FOLDER --clips 36 --seed 5

Five of six clips are side views at 1080p60; the sixth is by turns a corner view, an end view (both
1080p60) and a webcam at 720p30. A clip depends on the seed and its number alone, its name says
both, and what lies there already is kept, so making can be broken off and taken up again.
"""

import argparse
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from halfvolley.simulate import make_clip, random_scene
from halfvolley.simulate.scene import View

FULL_HD, HD = (1920, 1080), (1280, 720)
OTHERS: tuple[View, ...] = ("corner", "end", "webcam")
SECONDS = 9.0  # about nine bounces
CLIPS = 36


@dataclass(frozen=True, slots=True)
class Wanted:
    """A clip to be made."""

    seed: int
    number: int
    seconds: float = SECONDS
    size_px: tuple[int, int] | None = None  # that of the view where it is left out

    @property
    def view(self) -> View:
        """Where its camera stands."""
        turn, sixth = divmod(self.number, 6)
        return OTHERS[turn % len(OTHERS)] if sixth == 5 else "side"

    @property
    def picture(self) -> tuple[int, int]:
        """Width and height."""
        return self.size_px or (HD if self.view == "webcam" else FULL_HD)

    @property
    def name(self) -> str:
        """Of its files, without suffix."""
        height = self.picture[1]
        return f"{self.view}{height}_{self.seconds:g}s_{self.seed}_{self.number:03d}"


def make(wanted: Wanted, folder: Path) -> Path:
    """The clip, made unless it is there; its truth lies beside it and is written last."""
    clip = folder / f"{wanted.name}.mp4"
    if not (clip.exists() and clip.with_suffix(".json").exists()):
        rng = np.random.default_rng([wanted.seed, wanted.number])
        scene = random_scene(rng, wanted.view, size_px=wanted.picture)
        make_clip(clip, scene, rng, wanted.seconds)
    return clip


def alone() -> None:
    """Start a process that works on one core and gives way to others."""
    os.nice(10)
    import numba

    numba.set_num_threads(1)


def make_all(wanted: list[Wanted], folder: Path, processes: int) -> Iterator[Path]:
    """All clips, one process a core, in the order in which they get done."""
    folder.mkdir(parents=True, exist_ok=True)
    # spawned, because a forked child inherits the locks of threads that it does not have
    context = get_context("spawn")
    with ProcessPoolExecutor(processes, context, initializer=alone) as pool:
        jobs = [pool.submit(make, w, folder) for w in wanted]
        for job in as_completed(jobs):
            yield job.result()


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--clips", type=int, default=CLIPS)
    parser.add_argument("--seconds", type=float, default=SECONDS, help="length of each clip")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    said = parser.parse_args()
    wanted = [Wanted(said.seed, i, said.seconds) for i in range(said.clips)]
    for clip in make_all(wanted, said.folder, said.processes):
        print(clip, flush=True)


if __name__ == "__main__":
    main()
