"""What the crops lack: other light, casts, gamma, noise, softness, coders that repeat still blocks,
and limbs with knobs: thumbs, ears and fists, which are as round as a ball and move, but do not come
off what they belong to.

All on the device of the batch, each crop by its own draw.
"""

from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F

_RIM_PX = 10.0  # a thing that a piece looks at lies so far inside it


@dataclass(frozen=True, slots=True)
class Batch:
    """Crops on the training device. Places are those of the last frame, in pixels."""

    luma: Tensor  # (n, f, h, w) float, 8-bit steps
    chroma: Tensor  # (n, 2 f, h/2, w/2)
    kind: Tensor  # (n,)
    ball: Tensor  # (n, 5) u, v, radius, streak u, v
    others: Tensor  # (n, k, 2)


def halved(batch: Batch) -> Batch:
    """The same at half the size, as the whole frame is searched."""
    ball = batch.ball * 0.5
    ball[:, :2] -= 0.25  # (0, 0) is the centre of the first pixel
    return Batch(
        F.avg_pool2d(batch.luma, 2), F.avg_pool2d(batch.chroma, 2), batch.kind, ball,
        batch.others * 0.5 - 0.25,
    )  # fmt: skip


def closer(batch: Batch, side: int, generator: torch.Generator) -> Batch:
    """Square pieces of the batch, as the finder looks at one thing: at the ball, where there is
    one, else near the middle.

    Parameters
    ----------
    batch : Batch
        Larger than the pieces.
    side : int
        Of a piece, a multiple of 4 [px].
    generator : torch.Generator
        Source of chance, on the batch's device.
    """
    y, c = batch.luma, batch.chroma
    n = len(y)
    h, w = y.shape[-2:]
    size = torch.tensor([w, h], device=y.device)
    ball = batch.ball[:, :2]
    aim = torch.where(torch.isfinite(ball), ball, 0.5 * (size - 1.0))
    most = 0.5 * side - _RIM_PX
    away = most * (2.0 * torch.rand(n, 2, device=y.device, generator=generator) - 1.0)
    corner = ((aim + away - 0.5 * side) / 4.0).round().long() * 4
    corner = torch.minimum(corner.clamp(min=0), size - side)

    def cut(planes: Tensor, first: Tensor, wide: int) -> Tensor:
        at = torch.arange(wide, device=y.device)
        rows = (first[:, 1, None] + at)[:, None, :, None]
        columns = (first[:, 0, None] + at)[:, None, None, :]
        each = torch.arange(n, device=y.device)[:, None, None, None]
        plane = torch.arange(planes.shape[1], device=y.device)[None, :, None, None]
        return planes[each, plane, rows, columns]

    moved = torch.cat([corner, torch.zeros(n, 3, device=y.device)], dim=1)
    return Batch(
        cut(y, corner, side), cut(c, corner // 2, side // 2), batch.kind, batch.ball - moved,
        batch.others - corner[:, None],
    )  # fmt: skip


def _normal(like: Tensor, n: int, sd: float, generator: torch.Generator) -> Tensor:
    return sd * torch.randn(n, 1, 1, 1, device=like.device, generator=generator)


def _chance(like: Tensor, n: int, share: float, generator: torch.Generator) -> Tensor:
    return torch.rand(n, 1, 1, 1, device=like.device, generator=generator) < share


def varied(batch: Batch, generator: torch.Generator) -> Batch:
    """The batch in other light, through other cameras and coders.

    Parameters
    ----------
    batch : Batch
        As made.
    generator : torch.Generator
        Source of all chance, on the batch's device.

    Returns
    -------
    Batch
        With whole steps from 0 to 255.
    """
    batch = with_limbs(batch, generator)
    y, c = batch.luma, batch.chroma
    n, f = y.shape[:2]
    # light, gamma, black level; lamps that pulse
    y = 255.0 * (y / 255.0).clamp(1e-3) ** torch.exp(_normal(y, n, 0.2, generator))
    pulse = torch.exp(0.02 * torch.randn(n, f, 1, 1, device=y.device, generator=generator))
    pulse = torch.where(_chance(y, n, 0.3, generator), pulse, torch.ones_like(pulse))
    y = y * torch.exp(_normal(y, n, 0.2, generator)) * pulse + _normal(y, n, 7.0, generator)
    # casts: strength, hue and shift of colour
    c = c.reshape(n, f, 2, *c.shape[-2:]) - 128.0
    turn = _normal(y, n, 0.2, generator).reshape(n, 1, 1, 1)
    strength = torch.exp(_normal(y, n, 0.3, generator)).reshape(n, 1, 1, 1)
    cb = strength * (torch.cos(turn) * c[:, :, 0] - torch.sin(turn) * c[:, :, 1])
    cr = strength * (torch.sin(turn) * c[:, :, 0] + torch.cos(turn) * c[:, :, 1])
    cb = cb + _normal(y, n, 7.0, generator)
    cr = cr + _normal(y, n, 7.0, generator)
    c = torch.stack([cb, cr], dim=2).reshape(n, 2 * f, *cb.shape[-2:]) + 128.0
    y, c = _softened(y, c, generator)
    for_luma = _normal(y, n, 3.5, generator).abs() * _chance(y, n, 0.6, generator)
    for_chroma = _normal(y, n, 2.5, generator).abs() * _chance(y, n, 0.6, generator)
    y = y + for_luma * torch.randn(y.shape, device=y.device, generator=generator)
    c = c + for_chroma * torch.randn(c.shape, device=c.device, generator=generator)
    y, c = _repeated(y, c, generator)
    ball, others = batch.ball, batch.others
    if bool(torch.rand((), device=y.device, generator=generator) < 0.5):  # the mirror image
        side = y.shape[-1]
        y, c = y.flip(-1), c.flip(-1)
        ball = ball * torch.tensor([-1.0, 1.0, 1.0, -1.0, 1.0], device=y.device)
        ball[:, 0] += side - 1
        others = others * torch.tensor([-1.0, 1.0], device=y.device)
        others[..., 0] += side - 1
    return Batch(y.round().clamp(0, 255), c.round().clamp(0, 255), batch.kind, ball, others)


def _softened(y: Tensor, c: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """A part of the batch through a softer lens."""
    n = len(y)
    sd = 0.4 + 0.6 * torch.rand((), device=y.device, generator=generator)
    at = torch.arange(-2, 3, device=y.device)
    k = torch.exp(-0.5 * (at / sd) ** 2)
    k = (k / k.sum()).tolist()
    # sums of shifted pictures: a convolution of one channel is several times slower on a CPU
    wide = F.pad(y, (2, 2, 0, 0), mode="replicate")
    soft = sum(k[i] * wide[..., i : i + y.shape[-1]] for i in range(5))
    tall = F.pad(soft, (0, 0, 2, 2), mode="replicate")
    soft = sum(k[i] * tall[..., i : i + y.shape[-2], :] for i in range(5))
    some = _chance(y, n, 0.25, generator)
    return torch.where(some, soft, y), c


def _repeated(y: Tensor, c: Tensor, generator: torch.Generator) -> tuple[Tensor, Tensor]:
    """A coder copies blocks that hardly change from the frame before, noise and all."""
    n, f = y.shape[:2]
    least = _chance(y, n, 0.5, generator) * (
        2.0 + 6.0 * torch.rand(n, 1, 1, 1, device=y.device, generator=generator)
    )
    frames, colours = [y[:, :1]], [c[:, :2]]
    for i in range(1, f):
        fresh, colour = y[:, i : i + 1], c[:, 2 * i : 2 * i + 2]
        change = F.avg_pool2d((fresh - frames[-1]).abs(), 8)
        keep = (change < least).float()
        for_luma = F.interpolate(keep, scale_factor=8.0, mode="nearest")
        for_chroma = F.interpolate(keep, scale_factor=4.0, mode="nearest")
        frames.append(torch.where(for_luma > 0.5, frames[-1], fresh))
        colours.append(torch.where(for_chroma > 0.5, colours[-1], colour))
    return torch.cat(frames, dim=1), torch.cat(colours, dim=1)


def with_limbs(batch: Batch, generator: torch.Generator, share: float = 0.3) -> Batch:
    """A part of the batch with a made limb in front: a stroke with round ends and a knob on it.

    It moves evenly through the frames and has one colour. A ball that it may hide counts neither
    way; all else of it is no ball.

    Parameters
    ----------
    batch : Batch
        As made.
    generator : torch.Generator
        Source of all chance.
    share : float
        Of the crops that get one.
    """
    y, c = batch.luma, batch.chroma
    n, f, h, w = y.shape
    device = y.device

    def even(low: float, high: float, *more: int) -> Tensor:
        out = torch.rand(n, *more, device=device, generator=generator)
        return low + (high - low) * out

    start = torch.stack([even(0, w), even(0, h)], dim=1)
    turn = even(0, 6.2832)
    ahead = torch.stack([torch.cos(turn), torch.sin(turn)], dim=1)
    length, thick = even(8, 70), even(2.5, 16)
    knob = even(2.5, 8.0)
    sideways = torch.stack([-ahead[:, 1], ahead[:, 0]], dim=1)
    # on the side of the stroke, or beyond its end
    along = even(0.0, 1.0) * length
    out = thick + even(-0.4, 0.7) * knob
    on_side = start + along[:, None] * ahead + out[:, None] * sideways
    at_end = start + (length + out)[:, None] * ahead
    at = torch.where((even(0, 1) < 0.5)[:, None], on_side, at_end)
    speed = even(-22, 22, 2) * (even(0, 1) < 0.8)[:, None]
    light = even(50, 225)
    hue, strength = even(-0.6, 2.4), even(0, 45) * (even(0, 1) < 0.7)
    colour = torch.stack([-strength * torch.sin(hue), strength * torch.cos(hue)], dim=1)
    slope = even(-1.2, 1.2, 2)  # of its light, per pixel
    chosen = even(0, 1) < share
    soft = even(0.5, 1.2)
    luma, chroma = y.clone(), c.reshape(n, f, 2, h // 2, w // 2).clone()
    hides = torch.zeros(n, dtype=torch.bool, device=device)
    ball = torch.nan_to_num(batch.ball, nan=-1e4)
    for i in range(f):
        shift = (i - (f - 1)) * speed
        for half in (False, True):
            step, first = (2.0, 0.5) if half else (1.0, 0.0)
            rows, columns = (h // 2, w // 2) if half else (h, w)
            v = first + step * torch.arange(rows, device=device)[None, :, None]
            u = first + step * torch.arange(columns, device=device)[None, None, :]
            depth = _depth(u, v, start + shift, ahead, length, thick, at + shift, knob)
            cover = torch.sigmoid(depth / (0.5 * soft * step)[:, None, None])
            cover = cover * chosen[:, None, None]
            if half:
                seen = 128.0 + colour[:, :, None, None]
                chroma[:, i] += cover[:, None] * (seen - chroma[:, i])
                continue
            shade = slope[:, 0, None, None] * (u - at[:, 0, None, None] - shift[:, 0, None, None])
            shade = shade + slope[:, 1, None, None] * (
                v - at[:, 1, None, None] - shift[:, 1, None, None]
            )
            luma[:, i] += cover * (light[:, None, None] + shade.clamp(-40, 40) - luma[:, i])
        if i == f - 1:
            of_ball = _depth(
                ball[:, 0, None, None], ball[:, 1, None, None], start, ahead, length, thick, at,
                knob,
            )  # fmt: skip
            reach = ball[:, 2].clamp(min=0) + 0.5 * torch.hypot(ball[:, 3], ball[:, 4]) + 2.0
            hides = chosen & (of_ball[:, 0, 0] > -reach)
    ignored = torch.full_like(batch.kind, -1.0)
    kind = torch.where(hides & (batch.kind != 0), ignored, batch.kind)
    return Batch(luma, chroma.reshape(c.shape), kind, batch.ball, batch.others)


def _depth(
    u: Tensor, v: Tensor, start: Tensor, ahead: Tensor, length: Tensor, thick: Tensor, at: Tensor,
    knob: Tensor,
) -> Tensor:  # fmt: skip
    """How deep places lie inside a stroke or its knob [px], below 0 outside."""
    x, y = u - start[:, 0, None, None], v - start[:, 1, None, None]
    t = x * ahead[:, 0, None, None] + y * ahead[:, 1, None, None]
    t = torch.minimum(t.clamp(min=0.0), length[:, None, None])
    x = x - t * ahead[:, 0, None, None]
    y = y - t * ahead[:, 1, None, None]
    stroke = thick[:, None, None] - torch.hypot(x, y)
    x, y = u - at[:, 0, None, None], v - at[:, 1, None, None]
    return torch.maximum(stroke, knob[:, None, None] - torch.hypot(x, y))
