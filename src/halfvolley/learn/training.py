"""The training loop, top to bottom: examples, batches, steps, measuring, checkpoints.

    python -m halfvolley.learn.training --halls 2000 --made FOLDER --out FOLDER

Made halls go by whole halls to training or measuring; the loop never sees those for measuring.
"""

import argparse
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import torch
from torch import Tensor

from halfvolley.ball import maps as ball_maps
from halfvolley.errors import BadInput
from halfvolley.learn.aims import loss_of
from halfvolley.learn.augment import Batch, halved, varied
from halfvolley.learn.made import (
    Examples,
    MadeSettings,
    is_held_out,
    load,
    made_files,
    make_halls,
)
from halfvolley.learn.measured import (
    LEAST_SCORE,
    Goodness,
    calibrate,
    goodness,
    hold_against,
)
from halfvolley.learn.shapes import SHAPES, BallNet, Shape
from halfvolley.types import FloatArray

Tell = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class TrainSettings:
    """How a detector is trained; part of its card."""

    shape: str = "three4"  # one of SHAPES
    seed: int = 1
    steps: int = 20_000
    batch: int = 384
    rate: float = 2e-3  # top of the one-cycle learning rate
    weight_decay: float = 1e-2
    half_share: float = 0.4  # batches at half the size, as the whole frame is searched
    skip_share: float = 0.15  # batches that see every second frame: slower cameras
    limit_s: float = 1e9  # the rate falls as time or steps run out, whichever is first
    patience: int = 0  # measurings without gain before it stops; 0: never
    measure_every: int = 1000  # steps


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One line of the curve."""

    step: int
    took_s: float
    loss: float
    heat: float
    place: float
    streak: float
    radius: float
    goodness: Goodness | None


class ExampleStore:
    """All examples on the training device, as bytes.

    Parameters
    ----------
    device : torch.device
        Where training runs.
    """

    def __init__(self, device: torch.device) -> None:
        self.device = device
        self.luma: list[Tensor] = []
        self.chroma: list[Tensor] = []
        self.kind: list[Tensor] = []
        self.ball: list[Tensor] = []
        self.others: list[Tensor] = []
        self._n = 0

    def __len__(self) -> int:
        return self._n

    def add(self, examples: Examples) -> None:
        """Copy examples to the device.

        Raises
        ------
        BadInput
            If their sides are no multiples of 32, so that they can be halved.
        """
        h, w = examples.luma.shape[-2:]
        if h % 32 or w % 32:
            raise BadInput(f"examples must have sides of multiples of 32 px, got {w} x {h}")
        self.luma.append(torch.from_numpy(examples.luma).to(self.device))
        self.chroma.append(torch.from_numpy(examples.chroma).to(self.device))
        self.kind.append(torch.from_numpy(examples.kind).float().to(self.device))
        self.ball.append(torch.from_numpy(examples.ball).float().to(self.device))
        self.others.append(torch.from_numpy(examples.others_px).float().to(self.device))
        self._n += len(examples)

    def batch(self, n: int, parts: int, generator: torch.Generator) -> Batch:
        """A random batch; its crops come from a few of the parts that were added.

        Parameters
        ----------
        n : int
            Crops.
        parts : int
            From how many parts (halls), at most.
        generator : torch.Generator
            Source of chance, on the CPU.
        """
        count = len(self.luma)
        chosen = torch.randint(count, (min(parts, n),), generator=generator).tolist()
        each = -(-n // len(chosen))
        rows = []
        for part in chosen:
            i = torch.randint(len(self.kind[part]), (each,), generator=generator)
            rows.append((part, i.to(self.device)))
        return Batch(
            torch.cat([self.luma[p][i] for p, i in rows])[:n].float(),
            torch.cat([self.chroma[p][i] for p, i in rows])[:n].float(),
            torch.cat([self.kind[p][i] for p, i in rows])[:n],
            torch.cat([self.ball[p][i] for p, i in rows])[:n],
            torch.cat([self.others[p][i] for p, i in rows])[:n],
        )


def last_frames(batch: Batch, n: int, step: int = 1) -> Batch:
    """The batch with the last `n` of its frames, every `step`-th."""
    f = batch.luma.shape[1]
    chosen = [f - 1 - step * k for k in range(n)][::-1]
    if chosen[0] < 0:
        raise BadInput(f"{n} frames, every {step}th, were asked for of crops of {f}")
    both = [c for i in chosen for c in (2 * i, 2 * i + 1)]
    return replace(batch, luma=batch.luma[:, chosen], chroma=batch.chroma[:, both])


def pick_device(name: str = "auto") -> torch.device:
    """CUDA or MPS where they are there, else the CPU; or the one that is named."""
    if name != "auto":
        return torch.device(name)
    if torch.cuda.is_available():
        return torch.device("cuda")
    if torch.backends.mps.is_available():
        return torch.device("mps")
    return torch.device("cpu")


def found_by(
    net: BallNet, examples: Examples, device: torch.device, *, half: bool = False,
    scale: tuple[float, float] = (1.0, 0.0), size: int = 256,
) -> list[FloatArray]:  # fmt: skip
    """Peaks of each example.

    Parameters
    ----------
    net : BallNet
        The network.
    examples : Examples
        n of them.
    device : torch.device
        Where it runs.
    half : bool
        At half the size; places are those of the smaller pictures.
    scale : tuple of float
        Slope and shift of the logit, see `calibrate`.
    size : int
        Of a batch.
    """
    net.eval()
    out: list[FloatArray] = []
    for k in range(0, len(examples), size):
        rows = slice(k, k + size)
        batch = Batch(
            torch.from_numpy(examples.luma[rows]).to(device).float(),
            torch.from_numpy(examples.chroma[rows]).to(device).float(),
            torch.zeros(1), torch.zeros(1, 5), torch.zeros(1, 1, 2),
        )  # fmt: skip
        batch = last_frames(batch, net.shape.frames)
        if half:
            batch = halved(batch)
        with torch.no_grad():
            maps = net(batch.luma.round(), batch.chroma.round()).float().cpu().numpy()
        maps[:, 0] = scale[0] * maps[:, 0] + scale[1]
        out += [ball_maps.peaks(m, net.shape.stride, LEAST_SCORE) for m in maps]
    return out


def labels_at(examples: Examples, half: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Kind, ball and others of examples, at half the size if so asked."""
    if not half:
        return examples.kind, examples.ball, examples.others_px
    ball = 0.5 * examples.ball
    ball[:, :2] -= 0.25
    return examples.kind, ball, 0.5 * examples.others_px - 0.25


