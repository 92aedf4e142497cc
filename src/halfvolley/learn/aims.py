"""What the network should say of a crop, and how far from it an output is."""

import torch
from torch import Tensor
from torch.nn import functional as F

from halfvolley.ball.maps import RADIUS_UNIT_PX, STREAK_UNIT_PX
from halfvolley.learn.augment import Batch
from halfvolley.learn.made import BALL, IGNORED

_NEAR_CELLS = 1.5  # outputs within this of the centre are asked for its exact place


def cell_places(h: int, w: int, stride: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """(h, w) pixel places of the middles of the cells: u and v."""
    v, u = torch.meshgrid(
        torch.arange(h, device=device), torch.arange(w, device=device), indexing="ij"
    )
    return (u + 0.5) * stride - 0.5, (v + 0.5) * stride - 0.5


def heat_and_weight(batch: Batch, h: int, w: int, stride: int) -> tuple[Tensor, Tensor]:
    """(n, h, w) wanted heat, 1 in the cell of a ball's centre, and weights, 0 where either may be.

    Heat falls off along the streak as far as the streak leaves the centre open, and across it.
    """
    u, v = cell_places(h, w, stride, batch.luma.device)
    ball = torch.nan_to_num(batch.ball, nan=-1e4)
    du = u[None] - ball[:, 0, None, None]
    dv = v[None] - ball[:, 1, None, None]
    r = ball[:, 2].clamp(min=1.0)[:, None, None]
    length = torch.hypot(ball[:, 3], ball[:, 4]).clamp(max=400.0)[:, None, None]
    ahead_u = ball[:, 3, None, None] / length.clamp(min=1e-3)
    ahead_v = ball[:, 4, None, None] / length.clamp(min=1e-3)
    along = du * ahead_u + dv * ahead_v
    across = du * ahead_v - dv * ahead_u
    sd_across = (0.4 * r).clamp(min=0.6 * stride)
    sd_along = torch.hypot(sd_across, 0.15 * length)
    off = (along / sd_along) ** 2 + (across / sd_across) ** 2
    heat = torch.exp(-0.5 * off)
    mine = (du.abs() <= 0.5 * stride) & (dv.abs() <= 0.5 * stride)
    heat = torch.where(mine, torch.ones_like(heat), heat.clamp(max=0.98))
    is_ball = (batch.kind == BALL)[:, None, None]
    weight = torch.ones_like(heat)
    # what counts neither way, and all that it may cover
    reach = 2.0 * r + 0.5 * length + 2.0 * stride
    near = torch.hypot(du, dv) < reach
    weight[(batch.kind == IGNORED)[:, None, None] & near] = 0.0
    others = torch.nan_to_num(batch.others, nan=-1e4)
    reach = (2.5 * torch.nan_to_num(batch.ball[:, 2], nan=6.0) + 8.0)[:, None, None]
    for k in range(others.shape[1]):
        apart = torch.hypot(u[None] - others[:, k, 0, None, None],
                            v[None] - others[:, k, 1, None, None])  # fmt: skip
        weight[(apart < reach) & ~(is_ball & (heat > 0.1))] = 0.0
    return torch.where(is_ball, heat, torch.zeros_like(heat)), weight


def loss_of(maps: Tensor, batch: Batch, stride: int) -> tuple[Tensor, Tensor, Tensor]:
    """Loss of a batch; its parts: heat, place, streak, radius, each a mean over balls; and (n,) of
    heat alone, of each crop.

    Notes
    -----
    Heat: the focal loss that counts cells near a centre less (Law and Deng 2018,
    doi:10.1007/s11263-019-01204-1, equation 1). Place: a normal likelihood whose sd is an output,
    and the plain distance, which keeps its slope where the sd is wide.
    """
    maps = maps.float()
    h, w = maps.shape[-2:]
    heat, weight = heat_and_weight(batch, h, w, stride)
    logit = maps[:, 0]
    p = torch.sigmoid(logit)
    centre = heat >= 1.0
    hit = -F.logsigmoid(logit) * (1.0 - p) ** 2
    miss = -F.logsigmoid(-logit) * p**2 * (1.0 - heat) ** 4
    n_balls = centre.sum().clamp(min=1)
    of_each = (torch.where(centre, hit, miss) * weight).sum(dim=(1, 2))
    of_heat = of_each.sum() / n_balls
    u, v = cell_places(h, w, stride, maps.device)
    ball = torch.nan_to_num(batch.ball, nan=-1e4)
    du = (ball[:, 0, None, None] - u[None]) / stride
    dv = (ball[:, 1, None, None] - v[None]) / stride
    is_ball = (batch.kind == BALL)[:, None, None]
    near = (is_ball & (du.abs() < _NEAR_CELLS) & (dv.abs() < _NEAR_CELLS)).float()
    n = near.sum().clamp(min=1)
    off_u, off_v = maps[:, 1] - du, maps[:, 2] - dv
    log_sd = maps[:, 3].clamp(-4.0, 3.0)
    far = (off_u**2 + off_v**2).clamp(max=1e6)
    likely = (0.5 * far * torch.exp(-2.0 * log_sd) + 2.0 * log_sd).clamp(max=50.0)
    of_place = ((off_u.abs() + off_v.abs() + 0.1 * likely) * near).sum() / n
    length = torch.hypot(ball[:, 3], ball[:, 4])
    twice = 2.0 * torch.atan2(ball[:, 4], ball[:, 3])
    want_c = (length * torch.cos(twice) / STREAK_UNIT_PX)[:, None, None]
    want_s = (length * torch.sin(twice) / STREAK_UNIT_PX)[:, None, None]
    of_streak = ((maps[:, 4] - want_c).abs() + (maps[:, 5] - want_s).abs()).clamp(max=50.0)
    of_streak = (of_streak * near).sum() / n
    want_r = torch.log(ball[:, 2].clamp(min=0.5) / RADIUS_UNIT_PX)[:, None, None]
    of_radius = ((maps[:, 6] - want_r).abs() * near).sum() / n
    parts = torch.stack([of_heat, of_place, of_streak, of_radius])
    total = of_heat + 0.5 * of_place + 0.25 * of_streak + 0.5 * of_radius
    return total, parts.detach(), of_each.detach()
