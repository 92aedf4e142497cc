"""The network: a small fully convolutional net over a few causal frames; several shapes of it.

Input are planes as they are coded: luma, and chroma at half the size, of frames t-n+1 .. t. Output,
at every `stride` pixels, says of the last frame: is the centre of a ball here, where exactly, how
well that is known, the streak and the radius. Chroma enters where the picture has been halved, so
nothing is converted or enlarged.
"""

from dataclasses import dataclass

import torch
from torch import Tensor, nn

from halfvolley.errors import BadInput

OUTPUTS = ("logit", "du", "dv", "log_sd", "streak_c", "streak_s", "log_radius")
"""Channels of the output.

`du`, `dv` from the middle of the cell and the sd of each, in cells; streak length [px] over
`ball.maps.STREAK_UNIT_PX`, times cosine and sine of twice its direction (its sign is unknown);
natural logarithm of the radius [px] over `ball.maps.RADIUS_UNIT_PX`. `ball.maps` reads them.
"""
MULTIPLE_PX = 16  # heights and widths must be multiples of this
_LUMA = (110.0, 1.0 / 55.0)  # brings usual values to about -1 .. 1
_CHROMA = (128.0, 1.0 / 24.0)


@dataclass(frozen=True, slots=True)
class Shape:
    """What goes in and comes out, and how wide the net is."""

    name: str
    frames: int  # neighbouring frames seen, the last one is judged
    stride: int  # 2 or 4: pixels from one output to the next
    widths: tuple[int, int, int, int] = (16, 28, 48, 72)  # channels at 1/2, 1/4, 1/8, 1/16

    def __post_init__(self) -> None:
        if self.frames < 1 or self.stride not in (2, 4):
            raise BadInput(
                f"a shape needs a frame or more and a stride of 2 or 4, got {self.frames} and "
                f"{self.stride}"
            )


SHAPES = {
    shape.name: shape
    for shape in (
        Shape("one4", 1, 4), Shape("three4", 3, 4), Shape("five4", 5, 4), Shape("three2", 3, 2),
    )
}  # fmt: skip
"""The shapes that are compared: frames seen, and the stride of the output."""


def _conv(n_in: int, n_out: int, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(n_in, n_out, 3, stride, 1, bias=False), nn.BatchNorm2d(n_out), nn.ReLU()
    )


class _Block(nn.Module):
    """Two convolutions beside the identity."""

    def __init__(self, n: int) -> None:
        super().__init__()
        self.first = _conv(n, n)
        self.second = nn.Sequential(nn.Conv2d(n, n, 3, 1, 1, bias=False), nn.BatchNorm2d(n))

    def forward(self, x: Tensor) -> Tensor:
        return torch.relu(x + self.second(self.first(x)))


class BallNet(nn.Module):
    """The network of one shape.

    Parameters
    ----------
    shape : Shape
        Input, output and widths.
    """

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        self.shape = shape
        a, b, c, d = shape.widths
        self.luma = nn.Conv2d(shape.frames, a, 4, 2, 1, bias=False)
        self.chroma = nn.Conv2d(2 * shape.frames, a, 3, 1, 1, bias=False)
        self.stem = nn.Sequential(nn.BatchNorm2d(a), nn.ReLU())
        self.down4 = _conv(a, b, 2)
        self.at4 = _conv(b, b)
        self.down8 = _conv(b, c, 2)
        self.at8 = _Block(c)
        self.down16 = _conv(c, d, 2)
        self.at16 = _Block(d)
        self.up8 = nn.Conv2d(d, c, 1)
        self.out8 = _conv(c, c)
        self.up4 = nn.Conv2d(c, b, 1)
        self.out4 = _conv(b, b)
        last = b
        if shape.stride == 2:
            self.up2 = nn.Conv2d(b, a, 1)
            self.out2 = _conv(a, a)
            last = a
        self.head = nn.Conv2d(last, len(OUTPUTS), 1)
        with torch.no_grad():  # a ball is rare: the first steps need not learn that
            self.head.bias.zero_()
            self.head.bias[0] = -5.0

    def forward(self, luma: Tensor, chroma: Tensor) -> Tensor:
        """(n, 7, h / stride, w / stride) outputs.

        Parameters
        ----------
        luma : (n, frames, h, w) tensor
            8-bit steps, oldest first; h and w multiples of 16.
        chroma : (n, 2 frames, h/2, w/2) tensor
            cb and cr of the oldest frame, then of the next.
        """
        y = (luma - _LUMA[0]) * _LUMA[1]
        c = (chroma - _CHROMA[0]) * _CHROMA[1]
        x2 = self.stem(self.luma(y) + self.chroma(c))
        x4 = self.at4(self.down4(x2))
        x8 = self.at8(self.down8(x4))
        x16 = self.at16(self.down16(x8))
        x8 = self.out8(x8 + _doubled(self.up8(x16)))
        x4 = self.out4(x4 + _doubled(self.up4(x8)))
        if self.shape.stride == 2:
            x4 = self.out2(x2 + _doubled(self.up2(x4)))
        out: Tensor = self.head(x4)
        return out


def _doubled(x: Tensor) -> Tensor:
    return nn.functional.interpolate(x, scale_factor=2.0, mode="nearest")


def count_weights(net: nn.Module) -> int:
    """Number of trained numbers."""
    return sum(p.numel() for p in net.parameters())