def measure(
    net: BallNet, examples: Examples, device: torch.device, *, half: bool = False,
    scale: tuple[float, float] = (1.0, 0.0),
) -> Goodness:  # fmt: skip
    """Figures of a network on examples; arguments as for `found_by`."""
    found = found_by(net, examples, device, half=half, scale=scale)
    return goodness(found, *labels_at(examples, half))


def _learning_rate(settings: TrainSettings, step: int, started: float) -> float:
    """One cycle: up over a twentieth, then a cosine down to a hundredth."""
    share = max(step / settings.steps, (time.monotonic() - started) / settings.limit_s)
    share = min(share, 1.0)
    if share < 0.05:
        return settings.rate * (0.05 + 0.95 * share / 0.05)
    return settings.rate * (0.01 + 0.99 * 0.5 * (1 + np.cos(np.pi * (share - 0.05) / 0.95)))


def train(
    net: BallNet, store: ExampleStore, held_out: Examples, settings: TrainSettings,
    tell: Tell = lambda text, share: None, feed: Callable[[], None] = lambda: None,
) -> Iterator[CurvePoint]:  # fmt: skip
    """Train a network in place; yields the curve as it grows.

    Parameters
    ----------
    net : BallNet
        On the device of the store; changed.
    store : ExampleStore
        To learn from.
    held_out : Examples
        To measure on; may be empty.
    settings : TrainSettings
        How.
    tell : callable
        Told what is being done and which share of it is done.
    feed : callable
        Called now and then; may add to the store.

    Yields
    ------
    CurvePoint
        Every `measure_every` steps, and at the end.

    Raises
    ------
    BadInput
        If there are no examples, or the loss is no longer a number.
    """
    if not len(store):
        raise BadInput("there are no examples to learn from; make or harvest some")
    device = store.device
    chance = torch.Generator().manual_seed(settings.seed)
    of_device = torch.Generator(device=device).manual_seed(settings.seed)
    optimiser = torch.optim.AdamW(
        net.parameters(), lr=settings.rate, weight_decay=settings.weight_decay
    )
    started = time.monotonic()
    sums = torch.zeros(5, device=device)
    since = 0
    best, waited = -1.0, 0
    n_frames, depth = net.shape.frames, store.luma[0].shape[1]
    for step in range(1, settings.steps + 1):
        for group in optimiser.param_groups:
            group["lr"] = _learning_rate(settings, step, started)
        half, skip = torch.rand(2, generator=chance).tolist()
        small = half < settings.half_share
        every = 2 if skip < settings.skip_share and depth >= 2 * n_frames - 1 else 1
        batch = store.batch(settings.batch * (2 if small else 1), 24, chance)
        batch = varied(last_frames(batch, n_frames, every), of_device)
        if small:
            batch = halved(batch)
        net.train()
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            maps = net(batch.luma, batch.chroma)
        loss, parts = loss_of(maps, batch, net.shape.stride)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        sums += torch.cat([loss.detach()[None], parts])
        since += 1
        took = time.monotonic() - started
        over = step == settings.steps or took > settings.limit_s
        if step % 50 == 0:
            feed()
            tell("training", max(step / settings.steps, took / settings.limit_s))
        if step % settings.measure_every and not over:
            continue
        of_all, heat, place, streak, radius = (sums / since).tolist()
        if not np.isfinite(of_all):
            raise BadInput(f"the loss is no longer a number at step {step}; try a lower rate")
        sums.zero_()
        since = 0
        seen = measure(net, held_out, device) if len(held_out) else None
        yield CurvePoint(step, took, of_all, heat, place, streak, radius, seen)
        if seen is not None and settings.patience:
            better = seen.average_precision_half > best + 1e-4
            best = max(best, seen.average_precision_half)
            waited = 0 if better else waited + 1
            over = over or waited >= settings.patience
        if over:
            return


