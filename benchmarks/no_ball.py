"""What does the program invent where no ball is in play?

    python benchmarks/no_ball.py FOLDER [--minutes 10] [--piece-s 8] [--processes 2] [--write NAME]

Made footage in pieces, in halls of their own, kept in FOLDER and made once: by turns players who
move and swing and no ball at all, and a ball that is only held and carried in the hand. Shirts,
shoes, posters, boxes and balls on the floor have the ball's own colour, orange or white.

Every detection off a real ball from the score 0.5 on is false; a track is false where most of what
it links is; an arc or a contact is, since nothing is in play. The table is given as a person gives
it, from the true corners; nothing else is.
"""

import argparse
import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from made import alone
from pages import command, stamped, table, write_part

from halfvolley import load_clip, measure, new_session, read_session
from halfvolley.learn.scoring import SURE
from halfvolley.session.edit import set_clip, set_words
from halfvolley.simulate import make_clip, random_scene
from halfvolley.simulate.clips import ClipSettings
from halfvolley.simulate.rally import RallySettings
from halfvolley.simulate.scene import Scene, View
from halfvolley.track import find_tracks

VIEWS: tuple[View, ...] = ("side", "corner", "webcam", "side", "high", "end")
SEED = 3


@dataclass(frozen=True, slots=True)
class Counts:
    """What was invented in some footage."""

    film_s: float
    detections: int
    tracks: int
    arcs: int
    contacts: int

    def __add__(self, other: "Counts") -> "Counts":
        return Counts(
            self.film_s + other.film_s, self.detections + other.detections,
            self.tracks + other.tracks, self.arcs + other.arcs, self.contacts + other.contacts,
        )  # fmt: skip


def loud(scene: Scene) -> Scene:
    """The scene with players in the ball's colour: one's shirt, the other's shoes and stripe."""
    a, b = scene.players
    colour = scene.ball.colour
    return replace(
        scene, players=(replace(a, shirt=colour), replace(b, shoes=colour, stripe=colour))
    )


def make_piece(folder: Path, number: int, seconds: float, size_px: tuple[int, int]) -> Path:
    """A clip without a ball in play, made unless it is there; even ones without any ball."""
    path = folder / f"piece_{size_px[1]}_{seconds:g}s_{number:03d}.mp4"
    if not (path.exists() and path.with_suffix(".json").exists()):
        folder.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng([SEED, number])
        scene = loud(random_scene(rng, VIEWS[number // 2 % len(VIEWS)], size_px=size_px))
        held = RallySettings(first_toss_s=(seconds + 1.0, seconds + 2.0))
        settings = ClipSettings(play=held if number % 2 else None, sound=False)
        make_clip(path, scene, rng, seconds, settings)
    return path


def on_a_ball(document: dict, frame: np.ndarray, uv_px: np.ndarray) -> np.ndarray:
    """(n,) whether detections lie on a real ball, in the hand or at rest, or beside it."""
    out = np.zeros(len(frame), bool)
    at = {f["i"]: f for f in document["frames"]}
    for n, (k, uv) in enumerate(zip(frame.tolist(), uv_px, strict=True)):
        for ball in [at[k]["ball"], *(at[k].get("other_balls") or [])]:
            if ball and "u" in ball:
                reach = 2.0 * ball["radius_px"] + 0.5 * ball.get("blur_px", 0.0) + 2.0
                out[n] |= bool(np.hypot(ball["u"] - uv[0], ball["v"] - uv[1]) < reach)
    return out


def invented(clip: Path, folder: Path, detector: str) -> Counts:
    """What is reported of one clip in which no ball is in play."""
    document = json.loads(clip.with_suffix(".json").read_text(encoding="utf-8"))
    session = folder / f"{clip.stem}-{Path(detector).stem}"
    if not (session / "session.toml").exists():
        new_session(session, [clip])
        marks = document["landmarks_first_frame"]
        names = ("corner_A_right", "corner_A_left", "corner_B_right", "corner_B_left")
        opened = read_session(session)
        set_clip(opened, opened.clips[0].name, corners_px=[marks[n]["uv"] for n in names])
        set_words(read_session(session), "ball", detector=detector)
    measure(session)
    result = load_clip(session, read_session(session).clips[0].name)
    info, found = result.recording.info, result.scan.detections
    real = on_a_ball(document, found.frame, found.uv_px)
    pieces = find_tracks(found, info.size_px[0]).members
    return Counts(
        len(info.pts_s) * info.frame_interval_s,
        int(np.sum(~real & (found.score >= SURE))),
        sum(bool(np.mean(real[rows]) < 0.5) for rows in pieces),
        len(result.flights.arcs), len(result.flights.contacts),
    )  # fmt: skip


def piece(number: int, folder: Path, seconds: float, detector: str) -> Counts:
    """The same of one piece, made before."""
    clip = make_piece(folder / "clips", number, seconds, (1280, 720))
    return invented(clip, folder / "sessions", detector)


def rows_of(parts: dict[str, Counts]) -> Iterator[list[str]]:
    """A row for each name: how long, and of each kind how many a minute."""
    for name, c in parts.items():
        minutes = max(c.film_s / 60.0, 1e-9)
        yield [name, f"{minutes:.1f}"] + [
            f"{n / minutes:.1f}" for n in (c.detections, c.tracks, c.arcs, c.contacts)
        ]


HEAD = ["without a ball in play", "minutes", "detections a minute", "tracks a minute",
        "arcs a minute", "contacts a minute"]  # fmt: skip


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--piece-s", type=float, default=8.0)
    parser.add_argument("--detector", default="network", help="network, classical, auto or a file")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--write", help="name of the part of docs/benchmarks.md to fill")
    args = parser.parse_args()
    parts: dict[str, Counts] = {}
    nothing = Counts(0.0, 0, 0, 0, 0)
    numbers = range(round(60.0 * args.minutes / args.piece_s))
    one = partial(piece, folder=args.folder, seconds=args.piece_s, detector=args.detector)
    with ProcessPoolExecutor(args.processes, get_context("spawn"), initializer=alone) as pool:
        for number, counts in zip(numbers, pool.map(one, numbers), strict=True):
            print(number, VIEWS[number // 2 % len(VIEWS)], counts, flush=True)
            for name in ("a ball held" if number % 2 else "no ball at all", "all"):
                parts[name] = parts.get(name, nothing) + counts
    text = table(HEAD, list(rows_of(parts)))
    print(text)
    if args.write:
        write_part(args.write, stamped(text, command((args.folder,))))


if __name__ == "__main__":
    main()
