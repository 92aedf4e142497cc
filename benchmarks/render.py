"""Is made footage drawn fast enough to train, test and demonstrate on?

A side view at 1280 x 720, 60 a second. Times are processor seconds of all threads of this process,
which hardly mind what else the machine does; the first round, which loads compiled code, is
dropped. `ratio = processor time / duration of the footage`, so 1.0 keeps up with a camera on one
core. Crops are counted within a hall and with the time that a new hall takes.
"""

import itertools
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from halfvolley.simulate import ClipSettings, CropSettings, iter_crops, make_clip, prepare
from halfvolley.simulate import random_scene as scene_of

SECONDS = 2.0
CROPS = 150


def clock() -> float:
    return time.process_time()


def frames(seed: int) -> tuple[float, float, int]:
    """Processor seconds to prepare a clip and to draw its frames, and their number."""
    rng = np.random.default_rng(seed)
    scene = scene_of(rng, "side")
    start = clock()
    take = prepare(scene, rng, SECONDS, ClipSettings(sound=False))
    ready = clock()
    n = sum(1 for _ in take.pictures())
    return ready - start, clock() - ready, n


def whole_clip(seed: int) -> float:
    """Processor seconds for a clip with sound, coding and truth."""
    rng = np.random.default_rng(seed)
    scene = scene_of(rng, "side")
    with tempfile.TemporaryDirectory() as folder:
        start = clock()
        make_clip(Path(folder) / "clip.mp4", scene, rng, SECONDS)
        return clock() - start


def crops(seed: int) -> tuple[float, float]:
    """Processor seconds for the first crop of a hall and for each of those that follow."""
    source = iter_crops(np.random.default_rng(seed), CropSettings())
    start = clock()
    next(source)
    first = clock()
    for _ in itertools.islice(source, CROPS):
        pass
    return first - start, (clock() - first) / CROPS


def main() -> None:
    cv2.setNumThreads(1)
    frames(0)  # loads compiled code
    next(iter_crops(np.random.default_rng(0), CropSettings(crops_per_scene=1)))
    drawn = [frames(seed) for seed in (1, 2, 3)]
    per_frame = [d / n for _, d, n in drawn]
    print(f"empty hall and game  {np.median([p for p, _, _ in drawn]):6.1f} s")
    print(f"a frame              {1e3 * np.median(per_frame):6.1f} ms   "
          f"ratio {60 * np.median(per_frame):.2f}")  # fmt: skip
    clips = [whole_clip(seed) / SECONDS for seed in (1, 2, 3)]
    print(f"whole clip, {SECONDS:g} s             ratio {np.median(clips):.2f}")
    made = [crops(seed) for seed in (1, 2, 3)]
    setup, each = np.median([m[0] for m in made]), np.median([m[1] for m in made])
    of_hall = CropSettings().crops_per_scene
    print(f"a crop of 3 x 128 x 128 {1e3 * each:4.1f} ms   {1 / each:.0f}/s in a hall, "
          f"{of_hall / (setup + of_hall * each):.0f}/s with new halls every {of_hall}")  # fmt: skip


if __name__ == "__main__":
    main()
