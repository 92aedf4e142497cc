"""The training loop, top to bottom: batches, steps, measuring, the best weights, early stopping."""

import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import numpy as np
import torch
from torch import nn

from halfvolley.errors import BadInput
from halfvolley.learn.aims import loss_of
from halfvolley.learn.augment import closer, halved, varied
from halfvolley.learn.example_store import ExampleStore, last_frames
from halfvolley.learn.judge import measure
from halfvolley.learn.made import Examples
from halfvolley.learn.run import CurvePoint, Run, TrainSettings, new_run, restore_run, save_run
from halfvolley.learn.shapes import BallNet

Tell = Callable[[str, float], None]
LEAST_BATCH = 4  # a machine without the memory for this cannot train
_GAIN = 1e-4  # less is none
_HALLS_A_BATCH = 24  # at most
_CLOSE_PX = 48, 48, 64, 64, 96, 128  # sides of small pieces, each as likely


def train(
    net: BallNet, store: ExampleStore, held_out: Mapping[str, Examples], settings: TrainSettings,
    tell: Tell = lambda text, share: None, feed: Callable[[], None] = lambda: None,
    keep: Path | None = None, note: Callable[[str], None] = lambda text: None,
    choose: bool = True,
) -> Iterator[CurvePoint]:  # fmt: skip
    """Train a network in place; yields the curve as it grows.

    Parameters
    ----------
    net : BallNet
        On the device of the store; changed.
    store : ExampleStore
        To learn from.
    held_out : mapping of str to Examples
        To measure on; may be empty.
    settings : TrainSettings
        How.
    tell : callable
        Told what is being done and which share of it is done.
    feed : callable
        Called now and then; may add to the store.
    keep : Path, optional
        File of the checkpoint. If it is there, training goes on from it; the curve so far comes
        first. The examples must be the same.
    note : callable
        Told what a person should know: less memory than hoped for, a damaged checkpoint.
    choose : bool
        Whether the weights that are best on `held_out` are taken, and it stops without a gain;
        else the last ones.

    Yields
    ------
    CurvePoint
        Before the first step where something is held out; every `measure_every` steps; at the end.

    Raises
    ------
    BadInput
        If there are no examples, the loss is no longer a number, or memory does not suffice for a
        few crops.
    """
    if not len(store):
        raise BadInput("there are no examples to learn from; make or harvest some")
    run = new_run(net, settings, store.device)
    if keep is not None:
        restore_run(run, keep)
    yield from run.curve
    if run.step == 0 and not run.curve and held_out:
        yield _measured(run, held_out, choose)
    kept_at = time.monotonic()
    while not run.over:
        started = time.monotonic()
        _learn(run, store, settings)
        run.took_s += time.monotonic() - started
        share = max(run.step / settings.steps, run.took_s / settings.limit_s)
        run.over = share >= 1.0
        if run.step % 50 == 0:
            feed()
        if run.step % 5 == 0:
            tell("training", share)
        point = None
        if run.step % settings.measure_every == 0 or run.over:
            started = time.monotonic()
            point = _measured(run, held_out, choose)
            run.over = run.over or 0 < settings.patience <= run.waited
            run.took_s += time.monotonic() - started
        if keep is not None and (
            point is not None or time.monotonic() - kept_at >= settings.keep_every_s
        ):
            save_run(run, keep)
            kept_at = time.monotonic()
        if point is not None:
            yield point
    for words in run.notes:
        note(words)
    if run.best_weights:
        net.load_state_dict(run.best_weights)


def _learn(run: Run, store: ExampleStore, settings: TrainSettings) -> None:
    """One step; with fewer crops where memory does not suffice for as many."""
    before = run.on_cpu.get_state(), run.on_device.get_state()
    while True:
        try:
            _step(run, store, settings)
            return
        except (MemoryError, RuntimeError) as error:
            if not out_of_memory(error):
                raise
        if run.batch <= LEAST_BATCH:
            raise BadInput(
                f"there is not enough memory to train on even {run.batch} crops at once; close "
                "other programs, or train on the CPU"
            )
        run.notes.append(
            f"memory did not suffice for {run.batch} crops a step; went on with {run.batch // 2}"
        )
        run.batch //= 2
        run.optimiser.zero_grad(set_to_none=True)
        if store.device.type == "cuda":
            torch.cuda.empty_cache()
        run.on_cpu.set_state(before[0])
        run.on_device.set_state(before[1])


