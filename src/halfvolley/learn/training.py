"""Training on made halls alone: the detector that ships.

    python -m halfvolley.learn.training --halls 2000 --made FOLDER --out FOLDER

Made halls go by whole halls to training or measuring; the loop never sees those for measuring.
"""

import argparse
import json
import os
import threading
import time
from dataclasses import asdict
from pathlib import Path

import torch

from halfvolley.learn.example_store import ExampleStore
from halfvolley.learn.export import export_onnx
from halfvolley.learn.judge import calibration, measure
from halfvolley.learn.loop import pick_device, train
from halfvolley.learn.made import (
    MadeSettings,
    held_out_halls,
    is_held_out,
    load,
    made_files,
    make_halls,
)
from halfvolley.learn.run import TrainSettings, as_json
from halfvolley.learn.shapes import SHAPES, BallNet
from halfvolley.learn.weights import load_weights, new_net, save_weights, weights_of


class Feeder:
    """Adds made halls to a store as their files appear, those for measuring left out.

    Parameters
    ----------
    settings : MadeSettings
        What is being made.
    folder : Path
        Where.
    store : ExampleStore
        Where to.
    most : int
        Halls taken at most.
    """

    def __init__(
        self, settings: MadeSettings, folder: Path, store: ExampleStore, most: int = 10**9
    ) -> None:
        self._settings, self._folder, self._store, self._most = settings, folder, store, most
        self._seen: set[Path] = set()

    def __call__(self, at_once: int = 8) -> None:
        """Take some new files."""
        for path in made_files(self._settings, self._folder):
            if path in self._seen or is_held_out(path):
                continue
            if at_once <= 0 or len(self._seen) >= self._most:
                return
            self._seen.add(path)
            self._store.add(load(path))
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


def main() -> None:
    """Train on made halls: the detector that ships."""
    parser = argparse.ArgumentParser(prog="python -m halfvolley.learn.training")
    parser.add_argument("--made", type=Path, required=True, help="folder of made halls")
    parser.add_argument("--out", type=Path, required=True, help="where weights and log go")
    parser.add_argument("--halls", type=int, default=MadeSettings().halls)
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
    parser.add_argument("--no-make", action="store_true", help="others make the halls")
    args = parser.parse_args()
    made = MadeSettings(seed=args.seed, halls=args.halls)
    args.out.mkdir(parents=True, exist_ok=True)
    device = pick_device()
    store = ExampleStore(device)
    feeder = Feeder(made, args.made, store)
    if not args.no_make:
        maker = threading.Thread(
            target=make_halls, args=(made, args.made), kwargs={"processes": args.processes},
            daemon=True,
        )  # fmt: skip
        maker.start()
    usual = sum(1 for n in range(made.halls) if n % 10)
    feeder.wait_for(min(args.start_with, usual) or usual)
    held_out = held_out_halls(made, args.made, 100, 40)
    net = _beginning(args.shape, args.seed, args.go_on).to(device)
    settings = TrainSettings(
        shape=args.shape, seed=args.seed, steps=args.steps, limit_s=args.limit_s, rate=args.rate,
        batch=args.batch, hard_share=args.hard_share, frozen_norms=_is_detector(args.go_on),
    )  # fmt: skip
    with (args.out / "curve.jsonl").open("w") as log:
        # few halls are there to measure on when it begins: the last weights, at which the rate has
        # fallen to nothing, are taken rather than the best on those
        for point in train(net, store, {"made": held_out}, settings, feed=feeder, choose=False):
            print(as_json(point), file=log, flush=True)
            print(as_json(point), len(store), flush=True)
            save_weights(net, args.out / "weights.npz")
    save_weights(net, args.out / "weights.npz")
    held_out = held_out_halls(made, args.made, 60, 60)
    scale = calibration(net, held_out, device)
    result = {
        "made": asdict(made), "train": asdict(settings), "device": device.type,
        "torch": torch.__version__, "n_examples": len(store), "scale": scale,
        "held_out": {
            name: asdict(measure(net, held_out, device, half=half, scale=scale))
            for name, half in (("whole", False), ("half", True))
        },
    }  # fmt: skip
    result["sha"] = export_onnx(net, scale, args.out / "ball.onnx")
    (args.out / "result.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
