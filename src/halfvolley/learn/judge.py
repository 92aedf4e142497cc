"""A network on examples: what it finds in them, how good that is, what its scores are worth."""

import numpy as np
import torch

from halfvolley.ball import maps as ball_maps
from halfvolley.learn.augment import Batch, halved
from halfvolley.learn.example_store import last_frames
from halfvolley.learn.made import Examples
from halfvolley.learn.measured import (
    LEAST_SCORE,
    Goodness,
    calibrate,
    goodness,
    hold_against,
)
from halfvolley.learn.shapes import BallNet
from halfvolley.types import FloatArray


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


def calibration(net: BallNet, examples: Examples, device: torch.device) -> tuple[float, float]:
    """Slope and shift that make scores of both sizes shares of balls."""
    found = []
    labels = []
    for half in (False, True):
        found += found_by(net, examples, device, half=half)
        labels.append(labels_at(examples, half))
    kind, ball, others = (np.concatenate(parts) for parts in zip(*labels, strict=True))
    return calibrate(hold_against(found, kind, ball, others))