def out_of_memory(error: BaseException) -> bool:
    """Whether that is what an error says; each device says it in its own way."""
    words = str(error).lower()
    return isinstance(error, MemoryError | torch.OutOfMemoryError) or any(
        said in words for said in ("out of memory", "allocate memory", "not enough memory")
    )


def _step(run: Run, store: ExampleStore, settings: TrainSettings) -> None:
    net, n_frames = run.net, run.net.shape.frames
    look, skip, side = torch.rand(3, generator=run.on_cpu).tolist()
    half = look < settings.half_share
    close = not half and look < settings.half_share + settings.close_share
    every = 2 if skip < settings.skip_share and store.frames >= 2 * n_frames - 1 else 1
    n = run.batch * (2 if half or close else 1)
    drawn = store.draw(n, _HALLS_A_BATCH, run.on_cpu, settings.hard_share, run.on_device)
    batch = last_frames(store.take(drawn, n), n_frames, every)
    if close:
        batch = closer(batch, _CLOSE_PX[int(side * len(_CLOSE_PX))], run.on_device)
    batch = varied(batch, run.on_device)
    if half:
        batch = halved(batch)
    net.train()
    if settings.frozen_norms:
        for part in net.modules():
            if isinstance(part, nn.BatchNorm2d):
                part.eval()
    kind = store.device.type
    with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
        maps = net(batch.luma, batch.chroma)
    loss, parts, of_each = loss_of(maps, batch, net.shape.stride)
    if settings.hard_share:
        store.found_hard(drawn, of_each)
    run.optimiser.zero_grad(set_to_none=True)
    loss.backward()
    torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
    for group in run.optimiser.param_groups:
        group["lr"] = _learning_rate(settings, run.step + 1, run.took_s)
    run.optimiser.step()
    run.sums += torch.cat([loss.detach()[None], parts])
    run.since += 1
    run.step += 1


def _learning_rate(settings: TrainSettings, step: int, took_s: float) -> float:
    """One cycle: up over a twentieth, then a cosine down to a hundredth."""
    share = min(max(step / settings.steps, took_s / settings.limit_s), 1.0)
    if share < 0.05:
        return settings.rate * (0.05 + 0.95 * share / 0.05)
    return settings.rate * (0.01 + 0.99 * 0.5 * (1 + np.cos(np.pi * (share - 0.05) / 0.95)))


def _measured(run: Run, held_out: Mapping[str, Examples], choose: bool) -> CurvePoint:
    """The next point of the curve; remembers the best weights where they are chosen."""
    loss, heat, place, streak, radius = (run.sums / max(run.since, 1)).tolist()
    if not np.isfinite(loss):
        raise BadInput(f"the loss is no longer a number at step {run.step}; try a lower rate")
    run.sums.zero_()
    run.since = 0
    seen = {name: measure(run.net, e, run.sums.device) for name, e in held_out.items()}
    point = CurvePoint(run.step, run.took_s, loss, heat, place, streak, radius, seen)
    run.curve.append(point)
    if choose and point.worth is not None:
        run.waited += 1
        if point.worth > run.best + _GAIN:
            run.best, run.best_step, run.waited = point.worth, run.step, 0
            state = run.net.state_dict()
            run.best_weights = {name: value.detach().clone() for name, value in state.items()}
    return point


def pick_device(name: str = "auto") -> torch.device:
    """CUDA or MPS where they are there, else the CPU; or the one that is named."""
    if name != "auto":
        return torch.device(name)
    if torch.cuda.is_available():
        return torch.device("cuda")
    if torch.backends.mps.is_available():
        return torch.device("mps")
    return torch.device("cpu")
