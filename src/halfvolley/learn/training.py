"""Training on made footage alone: the detector that ships.

    python -m halfvolley.learn.training --halls 2000 --clips 300 --made FOLDER --out FOLDER

Crops of many halls, and what a detector got wrong in whole clips of others. Made footage goes by
whole halls to training or measuring; the loop never sees those for measuring.
"""

import argparse
import json
import math
import os
import threading
import time
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import torch

from halfvolley.ball.network import load_detector
from halfvolley.constants import SHIPPED_NETWORK
from halfvolley.learn.example_store import ExampleStore
from halfvolley.learn.export import export_onnx
from halfvolley.learn.judge import calibration, measure
from halfvolley.learn.loop import pick_device, train
from halfvolley.learn.made import (
    MadeSettings,
    Maker,
    held_out_halls,
    is_held_out,
    load,
    made_files,
    make_halls,
)
from halfvolley.learn.measured import calibrate
from halfvolley.learn.mined import MinedSettings, held_out_clips
from halfvolley.learn.run import TrainSettings, as_json
from halfvolley.learn.scoring import THOUGHT, figures, found_of, together
from halfvolley.learn.shapes import SHAPES, BallNet
from halfvolley.learn.weights import load_weights, new_net, save_weights, weights_of


class Feeder:
    """Adds made halls to a store as their files appear, those for measuring left out.

    Parameters
    ----------
    maker : Maker
        What is being made.
    folder : Path
        Where.
    store : ExampleStore
        Where to.
    most : int
        Halls taken at most.
    weight : float
        How often each is drawn from.
    """

    def __init__(
        self, maker: Maker, folder: Path, store: ExampleStore, most: int = 10**9,
        weight: float = 1.0,
    ) -> None:  # fmt: skip
        self._maker, self._folder, self._store, self._most = maker, folder, store, most
        self._weight = weight
        self._seen: set[Path] = set()

    def __call__(self, at_once: int = 8) -> None:
        """Take some new files."""
        for path in made_files(self._maker, self._folder):
            if path in self._seen or is_held_out(path):
                continue
            if at_once <= 0 or len(self._seen) >= self._most:
                return
            self._seen.add(path)
            examples = load(path)
            if len(examples):  # a clip may hold nothing to look at
                self._store.add(examples, self._weight)
            at_once -= 1

    def wait_for(self, halls: int) -> None:
        """Take new files until so many halls are in the store."""
        while len(self._seen) < halls:
            self(10**9)
            if len(self._seen) < halls:
                time.sleep(0.5)


def _is_detector(path: Path | None) -> bool:
    return path is not None and path.suffix == ".onnx"


