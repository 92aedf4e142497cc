"""Does the loop teach itself? A made hall on which the start is bad, no label by a person.

    python benchmarks/selftrain.py FOLDER [--start network] [--rounds 3] [--write selftrain]
    python benchmarks/selftrain.py FOLDER --hall 78 --ball "#1d2f6f" --seconds 30

Two games in one hall with a ball of a colour that no detector was ever taught: black. The loop
measures, harvests and trains on the first game alone; both are held against their truth before and
after, the second one is footage of which nothing was ever learned. `--start classical` begins with
the classical finder, `--start network` with the shipped one. What lies in the folder is kept.
"""

import argparse
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from pages import command, stamped, table, write_part

from halfvolley.learn.scoring import Figures, figures
from halfvolley.session.edit import new_session
from halfvolley.session.models import current_detector, use_in_sessions
from halfvolley.session.pipeline import measure
from halfvolley.session.schema import read_session
from halfvolley.session.score import score_session
from halfvolley.session.train import Trained, train_sessions, tune_settings
from halfvolley.simulate import make_clip, random_scene
from halfvolley.simulate.scene import BallLook, Scene, linear

SIZE_PX = 1280, 720
GAMES = ("learn", "test")
TEST_S = 6.0  # length of the second game


def hall(seed: int, colour: str) -> Scene:
    """An ordinary hall and a ball of a colour."""
    scene = random_scene(np.random.default_rng(seed), "side", size_px=SIZE_PX, white_ball=False)
    return replace(scene, ball=BallLook(linear(colour), colour, 0.03))


def footage(folder: Path, seed: int, colour: str, seconds: float) -> None:
    """Both games, made unless they are there."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, (name, lasts_s) in enumerate(zip(GAMES, (seconds, TEST_S), strict=True), start=1):
        clip = folder / f"{name}.mp4"
        if not clip.with_suffix(".json").exists():
            make_clip(clip, hall(seed, colour), np.random.default_rng([seed, number]), lasts_s)


def start_session(folder: Path, start: str) -> Path:
    """A fresh session of the first game that uses the start."""
    session = folder / f"session-{start}"
    if session.exists():
        shutil.rmtree(session)
    new_session(
        session, [folder / "learn.mp4"], venue="a hall with a ball of its own colour (made footage)"
    )
    use_in_sessions([session], start)
    return session


def truth_rows(folder: Path, game: str, detectors: Sequence[str]) -> list[list[str]]:
    """Detectors against the truth of a whole game."""
    session = folder / f"scoring-{game}"
    if not session.exists():
        new_session(session, [folder / f"{game}.mp4"])
    scores = score_session(session, detectors, leaky=True)
    return [
        row(game, Path(d.name).stem, figures(d.held["truth"])) for d in scores.detectors
    ]  # fmt: skip


def row(game: str, name: str, f: Figures) -> list[str]:
    def share(value: float | None) -> str:
        return "–" if value is None else f"{100 * value:.1f}"

    return [
        game, name, str(f.balls), str(f.balls - f.found), str(f.false), share(f.recall),
        share(f.precision), share(f.average_precision), share(f.average_precision_half),
    ]  # fmt: skip


HEAD = ["game", "detector", "asked", "missed", "false", "recall %", "precision %",
        "average precision %", "... within half a radius %"]  # fmt: skip


def rounds_table(done: tuple[Trained, ...]) -> str:
    """What the loop itself saw, round by round: labels of its own, nothing else."""
    rows = []
    for number, one in enumerate(done, start=1):
        card, labels = one.card, one.card["labels"]
        compared = list(card["compared"].items())
        (old, was), (new, now) = compared[0], compared[-1]
        worth = [0.5 * (f["average_precision"] + f["average_precision_half"]) for f in (was, now)]
        rows.append(
            [str(number), str(sum(labels.values())), str(labels["test"]), old, new,
             f"{100 * worth[0]:.1f}", f"{100 * worth[1]:.1f}", one.after, f"{one.took_s / 60:.0f}"]
        )  # fmt: skip
    head = ["round", "own labels", "of them held out", "old", "new", "old there", "new there",
            "used then", "minutes"]  # fmt: skip
    return table(head, rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="where footage and sessions are kept")
    parser.add_argument("--start", choices=("classical", "network"), default="network")
    parser.add_argument("--hall", type=int, default=77, help="seed of the hall")
    parser.add_argument("--ball", default="#202226", help="colour of the ball")
    parser.add_argument("--seconds", type=float, default=36.0, help="length of the first game")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--steps", type=int, default=600, help="of each round")
    parser.add_argument("--minutes", type=float, default=12.0, help="of each round, at most")
    parser.add_argument("--write", help="name of the part of docs/benchmarks.md to fill")
    args = parser.parse_args()
    footage(args.folder, args.hall, args.ball, args.seconds)
    session = start_session(args.folder, args.start)
    start = current_detector(read_session(session))
    measure(session)
    done = train_sessions(
        [session], rounds=args.rounds,
        settings=tune_settings(steps=args.steps, minutes=args.minutes, made_halls=11),
        say=lambda words: print(words, flush=True),
    )  # fmt: skip
    print(rounds_table(done), flush=True)
    end = current_detector(read_session(session))
    models = [str(one.model) for one in done if one.model is not None]
    detectors = list(dict.fromkeys([start, *models]))
    rows = [r for game in GAMES for r in truth_rows(args.folder, game, detectors)]
    text = (
        f"{table(HEAD, rows)}\n\nUsed in the end: {Path(end).stem}. What the loop itself saw, on "
        f"its own labels:\n\n{rounds_table(done)}"
    )
    print(text)
    if args.write:
        write_part(args.write, stamped(text, command((args.folder,))))


if __name__ == "__main__":
    main()
