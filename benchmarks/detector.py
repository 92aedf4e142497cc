"""Does the network see the ball better than the classical finder, and what does it cost?

    python benchmarks/detector.py --footage FOLDER [--seconds 6] [--write detector]

Clips with truth files beside them (format footage-truth-1). Both finders run on the same decoded
frames, one after the other, without camera, masks or any word of a person.

What counts: a ball in flight, at least half visible, in the picture, and changing it by 10 of 255
or more, must be found within one radius of the centre at mid-exposure. Any other real ball (in the
hand, tossed, dead, resting, hidden, of another table) counts neither way; every other detection is
false. A detection counts from the score 0.5 on; average precision takes all scores.
"""

import argparse
import json
import time
from collections.abc import Callable
from itertools import islice
from pathlib import Path

import numpy as np
from pages import command, stamped, table, write_part
from scoring import FORMAT

from halfvolley.ball import BallFinder
from halfvolley.ball.network import load_detector
from halfvolley.ball.network_finder import NetworkFinder
from halfvolley.constants import SHIPPED_NETWORK
from halfvolley.learn.answers import answers_of_truth
from halfvolley.learn.scoring import SURE, Held, figures, hold, together
from halfvolley.types import concatenate
from halfvolley.video import iter_frames, probe

CENTRE_PX, CENTRE_BLUR = 0.5, 0.15  # the target of the centre's error


def run(make: Callable, clip: Path, seconds: float) -> Held:
    """One finder over one clip, from its start."""
    truth = json.loads(clip.with_suffix(".json").read_text(encoding="utf-8"))
    info = probe(clip)
    n = min(len(info.pts_s), int(seconds / info.frame_interval_s))
    finder = make(info)
    parts, took = [], 0.0
    for frame in islice(iter_frames(clip), n):
        started = time.perf_counter()
        parts.append(finder.feed(frame))
        took += time.perf_counter() - started
    started = time.perf_counter()
    parts.append(finder.finish())
    took += time.perf_counter() - started
    answers = answers_of_truth(truth, clip.stem).within([(0, n - 1)])
    return hold(
        concatenate(parts), answers, np.full(len(answers), np.nan),
        interval_s=info.frame_interval_s, took_s=took, searched=n,
    )  # fmt: skip


def row(name: str, kind: str, h: Held) -> list[str]:
    f, asked = figures(h), h.asked
    hit = asked.score >= SURE
    blur = np.hypot(asked.ball[hit, 3], asked.ball[hit, 4])
    good = asked.off_px[hit] <= np.maximum(CENTRE_PX, CENTRE_BLUR * blur)

    def number(x: float | None, digits: int, times: float = 1.0) -> str:
        return "–" if x is None else f"{times * x:.{digits}f}"

    return [
        name, kind, str(f.balls), number(f.recall, 1, 100), number(f.precision, 1, 100),
        number(f.average_precision, 1, 100), number(f.off_px, 2),
        number(float(np.mean(good)) if len(good) else None, 0, 100),
        number(f.inside_95, 0, 100), number(f.false_a_minute, 1),
        number(h.took_s / max(h.film_s, 1e-9) / 60.0, 1, 1e3),
    ]  # fmt: skip


HEAD = [
    "clip", "finder", "asked", "recall %", "precision %", "average precision %", "centre px",
    "centre good %", "in 95 %", "false a minute", "ms a 60th s",
]  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--footage", type=Path, required=True, help="folder with clips and truth")
    parser.add_argument("--only", default="", help="part of the names of the clips wanted")
    parser.add_argument("--seconds", type=float, default=1e9, help="of each clip, from its start")
    parser.add_argument("--detector", type=Path, default=SHIPPED_NETWORK, help="an ONNX file")
    parser.add_argument("--write", help="name of the part of docs/benchmarks.md to fill")
    args = parser.parse_args()
    detector = load_detector(args.detector)
    finders = {
        "classical": BallFinder,
        "network": lambda info: NetworkFinder(info, detector),
    }
    parts: dict[str, dict[str, list[Held]]] = {}
    for path in sorted(args.footage.glob("*.json")):
        clip = path.with_suffix(".mp4")
        document = json.loads(path.read_text(encoding="utf-8"))
        if args.only not in path.stem or document.get("format") != FORMAT or not clip.exists():
            continue
        group = f"{document['clip']['height']}p{document['clip']['nominal_fps']:.0f}"
        for kind, make in finders.items():
            held = run(make, clip, args.seconds)
            for name in (group, "all"):
                parts.setdefault(name, {}).setdefault(kind, []).append(held)
            said = row(group, kind, held)
            print(path.stem, *(f"{h}: {c}" for h, c in zip(HEAD[1:], said[1:], strict=True)),
                  sep="; ", flush=True)  # fmt: skip
    rows = [
        row(f"{name}, {len(held)} clips", kind, together(held))
        for name in sorted(parts) for kind, held in parts[name].items()
    ]  # fmt: skip
    text = table(HEAD, rows)
    words = (
        f"Detector {detector.sha} on {detector.device}. 'centre good': at most 0.5 px or 15 % of "
        "the blur, whichever is more. 'in 95 %': centres inside the claimed 95 % ellipse. Times "
        "are of the finder alone, without decoding."
    )
    print(text)
    if args.write:
        write_part(args.write, stamped(f"{words}\n\n{text}", command((args.footage,))))


if __name__ == "__main__":
    main()
