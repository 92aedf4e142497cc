"""Does the loop teach itself? A made hall on which the start is bad, no label by a person.

    python benchmarks/selftrain.py FOLDER --start weak [--rounds 3] [--write selftrain]

Two games in one hall that no detector saw: dim, noisy, coded hard. The loop measures, harvests and
trains on the first alone; both are held against their truth before and after, the second one is
footage of which nothing was ever learned. `--start classical` begins with the classical finder and
teaches the shipped network; `--start weak` begins with a network that was taught from nothing for
some hundred steps on a few made halls, and teaches that one on, so that nothing good can come from
the shipped weights. What lies in the folder already is kept.
"""

import argparse
import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
from pages import command, stamped, table, write_part

from halfvolley.learn.scoring import Figures, figures
from halfvolley.session.edit import new_session
from halfvolley.session.models import current_detector, short_name, use_in_sessions
from halfvolley.session.schema import read_session
from halfvolley.session.score import score_session
from halfvolley.session.train import Trained, train_sessions, tune_settings
from halfvolley.simulate import make_clip, random_scene
from halfvolley.simulate.scene import Scene

SEED, SIZE_PX = 77, (1280, 720)
GAMES = (("learn", 1, 24.0), ("test", 2, 12.0))  # name, seed, length [s]
WEAK_HALLS, WEAK_CROPS = 11, 60


def hall() -> Scene:
    """Dim, noisy, coded hard."""
    scene = random_scene(np.random.default_rng(SEED), "side", size_px=SIZE_PX, white_ball=False)
    dim = {"brightness": 0.12, "read_noise": 0.03, "shot_noise": 0.04, "quality_crf": 28}
    return replace(scene, rig=replace(scene.rig, **dim))


def footage(folder: Path) -> None:
    """Both games, made unless they are there."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, seed, seconds in GAMES:
        clip = folder / f"{name}.mp4"
        if not clip.with_suffix(".json").exists():
            make_clip(clip, hall(), np.random.default_rng([SEED, seed]), seconds)


def weak_start(folder: Path, steps: int) -> Path:
    """A network that was taught from nothing, and not for long."""
    import torch

    from halfvolley.learn.example_store import ExampleStore
    from halfvolley.learn.export import export_onnx
    from halfvolley.learn.judge import calibration
    from halfvolley.learn.loop import train
    from halfvolley.learn.made import (
        MadeSettings,
        held_out_halls,
        is_held_out,
        load,
        make_halls,
    )
    from halfvolley.learn.run import TrainSettings
    from halfvolley.learn.weights import new_net

    path = folder / f"weak-{steps}.onnx"
    if path.exists():
        return path
    made = MadeSettings(seed=501, halls=WEAK_HALLS, crops_per_hall=WEAK_CROPS)
    halls = make_halls(made, folder / "weak-halls", processes=os.cpu_count() or 1)
    device = torch.device("cpu")
    store = ExampleStore(device)
    for one in halls:
        if not is_held_out(one):
            store.add(load(one))
    net = new_net("five4", 1, device)
    for _ in train(net, store, {}, TrainSettings(shape="five4", steps=steps, batch=32)):
        pass
    scale = calibration(net, held_out_halls(made, folder / "weak-halls", 10, WEAK_CROPS), device)
    export_onnx(net, scale, path)
    return path


def start_session(folder: Path, start: str, steps: int) -> Path:
    """A fresh session of the first game that uses the start."""
    session = folder / f"session-{start}"
    if session.exists():
        shutil.rmtree(session)
    new_session(session, [folder / "learn.mp4"], venue="a dim hall (made footage)")
    use = "classical"
    if start == "weak":
        use = "models/start.onnx"
        (session / "models").mkdir()
        shutil.copy(weak_start(folder, steps), session / use)
    use_in_sessions([session], use)
    return session


def truth_figures(folder: Path, game: str, detector: str) -> Figures:
    """A detector against the truth of a whole game."""
    session = folder / f"scoring-{game}"
    if not session.exists():
        new_session(session, [folder / f"{game}.mp4"])
    scores = score_session(session, [detector], leaky=True)
    return figures(scores.detectors[0].held["truth"])


def row(game: str, when: str, name: str, f: Figures) -> list[str]:
    def share(value: float | None) -> str:
        return "–" if value is None else f"{100 * value:.1f}"

    return [
        game, when, name, str(f.balls), str(f.balls - f.found), str(f.false), share(f.recall),
        share(f.precision), share(f.average_precision), share(f.average_precision_half),
    ]  # fmt: skip


HEAD = ["game", "", "detector", "asked", "missed", "false", "recall %", "precision %",
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
    parser.add_argument("--start", choices=("classical", "weak"), default="weak")
    parser.add_argument("--weak-steps", type=int, default=300)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--steps", type=int, default=600, help="of each round")
    parser.add_argument("--minutes", type=float, default=12.0, help="of each round, at most")
    parser.add_argument("--write", help="name of the part of docs/benchmarks.md to fill")
    args = parser.parse_args()
    footage(args.folder)
    session = start_session(args.folder, args.start, args.weak_steps)
    start = current_detector(read_session(session))
    rows = [row(g, "start", short_name(read_session(session), start),
                truth_figures(args.folder, g, start)) for g, _, _ in GAMES]  # fmt: skip
    print(table(HEAD, rows), flush=True)
    done = train_sessions(
        [session], rounds=args.rounds, start=start if args.start == "weak" else None,
        settings=tune_settings(steps=args.steps, minutes=args.minutes, made_halls=11),
        say=lambda words: print(words, flush=True),
    )  # fmt: skip
    end = current_detector(read_session(session))
    for game, _, _ in GAMES:
        rows.append(row(game, "end", short_name(read_session(session), end),
                        truth_figures(args.folder, game, end)))  # fmt: skip
        rows.append(row(game, "beside it", "network, as it ships",
                        truth_figures(args.folder, game, "network")))  # fmt: skip
    text = f"{table(HEAD, sorted(rows, key=lambda r: r[0]))}\n\n{rounds_table(done)}"
    print(text)
    if args.write:
        write_part(args.write, stamped(text, command((args.folder,))))


if __name__ == "__main__":
    main()
