"""A detector taught further on some footage's own examples, with made halls mixed in so that it
forgets nothing."""

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import torch

from halfvolley.ball.network import gpu_is_here
from halfvolley.learn.example_store import ExampleStore
from halfvolley.learn.export import export_onnx
from halfvolley.learn.judge import calibration
from halfvolley.learn.loop import train
from halfvolley.learn.made import (
    Examples,
    MadeSettings,
    held_out_halls,
    is_held_out,
    joined,
    load,
    make_halls,
)
from halfvolley.learn.run import CurvePoint, TrainSettings
from halfvolley.learn.weights import weights_of

Tell = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class TuneSettings:
    """How a detector is taught further; part of its card."""

    seed: int = 1
    steps: int = 1500
    minutes: float = 12.0  # of training alone; the rate falls as time or steps run out
    batch: int = 32
    rate: float = 4e-4  # top of the one-cycle learning rate
    made_halls: int = 20  # mixed in; every tenth is for measuring only
    made_crops: int = 60  # of each
    made_share: float = 0.5  # of what is learned from
    own_examples: int = 3000  # at most; with more labels some are left out, evenly
    measure_every: int = 100  # steps
    patience: int = 5  # measurements without gain before it stops

    def made(self) -> MadeSettings:
        """The halls that are mixed in: other ones than those that the shipped detector saw."""
        return MadeSettings(seed=1000 + self.seed, halls=self.made_halls,
                            crops_per_hall=self.made_crops)  # fmt: skip

    def loop(self, shape: str, patience: int) -> TrainSettings:
        """The same for the loop."""
        return TrainSettings(
            shape=shape, seed=self.seed, steps=self.steps, batch=self.batch, rate=self.rate,
            limit_s=60.0 * self.minutes, patience=patience, measure_every=self.measure_every,
            frozen_norms=True,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Tuned:
    """A detector that was taught further."""

    path: Path  # the new ONNX file
    sha: str
    device: str
    curve: tuple[CurvePoint, ...]
    best_step: int  # 0: nothing that was tried is better than the start
    took_s: float
    steps_per_s: float
    notes: tuple[str, ...]


def make_halls_for(settings: TuneSettings, folder: Path, tell: Tell) -> None:
    """Make the halls that are mixed in, where they are not there yet."""
    make_halls(settings.made(), folder, processes=os.cpu_count() or 1, tell=tell)


def fine_tune(
    start: Path,
    own: Examples,
    choosing: Examples | None,
    made: Path,
    work: Path,
    settings: TuneSettings,
    device: torch.device,
    tell: Tell = lambda text, share: None,
) -> Tuned:
    """Teach a detector further.

    Parameters
    ----------
    start : Path
        ONNX file of the detector to begin from.
    own : Examples
        To learn from.
    choosing : Examples, optional
        Decide which weights are the best, and when to stop. Without them the last are taken.
    made : Path
        Folder of made halls, see `make_halls_for`.
    work : Path
        Folder of the checkpoint, from which a run that was killed goes on, and of the new file.
    settings : TuneSettings
        How.
    device : torch.device
        Where it runs.
    tell : callable
        Told what is being done and which share of it is done.

    Raises
    ------
    BadInput
        If the start is no detector that can be taught, there is nothing to learn from, or memory
        does not suffice.
    """
    net, _, _ = weights_of(start)
    net = net.to(device)
    halls = held_out_halls(settings.made(), made, 10**9, settings.made_crops)
    choose = choosing is not None
    held_out = {"made": halls} if choosing is None else {"own": choosing, "made": halls}
    store = _mixed(own, made, settings, device)
    loop = settings.loop(net.shape.name, settings.patience)
    run = work / "checkpoint.npz"
    notes: list[str] = list(device_notes(device))
    curve = list(
        train(net, store, held_out, loop, tell, keep=run, note=notes.append, choose=choose)
    )
    last = curve[-1]
    best = max(curve, key=lambda p: p.worth or 0.0) if choose else last
    tell("calibrating", 0.0)
    scale = calibration(net, joined(list(held_out.values())), device)
    tell("calibrating", 1.0)
    path = work / "new.onnx"
    sha = export_onnx(net, scale, path)
    rate = last.step / max(last.took_s, 1e-9)
    return Tuned(
        path, sha, device.type.upper(), tuple(curve), best.step, last.took_s, rate, tuple(notes)
    )


def rescaled(tuned: Tuned, slope: float, shift: float) -> Tuned:
    """The detector with another slope and shift of the logit of its scores, file and hash anew.

    A slope that would turn good finds into bad ones comes of chance; scores then stay as they are.

    Raises
    ------
    BadInput
        If the file cannot be read again.
    """
    if slope <= 0.0:
        return tuned
    net, (a, b), _ = weights_of(tuned.path)
    return replace(tuned, sha=export_onnx(net, (slope * a, slope * b + shift), tuned.path))


def _mixed(own: Examples, made: Path, settings: TuneSettings, device: torch.device) -> ExampleStore:
    """Own examples in as many parts as give them their share beside the made halls."""
    store = ExampleStore(device)
    halls = [p for p in sorted(made.glob("hall_*.npz")) if not is_held_out(p)]
    for path in halls:
        store.add(load(path))
    share = settings.made_share
    parts = max(1, round(len(halls) * (1.0 - share) / share)) if share > 0.0 else 1
    for rows in np.array_split(np.arange(len(own)), min(parts, max(len(own), 1))):
        if len(rows):
            store.add(own.take(rows))
    return store


def device_notes(device: torch.device) -> tuple[str, ...]:
    """What a person should know of where training runs."""
    if device.type == "cpu" and gpu_is_here():
        return (
            "A GPU is here, but this PyTorch cannot use it; training runs on the CPU. Install a "
            "PyTorch that is built for it.",
        )
    return ()
