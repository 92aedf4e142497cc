"""A trained network as an ONNX file that needs no PyTorch, and its card."""

import hashlib
import warnings
from pathlib import Path

import torch
from torch import Tensor, nn

from halfvolley.ball.network import FORMAT, load_detector
from halfvolley.learn.shapes import BallNet

OPSET = 17


class _Whole(nn.Module):
    """Bytes in, calibrated maps out."""

    def __init__(self, net: BallNet, scale: tuple[float, float]) -> None:
        super().__init__()
        self.net = net
        slope = torch.ones(7)
        slope[0] = scale[0]
        shift = torch.zeros(7)
        shift[0] = scale[1]
        self.register_buffer("slope", slope.reshape(1, 7, 1, 1))
        self.register_buffer("shift", shift.reshape(1, 7, 1, 1))

    def forward(self, luma: Tensor, chroma: Tensor) -> Tensor:
        maps: Tensor = self.net(luma.float(), chroma.float()) * self.slope + self.shift
        return maps


def export_onnx(net: BallNet, scale: tuple[float, float], path: Path) -> str:
    """Write a network as ONNX; return the file's hash.

    Parameters
    ----------
    net : BallNet
        Trained; moved to the CPU.
    scale : tuple of float
        Slope and shift of the logit, see `measured.calibrate`.
    path : Path
        Where to; whole or not at all.

    Returns
    -------
    str
        First 16 digits of the SHA-256 of the file.
    """
    import onnx

    whole = _Whole(net.cpu().eval(), scale).eval()
    frames = net.shape.frames
    luma = torch.zeros(1, frames, 64, 96, dtype=torch.uint8)
    chroma = torch.zeros(1, 2 * frames, 32, 48, dtype=torch.uint8)
    part = path.with_suffix(".part")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the exporter of old, which needs no further package
        torch.onnx.export(
            whole, (luma, chroma), str(part), dynamo=False, opset_version=OPSET,
            input_names=["luma", "chroma"], output_names=["maps"],
            dynamic_axes={
                "luma": {0: "n", 2: "h", 3: "w"}, "chroma": {0: "n", 2: "h2", 3: "w2"},
                "maps": {0: "n", 2: "rows", 3: "columns"},
            },
        )  # fmt: skip
    model = onnx.load(str(part))
    said = {
        "format": FORMAT, "frames": str(frames), "stride": str(net.shape.stride),
        "shape": net.shape.name,
    }  # fmt: skip
    for key, value in said.items():
        entry = model.metadata_props.add()
        entry.key, entry.value = key, value
    onnx.checker.check_model(model)
    part.write_bytes(model.SerializeToString())
    load_detector(part)  # what cannot be read again is not handed out
    part.replace(path)
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]
