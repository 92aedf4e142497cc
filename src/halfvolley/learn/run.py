"""A training in the middle: settings, state, curve, and the file from which it goes on.

The file holds plain arrays and text and is whole or not there, whenever the program is killed.
"""

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from halfvolley.errors import StorageError
from halfvolley.learn.measured import Goodness
from halfvolley.learn.shapes import BallNet


@dataclass(frozen=True, slots=True)
class TrainSettings:
    """How a detector is trained; part of its card."""

    shape: str = "three4"  # one of SHAPES
    seed: int = 1
    steps: int = 20_000
    batch: int = 384
    rate: float = 2e-3  # top of the one-cycle learning rate
    weight_decay: float = 1e-2
    half_share: float = 0.3  # batches at half the size, as the whole frame is searched
    close_share: float = 0.4  # batches of small pieces, as the finder looks at one thing
    skip_share: float = 0.15  # batches that see every second frame: slower cameras
    hard_share: float = 0.0  # crops that are drawn by how much they taught when last seen
    limit_s: float = 1e9  # the rate falls as time or steps run out, whichever is first
    patience: int = 0  # measurings without gain before it stops; 0: never
    measure_every: int = 1000  # steps
    keep_every_s: float = 20.0  # between checkpoints, where one is kept
    frozen_norms: bool = False  # weights from an ONNX file have their norms folded in


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One line of the curve. Losses are means since the last one."""

    step: int
    took_s: float
    loss: float
    heat: float
    place: float
    streak: float
    radius: float
    goodness: dict[str, Goodness]  # of each set that is held out

    @property
    def worth(self) -> float | None:
        """What is to grow: mean average precision within half a radius; None: not measured."""
        found = [g.average_precision_half for g in self.goodness.values()]
        return float(np.mean(found)) if found else None


@dataclass(slots=True, eq=False)
class Run:
    """A training in the middle: all that is needed to go on from here."""

    net: BallNet
    optimiser: torch.optim.Optimizer
    on_cpu: torch.Generator  # chance: which crops
    on_device: torch.Generator  # chance: how they are varied
    batch: int
    sums: Tensor  # (5,) losses since the last point of the curve
    since: int = 0
    step: int = 0
    took_s: float = 0.0
    over: bool = False
    best: float = -1.0
    best_step: int = 0
    best_weights: dict[str, Tensor] = field(default_factory=dict)  # empty: the newest are the best
    waited: int = 0
    notes: list[str] = field(default_factory=list)
    curve: list[CurvePoint] = field(default_factory=list)


def new_run(net: BallNet, settings: TrainSettings, device: torch.device) -> Run:
    """A run before its first step."""
    return Run(
        net,
        torch.optim.AdamW(net.parameters(), lr=settings.rate, weight_decay=settings.weight_decay),
        torch.Generator().manual_seed(settings.seed),
        torch.Generator(device=device).manual_seed(settings.seed),
        settings.batch,
        torch.zeros(5, device=device),
    )


def as_json(point: CurvePoint) -> str:
    """One line of the log."""
    return json.dumps(asdict(point))


def point_from(said: dict[str, Any]) -> CurvePoint:
    """A point of the curve as `as_json` wrote it."""
    goodness = {name: Goodness(**figures) for name, figures in said["goodness"].items()}
    return CurvePoint(**{**said, "goodness": goodness})


_PLAIN = ("batch", "since", "step", "took_s", "over", "best", "best_step", "waited", "notes")


def save_run(run: Run, path: Path) -> None:
    """Write a run to its file, whole or not at all.

    Raises
    ------
    StorageError
        If it cannot be written; what was there before is still there then.
    """
    said = {name: getattr(run, name) for name in _PLAIN}
    said["curve"] = [asdict(point) for point in run.curve]
    arrays = {
        "said": np.array(json.dumps(said)),
        "sums": run.sums.cpu().numpy(),
        "chance.cpu": run.on_cpu.get_state().numpy(),
        "chance.device": run.on_device.get_state().numpy(),
    }
    for name, value in run.net.state_dict().items():
        arrays[f"net.{name}"] = value.cpu().numpy()
    for name, value in run.best_weights.items():
        arrays[f"best.{name}"] = value.cpu().numpy()
    for number, memory in run.optimiser.state_dict()["state"].items():
        for name, value in memory.items():
            arrays[f"optimiser.{number}.{name}"] = value.cpu().numpy()
    part = path.with_name(f".unfinished-{path.name}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with part.open("wb") as file:
            np.savez(file, **arrays)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise StorageError(
            f"cannot write {path}: {error.strerror}; free some space, then run the same command "
            "again"
        ) from error


def restore_run(run: Run, path: Path) -> bool:
    """Bring a new run to where its file stands.

    Parameters
    ----------
    run : Run
        Before its first step.
    path : Path
        From `save_run`.

    Returns
    -------
    bool
        False where there is no file, or it is damaged or of another network; the run is as it was
        then, and a damaged file is said in its notes.
    """
    if not path.exists():
        return False
    device = run.sums.device
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as data:
            arrays = {name: torch.from_numpy(data[name]) for name in data.files if name != "said"}
            said = json.loads(str(data["said"]))
        memory: dict[int, dict[str, Tensor]] = {}
        for name, value in _below(arrays, "optimiser."):
            number, what = name.split(".", 1)
            memory.setdefault(int(number), {})[what] = value
        curve = [point_from(point) for point in said.pop("curve")]
        groups = run.optimiser.state_dict()["param_groups"]
        weights = dict(_below(arrays, "net."))
        sums, on_cpu, on_device = arrays["sums"], arrays["chance.cpu"], arrays["chance.device"]
        plain = {name: said[name] for name in _PLAIN}
        run.net.load_state_dict(weights)
        run.optimiser.load_state_dict({"state": memory, "param_groups": groups})
        run.on_cpu.set_state(on_cpu)
        run.on_device.set_state(on_device)
    except Exception as error:  # whatever is wrong with the file, training can begin anew
        run.notes.append(f"the checkpoint {path.name} is damaged ({error}); began anew")
        return False
    run.sums = sums.to(device)
    run.best_weights = {name: value.to(device) for name, value in _below(arrays, "best.")}
    run.curve = curve
    for name, value in plain.items():
        setattr(run, name, value)
    return True


def _below(arrays: dict[str, Tensor], head: str) -> list[tuple[str, Tensor]]:
    """Entries whose names begin so, by the rest of their names."""
    return [(n[len(head) :], value) for n, value in arrays.items() if n.startswith(head)]