def save_weights(net: BallNet, path: Path) -> None:
    """Weights as plain arrays, which hold no code; whole or not at all."""
    arrays = {name: value.detach().cpu().numpy() for name, value in net.state_dict().items()}
    part = path.with_suffix(".part")
    with part.open("wb") as file:
        np.savez(file, shape=np.array(json.dumps(asdict(net.shape))), **arrays)
    part.replace(path)


def load_weights(path: Path) -> BallNet:
    """A network from `save_weights`.

    Raises
    ------
    BadInput
        If the file holds no such weights.
    """
    try:
        with np.load(path, allow_pickle=False) as data:
            said = json.loads(str(data["shape"]))
            shape = Shape(said["name"], said["frames"], said["stride"], tuple(said["widths"]))
            state = {n: torch.from_numpy(data[n].copy()) for n in data.files if n != "shape"}
        net = BallNet(shape)
        net.load_state_dict(state)
    except (OSError, ValueError, KeyError, RuntimeError, TypeError) as error:
        raise BadInput(f"{path} holds no weights of a detector ({error})") from None
    return net


def joined(paths: list[Path], most: int = 10**9) -> Examples:
    """Examples of several files, the first `most` of each.

    Raises
    ------
    BadInput
        If there is no file.
    """
    parts = [load(path) for path in paths]
    if not parts:
        raise BadInput("no made halls were found to measure on; make more halls")
    return Examples(
        *(
            np.concatenate([getattr(p, name)[:most] for p in parts])
            for name in ("luma", "chroma", "kind", "ball", "others_px")
        )
    )


def calibration(net: BallNet, examples: Examples, device: torch.device) -> tuple[float, float]:
    """Slope and shift that make scores of both sizes shares of balls."""
    found = []
    labels = []
    for half in (False, True):
        found += found_by(net, examples, device, half=half)
        labels.append(labels_at(examples, half))
    kind, ball, others = (np.concatenate(parts) for parts in zip(*labels, strict=True))
    return calibrate(hold_against(found, kind, ball, others))


def new_net(shape: str, seed: int, device: torch.device) -> BallNet:
    """A network with fresh weights, the same for the same seed.

    Raises
    ------
    BadInput
        If there is no such shape.
    """
    if shape not in SHAPES:
        raise BadInput(f"there is no shape {shape!r}; choose one of {', '.join(SHAPES)}")
    with torch.random.fork_rng(devices=[]):
        torch.random.default_generator.manual_seed(seed)
        net = BallNet(SHAPES[shape])
    return net.to(device)


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


def held_out_halls(settings: MadeSettings, folder: Path, most: int, each: int) -> Examples:
    """Examples of made halls for measuring."""
    paths = [path for path in made_files(settings, folder) if is_held_out(path)]
    return joined(paths[:most], each)


def as_json(point: CurvePoint) -> str:
    """One line of the log."""
    return json.dumps(asdict(point))


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
    parser.add_argument("--go-on", type=Path, help="weights to begin from")
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
    net = new_net(args.shape, args.seed, device)
    if args.go_on is not None:
        net = load_weights(args.go_on).to(device)
    settings = TrainSettings(
        shape=args.shape, seed=args.seed, steps=args.steps, limit_s=args.limit_s, rate=args.rate
    )
    with (args.out / "curve.jsonl").open("w") as log:
        for point in train(net, store, held_out, settings, feed=feeder):
            print(as_json(point), file=log, flush=True)
            print(as_json(point), len(store), flush=True)
            save_weights(net, args.out / "weights.npz")
    held_out = held_out_halls(made, args.made, 10**9, 60)
    scale = calibration(net, held_out, device)
    result = {
        "made": asdict(made), "train": asdict(settings), "device": device.type,
        "torch": torch.__version__, "n_examples": len(store), "scale": scale,
        "held_out": {
            name: asdict(measure(net, held_out, device, half=half, scale=scale))
            for name, half in (("whole", False), ("half", True))
        },
    }  # fmt: skip
    (args.out / "result.json").write_text(json.dumps(result, indent=1), encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
