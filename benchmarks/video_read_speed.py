"""Does reading frames with their times cost more than decoding them?

Made footage (moving noise, 1920 x 1080, 60 a second, H.264). A bare PyAV loop, `FrameReader`, and
`prefetch(FrameReader)` with work beside it, interleaved in one process, the first round dropped.
`ratio = time / time of the bare loop`, so 1.00 is free; `processor` counts all threads and
hardly minds what else the machine does.
"""

import tempfile
import time
from collections.abc import Iterable
from pathlib import Path

import av
import cv2
import numpy as np

from halfvolley.video import FrameReader, VideoWriter, WriterSettings, prefetch, probe

ROUNDS = 9
FRAMES = 240


def made(path: Path) -> None:
    rng = np.random.default_rng(1)
    wall = cv2.GaussianBlur(rng.integers(0, 256, (1200, 2400), dtype=np.uint8), (0, 0), 2)
    grey = np.full((540, 960), 128, np.uint8)
    with VideoWriter(path, (1920, 1080), WriterSettings(bitrate_bps=9_000_000)) as writer:
        for k in range(FRAMES):
            x = k % 400
            view = cv2.add(wall[50:1130, x : x + 1920], np.full((1080, 1920), k % 5, np.uint8))
            writer.write_planes(view, grey, grey, k / 60)


def bare(path: Path) -> int:
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "AUTO"
        return sum(1 for _ in container.decode(stream))


def looked_at(frames: Iterable) -> int:
    """Work as a finder does it: difference to the frame before, threshold, a look at the mask."""
    before, n = None, 0
    for frame in frames:
        if before is not None:
            mask = cv2.threshold(cv2.absdiff(frame.luma, before.luma), 12, 255, 0)[1]
            cv2.connectedComponentsWithStats(mask)
        before = frame
        n += 1
    return n


def main() -> None:
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.mp4"
        made(path)
        info = probe(path)
        cases = {
            "bare loop": lambda: bare(path),
            "probe": lambda: len(probe(path).pts_s),
            "FrameReader": lambda: sum(1 for _ in FrameReader(info)),
            "looked at, in turn": lambda: looked_at(FrameReader(info)),
            "looked at, prefetched": lambda: looked_at(prefetch(FrameReader(info))),
        }
        spent: dict[str, list[float]] = {name: [] for name in cases}
        worked: dict[str, list[float]] = {name: [] for name in cases}
        for _ in range(ROUNDS + 1):
            for name, run in cases.items():
                start, start_cpu = time.perf_counter(), time.process_time()
                assert run() == FRAMES
                spent[name].append(time.perf_counter() - start)
                worked[name].append(time.process_time() - start_cpu)
    base, base_cpu = (np.median(kept["bare loop"][1:]) for kept in (spent, worked))
    for name, values in spent.items():
        middle, spread = np.median(values[1:]), np.ptp(np.percentile(values[1:], [25, 75]))
        cpu = np.median(worked[name][1:]) / base_cpu
        print(
            f"{name:22s} {FRAMES / middle:7.0f} frames/s  ratio {middle / base:.3f}  "
            f"processor {cpu:.3f}  (middle half within {100 * spread / middle:.1f} %)"
        )


if __name__ == "__main__":
    main()