def _beginning(shape: str, seed: int, path: Path | None) -> BallNet:
    """The network before its first step: fresh, or with the weights of a file."""
    if path is None:
        return new_net(shape, seed, torch.device("cpu"))
    return weights_of(path)[0] if _is_detector(path) else load_weights(path)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m halfvolley.learn.training")
    parser.add_argument("--made", type=Path, required=True, help="folder of made footage")
    parser.add_argument("--out", type=Path, required=True, help="where weights and log go")
    parser.add_argument("--halls", type=int, default=MadeSettings().halls)
    parser.add_argument("--clips", type=int, default=0, help="whole clips that are looked through")
    parser.add_argument("--clip-weight", type=float, default=2.0, help="of a clip beside a hall")
    parser.add_argument(
        "--mine-with", type=Path, default=SHIPPED_NETWORK, help="whose faults are sought"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shape", default=TrainSettings().shape, choices=sorted(SHAPES))
    parser.add_argument("--steps", type=int, default=TrainSettings().steps)
    parser.add_argument("--limit-s", type=float, default=1e9, help="of training alone")
    parser.add_argument("--processes", type=int, default=max(1, (os.cpu_count() or 2) - 1))
    parser.add_argument("--rate", type=float, default=TrainSettings().rate)
    parser.add_argument("--batch", type=int, default=TrainSettings().batch)
    parser.add_argument("--hard-share", type=float, default=0.5, help="crops drawn by their loss")
    parser.add_argument("--go-on", type=Path, help="weights to begin from, or a detector's file")
    parser.add_argument("--start-with", type=int, default=0, help="halls to wait for; 0: all")
    parser.add_argument("--no-make", action="store_true", help="others make the footage")
    return parser.parse_args()


def _make(makers: list[tuple[Maker, Path]], processes: int) -> None:
    """Make all footage in the background, the makers side by side; clips are two thirds of it."""
    shares = (1 / 3, 2 / 3) if len(makers) > 1 else (1.0,)
    for (maker, folder), share in zip(makers, shares, strict=True):
        thread = threading.Thread(
            target=make_halls, args=(maker, folder),
            kwargs={"processes": max(1, round(share * processes))}, daemon=True,
        )  # fmt: skip
        thread.start()


def _in_clips(
    net: BallNet, scale: tuple[float, float], mined: MinedSettings, out: Path, processes: int
) -> tuple[tuple[float, float], dict[str, Any]]:
    """The scale under which scores are shares of balls in whole clips held out, and figures there.

    In use far more is looked at than crops show, and most of it is no ball.
    """
    path = out / "uncalibrated.onnx"
    export_onnx(net, scale, path)
    held = together(held_out_clips(mined, path, processes))
    slope, shift = calibrate(found_of(held, least=THOUGHT))
    score = held.finds.score.clip(1e-6, 1.0 - 1e-6)
    moved = 1.0 / (1.0 + ((1.0 - score) / score) ** slope * math.exp(-shift))
    told = replace(held, finds=replace(held.finds, score=moved))
    return (slope * scale[0], slope * scale[1] + shift), asdict(figures(told))


def main() -> None:
    """Train on made footage: the detector that ships."""
    args = _arguments()
    made = MadeSettings(seed=args.seed, halls=args.halls)
    mined = MinedSettings(args.mine_with, args.made / "clips", seed=args.seed, halls=args.clips)
    folder = args.made / f"mined-{load_detector(args.mine_with).sha}"
    args.out.mkdir(parents=True, exist_ok=True)
    device = pick_device()
    store = ExampleStore(device)
    makers: list[tuple[Maker, Path]] = [(made, args.made)]
    if args.clips:
        makers.append((mined, folder))
    if not args.no_make:
        _make(makers, args.processes)
    feeder = Feeder(made, args.made, store)
    clips = Feeder(mined, folder, store, weight=args.clip_weight)
    usual = sum(1 for n in range(made.halls) if n % 10)
    feeder.wait_for(min(args.start_with, usual) or usual)
    held_out = held_out_halls(made, args.made, 100, 40)
    net = _beginning(args.shape, args.seed, args.go_on).to(device)
    settings = TrainSettings(
        shape=args.shape, seed=args.seed, steps=args.steps, limit_s=args.limit_s, rate=args.rate,
        batch=args.batch, hard_share=args.hard_share, frozen_norms=_is_detector(args.go_on),
    )  # fmt: skip

    def feed() -> None:
        feeder()
        clips()

    with (args.out / "curve.jsonl").open("w") as log:
        # few halls are there to measure on when it begins: the last weights, at which the rate has
        # fallen to nothing, are taken rather than the best on those
        for point in train(net, store, {"made": held_out}, settings, feed=feed, choose=False):
            print(as_json(point), file=log, flush=True)
            print(as_json(point), len(store), flush=True)
            save_weights(net, args.out / "weights.npz")
    save_weights(net, args.out / "weights.npz")
    held_out = held_out_halls(made, args.made, 60, 60)
    scale = calibration(net, held_out, device)
    in_clips: dict[str, Any] = {}
    if args.clips:
        scale, in_clips = _in_clips(net, scale, mined, args.out, args.processes)
        net = net.to(device)
    result = {
        "made": asdict(made), "clips": _without_paths(mined), "train": asdict(settings),
        "device": device.type, "torch": torch.__version__, "n_examples": len(store),
        "scale": scale, "in_clips": in_clips,
        "held_out": {
            name: asdict(measure(net, held_out, device, half=half, scale=scale))
            for name, half in (("whole", False), ("half", True))
        },
    }  # fmt: skip
    result["sha"] = export_onnx(net, scale, args.out / "ball.onnx")
    (args.out / "result.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    print(json.dumps(result, indent=1))


def _without_paths(mined: MinedSettings) -> dict[str, Any]:
    said = asdict(mined)
    del said["clips"]
    return {**said, "detector": load_detector(mined.detector).sha}


if __name__ == "__main__":
    main()
