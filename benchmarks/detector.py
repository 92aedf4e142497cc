"""Does the network see the ball better than the classical finder, and what does it cost?

    python benchmarks/detector.py --footage FOLDER [--seconds 6] [--write detector]

Clips with truth files beside them (format footage-truth-1). Both finders run on the same decoded
frames, one after the other, without camera, masks or any word of a person.

What counts: a ball in flight, at least half visible, in the picture, and changing it by 10 of 255
or more, must be found within one radius of the centre at mid-exposure. Any other real ball (in the
hand, tossed, dead, resting, hidden, of another table) counts neither way; every other detection is
false. A detection counts from the score 0.5 on; average precision takes all scores.

References
----------
Average precision is the area under precision over recall, precision made non-increasing, as in
scikit-learn's and pycocotools' definitions without their sampling at 101 places.
"""

import argparse
import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from pages import command, stamped, table, write_part
from scoring import FORMAT

from halfvolley.ball import BallFinder
from halfvolley.ball.network import SHIPPED, load_detector
from halfvolley.ball.network_finder import NetworkFinder
from halfvolley.types import Detections, concatenate
from halfvolley.video import iter_frames, probe

SURE = 0.5
SEEN_SHARE, SEEN_CONTRAST = 0.5, 10.0
CENTRE_PX, CENTRE_BLUR = 0.5, 0.15  # the target of the centre's error


@dataclass(frozen=True, slots=True, eq=False)
class Held:
    """Detections of one clip against its truth."""

    score: np.ndarray  # (n,) of those that are the ball or false
    right: np.ndarray  # (n,)
    off_px: np.ndarray  # (n,) NaN where false
    blur_px: np.ndarray  # (n,)
    chi2: np.ndarray  # (n,) squared error in claimed covariance
    asked: int
    seconds: float  # of film
    took_s: float

    @property
    def sure(self) -> np.ndarray:
        return self.score >= SURE

    def recall(self) -> float:
        return float(np.sum(self.right & self.sure)) / max(self.asked, 1)

    def precision(self) -> float:
        return float(np.sum(self.right & self.sure)) / max(int(np.sum(self.sure)), 1)

    def average_precision(self) -> float:
        order = np.argsort(-self.score, kind="stable")
        hits = np.cumsum(self.right[order])
        if not len(hits):
            return 0.0
        precision = np.maximum.accumulate((hits / np.arange(1, len(hits) + 1))[::-1])[::-1]
        return float(np.sum(np.diff(hits / max(self.asked, 1), prepend=0.0) * precision))


def joined(parts: list[Held]) -> Held:
    names = ("score", "right", "off_px", "blur_px", "chi2")
    return Held(
        *(np.concatenate([getattr(p, n) for p in parts]) for n in names),
        sum(p.asked for p in parts), sum(p.seconds for p in parts), sum(p.took_s for p in parts),
    )  # fmt: skip


def beside(uv: np.ndarray, ball: dict) -> bool:
    """Whether a place is so near a ball that it may be meant."""
    if "u" not in ball:  # behind the camera
        return False
    reach = 2.0 * ball["radius_px"] + 0.5 * ball.get("blur_px", 0.0) + 2.0
    return bool(np.hypot(*(uv - [ball["u"], ball["v"]])) < reach)


def hold(found: Detections, truth: dict, frames: range, seconds: float, took_s: float) -> Held:
    """Detections against a truth document."""
    w, h = truth["clip"]["width"], truth["clip"]["height"]
    by_index = {f["i"]: f for f in truth["frames"]}
    rows, asked = [], 0
    for i in frames:
        mine = np.flatnonzero(found.frame == i)
        mine = mine[np.argsort(-found.score[mine], kind="stable")]
        frame = by_index.get(i)
        ball = frame["ball"] if frame else None
        balls = [b for b in [ball, *(frame.get("other_balls") or [])] if b] if frame else []
        must = (
            ball is not None and "u" in ball and ball["state"] == "flight"
            and ball["visible"] >= SEEN_SHARE
            and ball.get("contrast", 255) >= SEEN_CONTRAST
            and 0 <= ball["u"] < w and 0 <= ball["v"] < h
        )  # fmt: skip
        asked += bool(must)
        taken = False
        for row in mine:
            uv = found.uv_px[row]
            if must and not taken:
                off = uv - [ball["u"], ball["v"]]
                if np.hypot(*off) <= ball["radius_px"]:
                    taken = True
                    chi2 = float(off @ np.linalg.pinv(found.cov_uv_px2[row]) @ off)
                    rows.append((found.score[row], 1, np.hypot(*off), ball["blur_px"], chi2))
                    continue
            # the ball that is asked for may be found but once, and not beside itself
            near = [b for b in balls if (b is not ball or not must) and beside(uv, b)]
            if not near:
                rows.append((found.score[row], 0, np.nan, np.nan, np.nan))
    t = np.array(rows, float).reshape(-1, 5)
    return Held(t[:, 0], t[:, 1] > 0, t[:, 2], t[:, 3], t[:, 4], asked, seconds, took_s)


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
    found = concatenate(parts)
    return hold(found, truth, range(n), n * info.frame_interval_s, took)


def row(name: str, kind: str, h: Held) -> list[str]:
    hit = h.right & h.sure
    off = h.off_px[hit]
    good = off <= np.maximum(CENTRE_PX, CENTRE_BLUR * h.blur_px[hit])
    minutes = max(h.seconds, 1e-9) / 60.0

    def number(x: float, digits: int) -> str:
        return "–" if not np.isfinite(x) else f"{x:.{digits}f}"

    with np.errstate(invalid="ignore"):
        return [
            name, kind, str(h.asked), number(100 * h.recall(), 1), number(100 * h.precision(), 1),
            number(100 * h.average_precision(), 1),
            number(float(np.median(off)) if len(off) else np.nan, 2),
            number(100 * float(np.mean(good)) if len(off) else np.nan, 0),
            number(100 * float(np.mean(h.chi2[hit] < 5.991)) if len(off) else np.nan, 0),
            number(float(np.sum(~h.right & h.sure)) / minutes, 1),
            number(1e3 * h.took_s / max(h.seconds, 1e-9) / 60.0, 1),
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
    parser.add_argument("--detector", type=Path, default=SHIPPED, help="an ONNX file")
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
        row(f"{name}, {len(held)} clips", kind, joined(held))
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
