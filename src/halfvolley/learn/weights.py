"""Weights of a network: fresh ones, kept ones, and those of an ONNX file of this program."""

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from halfvolley.ball.network import Detector, load_detector
from halfvolley.errors import BadInput
from halfvolley.learn.shapes import SHAPES, BallNet, Shape


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


def weights_of(path: Path) -> tuple[BallNet, tuple[float, float], Detector]:
    """The network of an ONNX file of this program, ready to be trained further.

    Parameters
    ----------
    path : Path
        A detector that ONNX Runtime can load.

    Returns
    -------
    net : BallNet
        On the CPU. The file has its norms folded into its weights, so those of the net must stay
        frozen.
    scale : tuple of float
        Slope and shift of the logit.
    detector : Detector
        The file itself, with which the net agrees.

    Raises
    ------
    BadInput
        If the file is no detector, its shape is not known here, or its weights do not say what the
        file says.
    """
    import onnx
    from onnx import numpy_helper

    detector = load_detector(path)
    model = onnx.load_model_from_string(path.read_bytes())
    said = {entry.key: entry.value for entry in model.metadata_props}
    shape = SHAPES.get(said.get("shape", ""))
    cannot = f"{path} cannot be trained further: "
    if shape is None or (shape.frames, shape.stride) != (detector.frames, detector.stride):
        raise BadInput(cannot + f"its shape {said.get('shape')!r} is not known to this program")
    net = BallNet(shape).eval()
    held = {
        i.name: torch.from_numpy(numpy_helper.to_array(i).copy()) for i in model.graph.initializer
    }
    convs = [node for node in model.graph.node if node.op_type == "Conv"]
    norms = [node for node in model.graph.node if node.op_type == "BatchNormalization"]
    places = _in_order(net)
    try:
        with torch.no_grad():
            for node, (conv, norm) in zip(convs, places, strict=True):
                _fill(conv, norm, [held[name] for name in node.input[1:]])
            (stem,) = norms
            for name, value in zip(
                ("weight", "bias", "running_mean", "running_var"), stem.input[1:], strict=True
            ):
                getattr(net.stem[0], name).copy_(held[value])
        scale = float(held["slope"].flatten()[0]), float(held["shift"].flatten()[0])
    except (KeyError, ValueError, RuntimeError) as error:
        raise BadInput(cannot + f"its layers are other ones ({error})") from None
    off = _difference(net, scale, detector)
    if not off < 1e-3:
        raise BadInput(cannot + f"taken over, its weights answer differently (by {off:.2g})")
    return net, scale, detector


def _in_order(net: BallNet) -> list[tuple[nn.Module, nn.Module | None]]:
    """Convolutions in the order in which they run, each with the norm that is folded into it."""

    def pair(both: nn.Module) -> tuple[nn.Module, nn.Module]:
        conv, norm = list(both.children())[:2]
        return conv, norm

    out = [
        (net.luma, None), (net.chroma, None), pair(net.down4), pair(net.at4), pair(net.down8),
        pair(net.at8.first), pair(net.at8.second), pair(net.down16), pair(net.at16.first),
        pair(net.at16.second), (net.up8, None), pair(net.out8), (net.up4, None), pair(net.out4),
    ]  # fmt: skip
    if net.shape.stride == 2:
        out += [(net.up2, None), pair(net.out2)]
    return [*out, (net.head, None)]


def _fill(conv: nn.Module, norm: nn.Module | None, values: list[Tensor]) -> None:
    """Set a convolution's weights and the bias that is its own or that of a norm that changes
    nothing else."""
    conv.weight.copy_(values[0])
    if len(values) == 1:
        return
    if norm is None:
        conv.bias.copy_(values[1])
        return
    norm.running_mean.zero_()
    norm.running_var.fill_(1.0 - norm.eps)
    norm.weight.fill_(1.0)
    norm.bias.copy_(values[1])


def _difference(net: BallNet, scale: tuple[float, float], detector: Detector) -> float:
    """Largest difference of what the net and the file say of a picture of noise."""
    rng = np.random.default_rng(0)
    f = net.shape.frames
    luma = rng.integers(16, 236, (1, f, 64, 96), dtype=np.uint8)
    chroma = rng.integers(100, 156, (1, 2 * f, 32, 48), dtype=np.uint8)
    with torch.no_grad():
        maps = net(torch.from_numpy(luma).float(), torch.from_numpy(chroma).float()).numpy()
    maps[:, 0] = scale[0] * maps[:, 0] + scale[1]
    return float(np.abs(maps - detector.maps(luma, chroma)).max())
